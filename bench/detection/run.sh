#!/bin/sh
# The detection surface beside its peers, on one instance and one machine. Usage: bench/detection/run.sh [XS|S|M|L] [RUNS]
# Needs gcc, and Python with numpy and scipy (in .venv, or as PYTHON=...).
set -eu
cd "$(dirname "$0")/../.."
size=${1:-M}
runs=${2:-5}
python=${PYTHON:-.venv/bin/python}
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT

"$python" -c "
import sys; sys.path.insert(0, 'bench/detection')
from instance import generate, write
write(generate('$size'), '$out/instance.bin')"
gcc -O3 -march=native -ffast-math -o "$out/peer" bench/detection/peer.c -lm
cargo build --quiet --release -p earlywood-model --example detection_bench
ours=${CARGO_TARGET_DIR:-target}/release/examples/detection_bench

"$python" bench/detection/peer.py "$size" "$(( (runs + 1) / 2 ))" "$out" >"$out/runs.jsonl"
for way in logs product; do
    "$out/peer" "$out/instance.bin" "$runs" $way "$out/c-$way.bin" >>"$out/runs.jsonl"
done
"$ours" "$out/instance.bin" "$runs" "$out/ours.bin" >>"$out/runs.jsonl"
"$python" bench/detection/report.py "$out"
