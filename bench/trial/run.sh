#!/usr/bin/env bash
# Worlds a minute of `earlywood trial` on a programme file (the demo district, say), and the full calibration of both its
# targets. Nothing is judged here: figures are printed, and the trial's own JSON is kept beside them.
#
#   bench/trial/run.sh [FILE.earlywood [WORLDS [OUT]]]
#
# Without a file the demo's district is made first. EARLYWOOD names a program that is built already; else it is built for
# release.
set -euo pipefail
worlds=${2:-1000}
out=${3:-target/bench/trial}
mkdir -p "$out"
if [ -z "${EARLYWOOD:-}" ]; then
    cargo build --quiet --release -p earlywood
    EARLYWOOD=${CARGO_TARGET_DIR:-target}/release/earlywood
fi
program=$EARLYWOOD
if [ $# -ge 1 ]; then
    file=$1
else
    "$program" demo --dir "$out/demo" >"$out/demo.log" 2>&1
    file=$out/demo/district.earlywood
fi
echo "processors: $(nproc); worlds: $worlds; threads: ${RAYON_NUM_THREADS:-all}; load: $(cut -d' ' -f1-3 /proc/loadavg)"
for target in emerald-ash-borer polyphagous-shot-hole-borer; do
    for what in trial calibration; do
        options=(--target "$target" --replicates "$worlds" --json)
        [ "$what" = calibration ] && options+=(--seasons 1 --calibration)
        began=$(date +%s.%N)
        "$program" trial "$file" "${options[@]}" >"$out/$target-$what.json" 2>"$out/$target-$what.notes"
        python3 - "$began" "$(date +%s.%N)" "$worlds" "$out/$target-$what.json" "$what" <<'PY'
import json, sys
began, ended, worlds, path, what = float(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]), sys.argv[4], sys.argv[5]
answer = json.load(open(path))
seconds = ended - began
played = worlds + worlds * len(answer["calibration"])
plan = answer["trial"]["plans"][0]
print(f'{answer["trial"]["target"]}, {what}: {played} worlds in {seconds:.1f} s = {60 * played / seconds:.0f} a minute; '
      f'{plan["traps"]} traps found it in {plan["detected"]["worlds"]} of {plan["detected"]["of"]}')
for curve in answer["calibration"]:
    bins = [b for b in curve["bins"] if b["worlds"]]
    off = sum(not b["interval"][0] <= b["mean_stated"] <= b["interval"][1] for b in bins)
    print(f'  {curve["truth"]}: {off} of {len(bins)} bins off; found in {curve["found"]}')
    check = curve["sensitivity"]
    low, high = check["found"]["interval"]
    print(f'    sensitivity stated {check["mean_stated"]:.3f}, found {check["found"]["share"]:.3f} ({low:.3f}-{high:.3f}) of {check["found"]["of"]}')
    for b in bins:
        low, high = b["interval"]
        print(f'    {b["from"]:.1f}-{b["to"]:.1f}: {b["worlds"]:5d} worlds, stated {b["mean_stated"]:.3f}, '
              f'free {b["free"] / b["worlds"]:.3f} ({low:.3f}-{high:.3f})')
PY
    done
done
