#!/usr/bin/env bash
# Sync over HTTP on loopback, with real programme files: one phone's 60 visits, then N phones at once (default 200), each
# with 60 visits of its own day. The office's journal is verified at the end, with every phone's 60 entries in it.
#   bench/journal/devices.sh [N]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
cargo build --quiet -p earlywood
target="$(pwd)/${CARGO_TARGET_DIR:-target}"
[ -z "${CARGO_TARGET_DIR:-}" ] || target="$CARGO_TARGET_DIR"
earlywood="$target/debug/earlywood"
phones="${1:-200}"
work="$(mktemp -d)"
server=
trap '[ -z "$server" ] || kill "$server"; rm -rf "$work"' EXIT
cd "$work"

python3 - "$phones" <<'PY'
import datetime, sys
with open("traps.csv", "w") as out:
    out.write("trap,place,lat,lon,targets,hung\n")
    out.writelines(f"T-{i},P-{i},44.{i:04d},-121.0,emerald-ash-borer,2025-05-01\n" for i in range(60))
for phone in range(int(sys.argv[1])):
    day = datetime.date(2025, 5, 2) + datetime.timedelta(days=phone)
    with open(f"{phone}.csv", "w") as out:
        out.write("trap,date,kind,found,looked,suspects,renewed,lure_lot,crew,exception\n")
        out.writelines(f"T-{i},{day},service,working,fully,0,,,crew-1,\n" for i in range(60))
PY
"$earlywood" init office.earlywood >/dev/null
"$earlywood" load office.earlywood traps traps.csv >/dev/null
"$earlywood" journal office.earlywood backup base.earlywood >/dev/null
for phone in $(seq 0 $((phones - 1))); do
  cp base.earlywood "$phone.earlywood"
  line="$("$earlywood" journal "$phone.earlywood" join --json | python3 -c 'import json, sys; print(json.load(sys.stdin)["line"])')"
  "$earlywood" journal office.earlywood enrol "$line" >/dev/null
done
"$earlywood" serve office.earlywood --listen 127.0.0.1:0 >served 2>&1 &
server=$!
until grep -q http served; do sleep 0.1; done
url="$(grep -o 'http://[0-9.:]*' served)"
for phone in $(seq 0 $((phones - 1))); do
  "$earlywood" sync "$phone.earlywood" "$url" >/dev/null
  "$earlywood" load "$phone.earlywood" visits "$phone.csv" >/dev/null
done

now() { date +%s.%N; }
took() { python3 -c "print(f'{$2 - $1:.2f} s')"; }
began="$(now)"
"$earlywood" sync 0.earlywood "$url"
echo "60 visits from one phone: $(took "$began" "$(now)")"
began="$(now)"
waiting=()
for phone in $(seq 1 $((phones - 1))); do
  "$earlywood" sync "$phone.earlywood" "$url" >/dev/null &
  waiting+=($!)
done
wait "${waiting[@]}"
echo "$((phones - 1)) phones at once: $(took "$began" "$(now)")"
kill "$server"
server=
"$earlywood" journal office.earlywood verify
