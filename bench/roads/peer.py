"""peer.py EXTRACT N DIR OURS: draws N crossings, has OURS make the table of drives between them, makes it with networkx and with scipy,
compares every drive, and prints seconds (wall; for ours the processor's too) and ratios."""
import json
import pathlib
import random
import resource
import subprocess
import sys
import time

import networkx as nx
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

sys.path.insert(0, str(pathlib.Path(__file__).parents[2] / "tests" / "python"))
from test_roads import graph  # noqa: E402

extract, n, folder, ours = sys.argv[1], int(sys.argv[2]), pathlib.Path(sys.argv[3]), sys.argv[4]
began = time.perf_counter()
g, at, stops = graph(extract)
read_s = time.perf_counter() - began
main = max(nx.strongly_connected_components(g), key=len)
# Where both directions lead on, a hair before or behind the crossing makes no difference.
free = [v for v in sorted(main & stops) if all(g.has_edge(m, v) for m in g[v]) and all(g.has_edge(v, m) for m in g.pred[v])]
chosen = random.Random(1).sample(free, min(n, len(free)))
rows = "id,lat,lon\n" + "".join(f"{v},{at[v][1]!r},{at[v][0]!r}\n" for v in chosen)
before = resource.getrusage(resource.RUSAGE_CHILDREN)
answer = json.loads(subprocess.run([ours, extract], input=rows, capture_output=True, text=True, check=True).stdout)
after = resource.getrusage(resource.RUSAGE_CHILDREN)
cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
took = answer["took_s"]
table = np.array([[np.inf if s is None else s for s in row] for row in answer["seconds"]], dtype=float)

began = time.perf_counter()
found = [nx.single_source_dijkstra_path_length(g, v, weight="s") for v in chosen]
nx_table = np.array([[one.get(v, np.inf) for v in chosen] for one in found])
nx_s = time.perf_counter() - began

number = {v: k for k, v in enumerate(g)}
edges = [(number[a], number[b], s) for a, b, s in g.edges(data="s")]
sparse = csr_array(([e[2] for e in edges], ([e[0] for e in edges], [e[1] for e in edges])), shape=(len(number),) * 2)
places = [number[v] for v in chosen]
began = time.perf_counter()
scipy_table = dijkstra(sparse, indices=places)[:, places]
scipy_s = time.perf_counter() - began

assert np.allclose(nx_table, scipy_table), "networkx and scipy disagree"
# Ours are rounded up to whole seconds, and to milliseconds on each stretch.
off = table - nx_table
assert off.min() >= -0.3 and off.max() <= 1.3, f"drives differ by {off.min():.2f} to {off.max():.2f} s"
pairs = len(chosen) ** 2
print(f"{len(g)} nodes, {g.number_of_edges()} segments; {len(chosen)} x {len(chosen)} drives agree ({off.min():.2f} to {off.max():.2f} s)")
print(f"earlywood  read {took['read']:.3f} s  contract {took['build']:.3f} s  table {took['table']:.3f} s "
      f"({1e6 * took['table'] / pairs:.2f} us a drive)  processor {cpu_s:.2f} s in all")
print(f"networkx   read and graph {read_s:.3f} s  table {nx_s:.3f} s")
print(f"scipy      table {scipy_s:.3f} s")
for who, other in (("networkx", nx_s), ("scipy", scipy_s)):
    print(f"ratio table: {who} / earlywood = {other / took['table']:.1f}; contraction counted in: {other / (took['table'] + took['build']):.1f}")
