"""Papers read back by programs that know nothing of how they were made: pages and words by pdfium, codes by zxing-cpp.

The papers are those of `crates/print/examples/papers.rs`, which the Rust tests' build leaves beside the program.
"""

import pathlib
import subprocess
from collections import Counter

import pypdfium2
import pytest
import zxingcpp

from conftest import program

HARD = ["T-0001", '#eval("x")', "*a*", "Ñandú-Ångström_7", "A-very-long-trap-label-that-someone-loaded-0000001"]
TRAPS = HARD + [f"T-{i:04}" for i in range(6, 31)]


@pytest.fixture(scope="session")
def papers(tmp_path_factory):
    writer = pathlib.Path(program()).parent / "examples/papers"
    assert writer.is_file(), f"no {writer}: cargo build -p earlywood-print --examples"
    folder = tmp_path_factory.mktemp("papers")
    subprocess.run([writer, folder], check=True, timeout=300)
    return folder


def words(papers, name):
    """The words of each page, spaces and line ends made one blank, marks of possible breaks left out."""
    document = pypdfium2.PdfDocument(papers / f"{name}.pdf")
    return [" ".join(page.get_textpage().get_text_bounded().replace("\u200b", "").replace("\ufffe", "-").split()) for page in document]


def codes(papers, name):
    """What the codes of a paper hold, as a printer of 200 dots to the inch would show them."""
    document = pypdfium2.PdfDocument(papers / f"{name}.pdf")
    return [code.text for page in document for code in zxingcpp.read_barcodes(page.render(scale=200 / 72, grayscale=True).to_pil())]


@pytest.mark.parametrize(("name", "pages"), [
    ("a4-70x37", 2), ("a4-99x38", 3), ("letter-67x25", 2), ("letter-102x51", 4), ("roll-62x29", 30),
])
def test_trap_labels_scan_to_the_trap_s_label(papers, name, pages):
    assert Counter(codes(papers, f"traps-{name}")) == Counter(TRAPS)
    text = words(papers, f"traps-{name}")
    assert len(text) == pages
    whole = " ".join(text)
    for said in ['#eval("x")', "*a*", "Ñandú-Ångström_7", "T-0030"]:
        assert said in whole
    assert whole.count("555 0100") == 30
    assert whole.count("Lindenau") == 30
    assert whole.count("Invented data") == 30


def test_specimen_labels_are_a_series_in_triplicate(papers):
    found = Counter(codes(papers, "specimens"))
    assert len(found) == 20
    assert set(found.values()) == {3}
    assert sorted(number[:11] for number in found) == [f"2025-{i:06}" for i in range(123, 143)]
    whole = " ".join(words(papers, "specimens"))
    for copy in ["on the container", "inside", "on the form"]:
        assert whole.count(copy) == 20


def test_custody_form_has_every_item_and_the_sum(papers):
    assert len(words(papers, "custody-blank")) == 1
    long = words(papers, "custody-200")
    assert len(long) > 3
    for i in range(1, 201):
        assert sum(page.count(f"2025-{i:06}-") for page in long) == 1
    assert all("Seal and condition" in page for page in long[:-1])
    text = " ".join(words(papers, "custody-3"))
    for said in ['*b* #eval("y")', "Ana Ibáñez-Müller", "2025-06-01 16:40", "Given by: name", "Taken by: name", "Temperature"]:
        assert said in text
    assert "Containers out, all together 3 Containers in" in text
    assert "Verylongwordwithoutanyblankthatgoesonandonandon" in text.replace(" ", "")


def test_notice_is_one_page_in_two_languages(papers):
    for name in ["notice", "notice-blank"]:
        pages = words(papers, name)
        assert len(pages) == 1
        for said in ["Please do not touch it.", "no la toque.", "You do not want it here?", "¿No la quiere aquí?", "Private.", "Privacidad."]:
            assert said in pages[0]
    text = words(papers, "notice")[0]
    assert text.count("T-0001") == 2
    assert text.count("555 0100") == 2


def test_safety_sheet_says_its_sources(papers):
    for name in ["safety", "safety-blank"]:
        (text,) = words(papers, name)
        for said in ["10 ft (3.05 m)", "29 CFR 1910.333(c)(3)(i)", "NIOSH 2013-143", "common practice, no source"]:
            assert said in text
    assert "555 0199" in words(papers, "safety")[0]
