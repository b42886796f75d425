"""What stands on paper, read back from the PDF by a library that is not ours: round sheets, month and season report."""

import csv
import io
import json
import re

import pypdfium2
import pytest

TARGET = "emerald-ash-borer"
DAY = "2025-06-16"  # a Monday
COLUMNS = ["stop", "trap", "found", "looked", "suspects", "lure", "insert", "agent", "body", "arrive", "leave", "note"]


def text_of(path):
    """The words of a PDF, page by page, with single blanks."""
    with pypdfium2.PdfDocument(path) as paper:
        return [re.sub(r"\s+", " ", page.get_textpage().get_text_range()) for page in paper]


class Office:
    """A small programme: 60 traps in two zones, two crews, and what they must know."""

    def __init__(self, earlywood, folder):
        self.earlywood, self.folder, self.file = earlywood, folder, folder / "p.earlywood"
        self.do("init", self.file, "--name", "Tarrowbend")
        self.load("zones.geojson", "zones", json.dumps(zones()))
        traps = "".join(f"T{n:02},P{n:02},{lat},{lon},{TARGET},2025-05-01,\n" for n, (lat, lon) in enumerate(spots()))
        self.load("traps.csv", "traps", "trap,place,lat,lon,targets,hung,taken_down\n" + traps)
        self.load("crews.csv", "crews", "label,lat,lon,starts,ends,break_minutes,break_from,break_to,days,from,to,skills\n"
                  "crew-1,40.004,-80.004,07:00,17:00,30,11:30,13:00,,,,pole\ncrew-2,40.004,-80.004,07:00,17:00,30,11:30,13:00,,,,pole\n")
        access = "".join(f"P{n:02},Detrás del molino número {n},\"{'perro suelto; tendido eléctrico' if n % 7 == 0 else ''}\"\n" for n in range(60))
        self.load("access.csv", "access", "place,directions,cautions\n" + access)
        for n in (1, 2, 3, 4):
            self.do("people", self.file, "enrol", f"insp-{n}", "--role", "inspector", "--from", "2025-01-01")
        self.do("people", self.file, "crew", "crew-1", "--of", "insp-1,insp-2", "--from", "2025-05-01")
        self.do("people", self.file, "crew", "crew-2", "--of", "insp-3,insp-4", "--from", "2025-05-01")
        self.do("rounds", self.file, "--from", DAY, "--days", 1, "--iterations", 200, "--time-zone", "America/Chicago",
                "--adopt", "--reason", "a test")

    def do(self, *arguments):
        done = self.earlywood.run(*arguments)
        assert done.returncode == 0, f"{arguments}: {done.stdout}{done.stderr}"
        return done.stdout

    def load(self, name, what, text):
        (self.folder / name).write_text(text, encoding="utf-8")
        self.do("load", self.file, what, self.folder / name)

    def paper(self, what, *options):
        """The pages of what is printed."""
        out = self.folder / f"{what}.pdf"
        self.do("print", self.file, what, "--out", out, *options)
        return text_of(out)


def spots():
    return [(round(40 + 0.004 * (n // 10), 6), round(-80 + 0.004 * (n % 10), 6)) for n in range(60)]


def zones():
    def zone(label, west, east):
        ring = [[west, 39.99], [east, 39.99], [east, 40.03], [west, 40.03], [west, 39.99]]
        return {"type": "Feature", "properties": {"label": label}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    return {"type": "FeatureCollection", "features": [zone("Otoño", -80.01, -79.982), zone("East", -79.982, -79.95)]}


@pytest.fixture(scope="module")
def office(earlywood, tmp_path_factory):
    return Office(earlywood, tmp_path_factory.mktemp("paper"))


def adopted(office):
    shown = json.loads(office.do("rounds", office.file, "--show", "--on", DAY, "--json"))
    return shown["rounds"]


def test_each_stop_stands_once_and_whole_on_its_sheet(office):
    for paper in ["a4", "letter"]:
        pages = office.paper("sheets", "--from", DAY, "--paper", paper)
        for round_ in adopted(office):
            own = [p for p in pages if f"Sheet {round_['sheet']} " in p]
            assert own, round_["sheet"]
            forms = own[1:]  # the first page is the map's
            for stop in round_["stops"]:
                holding = [p for p in forms if re.search(rf"\b{stop['trap']}\b", p)]
                assert len(holding) == 1, stop["trap"]
                # From the trap's label to its note, on one page: a stop is never split.
                assert re.search(rf"\b{stop['trap']}\b.*?\bfound\b.*?\bnote\b", holding[0]), stop["trap"]


def test_the_sheet_asks_in_the_order_in_which_it_is_typed(office):
    round_ = adopted(office)[0]
    form = office.do("sheet", office.file, round_["sheet"])
    assert next(csv.reader(io.StringIO(form))) == COLUMNS
    pages = office.paper("sheets", "--sheet", round_["sheet"])
    words = " ".join(pages[1:])
    stop = words[words.index(round_["stops"][0]["trap"]):]
    stop = stop[stop.index("found"):]
    at = [re.search(rf"\b{field}\b", stop).start() for field in COLUMNS[2:]]
    assert at == sorted(at), list(zip(COLUMNS[2:], at))


def test_cautions_come_before_the_stops_and_accents_are_read_back(office):
    pages = office.paper("sheets", "--from", DAY)
    first = pages[0]
    assert "Before you leave" in first and "perro suelto" in first and "tendido eléctrico" in first
    assert "NIOSH 2013-143" in first and "29 CFR 1910.333" in first
    assert any("Detrás del molino número" in p for p in pages)


def test_pages_are_numbered_within_each_sheet_and_a_sheet_begins_on_a_leaf(office):
    pages = office.paper("sheets", "--from", DAY)
    for round_ in adopted(office):
        own = [n for n, p in enumerate(pages) if f"Sheet {round_['sheet']} " in p]
        assert own[0] % 2 == 0, "a sheet begins on the front of a leaf"
        assert own == list(range(own[0], own[0] + len(own)))
        for k, n in enumerate(own):
            assert f"page {k + 1} of {len(own)}" in pages[n]


def test_the_months_figures_are_those_of_the_screen(office):
    span = ["--from", "2025-06-01", "--to", "2025-06-30"]
    month = json.loads(office.do("ask", office.file, "month", *span, "--target", TARGET, "--json"))
    words = " ".join(office.paper("month", *span, "--target", TARGET, "--partner", "Oficina estatal", "--miles", 1234))
    stops = month["stops"]
    assert stops["due"] == stops["missed"] > 0
    for label, figure in [
        ("Due", stops["due"]), ("Made on time", stops["on_time"]), ("Made late", stops["late"]), ("Missed", stops["missed"]),
        ("Out when the first day began", month["traps"]["out_at_start"]), ("Hung", month["traps"]["hung"]),
        ("Out when the last day ended", month["traps"]["out_at_end"]), ("Taken", month["specimens"]["taken"]),
    ]:
        assert re.search(rf"\b{label} {figure}\b", words), (label, figure)
    assert "not recorded" in words and "Oficina estatal" in words and "drawn up by" in words
    assert re.search(r"Miles driven 1\s?234", words)
    assert "Otoño" in words


def test_the_same_paper_twice_is_the_same_but_for_its_time(office):
    one = office.paper("month", "--from", "2025-05-01", "--to", "2025-05-31")
    two = office.paper("month", "--from", "2025-05-01", "--to", "2025-05-31")
    time = re.compile(r"printed \d{4}-\d\d-\d\d \d\d:\d\d")
    assert [time.sub("", p) for p in one] == [time.sub("", p) for p in two]


@pytest.mark.parametrize("options, says", [
    (["sheets", "--from", "2027-01-01"], "no round is adopted"),
    (["sheets", "--from", DAY, "--crew", "crew-9"], "crew-9"),
    (["sheets", "--sheet", "what?"], "no sheet's code"),
    (["month", "--from", "2025-05-31", "--to", "2025-05-01"], "2025-05-01"),
    (["month", "--from", "2025-05-01", "--to", "2025-05-31", "--miles", "-3"], "-3"),
])
def test_what_can_not_be_printed_is_told_and_nothing_is_written(office, options, says):
    out = office.folder / "none.pdf"
    done = office.earlywood.run("print", office.file, *options, "--out", out)
    assert done.returncode != 0 and says in done.stderr, done.stderr
    assert not out.exists()
