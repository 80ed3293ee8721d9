#!/usr/bin/env bash
# The one test command. Installs what it needs, then runs every check; ends with one clear line.
#
#   bash tests/run.sh           everything
#   FUZZ_SECONDS=300 SOAK_SECONDS=3600 bash tests/run.sh
#
# Needs cargo and python3. On Debian and its relatives missing packages are installed (as root, or
# through sudo); elsewhere a missing one is named.
set -euo pipefail
cd "$(dirname "$0")/.."

step="start"
began=$SECONDS
finish() {
    local code=$?
    if [ "$step" = passed ]; then
        echo "narrows: all tests passed in $((SECONDS - began)) s"
    else
        echo "narrows: TESTS FAILED at: $step" >&2
        # Stopped by a signal it is no success either.
        [ "$code" -ne 0 ] || code=1
    fi
    exit "$code"
}
trap finish EXIT
say() {
    # Whoever runs as root can put a file in its place, and every build would read what was thrown away.
    if [ ! -c /dev/null ]; then
        echo "/dev/null is no device any more: after the step \"$step\"" >&2
        : >/dev/null
    fi
    step="$1"
    echo "== $step ($((SECONDS - began)) s)"
}

# Graphics libraries complain where the desktop has not set it.
export XDG_RUNTIME_DIR="${XDG_RUNTIME_DIR:-/tmp}"

say "system packages"
missing=()
command -v cc >/dev/null || missing+=(build-essential)
python3 -c 'import ensurepip, venv' 2>/dev/null || missing+=(python3-venv)
# The viewer draws on a software adapter, in a window on a display in memory.
library() { ldconfig -p 2>/dev/null | grep -q "$1"; }
library libvulkan.so.1 || missing+=(libvulkan1)
ls /usr/share/vulkan/icd.d/lvp_icd* >/dev/null 2>&1 || missing+=(mesa-vulkan-drivers)
library libX11.so.6 || missing+=(libx11-6)
library libX11-xcb.so.1 || missing+=(libx11-xcb1)
library libXcursor.so.1 || missing+=(libxcursor1)
library libXi.so.6 || missing+=(libxi6)
library libxkbcommon-x11.so.0 || missing+=(libxkbcommon-x11-0)
command -v Xvfb >/dev/null || missing+=(xvfb)
command -v xdotool >/dev/null || missing+=(xdotool)
# A session bus of its own, for file dialogs.
command -v dbus-daemon >/dev/null || missing+=(dbus)
# An independent reader of structured reports.
command -v dsrdump >/dev/null || missing+=(dcmtk)
if [ "${#missing[@]}" -gt 0 ]; then
    if command -v apt-get >/dev/null; then
        as_root=()
        [ "$(id -u)" -eq 0 ] || as_root=(sudo)
        "${as_root[@]}" apt-get update -qq
        DEBIAN_FRONTEND=noninteractive "${as_root[@]}" apt-get install -y -qq --no-install-recommends "${missing[@]}"
    else
        echo "please install: ${missing[*]}" >&2
        exit 1
    fi
fi

say "python environment"
wanted="$(python3 --version) $(cksum < tests/python/requirements.txt)"
if [ "$(cat .venv/installed 2>/dev/null)" != "$wanted" ]; then
    python3 -m venv --clear .venv
    .venv/bin/python -m pip install --quiet --disable-pip-version-check -r tests/python/requirements.txt
    echo "$wanted" > .venv/installed
fi

say "format"
cargo fmt --check

say "lints"
cargo clippy --quiet --all-targets --features viewer-tests -- -D warnings

say "the core alone"
cargo clippy --quiet --no-default-features --lib --bins -- -D warnings
cargo clippy --quiet --no-default-features --features python --lib -- -D warnings

say "documentation"
RUSTDOCFLAGS="-D warnings" cargo doc --quiet --no-deps --document-private-items --lib

say "library, commands, documentation examples"
cargo test --quiet --no-fail-fast --features viewer-tests

say "the viewer in a window"
bash tests/viewer/window.sh "${CARGO_TARGET_DIR:-target}/debug/narrows" sample-volumes/crescent.dcm

say "the Python package"
# Built as the tests are, not as a release: one more build of the crate, its dependencies mostly at hand.
VIRTUAL_ENV="$PWD/.venv" .venv/bin/maturin develop --quiet

say "against reference libraries"
target="${CARGO_TARGET_DIR:-target}/debug"
NARROWS_BIN="$target/narrows" NARROWS_EXAMPLES="$target/examples" \
    .venv/bin/python -m pytest -q -p no:cacheprovider tests/python

say "damaged files and killed runs"
NARROWS_BIN="$target/narrows" NARROWS_EXAMPLES="$target/examples" bash tests/soak.sh "${SOAK_SECONDS:-60}"

say "fuzzing"
# For a bounded time, with checks for overflow; the code has nothing unsafe for a sanitizer to watch.
export PATH="$PWD/target/tools/bin:$PATH"
nightly() { [[ "$(cargo +nightly --version 2>&1)" == *"cargo 1."* ]]; }
if ! nightly && command -v rustup >/dev/null; then
    rustup toolchain install nightly --profile minimal || true
fi
if nightly; then
    [ -n "$(command -v cargo-fuzz)" ] || cargo install --quiet --locked --root target/tools cargo-fuzz
    for aim in $(cargo +nightly fuzz list); do
        cargo +nightly fuzz run --dev --sanitizer none "$aim" -- \
            -max_total_time="${FUZZ_SECONDS:-20}" -rss_limit_mb=2048 -verbosity=0
    done
else
    echo "skipped: it needs a nightly toolchain, which rustup could not install"
fi
step=passed
