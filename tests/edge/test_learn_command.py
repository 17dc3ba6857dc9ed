"""``combust learn`` on a logbook of simulated visits, and what it wrote in the settings of the day."""

from __future__ import annotations

from pathlib import Path

import pytest

from combust.application.causes.catalogue import label_of
from combust.application.learning.learnt import Learnt
from combust.application.learning.taught import taught
from combust.edge.logbook.taught import visits_in
from tests.application.learning.test_learnt import FAR
from tests.edge.runs import call
from tests.simulator.fleets import groups_of, write_book

pytestmark = pytest.mark.independent  # visits of a simulator that is built differently from the model

HEATERS = Path(__file__).parents[2] / "data" / "heaters"


def test_a_book_teaches_and_the_file_is_used(tmp_path: Path) -> None:
    book, out = tmp_path / "winter.book", tmp_path / "learnt.toml"
    write_book(book, groups_of("radiation_30", 9002, 0, 4, 3), "temperatures")
    done = call("learn", str(book), "--out", str(out), "--json")
    told = done.json
    assert (told["visits"], told["heaters"], told["confirmed"]) == (12, 4, 0)
    assert told["frequencies"].startswith("NOT used: 0 confirmed causes")
    assert out.exists() == (told["learnt"] is not None) == told["structure"].startswith("used")
    assert told["score"]["gain"] > 2.0 * told["score"]["gain_u"] or "NOT used" in told["structure"]
    if out.exists():
        assert Learnt.load(out).book["visits"] == 12
    else:
        assert "was not written" in done.err


def test_days_are_those_of_the_readings_and_an_older_file_is_told(tmp_path: Path) -> None:
    """A winter on paper that is typed in May: its days stand on the sheets; too few of them teach nothing."""
    book, out = tmp_path / "paper.book", tmp_path / "learnt.toml"
    out.write_text(FAR.to_toml(), encoding="utf-8")
    write_book(book, groups_of("standard", 9002, 0, 2, 1), "temperatures", typed="2026-05-01T12:00:00+00:00")
    with visits_in(book) as (found, count, _):
        assert {one.day for one in taught(found)} == {"2025-10-01"}
    assert count == 2
    done = call("learn", str(book), "--out", str(out))
    assert "of an earlier run: it stays as it was" in done.err
    assert out.read_text(encoding="utf-8") == FAR.to_toml()


def test_the_settings_of_the_day_name_it_and_each_answer_says_so(tmp_path: Path) -> None:
    book, file = str(tmp_path / "day.book"), tmp_path / "learnt.toml"
    file.write_text(FAR.to_toml(), encoding="utf-8")
    day = call("visit", "day", book, "location", "outdoors", "altitude", "210", "learnt", str(file))
    assert "40 visits of 10 heaters" in day.out
    assert "[book]" not in day.out
    call("visit", "open", book, "heater-0312", "--heaters", str(HEATERS), "--visit-id", "V1")
    file.unlink()  # it stays with the book
    used = call("visit", "enter", book, "high", "o2", "4.84", "flue", "365", "co", "120")
    assert "from 40 visits of 10 heaters" in used.out
    assert "from 40 visits of 10 heaters" in call("cause", book).out
    off = call("visit", "enter", book, "learnt", "none")
    assert "from 40 visits" not in off.out


def test_the_sheet_says_what_it_was_counted_with(tmp_path: Path) -> None:
    """A fleet full of restrictions: the danger became less probable, and no reading speaks against what only it hid."""
    book, file, page = str(tmp_path / "day.book"), tmp_path / "learnt.toml", tmp_path / "v1.html"
    often = {"count": 90.0, "low": 0.8, "high": 0.99, "factor": 12.0}
    learnt = Learnt(FAR.book, frequency=dict.fromkeys(("intake_restricted", "exhaust_restricted"), often))
    file.write_text(learnt.to_toml(), encoding="utf-8")
    call("visit", "day", book, "location", "outdoors", "altitude", "0", "air", "15", "learnt", str(file))
    call("visit", "open", book, "heater-0312", "--heaters", str(HEATERS), "--visit-id", "V1")
    line = ("enter", book, "high", "o2", "4.84", "co", "60")
    found = call("visit", *line, "--json").json["causes"]
    warned = next(one["text"] for one in found["findings"] if one["code"] == "learnt_less_danger")
    call("visit", "enter", book, "repair", "hose cleared")
    call("visit", "enter", book, "high", "o2", "8.2", "co", "45")
    call("visit", "print", book, "--visit-id", "V1", "--out", str(page))
    text = page.read_text(encoding="utf-8")
    assert "from 40 visits of 10 heaters" in text
    assert warned in text
    against = text[text.index("Causes that the readings as found speak against") :]
    against = against[: against.index("</p>")]
    assert found["lowered"]
    assert not [name for name in found["lowered"] if label_of(name) in against]
    call("visit", "print", book, "--day", "today", "--out", str(page))
    assert "with what was learnt)" in page.read_text(encoding="utf-8")


def test_a_profile_is_no_file_of_what_was_learnt(tmp_path: Path) -> None:
    book = str(tmp_path / "day.book")
    done = call("visit", "day", book, "learnt", str(HEATERS / "heater-0312.toml"))
    assert done.code == 3
    assert "is nothing that a file of what was learnt holds" in done.err
    assert not Path(book).exists()
