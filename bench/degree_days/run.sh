#!/usr/bin/env bash
# Degree-days (single sine, horizontal cut-off, 1 000 stations x 3 650 days, one thread): Earlywood beside numpy.
# Prints nanoseconds per station-day, the ratios, and fails when the two sums differ.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
python=.venv/bin/python
[ -x "$python" ] || python=python3
if ! log="$(cargo bench --quiet -p earlywood-model --bench degree_days -- report_line 2>&1)"; then
  printf '%s\n' "$log" >&2
  exit 1
fi
ours="$(grep -o 'earlywood sine .*' <<<"$log" | head -1)"
peers="$("$python" bench/degree_days/peer.py)"
printf '%s\n%s\n' "$ours" "$peers"
printf '%s\n%s\n' "$ours" "$peers" | "$python" -c '
import re, sys
rows = [(line.split()[0], *map(float, re.findall(r"=(-?[0-9.]+)", line))) for line in sys.stdin]
name, ns, total = rows[0]
for peer, peer_ns, peer_total in rows[1:]:
    print(f"ratio {peer} / {name} = {peer_ns / ns:.2f}")
    if abs(peer_total / total - 1) > 1e-9:
        sys.exit(f"the sums differ: {total} against {peer_total}")
'
