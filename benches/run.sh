#!/usr/bin/env bash
# Times our cuts and the same cuts in general-purpose libraries, in one run, on one thread each.
set -euo pipefail
cd "$(dirname "$0")/.."

target="${CARGO_TARGET_DIR:-target}"
python="$target/bench-venv/bin/python"
if ! "$python" -c "import numpy, scipy, SimpleITK, vtk" 2>/dev/null; then
    python3 -m venv "$target/bench-venv" || {
        python3 -m pip install --user virtualenv && python3 -m virtualenv "$target/bench-venv"
    }
    "$python" -m pip install --quiet -r benches/requirements.txt
fi

# Which core it is matters less than that it is one.
one=(env OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS=1)
cargo bench --no-default-features --bench cut -- --noplot "$@"
"${one[@]}" "$python" benches/peers.py "${CRITERION_HOME:-$target/criterion}"
