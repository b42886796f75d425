"""The siting instances S, M and L, drawn with numpy and scipy from a fixed seed, as one binary file each.

A square of ground is cut into cells of 100 m. Their weights are lognormal noise times twenty Gaussian hills. Candidate places
are uniform. A trap catches one flyer at distance d with p = 1 - (1 - q sech(d/reach))^days up to a cut-off.

File layout (little endian): magic "EWSITE01"; u64 places, cells, pick, entries, conflicts; f64 spacing_m;
f64 weight[cells]; f64 place xy[places][2]; f64 cell xy[cells][2]; u64 start[places+1]; u32 cell[entries]; f64 p[entries];
u32 conflict[conflicts][2].

    python bench/siting/instance.py S /tmp/siting-S.bin
    python bench/siting/instance.py 120,900,9 /tmp/tiny.bin     places, cells, pick
"""
import sys

import numpy as np
from scipy.spatial import cKDTree

SIZES = {"S": (1_000, 10_000, 50), "M": (20_000, 200_000, 500), "L": (100_000, 1_000_000, 2_000)}


def make(size, seed=777, q=0.2, reach_m=120.0, days=14, cutoff_m=500.0, cell_m=100.0, spacing_m=400.0):
    """Draws one instance; returns a dictionary of arrays. The order of the draws is part of the definition."""
    n_places, n_cells, pick = SIZES[size] if isinstance(size, str) else size
    rng = np.random.default_rng(seed)
    side = int(round(np.sqrt(n_cells)))
    width_m = side * cell_m
    k = np.arange(side * side)
    cells = np.column_stack([(k % side + 0.5) * cell_m, (k // side + 0.5) * cell_m])
    hill_xy = rng.random((20, 2)) * width_m
    hill_height = rng.lognormal(0, 1, 20)
    hill_sd = rng.uniform(0.03, 0.1, 20) * width_m
    noise = rng.lognormal(0, 1, side * side)
    hills = np.full(side * side, 0.05)
    for xy, height, sd in zip(hill_xy, hill_height, hill_sd):
        hills += height * np.exp(-((cells - xy) ** 2).sum(axis=1) / (2 * sd * sd))
    weight = noise * hills
    weight /= weight.sum()
    places = rng.random((n_places, 2)) * width_m
    tree = cKDTree(places)
    near = cKDTree(cells, balanced_tree=False).sparse_distance_matrix(tree, cutoff_m, output_type="ndarray")
    order = np.lexsort((near["i"], near["j"]))
    p = 1 - (1 - q / np.cosh(near["v"][order] / reach_m)) ** days
    start = np.zeros(n_places + 1, np.uint64)
    start[1:] = np.cumsum(np.bincount(near["j"], minlength=n_places))
    conflicts = tree.query_pairs(spacing_m * (1 - 1e-12), output_type="ndarray")
    return dict(weight=weight, places=places, cells=cells, start=start, cell=near["i"][order].astype(np.uint32),
                p=p, conflicts=conflicts.astype(np.uint32), pick=pick, spacing_m=spacing_m, distance_m=near["v"][order])


def save(inst, path):
    """Writes the layout described above."""
    with open(path, "wb") as out:
        out.write(b"EWSITE01")
        np.array([len(inst["places"]), len(inst["weight"]), inst["pick"], len(inst["p"]), len(inst["conflicts"])],
                 "<u8").tofile(out)
        np.array([inst["spacing_m"]], "<f8").tofile(out)
        for name, kind in [("weight", "<f8"), ("places", "<f8"), ("cells", "<f8"), ("start", "<u8"), ("cell", "<u4"),
                           ("p", "<f8"), ("conflicts", "<u4")]:
            np.ascontiguousarray(inst[name], kind).tofile(out)


if __name__ == "__main__":
    size = sys.argv[1]
    save(make(size if size in SIZES else tuple(map(int, size.split(",")))), sys.argv[2])
