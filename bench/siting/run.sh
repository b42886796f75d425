#!/usr/bin/env bash
# Siting: Earlywood beside lazy greedy and greedy + 1-swap (numpy) on S, M, L, and beside HiGHS on small exact cases.
# Prints objective, proved bound, gap and seconds of each, and the ratios. Arguments choose the instances (default: S M L).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
python=.venv/bin/python
[ -x "$python" ] || python=python3
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
cargo build --quiet --release -p earlywood-planner --example siting_bench
ours="${CARGO_TARGET_DIR:-target}/release/examples/siting_bench"
here=bench/siting

sizes=("$@")
[ "${#sizes[@]}" -gt 0 ] || sizes=(S M L)
line() { # label, json
  printf '%-26s %s\n' "$1" "$2"
  printf '%s\t%s\n' "$1" "$2" >>"$work/lines"
}
for size in "${sizes[@]}"; do
  "$python" "$here/instance.py" "$size" "$work/$size.bin"
  line "$size greedy" "$("$python" "$here/peer.py" greedy "$work/$size.bin" | tail -1)"
  line "$size swap" "$("$python" "$here/peer.py" swap "$work/$size.bin" | tail -1)"
  line "$size earlywood" "$("$ours" "$work/$size.bin")"
done
"$python" "$here/instance.py" S "$work/S.bin"
line "S-cover highs" "$("$python" "$here/peer.py" cover "$work/S.bin" 120 | tail -1)"
line "S-cover earlywood" "$("$ours" "$work/S.bin" --objective cover)"
"$python" "$here/instance.py" 120,900,9 "$work/tiny.bin"
line "tiny highs" "$("$python" "$here/peer.py" outer "$work/tiny.bin" 120 | tail -1)"
line "tiny earlywood" "$("$ours" "$work/tiny.bin")"

"$python" - "$work/lines" <<'PY'
import json, sys
rows = {tuple(k.split()): json.loads(v) for k, v in (line.split("\t") for line in open(sys.argv[1]))}
for (name, who), row in rows.items():
    if who == "earlywood":
        continue
    ours = rows[name, "earlywood"]
    print(f"ratio {name}: objective earlywood / {who} = {ours['objective'] / row['objective']:.5f}"
          f", CPU time {who} / earlywood = {row['cpu_seconds'] / max(ours['cpu_seconds'], 0.01):.3g}"
          f" (earlywood's gap {100 * ours['gap']:.3f} %)")
    if ours["bound"] < row["objective"] - 1e-6:
        sys.exit(f"{name}: our bound {ours['bound']} lies under {who}'s plan {row['objective']}")
PY
