#!/usr/bin/env bash
# The same counts and bench built for x86-64-v3 (AVX2 and FMA), in a target folder of its own: nothing else is
# built that way.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
export CARGO_TARGET_DIR="$PWD/target/x86-64-v3" RUSTFLAGS="-Ctarget-cpu=x86-64-v3"
cargo build --release --locked -p fogbell-benches
status=0
BINARY="$CARGO_TARGET_DIR/release/fogbell-benches" benches/callgrind.sh || status=1
"$CARGO_TARGET_DIR/release/fogbell-benches" --bench
exit "$status"
