"""Puts the runs of one instance side by side: seconds, time per pair, ratio to ours, and whether the answers agree."""

import json
import sys

import numpy as np

#: What each run is, and the file with its answer.
ROWS = {
    "kd-tree": ("scipy KD-tree + numpy", "kd-tree.bin"),
    "squares": ("numpy, each trap's square", "squares.bin"),
    "c-logs": ("C, vector exp and log", "c-logs.bin"),
    "c-product": ("C, vector exp, product", "c-product.bin"),
}
AGREE = 1e-9


def main(folder):
    lines = [json.loads(line) for line in open(f"{folder}/runs.jsonl")]
    runs = {line["name"]: line for line in lines}
    pairs = runs["kd-tree"]["pairs"]
    ours = runs["ours-1"]["seconds"]
    answer = np.fromfile(f"{folder}/ours.bin", dtype="<f8")
    print(f"{len(answer):,} cells, {pairs:,} pairs within cut-off; medians; one thread unless told otherwise")
    print(f"{'':34}{'seconds':>10}{'ns a pair':>11}{'x ours':>9}{'largest difference':>20}")

    def show(name, seconds, difference):
        said = "" if difference is None else f"{difference:.2g}"
        print(f"{name:34}{seconds:10.4f}{seconds / pairs * 1e9:11.2f}{seconds / ours:9.2f}{said:>20}")

    worst = 0.0
    for key, (name, file) in ROWS.items():
        difference = np.abs(np.fromfile(f"{folder}/{file}", dtype="<f8") - answer).max()
        worst = max(worst, difference)
        show(name, runs[key]["seconds"], difference)
    for key, run in runs.items():
        if key.startswith("ours"):
            show(run["label"], run["seconds"], None)
    print(f"ours against scipy's KD-tree, tree and layout built once: "
          f"{(runs['kd-tree']['seconds'] - runs['kd-tree']['build_seconds']) / ours:.0f} times; building included: "
          f"{runs['kd-tree']['seconds'] / (ours + runs['ours-layout']['seconds']):.0f} times")
    if not worst < AGREE:
        sys.exit(f"the answers differ by {worst:.2g}, more than {AGREE:g}")


if __name__ == "__main__":
    main(sys.argv[1])
