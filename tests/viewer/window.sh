#!/usr/bin/env bash
# The viewer in a real window on a display in memory, worked with a mouse and a keyboard:
# opens, drags, traces, saves and closes with status 0; killed at any moment, it offers the work back;
# takes files dropped on it and those of the desktop's file dialogs.
#
#   bash tests/viewer/window.sh PROGRAM VOLUME [FOLDER FOR PICTURES]
#
# Needs Xvfb, xdotool, dbus-daemon, what tests/python/requirements.txt names and, for pictures,
# ImageMagick's import.
set -euo pipefail

program=$(realpath "$1")
volume=$(realpath "$2")
pictures=${3:-}
here=$(cd "$(dirname "$0")" && pwd)
python=$here/../../.venv/bin/python
[ -x "$python" ] || python=python3
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

# Waits until the window bears a name that matches. The search takes every name for Latin-1, so the
# whole name is asked of the window.
window=""
named() {
    for _ in $(seq 1 600); do
        window=$(xdotool search --onlyvisible --name 'narrows$' 2>/dev/null | head -n 1 || true)
        if [ -n "$window" ] && [[ "$(xdotool getwindowname "$window" 2>/dev/null)" =~ $1 ]]; then
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

# Presses keys again and again until two seconds later a file holds what is looked for.
pressed_until() {
    local files=$1 pattern=$2 why=$3
    shift 3
    for _ in $(seq 1 60); do
        for pressed in "$@"; do key "$pressed"; done
        sleep 2
        # shellcheck disable=SC2086 # The files may be a pattern.
        grep -qsE "$pattern" $files && return 0
    done
    fail "$why"
}

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
pressed_until "$work/sample.review.json" '"drawn": "corrected"' "the tracing was not saved" t g ctrl+s
shot traced
key ctrl+q
ends_with_zero
left=$(ls "$work/state/narrows" | grep -v '^recent.json$' || true)
[ -z "$left" ] || fail "a clean end left $left"

# 2. Killed two seconds after a change, it offers the work back.
rm "$work/sample.review.json"
start "$work/sample.dcm"
named '^sample.dcm - narrows$'
sleep 2
pressed_until "$work/state/narrows/*.recovery.json" '"drawn": ?"proposed"' "the work was not kept within two seconds" t
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

# 3. Files dropped on the window are opened; one that is no volume changes nothing.
dropped() {
    timeout 60 "$python" "$here/drop.py" "$window" "$1" || fail "the drop of $1 failed"
}
rm "$work/sample.review.json"
cp "$volume" "$work/mit Lücke.dcm"
echo "no volume" >"$work/letter.txt"
start
named '^narrows$'
sleep 1
dropped "$work/letter.txt"
sleep 1
named '^narrows$'
shot refused
dropped "$work/sample.dcm"
named '^sample.dcm - narrows$'
dropped "$work/mit Lücke.dcm"
named '^mit Lücke.dcm - narrows$'
sleep 2
shot dropped
dropped "$work/letter.txt"
sleep 1
named '^mit Lücke.dcm - narrows$'
sleep 2
shot refused-again
key ctrl+s
there "$work/mit Lücke.review.json"
key ctrl+q
ends_with_zero

# 4. The desktop's file dialogs, on a session bus of its own with a stand-in behind them.
cat >"$work/bus.conf" <<BUS
<busconfig>
  <type>session</type>
  <listen>unix:path=$work/bus</listen>
  <policy context="default">
    <allow own="*"/><allow send_destination="*"/><allow receive_sender="*"/>
  </policy>
</busconfig>
BUS
dbus-daemon --config-file="$work/bus.conf" --nofork --nopidfile 2>"$work/bus.talk" &
running+=($!)
there "$work/bus"
export DBUS_SESSION_BUS_ADDRESS=unix:path=$work/bus
mkdir "$work/elsewhere"
saved="$work/elsewhere/zweite Prüfung.review.json"
"$python" "$here/portal.py" "open:$work/mit Lücke.dcm" "save:$saved" open: save: >"$work/asked" 2>&1 &
portal=$!
running+=("$portal")

# Waits until a dialog with this text in its line was answered.
asked() {
    for _ in $(seq 1 100); do
        grep -qsF "$1" "$work/asked" && return 0
        sleep 0.1
    done
    fail "no dialog for: $1; $(cat "$work/asked" "$work/bus.talk")"
}
asked ready

start
named '^narrows$'
sleep 1
key ctrl+o
asked "open of Volumes and reviews, All files: $work/mit Lücke.dcm"
named '^mit Lücke.dcm - narrows$'
sleep 2
key ctrl+shift+s
asked "save mit Lücke.review.json in $work: $saved"
there "$saved"
grep -q '"file": "mit Lücke.dcm"' "$saved" || fail "the review that was saved is of another volume"
shot chosen
# A dialog that is closed without a file leaves all as it was.
reviews() { (cd "$work" && find . -path ./state -prune -o -name '*.json' -exec cksum {} + | sort); }
before=$(reviews)
key ctrl+o
asked "open in $work of Volumes and reviews, All files: closed"
key ctrl+shift+s
asked "save mit Lücke.review.json in $work: closed"
wait "$portal" || fail "the dialogs were not as expected: $(cat "$work/asked")"
sleep 1
named '^mit Lücke.dcm - narrows$'
shot closed
[ "$before" = "$(reviews)" ] || fail "a dialog closed without a file changed a review"
key ctrl+q
ends_with_zero
left=$(ls "$work/state/narrows" | grep -v '^recent.json$' || true)
[ -z "$left" ] || fail "a clean end left $left"

# 5. Quitting while pictures are still being drawn aside ends with 0 as well.
rm -f "$work/sample.review.json"
for pause in 0.8 1.6 2.4 3.2; do
    start "$work/sample.dcm"
    named '^sample.dcm - narrows$'
    sleep "$pause"
    xdotool key --window "$window" Right ctrl+q
    ends_with_zero
done
rm -f "$work/state/narrows/"*.recovery.json

# 6. A graphics device that is lost is made anew, and the work goes on.
NARROWS_LOSE_DEVICE_AFTER=4 NARROWS_LOG=narrows=warn start "$work/sample.dcm"
named '^sample.dcm - narrows$'
for _ in $(seq 1 200); do
    grep -q 'device was lost and is made anew' "$work/talk" && break
    sleep 0.1
done
grep -q 'device was lost and is made anew' "$work/talk" || fail "the device was not lost: $(cat "$work/talk")"
sleep 2
shot brought-back
pressed_until "$work/sample.review.json" '"drawn": "proposed"' "nothing can be traced after the device was lost" t ctrl+s
key ctrl+q
ends_with_zero
echo "window: opened, dragged, traced, saved, closed with 0; killed and recovered; dropped on; asked by dialog;"
echo "window: closed while drawing; the device lost and brought back"
