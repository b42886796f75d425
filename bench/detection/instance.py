"""The reference instances of the detection surface, and the peer in numpy and scipy.

Cells are a regular 50 m grid; half of the traps are uniform, half in twelve clusters. A trap's capture on one day is
q * sech(d / reach) up to the distance where the sech falls below 1e-6; a cell's answer is 1 - prod(1 - p)^14 over the
traps. The seed is fixed, so the numbers of pairs can be compared between machines and years.
"""

import numpy as np

SPACING_M = 50.0
DAYS = 14
CUTOFF_SHARE = 1e-6
#        columns, rows, traps
SIZES = {"XS": (40, 40, 50), "S": (100, 100, 500), "M": (1000, 1000, 5000), "L": (4000, 2500, 20000)}


def generate(size, seed=20240611):
    columns, rows, traps = SIZES[size]
    rng = np.random.default_rng(seed)
    extent = np.array([columns * SPACING_M, rows * SPACING_M])
    uniform = traps // 2
    spread_evenly = rng.random((uniform, 2)) * extent
    centres = rng.random((12, 2)) * extent
    member = rng.integers(0, 12, traps - uniform)
    clustered = centres[member] + rng.normal(0.0, 0.05 * extent.min(), (traps - uniform, 2))
    at = np.clip(np.vstack([spread_evenly, clustered]), 0.0, extent)
    reach = rng.uniform(50.0, 200.0, traps)
    peak = rng.uniform(0.05, 0.5, traps)
    return {
        "columns": columns,
        "rows": rows,
        "x": np.ascontiguousarray(at[:, 0]),
        "y": np.ascontiguousarray(at[:, 1]),
        "reach": reach,
        "peak": peak,
        "cutoff": np.arccosh(1.0 / CUTOFF_SHARE) * reach,
    }


def write(instance, path):
    """Little-endian: columns, rows, traps as 64-bit integers, then x, y, reach, peak, cutoff as f64, each for all traps.

    The grid's cell (column, row) lies at (column + 0.5, row + 0.5) times 50 m.
    """
    with open(path, "wb") as out:
        np.array([instance["columns"], instance["rows"], len(instance["x"])], dtype="<i8").tofile(out)
        for name in ("x", "y", "reach", "peak", "cutoff"):
            instance[name].astype("<f8").tofile(out)
