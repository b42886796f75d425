"""The regulated area against shapely and pyproj: geodesic buffers, union, closing, area, and that nothing is left out.

The drawing is called through `crates/geodata/examples/boundary.rs`, which the Rust tests' build leaves beside the program.
"""

import json
import math
import pathlib
import subprocess

import numpy as np
import pyproj
import pytest
from shapely import make_valid
from shapely.geometry import LineString, MultiPoint, Point, Polygon, box, shape
from shapely.ops import transform, unary_union
from conftest import program

GEOD = pyproj.Geod(ellps="WGS84")
# A disc is drawn 5 cm too large, as a polygon at most 25 cm farther out.
LEAST_OUT, MOST_OUT = 0.0, 0.31


@pytest.fixture(scope="module")
def boundary():
    named = pathlib.Path(program()).parent / "examples/boundary"
    assert named.is_file(), f"no {named}: cargo build -p earlywood-geodata --examples"

    def call(document, ok=True):
        done = subprocess.run([named], input=json.dumps(document), capture_output=True, text=True, timeout=300, check=False)
        if not ok:
            assert done.returncode == 1 and "panicked" not in done.stderr, done.stderr
            return done.stderr
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return call


def figure(value):
    return f'{{ dist = {{ kind = "fixed", value = {value} }}, unit = "m", source = "none", mark = "common-practice" }}'


def rule(radius_m, gap_m=None, shape_="radius", snap=(), more=""):
    text = f'shape = {{ kind = "{shape_}" }}\n' if "{" not in shape_ else f"shape = {shape_}\n"
    if gap_m:
        text += f"gap_m = {figure(gap_m)}\n"
    text += more
    text += f'[[rings]]\nid = "regulated"\nwords = "regulated area"\nradius_m = {figure(radius_m)}\n'
    for kind, values in snap:
        text += f'[[snap]]\nkind = "{kind}"\n' + "".join(f"{k} = {figure(v)}\n" for k, v in values.items())
    return text


class Plane:
    """Azimuthal equidistant metres about a point, by PROJ."""

    def __init__(self, lat, lon):
        crs = f"+proj=aeqd +lat_0={lat!r} +lon_0={lon!r} +datum=WGS84 +units=m"
        self.into = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform
        self.out = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform

    def metres(self, geometry):
        return transform(self.into, geometry)

    def degrees(self, geometry):
        return transform(self.out, geometry)

    def at(self, x, y):
        lon, lat = self.out(x, y)
        return lat, lon


def area_m2(geometry):
    parts = getattr(geometry, "geoms", [geometry])
    return sum(abs(GEOD.geometry_area_perimeter(p)[0]) for p in parts)


def circle(lat, lon, radius_m, n=2048):
    azimuths = np.linspace(0, 360, n, endpoint=False)
    lons, lats, _ = GEOD.fwd(np.full(n, lon), np.full(n, lat), azimuths, np.full(n, radius_m))
    return Polygon(list(zip(lons, lats)))


def area(geometry):
    parts = getattr(geometry, "geoms", [geometry])
    return [[list(map(list, ring.coords)) for ring in [p.exterior, *p.interiors]] for p in parts]


def finds_of(spots):
    return [{"id": f"f{i}", "lat": lat, "lon": lon} for i, (lat, lon) in enumerate(spots)]


def drawn(answer):
    feature = answer["features"][0]
    ground = shape(feature["geometry"])
    assert ground.is_valid
    for polygon in ground.geoms:
        assert polygon.exterior.is_ccw and not any(hole.is_ccw for hole in polygon.interiors)
    assert feature["properties"]["km2"] * 1e6 == pytest.approx(area_m2(ground), rel=1e-9)
    return ground, feature["properties"]


def random_middle(rng):
    return float(rng.uniform(-70, 70)), float(rng.uniform(-170, 170))


@pytest.mark.parametrize("radius_m", [100, 804.672, 7242.048, 20_000])
def test_a_disc_is_the_geodesic_circle(boundary, rng, radius_m):
    lat, lon = random_middle(rng)
    ground, _ = drawn(boundary({"rule": rule(radius_m), "finds": finds_of([(lat, lon)])}))
    # Every corner and every middle of an edge of it lies just outside the true circle.
    edge = ground.geoms[0].exterior
    ring = np.array(edge.coords)
    points = np.vstack([ring[:-1], 0.5 * (ring[:-1] + ring[1:])])
    _, _, off = GEOD.inv(np.full(len(points), lon), np.full(len(points), lat), points[:, 0], points[:, 1])
    assert off.min() - radius_m > LEAST_OUT and off.max() - radius_m < MOST_OUT, (off.min(), off.max())


def test_union_and_closing(boundary, rng):
    lat, lon = random_middle(rng)
    plane = Plane(lat, lon)
    radius_m, gap_m = 900.0, 700.0
    for _ in range(6):
        spots = [plane.at(*xy) for xy in rng.uniform(-4_000, 4_000, (int(rng.integers(2, 12)), 2))]
        answer = boundary({"rule": rule(radius_m, gap_m, more=f"keep_holes_km2 = {figure(1e-9)}\n"), "finds": finds_of(spots)})
        ground, _ = drawn(answer)
        steps = {s["what"]: make_valid(shape({"type": "MultiPolygon", "coordinates": s["area"]})) for s in answer["after"][0]}
        union = unary_union([circle(*spot, radius_m) for spot in spots])
        assert area_m2(steps["round"]) == pytest.approx(area_m2(union), rel=1e-3)
        assert plane.metres(union).difference(plane.metres(steps["round"])).area < 0.5
        # shapely's own closing, with finely rounded joins, lies in ours; what ours has more of is ways across gaps.
        round_ = plane.metres(union)
        closing = round_.buffer(gap_m / 2, quad_segs=128).buffer(-gap_m / 2, quad_segs=128).union(round_)
        ours = plane.metres(ground)
        assert closing.difference(ours).area < 20.0
        bridges = ours.difference(closing.buffer(2.0))
        parts = list(round_.geoms) if round_.geom_type == "MultiPolygon" else [round_]
        for piece in getattr(bridges, "geoms", [bridges]):
            if piece.is_empty or piece.area < 1.0:
                continue
            # Its middle lies on a way between two of the parts that is no longer than the gap.
            p = piece.representative_point()
            offs = sorted(part.distance(p) for part in parts)
            assert len(offs) > 1 and offs[0] + offs[1] <= gap_m + 5.0
        # No two parts are nearer than the gap.
        left = list(ours.geoms) if ours.geom_type == "MultiPolygon" else [ours]
        for i, one in enumerate(left):
            for other in left[:i]:
                assert one.distance(other) > gap_m - 1.0


def town(plane, rng, half=2_600, step=120):
    """Parcels in blocks with streets between, and the streets."""
    parcels, lines = [], []
    spots = np.arange(-half, half, step)
    for i, x in enumerate(spots):
        for k, y in enumerate(spots):
            if rng.random() < 0.85:
                w, h = rng.uniform(60, step - 14, 2)
                parcels.append((f"P{i}-{k}", box(x + 7, y + 7, x + 7 + w, y + 7 + h)))
    for i, x in enumerate(spots[::4]):
        lines.append((f"North Street {i}", LineString([(x, -half), (x, half)])))
    for k, y in enumerate(spots[::5]):
        lines.append((f"East Road {k}", LineString([(-half, y), (0, y + 20), (half, y)])))
    return parcels, lines


def test_snapping_takes_everything_in(boundary, rng):
    lat, lon = random_middle(rng)
    plane = Plane(lat, lon)
    parcels, lines = town(plane, rng)
    snap = [("parcels", {}), ("lines", {"within_m": 120, "least_m": 150}), ("legs", {"within_m": 40})]
    for _ in range(3):
        spots = [plane.at(*xy) for xy in rng.uniform(-1_200, 1_200, (int(rng.integers(1, 5)), 2))]
        document = {
            "rule": rule(600, 300, snap=snap),
            "finds": finds_of(spots),
            "parcels": [{"label": label, "area": area(plane.degrees(p))} for label, p in parcels],
            "lines": [{"name": name, "line": list(map(list, plane.degrees(line).coords))} for name, line in lines],
        }
        answer = boundary(document)
        ground, told = drawn(answer)
        ours = plane.metres(ground)
        discs = plane.metres(unary_union([circle(*spot, 600) for spot in spots]))
        assert discs.difference(ours).area < 1e-6, "the discs are held"
        taken = set(told["parcels"])
        for label, parcel in parcels:
            inside = parcel.intersection(ours).area
            touch = min(1.0 + 0.02 * parcel.length, 0.05 * parcel.area) * 1.1
            assert inside <= touch or parcel.area - inside <= touch, label
            if label in taken:
                assert parcel.area - inside <= 0.1, label
        # Each step holds the one before, and they add up.
        before = None
        for step in answer["after"][0]:
            after = plane.metres(make_valid(shape({"type": "MultiPolygon", "coordinates": step["area"]})))
            if before is not None:
                assert before.difference(after).area < 0.5, step["what"]
            before = after
        assert sum(s["added_km2"] for s in told["steps"]) == pytest.approx(told["km2"], rel=1e-6)
        # The walk leads round: each stretch begins where the last ended, along a named line it lies on that line.
        roads = {name: line for name, line in lines}
        for walk in told["walks"]:
            for one, two in zip(walk["stretches"], walk["stretches"][1:] + walk["stretches"][:1]):
                assert math.dist((one["to"]["lat"], one["to"]["lon"]), (two["from"]["lat"], two["from"]["lon"])) < 1e-7
                name = one["along"].get("line") if isinstance(one["along"], dict) else None
                if name:
                    middle = Point(plane.into(one["from"]["lon"], one["from"]["lat"]))
                    assert roads[name].distance(middle) < 1.5
        assert told["text"].startswith("Regulated area:")


def test_straight_legs_are_straight_on_the_ground(boundary, rng):
    lat, lon = random_middle(rng)
    answer = boundary({"rule": rule(12_000, snap=[("legs", {"within_m": 400})]), "finds": finds_of([(lat, lon)])})
    ground, told = drawn(answer)
    legs = told["walks"][0]["stretches"]
    assert 6 <= len(legs) <= 24
    assert circle(lat, lon, 12_000).difference(ground).area < 1e-12
    for leg in legs:
        azimuth, _, length = GEOD.inv(leg["from"]["lon"], leg["from"]["lat"], leg["to"]["lon"], leg["to"]["lat"])
        assert leg["length_m"] == pytest.approx(length, rel=1e-5)
        assert (leg["bearing_deg"] - azimuth) % 360 == pytest.approx(0, abs=1e-6) or (leg["bearing_deg"] - azimuth) % 360 > 359.99999


def test_squares_hold_the_discs(boundary, rng):
    lat, lon = random_middle(rng)
    plane = Plane(lat, lon)
    side = 1609.344
    squares = f'{{ kind = "squares", side_m = {figure(side)} }}'
    spots = [(lat, lon)] + [plane.at(*xy) for xy in rng.uniform(-9_000, 9_000, (4, 2))]
    ground, told = drawn(boundary({"rule": rule(7242.048, shape_=squares), "finds": finds_of(spots)}))
    ours = plane.metres(ground)
    assert plane.metres(unary_union([circle(*spot, 7242.0) for spot in spots])).difference(ours).area < 1e-3
    assert ours.area == pytest.approx(told["cells"] * side**2, rel=1e-6)
    for x, y in np.array(ours.geoms[0].exterior.coords if ours.geom_type == "MultiPolygon" else ours.exterior.coords):
        # Every corner lies on a line of the grid whose middle cell is the first find's.
        on_x = abs((x / side + 0.5) - round(x / side + 0.5)) * side
        on_y = abs((y / side + 0.5) - round(y / side + 0.5)) * side
        assert min(on_x, on_y) < 0.05


def test_whole_units(boundary, rng):
    lat, lon = random_middle(rng)
    plane = Plane(lat, lon)
    units = [(f"unit {i} {k}", box(i * 3_000, k * 3_000, (i + 1) * 3_000, (k + 1) * 3_000)) for i in range(-4, 4) for k in range(-4, 4)]
    spots = [plane.at(*xy) for xy in rng.uniform(-5_000, 5_000, (3, 2))]
    document = {"rule": rule(1_500, shape_="units"), "finds": finds_of(spots),
                "units": [{"label": label, "area": area(plane.degrees(u))} for label, u in units]}
    ground, told = drawn(boundary(document))
    discs = plane.metres(unary_union([circle(*spot, 1_500) for spot in spots]))
    expected = {label for label, unit in units if unit.intersection(discs).area > 400}
    possible = {label for label, unit in units if unit.intersection(discs).area > 0}
    assert expected <= set(told["units"]) <= possible
    assert plane.metres(ground).area >= 9e6 * len(told["units"]) * (1 - 1e-6)


def test_plain_refusals(boundary):
    good = {"rule": rule(500), "finds": finds_of([(45.0, 10.0)])}
    bow_tie = [[[[10.0, 45.0], [10.01, 45.01], [10.01, 45.0], [10.0, 45.011], [10.0, 45.0]]]]
    for change, told in [({"finds": []}, "no confirmed find"), ({"rule": rule(0)}, "above 0 m"),
                         ({"finds": finds_of([(10, 179.999)])}, "180th meridian"), ({"finds": finds_of([(89, 0)])}, "pole"),
                         ({"parcels": [{"label": "bow tie", "area": bow_tie}]}, "parcel bow tie: the ring crosses itself")]:
        assert told in boundary({**good, **change}, ok=False)


def test_a_large_outbreak_takes_seconds(boundary, rng):
    """1 000 finds, 50 000 parcels: not timed against the clock, only printed; sound and complete all the same."""
    plane = Plane(44.5, -93.2)
    side = 224
    step = 100.0
    low = -side * step / 2
    parcels = [{"label": f"{i}-{k}", "area": area(plane.degrees(box(low + i * step, low + k * step, low + (i + 1) * step - 8, low + (k + 1) * step - 8)))}
               for i in range(side) for k in range(side)]
    spots = [plane.at(*xy) for xy in rng.normal(0, 3_500, (1_000, 2))]
    lines = [{"name": f"Street {i}", "line": list(map(list, plane.degrees(LineString([(low, low + i * step - 4), (-low, low + i * step - 4)])).coords))} for i in range(side)]
    snap = [("parcels", {}), ("lines", {"within_m": 60, "least_m": 100}), ("legs", {"within_m": 40})]
    answer = boundary({"rule": rule(804.672, 400, snap=snap), "finds": finds_of(spots), "parcels": parcels, "lines": lines})
    ground, told = drawn(answer)
    print(f"1 000 finds, {len(parcels)} parcels, {len(lines)} lines: {answer['seconds']:.2f} s, {told['km2']:.1f} km2, {len(told['parcels'])} parcels taken")
    assert all(ground.buffer(0).contains(Point(lon, lat)) for lat, lon in spots[:50])
    hull = MultiPoint([(lon, lat) for lat, lon in spots]).convex_hull
    assert area_m2(ground) < 4 * area_m2(hull)
