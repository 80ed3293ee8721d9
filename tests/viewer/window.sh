#!/usr/bin/env bash
# The viewer in a real window on a display in memory, worked with a mouse and a keyboard:
# opens, drags, traces, saves and closes with status 0; killed at any moment, it offers the work back.
#
#   bash tests/viewer/window.sh PROGRAM VOLUME [FOLDER FOR PICTURES]
#
# Needs Xvfb, xdotool and, for pictures, ImageMagick's import.
set -euo pipefail

program=$(realpath "$1")
volume=$(realpath "$2")
pictures=${3:-}
work=$(mktemp -d)
export XDG_STATE_HOME=$work/state XDG_RUNTIME_DIR=$work
cp "$volume" "$work/sample.dcm"
running=()

finish() {
    for process in "${running[@]}"; do kill "$process" 2>/dev/null || true; done
    rm -rf "$work"
}
trap finish EXIT

fail() {
    echo "window: $1" >&2
    [ -n "$pictures" ] && shot failed
    exit 1
}

shot() {
    [ -n "$pictures" ] || return 0
    mkdir -p "$pictures"
    import -window root "$pictures/$1.png"
}

# A display of its own; the server says which one is free.
mkfifo "$work/display"
Xvfb -displayfd 3 -noreset -screen 0 1440x900x24 -nolisten tcp 3>"$work/display" 2>/dev/null &
running+=($!)
read -r number <"$work/display"
export DISPLAY=:$number

# Waits until the window bears a name that matches.
window=""
named() {
    for _ in $(seq 1 600); do
        window=$(xdotool search --onlyvisible --name "$1" 2>/dev/null | head -n 1 || true)
        if [ -n "$window" ]; then
            xdotool windowfocus "$window" 2>/dev/null || true
            return 0
        fi
        kill -0 "$viewer" 2>/dev/null || fail "the viewer ended by itself: $(cat "$work/talk")"
        sleep 0.1
    done
    fail "no window named $1"
}

start() {
    "$program" view "$@" >"$work/talk" 2>&1 &
    viewer=$!
    running+=("$viewer")
}

ends_with_zero() {
    for _ in $(seq 1 100); do
        if ! kill -0 "$viewer" 2>/dev/null; then
            wait "$viewer" || fail "the viewer ended with status $?"
            return 0
        fi
        sleep 0.1
    done
    fail "the viewer does not end"
}

# Waits for a file.
there() {
    for _ in $(seq 1 "${2:-100}"); do
        [ -e "$1" ] && return 0
        sleep 0.1
    done
    fail "there is no $1"
}

key() { xdotool key --window "$window" "$1"; sleep 0.4; }

# 1. Opens, turns by a drag, traces, saves, closes.
start "$work/sample.dcm"
named '^sample.dcm - narrows$'
sleep 2
shot opened
# Slowly enough that a frame passes between press, move and release, however slow the build.
xdotool mousemove --window "$window" 300 300
sleep 0.5
xdotool mousedown 1
for x in 305 315 325 340; do sleep 0.4; xdotool mousemove --window "$window" "$x" 310; done
sleep 0.4
xdotool mouseup 1
sleep 1
shot turned
key ctrl+s
there "$work/sample.review.json"
python3 - "$work/sample.review.json" <<'CHECK' || fail "the drag did not turn the cut"
import json, sys
turns = json.load(open(sys.argv[1]))["work"]["turns"]
tilts = [turn["tilt"] for _, turn in (turns.items() if isinstance(turns, dict) else turns)]
sys.exit(0 if any(abs(part) > 0.005 for tilt in tilts for part in tilt) else 1)
CHECK
key Home
# There is nothing to trace until the jets are measured, which a slow build takes its time for.
for try in $(seq 1 60); do
    key t
    key g
    key ctrl+s
    sleep 1
    grep -q '"drawn": "corrected"' "$work/sample.review.json" && break
    [ "$try" -lt 60 ] || fail "the tracing was not saved"
done
shot traced
key ctrl+q
ends_with_zero
[ -z "$(ls "$work/state/narrows")" ] || fail "a clean end left $(ls "$work/state/narrows")"

# 2. Killed two seconds after a change, it offers the work back.
rm "$work/sample.review.json"
start "$work/sample.dcm"
named '^sample.dcm - narrows$'
sleep 2
for try in $(seq 1 60); do
    key t
    sleep 2
    grep -qsE '"drawn": ?"proposed"' "$work/state/narrows/"*.recovery.json && break
    [ "$try" -lt 60 ] || fail "the work was not kept within two seconds"
done
kill -9 "$viewer"
wait "$viewer" 2>/dev/null || true
ls "$work/state/narrows/"*.recovery.json >/dev/null || fail "no recovery file after kill -9"
start
named '^narrows$'
sleep 1
shot recovery
key r
named '^sample.dcm - narrows$'
sleep 2
shot recovered
key ctrl+s
there "$work/sample.review.json"
grep -q '"drawn": "proposed"' "$work/sample.review.json" || fail "the tracing was lost with the process"
key ctrl+q
ends_with_zero
echo "window: opened, dragged, traced, saved, closed with 0; killed and recovered"
