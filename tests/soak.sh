#!/usr/bin/env bash
# Damages files and kills the program at random moments, for a given time.
#
#   bash tests/soak.sh SECONDS
#
# Half of the time damaged files go through every reader; half of it `measure --out`, `convert`, `cohort` and,
# where a display can be had, `view` are killed, and what they leave is compared with undisturbed runs.
set -euo pipefail
cd "$(dirname "$0")/.."
seconds="${1:?usage: bash tests/soak.sh SECONDS}"
target="${CARGO_TARGET_DIR:-target}/debug"
program="${NARROWS_BIN:-$target/narrows}"
examples="${NARROWS_EXAMPLES:-$target/examples}"
if [ ! -x "$program" ] || [ ! -x "$examples/mutate" ] || [ ! -x "$examples/made_volume" ]; then
    cargo build --quiet --bins --examples
fi
exec python3 tests/soak.py "$seconds" "$program" "$examples" "${SOAK_SEED:-1}"
