#!/usr/bin/env bash
# An answer in three minutes once built: format, lints and unit tests of the core, without the viewer.
# `bash tests/quick.sh planimetry::` runs the tests whose names hold a word.
set -euo pipefail
cd "$(dirname "$0")/.."
cargo fmt --check
cargo clippy --quiet --no-default-features --lib --bins -- -D warnings
cargo test --quiet --no-default-features --lib -- "$@"
