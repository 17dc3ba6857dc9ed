"""What service engineers stumbled over at the keyboard and on the phone, kept from coming back."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.visit.standing import excluded, standing
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import read_visit
from combust.edge.reports.verdict import verdict_of
from combust.edge.reports.visit_page import visit_page
from tests.edge.runs import DATA, call
from tests.edge.test_report import checked, words
from tests.edge.test_visit_words import typed

pytestmark = pytest.mark.regression
HEATERS = ("--heaters", str(DATA / "heaters"))


def at(book: Path, *lines: str) -> list[str]:
    """Open a visit and type lines into it; return what was said of each."""
    assert call("visit", "open", str(book), "heater-0312", *HEATERS, "outdoors", "altitude", "210").code == 0
    runs = [call("visit", "enter", str(book), *line.split()) for line in lines]
    assert [run.code for run in runs] == [0] * len(runs)
    return [run.out for run in runs]


def visit_in(book: Path):
    with Logbook(book, read_only=True) as opened:
        return read_visit(opened, "V001")


def test_a_heater_that_never_lit_is_closed_with_one_reason(tmp_path):
    """All that is missing in one sentence; what cannot be read is declared at once, what is to be said stays."""
    book = tmp_path / "w.book"
    at(book, "never_lit battery 11.4 plug glow 9.9")
    refused = call("visit", "close", str(book))
    assert refused.err.count("\n- ") == 1
    assert "missing rest REASON" in refused.err
    told = call("visit", "enter", str(book), "missing", "rest", "it", "never", "lit").out
    assert "still missing who did it, where, a working CO alarm, whether" in " ".join(told.split())
    assert "it never lit" in call("log", "show", str(book), "--visit-id", "V001").out
    again = call("visit", "enter", str(book), "missing", "rest", "it", "never", "lit")
    assert again.code == 3
    assert "all was read or declared" in again.err
    said = ("who", "T. Larkwood", "place", "depot", "alarm", "works", "handed_back", "no")
    assert call("visit", "enter", str(book), *said).code == 0
    assert call("visit", "enter", str(book), "unchecked", "the flame").code == 0
    closed = call("visit", "close", str(book))
    assert closed.code == 0
    assert closed.out.count("(it never lit)") == 1


def test_what_was_changed_stands_on_the_sheet(tmp_path):
    """A slip of 450 for 45, mended by an entry or by saying it anew: the customer sees old and new."""
    book = tmp_path / "w.book"
    at(book, "stroke_ul 45 high o2 8.2 co 450", "stroke_ul 40")
    assert call("visit", "correct", str(book), "4", "co", "45", "because", "misread").code == 0
    told = words(checked(visit_page(visit_in(book))))
    assert re.search(r"Changed.*entry 4: co dry 450 ppm -> co dry 45 ppm .*misread", told)
    assert re.search(r"stroke.{0,4}: 45 \S+ -> 40", told)
    assert "Changed" not in words(checked(visit_page(typed("outdoors high o2 8.2", heater="heater-0312"))))


def test_the_same_line_twice_is_told(tmp_path):
    book = tmp_path / "w.book"
    first, second, other = at(book, "high o2 8.2 co 45", "high o2 8.2 co 45", "co 46")
    assert "the same as" not in first + other
    for told in (second, call("log", "show", str(book)).out):
        assert "(the same as entry 3, just before it)" in " ".join(told.split())


def test_the_list_of_a_book_tells_the_numbers_that_a_correction_wants(tmp_path):
    book = tmp_path / "w.book"
    at(book, "high o2 8.2 co 45", "note soot at the end")
    told = call("log", "show", str(book)).out
    assert re.search(r"^4 +note: soot at the end$", told, re.MULTILINE)
    assert call("visit", "correct", str(book), "4", "text", "no", "soot").code == 0


@pytest.mark.published
def test_reading_and_site_tell_numbers_in_the_units_of_the_person(monkeypatch):
    """The 15 °C of the standard atmosphere are 59 °F (ICAO Doc 7488, table of constants: both are printed)."""
    given = ("reading", "--o2-dry", "8.2", "--location", "outdoors")
    assert "59 °F (15 °C)" in call(*given, "--units", "us").out
    assert "°F" not in call(*given).out
    monkeypatch.setenv("COMBUST_UNITS", "us")
    assert "59 °F (15 °C)" in call(*given).out
    assert call(*given, "--json").json == call(*given, "--json", "--units", "metric").json
    place = ("site", "--altitude", "0", "--intake-temp", "15", "--heater", str(DATA / "heaters" / "heater-0312.toml"))
    assert "59 °F (15 °C)" in call(*place).out
    assert call("reading", "--o2-dry", "8", "--units", "cubits").code != 0


READ = "outdoors altitude 210 air 15 high o2 4.84 flue 365 co 120 intake_static -140"


@pytest.mark.parametrize("more", ["", " smoke 1", " plug 12.5 terminals clear"])
def test_one_share_on_screen_page_and_sheet(more):
    """Whole per cent, the same of the same cause everywhere, and never all."""
    visit = typed(READ + more, heater="heater-0312")
    found, verdict = standing(visit), verdict_of(visit)
    assert found.causes is not None
    share = found.causes.top.percent
    assert share in dict(found.lines())["causes"]
    assert share in verdict.found
    assert share in verdict.brief
    assert "100 %" not in share
    assert verdict.causes is not None
    assert verdict.causes.top == found.causes.top


def test_what_is_spoken_against_is_told_in_plain_words_and_healthy_is_no_cause():
    visit = typed(f"{READ} terminals intake_blocked", heater="heater-0312")
    causes = standing(visit).causes
    names = excluded(visit, causes)
    assert names
    assert causes is not None
    assert next(one.probability for one in causes.causes if one.cause == "healthy") < 0.01
    assert "healthy" not in names
    told = words(checked(visit_page(visit)))
    line = told.partition("Causes that the readings as found speak against")[2].partition("This record")[0]
    labels = {cause.label for cause in shipped_priors().causes.values()}
    assert {one for one in line.strip().split(", ") if not re.fullmatch(r"and \d+ more", one)} <= labels
    assert "_" not in line


@pytest.mark.parametrize(("first", "then"), [("lit_and_died died 40", "o2 8.2 co 54"), ("o2 8.2 co 54", "never_lit")])
def test_a_start_that_failed_and_the_gas_of_a_flame_are_two_readings(first, then):
    """Gas of a flame is not read of a heater that is out; what else is seen of the start stays with it."""
    visit = typed("outdoors", first, then, heater="heater-0312")
    assert len(visit.taken) == 2
    assert sum("start_event" in one.values for one in visit.taken) == 1
    assert not any("start_event" in one.values and "o2_dry_pct" in one.values for one in visit.taken)
    assert len(typed("outdoors", "lit_and_died died 40", "plug glow 11.2", "start_smoke white").taken) == 1


def test_a_record_that_does_not_say_what_was_not_checked_names_what_has_no_result():
    visit = typed(f"{READ} exhaust_static 38")
    told = words(checked(visit_page(visit)))
    line = told.partition("No result, or only a part, was written down of these checks: ")[2].partition("Cautions")[0]
    assert "blower speed, " in line
    assert "port pressures" not in line
    assert "…" not in line
    said = visit.add("not_checked", {"text": "blower"})
    assert "No result, or only a part, was written down" not in words(checked(visit_page(said)))


def test_co_that_may_be_vol_pct_says_nothing_of_the_cause():
    lines = "outdoors altitude 210 air 15 high o2 4.84 flue 365"
    shares = [[(one.cause, one.percent) for one in standing(typed(text, heater="heater-0312")).causes.causes]
              for text in (lines, f"{lines} co 0.02", f"{lines} co 200")]  # fmt: skip
    assert shares[0] == shares[1] != shares[2]


def test_a_closed_visit_says_which_command_goes_on(tmp_path):
    book = tmp_path / "w.book"
    at(book, "high o2 8.2 co 45", "who T. alarm works place depot handed_back no", "unchecked all")
    assert call("visit", "enter", str(book), "missing", "rest", "cold").code == 0
    assert call("visit", "close", str(book), "--incomplete").code == 0
    for line in (("close",), ("enter", "o2", "8.1")):
        again = call("visit", line[0], str(book), *line[1:], "--visit-id", "V001")
        assert again.code == 3
        assert f"new one: combust visit open {book} heater-0312 or this one again" in again.err
        assert f"combust visit reopen {book} --visit-id V001 --reason WHY" in again.err


@pytest.mark.parametrize("word", ["black", "purple"])
def test_a_word_behind_smoke_shows_the_words_that_are_taken(tmp_path, word):
    book = tmp_path / "w.book"
    at(book)
    refused = call("visit", "enter", str(book), "smoke", word)
    assert refused.code == 3
    assert refused.err.count("\n- ") == 1
    assert "0 to 9; or say start smoke none | white | black." in refused.err
    assert call("visit", "enter", str(book), "start", "smoke", "black").code == 0
