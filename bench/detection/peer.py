"""General-purpose peers in Python: scipy's KD-tree with numpy, and plain numpy over each trap's square of the grid."""

import json
import sys
import time

import numpy as np
from scipy.spatial import cKDTree

from instance import DAYS, SPACING_M, generate


def capture(instance, i, distance):
    t = np.exp(-distance / instance["reach"][i])
    return instance["peak"][i] * 2.0 * t / (1.0 + t * t)


def kd_tree(instance):
    """Build the tree, then add every trap's ln(1 - p) to the cells near it. Returns answer, pairs, building seconds."""
    columns, rows = instance["columns"], instance["rows"]
    started = time.perf_counter()
    xs = (np.arange(columns) + 0.5) * SPACING_M
    ys = (np.arange(rows) + 0.5) * SPACING_M
    cells = np.column_stack([np.tile(xs, rows), np.repeat(ys, columns)])
    tree = cKDTree(cells, balanced_tree=False, compact_nodes=False)
    built = time.perf_counter() - started
    log_escape = np.zeros(columns * rows)
    pairs = 0
    for i in range(len(instance["x"])):
        at = np.array([instance["x"][i], instance["y"][i]])
        near = np.array(tree.query_ball_point(at, instance["cutoff"][i]), dtype=np.intp)
        pairs += len(near)
        distance = np.sqrt(((cells[near] - at) ** 2).sum(axis=1))
        log_escape[near] += np.log1p(-capture(instance, i, distance))
    return -np.expm1(DAYS * log_escape), pairs, built


def squares(instance):
    """Knows that the cells are a grid: each trap against its square of cells, beyond the cut-off masked."""
    columns, rows = instance["columns"], instance["rows"]
    log_escape = np.zeros((rows, columns))
    for i in range(len(instance["x"])):
        x, y, far = instance["x"][i], instance["y"][i], instance["cutoff"][i]
        c0, c1 = max(0, int((x - far) / SPACING_M)), min(columns, int((x + far) / SPACING_M) + 1)
        r0, r1 = max(0, int((y - far) / SPACING_M)), min(rows, int((y + far) / SPACING_M) + 1)
        dx = (np.arange(c0, c1) + 0.5) * SPACING_M - x
        dy = (np.arange(r0, r1) + 0.5) * SPACING_M - y
        distance = np.sqrt(dx[None, :] ** 2 + dy[:, None] ** 2)
        p = np.where(distance <= far, capture(instance, i, distance), 0.0)
        log_escape[r0:r1, c0:c1] += np.log1p(-p)
    return -np.expm1(DAYS * log_escape).ravel()


def timed(run, times):
    seconds = []
    for _ in range(times):
        started = time.perf_counter()
        answer = run()
        seconds.append(time.perf_counter() - started)
    return answer, sorted(seconds)[len(seconds) // 2]


def main(size, times, folder):
    instance = generate(size)
    (answer, pairs, built), seconds = timed(lambda: kd_tree(instance), times)
    answer.astype("<f8").tofile(f"{folder}/kd-tree.bin")
    other, square_seconds = timed(lambda: squares(instance), times)
    other.astype("<f8").tofile(f"{folder}/squares.bin")
    print(json.dumps({"name": "kd-tree", "seconds": seconds, "build_seconds": built, "pairs": pairs}))
    print(json.dumps({"name": "squares", "seconds": square_seconds}))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3])
