"""gap.py INSTANCE SOLVER LINE: one row, with the gap to the best known total distance (tenths, each leg cut to one decimal: the DIMACS
convention, free number of routes). Best-known values from memory of the literature and DIMACS tables; check before quoting."""
import json
import sys

BEST = {"C101": 8273, "R101": 16377, "R112": 9486, "RC106": 13727, "C201": 5891, "R201": 11432, "RC208": 7761, "R1_2_1": 46672}
name, solver, line = sys.argv[1:]
try:
    row = json.loads(line)
except ValueError:
    print(f"{name:7} {solver:8} no valid answer: {line}")
else:
    best = BEST.get(name)
    gap = f"{100 * (row['drive'] / best - 1):6.2f} %" if best and not row["left_out"] else "     --"
    print(f"{name:7} {solver:8} {row['drive']:9.0f} left out {row['left_out']:3} gap {gap}", flush=True)
