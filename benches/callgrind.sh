#!/usr/bin/env bash
# Instructions a block: the worst scene and a bare mix of the same size, counted by callgrind, which noise cannot
# touch. Exit 1 when the costliest block is over 3 x the median, or the median over 8 x the bare mix.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
blocks="${BLOCKS:-400}"
work="$PWD/target/callgrind"
binary="${BINARY:-target/release/fogbell-benches}"
[ -x "$binary" ] || cargo build --release --locked -p fogbell-benches

# per_block MODE FUNCTION: instructions of each call of FUNCTION, one a line.
per_block() {
    rm -rf "$work"
    mkdir -p "$work"
    valgrind --tool=callgrind --callgrind-out-file="$work/out" --collect-atstart=no --toggle-collect="*$2*" \
        --dump-after="fogbell_benches::scene::$2" "$binary" "$1" "$blocks" >"$work/log" 2>&1 || { tail -n 20 "$work/log"; exit 1; }
    sed -n 's/^summary: *//p' "$work"/out.* | awk '$1 > 0' | sort -n
}

middle() { awk '{ a[NR] = $1 } END { print a[int((NR + 1) / 2)] }'; }

scene="$(per_block --worst-scene process_worst_scene)"
bare="$(per_block --bare-mix process_bare_mix | middle)"
count="$(echo "$scene" | wc -l)"
median="$(echo "$scene" | middle)"
most="$(echo "$scene" | tail -n 1)"
echo "worst scene: $count blocks of 64 frames, median $median instructions, costliest $most; bare mix $bare"
awk -v median="$median" -v most="$most" -v bare="$bare" 'BEGIN {
    printf "costliest / median %.2f (at most 3), median / bare mix %.2f (at most 8)\n", most / median, median / bare
    exit !(most <= 3 * median && median <= 8 * bare)
}'
