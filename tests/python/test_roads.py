"""Drive times on a real extract against networkx on a graph built here from the same file by the documented rules.

EARLYWOOD_EXTRACT names the extract (scripts/test fetches one: data (c) OpenStreetMap contributors, ODbL 1.0; it is never
committed). Without it this test fails: it does not pass unseen.
"""

import math
import os

import networkx as nx
import osmium
import pytest

SPEED_KMH = {"motorway": 100, "trunk": 80, "primary": 65, "secondary": 55, "tertiary": 45, "residential": 30,
             "unclassified": 30, "living_street": 30, "road": 30, "service": 15, "track": 15}
NEVER = {"no", "emergency", "military", "bus", "psv", "private", "permit", "agricultural", "forestry"}


@pytest.fixture(scope="module")
def extract():
    path = os.environ.get("EARLYWOOD_EXTRACT")
    if not path or not os.path.isfile(path):
        pytest.fail("EARLYWOOD_EXTRACT names no extract: scripts/test fetches one (need_extract in scripts/lib.sh)")
    return path


def metres(a, b):
    """Length of a short line on WGS 84 by the radii of curvature at its middle."""
    lat = math.radians((a[1] + b[1]) / 2)
    e2 = 0.00669437999014
    w2 = 1 - e2 * math.sin(lat) ** 2
    north = math.radians(b[1] - a[1]) * 6378137.0 * (1 - e2) / w2**1.5
    east = math.radians(b[0] - a[0]) * 6378137.0 / math.sqrt(w2) * math.cos(lat)
    return math.hypot(north, east)


def posted(text):
    best = None
    for part in (text or "").split(";"):
        part = part.strip()
        unit = 1.0
        if part == "walk":
            part = "6"
        elif part.endswith("mph"):
            part, unit = part[:-3], 1.609344
        elif part.endswith("km/h"):
            part = part[:-4]
        try:
            kmh = float(part) * unit
        except ValueError:
            continue
        if 3 <= kmh <= 200:
            best = kmh if best is None else min(best, kmh)
    return best


def graph(path):
    """Directed graph of single segments, seconds; where each node is; nodes that touch a road other than a motorway."""
    ways, at = [], {}
    for o in osmium.FileProcessor(path):
        if o.is_node():
            at[o.id] = (o.lon, o.lat)
        elif o.is_way():
            ways.append((dict(o.tags), [n.ref for n in o.nodes]))
    g, stops = nx.DiGraph(), set()
    for tags, refs in ways:
        cls = tags.get("highway", "").removesuffix("_link")
        told = next((tags[k] for k in ("motorcar", "motor_vehicle", "vehicle", "access") if k in tags), "")
        if cls not in SPEED_KMH or tags.get("area") == "yes" or told in NEVER:
            continue
        implied = cls == "motorway" or tags.get("junction") in ("roundabout", "circular")
        oneway = tags.get("oneway", "yes" if implied else "no")
        kmh = min(SPEED_KMH[cls], posted(tags.get("maxspeed")) or 999)
        for a, b in zip(refs, refs[1:]):
            if a == b or a not in at or b not in at:
                continue
            s = metres(at[a], at[b]) * 3.6 / kmh
            for may, u, v in ((oneway not in ("-1", "reverse"), a, b), (oneway not in ("yes", "true", "1"), b, a)):
                if may and s < g.get_edge_data(u, v, {"s": math.inf})["s"]:
                    g.add_edge(u, v, s=s)
            if cls != "motorway":
                stops.update((a, b))
    return g, at, stops


def test_drives_are_networkx_drives(earlywood, rng, extract):
    """From crossings to crossings, where both ways lead on: a position there is the node itself."""
    g, at, stops = graph(extract)
    main = max(nx.strongly_connected_components(g), key=len)
    # With both directions on every road at the node, snapping a hair before or behind it makes no difference.
    free = [n for n in sorted(main & stops) if all(g.has_edge(m, n) for m in g[n]) and all(g.has_edge(n, m) for m in g.pred[n])]
    chosen = [int(n) for n in rng.choice(free, 25, replace=False)]
    answer = earlywood.calc("roads", "--pbf", extract, header="id,lat,lon", rows=[(n, at[n][1], at[n][0]) for n in chosen])
    assert answer["ids"] == [str(n) for n in chosen]
    checked = 0
    for i, a in enumerate(chosen):
        truth = nx.single_source_dijkstra_path_length(g, a, weight="s")
        for j, b in enumerate(chosen):
            # Rounded up to whole seconds; milliseconds are rounded on each stretch.
            assert -0.3 <= answer["seconds"][i][j] - truth[b] <= 1.3, (a, b, answer["seconds"][i][j], truth[b])
            checked += 1
    assert checked == 625
    assert all(w <= 1 for w in answer["walk_s"])


def test_a_cut_file_is_told(earlywood, extract, tmp_path):
    half = tmp_path / "half.osm.pbf"
    with open(extract, "rb") as whole:
        data = whole.read()
    half.write_bytes(data[: len(data) // 2])
    done = earlywood.run("calc", "roads", "--pbf", half, stdin="id,lat,lon\na,60.17,24.94\n")
    assert done.returncode != 0 and "cut off" in done.stderr and "half.osm.pbf" in done.stderr, done.stderr
