#!/usr/bin/env bash
# Makes the pictures of the viewer in docs/ again, from a real window on a display in memory.
#
#   bash tests/viewer/screenshots.sh PROGRAM VOLUME [FOLDER]
#
# Needs Xvfb, xdotool and ImageMagick.
set -euo pipefail

program=$(realpath "$1")
volume=$(realpath "$2")
folder=${3:-$(dirname "$0")/../../docs/pictures}
size=${NARROWS_SCREEN:-1440x900}
mkdir -p "$folder"
work=$(mktemp -d)
export XDG_STATE_HOME=$work/state XDG_RUNTIME_DIR=$work
cp "$volume" "$work/"
running=()
trap 'for process in "${running[@]}"; do kill "$process" 2>/dev/null || true; done; rm -rf "$work"' EXIT

mkfifo "$work/display"
Xvfb -displayfd 3 -noreset -screen 0 "${size}x24" -nolisten tcp 3>"$work/display" 2>/dev/null &
running+=($!)
read -r number <"$work/display"
export DISPLAY=:$number

named() {
    for _ in $(seq 1 600); do
        window=$(xdotool search --onlyvisible --name "$1" 2>/dev/null | head -n 1 || true)
        [ -n "$window" ] && break
        sleep 0.1
    done
    [ -n "$window" ] || { echo "no window named $1" >&2; exit 1; }
    xdotool windowmove "$window" 0 0 windowsize "$window" "${size%x*}" "${size#*x}" windowfocus "$window"
    sleep "$2"
}

picture() {
    import -window root png:- | convert png:- -strip -define png:compression-level=9 "$folder/$1.png"
}

key() { xdotool key --window "$window" "$1"; sleep "$2"; }

# A hand that rests: nothing is hovered, and the pictures are still.
rest() { xdotool mousemove "$((${size%x*} - 2))" "$((${size#*x} - 2))"; sleep "$1"; }

"$program" view >/dev/null 2>&1 &
running+=($!)
named '^narrows$' 4
rest 1
picture viewer-start
kill "${running[-1]}"
wait "${running[-1]}" 2>/dev/null || true

"$program" view "$work/$(basename "$volume")" >/dev/null 2>&1 &
running+=($!)
named "^$(basename "$volume") - narrows\$" "${NARROWS_MEASURED:-8}"
# While it measures, the window's name says so.
for _ in $(seq 1 600); do
    [ "$(xdotool getwindowname "$window")" = "$(basename "$volume") - narrows" ] && break
    sleep 0.5
done
rest 12
picture viewer
key shift+Right 1
key shift+Right 1
key shift+Right 1
key shift+Up 20
picture viewer-turned
key Home 2
# The step "Grade".
key ctrl+6 1
rest 2
picture viewer-weigh
key ctrl+q 1
