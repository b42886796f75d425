"""Peers for siting: lazy greedy and greedy + 1-swap in numpy, and HiGHS (highspy) on small exact cases.

    python bench/siting/peer.py greedy FILE | swap FILE | cover FILE [seconds] | outer FILE [seconds]

Each prints one line of JSON. FILE is an instance written by instance.py.
"""
import heapq
import json
import sys
import time

import numpy as np


def load(path):
    """Reads an instance file."""
    with open(path, "rb") as f:
        assert f.read(8) == b"EWSITE01"
        m, c, k, nnz, pairs = np.fromfile(f, "<u8", 5).astype(int)
        f.seek(8, 1)
        inst = dict(w=np.fromfile(f, "<f8", c))
        f.seek(16 * (m + c), 1)
        inst.update(start=np.fromfile(f, "<u8", m + 1).astype(np.int64), cell=np.fromfile(f, "<u4", nnz).astype(np.int64),
                    p=np.fromfile(f, "<f8", nnz), pairs=np.fromfile(f, "<u4", 2 * pairs).reshape(-1, 2).astype(np.int64),
                    m=m, k=k)
    near = [[] for _ in range(m)]
    for i, j in inst["pairs"]:
        near[i].append(j)
        near[j].append(i)
    inst["near"] = near
    return inst


class Board:
    """Chosen places, escape probability per cell, and the gain of each place."""

    def __init__(self, inst):
        self.i = inst
        self.escape = np.ones(len(inst["w"]))
        self.blocked = np.zeros(inst["m"], int)
        self.chosen = []
        self.value = 0.0

    def row(self, i):
        s = slice(self.i["start"][i], self.i["start"][i + 1])
        return self.i["cell"][s], self.i["p"][s]

    def gain(self, i):
        c, p = self.row(i)
        return float(np.dot(self.i["w"][c] * self.escape[c], p))

    def put(self, i, sign=1):
        c, p = self.row(i)
        if sign > 0:
            self.value += self.gain(i)
            self.escape[c] *= 1 - p
            self.chosen.append(i)
        else:
            self.escape[c] /= 1 - p
            self.value -= self.gain(i)
            self.chosen.remove(i)
        for j in [i, *self.i["near"][i]]:
            self.blocked[j] += sign


def greedy(inst):
    """Exact lazy greedy."""
    board = Board(inst)
    single = np.add.reduceat(inst["w"][inst["cell"]] * inst["p"], inst["start"][:-1])
    heap = [(-g, i, 0) for i, g in enumerate(single)]
    heapq.heapify(heap)
    while heap and len(board.chosen) < inst["k"]:
        g, i, stamp = heapq.heappop(heap)
        if board.blocked[i]:
            continue
        if stamp < len(board.chosen):
            heapq.heappush(heap, (-board.gain(i), i, len(board.chosen)))
            continue
        board.put(i)
    return board


def swap(inst):
    """Greedy, then the best single exchange for each chosen place in turn until none helps; gains are kept up to date."""
    board = greedy(inst)
    by_cell = [[] for _ in range(len(inst["w"]))]
    for i in range(inst["m"]):
        for c in board.row(i)[0]:
            by_cell[c].append(i)
    gains = np.array([board.gain(i) for i in range(inst["m"])])

    def refresh(i):
        for j in {j for c in board.row(i)[0] for j in by_cell[c]}:
            gains[j] = board.gain(j)

    improved = True
    while improved:
        improved = False
        for u in sorted(board.chosen):
            board.put(u, -1)
            refresh(u)
            v = int(np.argmax(np.where(board.blocked == 0, gains, -1)))
            better = gains[v] > gains[u] * (1 + 1e-12)
            board.put(v if better else u)
            refresh(v if better else u)
            improved |= better
    return board


def highs(inst, cost, rows, integer, seconds):
    """Maximises with HiGHS. `rows` is (lower, upper, indices, values) per row; columns are in [0, 1] or as `integer` says."""
    import highspy

    h = highspy.Highs()
    h.setOptionValue("output_flag", False)
    h.setOptionValue("time_limit", float(seconds))
    h.setOptionValue("mip_rel_gap", 1e-6)
    h.setOptionValue("threads", 1)
    lp = highspy.HighsLp()
    n = len(cost)
    lp.num_col_, lp.num_row_ = n, len(rows)
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = cost, np.zeros(n), np.ones(n)
    lp.row_lower_ = np.array([r[0] for r in rows], float)
    lp.row_upper_ = np.array([r[1] for r in rows], float)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum([len(r[2]) for r in rows])]).astype(np.int32)
    lp.a_matrix_.index_ = np.concatenate([r[2] for r in rows]).astype(np.int32)
    lp.a_matrix_.value_ = np.concatenate([r[3] for r in rows]).astype(float)
    lp.integrality_ = [highspy.HighsVarType.kInteger if b else highspy.HighsVarType.kContinuous for b in integer]
    h.passModel(lp)
    h.run()
    info = h.getInfo()
    return np.array(h.getSolution().col_value), info.objective_function_value, info.mip_dual_bound


def rules(inst):
    """Rows for the number of traps and the spacing."""
    m = inst["m"]
    rows = [(0, inst["k"], np.arange(m), np.ones(m))]
    return rows + [(0, 1, pair, np.ones(2)) for pair in inst["pairs"]]


def cover(inst, seconds):
    """Binary cover (p >= 1/2), exact."""
    m, w = inst["m"], inst["w"]
    on = [[] for _ in w]
    for i in range(m):
        s = slice(inst["start"][i], inst["start"][i + 1])
        for c in inst["cell"][s][inst["p"][s] >= 0.5]:
            on[c].append(i)
    used = [c for c in range(len(w)) if on[c]]
    rows = rules(inst)
    for y, c in enumerate(used):
        rows.append((0, np.inf, np.array([*on[c], m + y]), np.array([*[1.0] * len(on[c]), -1.0])))
    cost = np.concatenate([np.zeros(m), w[used]])
    _, value, bound = highs(inst, cost, rows, [True] * m + [False] * len(used), seconds)
    return value, bound


def outer(inst, seconds):
    """One-flyer detection by outer approximation: each cell's value lies under tangents, and new ones are added where HiGHS went."""
    m, w = inst["m"], inst["w"]
    place = np.repeat(np.arange(m), np.diff(inst["start"]))
    order = np.argsort(inst["cell"], kind="stable")
    a = -np.log1p(-inst["p"])[order]
    place, cell = place[order], inst["cell"][order]
    used, first = np.unique(cell, return_index=True)
    last = np.append(first[1:], len(cell))
    rows = rules(inst)

    def tangent(y, at):
        s = slice(first[y], last[y])
        slope = np.exp(-at)
        rows.append((-np.inf, 1 - slope - slope * at, np.append(place[s], m + y), np.append(-slope * a[s], 1.0)))

    for y in range(len(used)):
        for at in (0.0, 0.3, 0.8, 1.5, 2.5):
            tangent(y, at)
    cost = np.concatenate([np.zeros(m), w[used]])
    best, bound, begun = 0.0, np.inf, time.time()
    while time.time() - begun < seconds and best < bound * (1 - 1e-5):
        left = seconds - (time.time() - begun)
        x, _, top = highs(inst, cost, rows, [True] * m + [False] * len(used), left)
        bound = min(bound, top)
        picked = x[:m] > 0.5
        total = np.add.reduceat(np.where(picked[place], a, 0.0), first)
        best = max(best, float(np.dot(w[used], -np.expm1(-total))))
        for y in range(len(used)):
            if x[m + y] > -np.expm1(-total[y]) + 1e-7:
                tangent(y, total[y])
    return best, bound


if __name__ == "__main__":
    what, path = sys.argv[1:3]
    seconds = float(sys.argv[3]) if len(sys.argv) > 3 else 60.0
    inst = load(path)
    wall, cpu = time.time(), time.process_time()
    if what in ("greedy", "swap"):
        value, bound = {"greedy": greedy, "swap": swap}[what](inst).value, None
    else:
        value, bound = {"cover": cover, "outer": outer}[what](inst, seconds)
    gap = None if bound is None else round((bound - value) / bound, 5)
    print(json.dumps(dict(objective=round(value, 6), bound=bound, gap=gap, seconds=round(time.time() - wall, 2),
                          cpu_seconds=round(time.process_time() - cpu, 2))))
