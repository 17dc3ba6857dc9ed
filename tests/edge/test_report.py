"""The page of a visit: valid HTML, alone on its feet, hostile text harmless, nothing lost, stops first."""

from __future__ import annotations

import re

import html5lib
import pytest
from click.testing import CliRunner

from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.edge.cli.visit import command
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import NewVisit, add, close_visit, read_visit
from combust.edge.reports.visit_page import visit_page
from tests.edge.test_logbook import AFTER, BEFORE, CAB, HEAD, NOT_CHECKED, WORK, reading

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*191 }}{% raw %}",
    "</title></table><style>*{display:none}</style>",
    "javascript:alert(1) &lt; & \x00\x1b[2J ‮ü 漢 🔥",
)


def page_of(tmp_path, *entries, head=HEAD, visit_id="V017", closed=False):
    with Logbook(tmp_path / "w.book", create=True) as book:
        add(book, [NewVisit(visit_id, "heater-0312", head, list(entries))])
        record = close_visit(book, visit_id) if closed else read_visit(book, visit_id)
    return record, visit_page(record, numbers=True)


def parsed(text):
    """Return the tree of a page by html5lib's strict parser: any parse error of the HTML standard raises."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def checked(text):
    """Assert what a self-contained, readable page needs, and return its tree."""
    tree = parsed(text)
    assert [
        node.tag for node in tree.iter() if node.tag in ("script", "iframe", "object", "embed", "link", "base")
    ] == []
    for node in tree.iter():
        assert not any(name.startswith("on") for name in node.attrib)
        for name in ("src", "href", "action", "srcset", "data"):
            assert node.attrib.get(name, "data:").startswith("data:")
        if node.tag == "img":
            assert node.attrib["alt"].strip()
    style = "".join(node.text or "" for node in tree.iter("style"))
    assert "url(" not in style
    assert "@import" not in style
    assert "size: A4" in style
    assert len(list(tree.iter("h1"))) == len(list(tree.iter("title"))) == 1
    assert tree.attrib["lang"] == "en"
    # Each row of a table has as many cells as its heading.
    for table in tree.iter("table"):
        heads = [row for part in table.iter("thead") for row in part.iter("tr")]
        for row in table.iter("tr"):
            assert not heads or len(row) == len(heads[0])
    return tree


def words(tree):
    return re.sub(r"\s+", " ", "".join(tree.itertext()))


WHOLE = (
    reading(**BEFORE),
    WORK,
    reading(**AFTER, **CAB),
    NOT_CHECKED,
    ("check", None, {"check": "probe_leak", "result": "pass"}),
)


def test_a_whole_visit(tmp_path):
    record, text = page_of(tmp_path, *WHOLE, closed=True)
    told = words(checked(text))
    assert "closed, complete" in told
    for piece in ("V017", "heater-0312", "T. Larkwood", "intake hose replaced", "exchanger leak test",
                  "probe_leak: pass", "No stop condition found", "dry, undiluted, full output", "Annex VI",
                  "Carbon monoxide kills", "CO inside the cab1 ppm"):  # fmt: skip
        assert piece in told
    assert "1.60 ± 0.04" in told
    assert text.count("data:image/svg+xml;base64,") == 1  # before and after on one plane
    assert visit_page(record, numbers=True) == text  # the same record gives the same page, byte for byte
    assert "safe" not in told.lower().replace("safety", "")


def test_incomplete_and_open_is_said(tmp_path):
    less = {key: value for key, value in BEFORE.items() if key != "probe_leak_test"}
    _, text = page_of(tmp_path, reading(**less, **CAB), NOT_CHECKED)
    assert "open, incomplete: leak test" in words(checked(text))
    _, bare = page_of(tmp_path, visit_id="bare", head={})
    told = words(checked(bare))
    assert "No reading was taken." in told
    assert "do not take it as everything was checked" in told


def test_a_stop_stands_before_everything(tmp_path):
    _, text = page_of(tmp_path, reading(**BEFORE | {"co_dry_ppm": 1200.0}), head=HEAD | {"handed_back": "no"})
    body = text[text.index("<main>") :]
    assert body.index("STOP.") < body.index("Kept off.") < body.index("lambda") < body.index("This record is")
    assert "No stop condition found" not in body


def test_type_approval_figure_keeps_its_basis(tmp_path):
    """Acceptance A16: 1000 ppm stands there as type-approval, dry undiluted, full output, not as OK."""
    _, text = page_of(tmp_path, reading(**BEFORE))
    told = words(checked(text))
    assert "1000 ppmas measured, dry, undiluted, full output, 20 ± 10 °C" in told
    assert "OK" not in told


@pytest.mark.parametrize("nasty", HOSTILE)
def test_hostile_text_is_only_text(tmp_path, nasty):
    entries = (
        reading(**BEFORE | {"note": nasty, "instrument": nasty, "stage": nasty, "fuel": "diesel_b7"}),
        ("adjustment", None, {"text": nasty}),
        ("not_checked", None, {"text": nasty}),
        ("note", None, {"text": nasty}),
        ("check", None, {"check": nasty, "result": nasty}),
        ("event", None, {"event": nasty, "at": nasty}),
    )
    _, text = page_of(tmp_path, *entries, head={"who": nasty, "place": nasty, "complaint": nasty})
    assert {node.tag for node in checked(text).iter()} <= TAGS
    assert not any(mark in text for mark in "\x00\x1b\u202e")
    assert "1337" not in re.sub(r"[^\n]*base64[^\n]*", "", text).partition("<main>")[2].partition("Limits used")[0]


TAG_WORDS = (
    "html head body meta title style header main section footer h1 h2 p br table thead tbody tr th td ul li strong "
    "figure figcaption img div span"
)
TAGS = set(TAG_WORDS.split())


def test_a_broken_chain_is_said():
    record = Visit("V1", broken="entry 2")
    assert "The chain of this record is broken at entry 2" in words(checked(visit_page(record)))


def test_command(tmp_path):
    page_of(tmp_path, *WHOLE, closed=True)
    out = tmp_path / "V017.html"
    done = CliRunner().invoke(command, ["print", str(tmp_path / "w.book"), "--visit-id", "V017", "--out", str(out)])
    assert done.exit_code == 0
    assert "closed, complete" in done.stdout
    assert "caution" in done.stderr
    checked(out.read_text(encoding="utf-8"))
    missing = CliRunner().invoke(command, ["print", str(tmp_path / "w.book"), "--visit-id", "V9", "--out", str(out)])
    assert isinstance(missing.exception, CombustError)
