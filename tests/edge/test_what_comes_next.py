"""What a visit says next once a cause is found, and what it may call excluded: looked at and spoken against."""

from __future__ import annotations

import io
import re

import pytest

from combust.application.visit.standing import excluded, standing
from tests.edge.runs import call
from tests.edge.test_visit_words import typed

READ = "outdoors altitude 210 air 15 high o2 5.0 flue 350 co 60"
BLOCKED = f"{READ} plug 12.5 intake_static -220 terminals intake_blocked"


@pytest.mark.practice
def test_a_certain_cause_is_repaired_and_looked_at_again_before_anything_else_is_checked():
    """Who sees the blocked intake clears it first (common practice, no source); a stop forbids running it anyway."""
    found = standing(typed(BLOCKED, heater="heater-0312"))
    assert found.causes.top.cause == "intake_restricted"
    assert found.causes.top.probability > 0.9
    assert found.next_check.startswith("Repair it (intake restricted). ")
    assert "Then write repair" in found.next_check
    assert "look into intake, exhaust and drain hole" in found.next_check
    assert dict(found.lines())["next check"] == found.next_check
    open_one = standing(typed(READ, heater="heater-0312"))
    assert open_one.repair == ""
    assert open_one.next_check


def test_after_the_repair_nothing_is_to_be_repaired():
    assert standing(typed(BLOCKED, "repair nest taken out", heater="heater-0312")).repair == ""


@pytest.mark.parametrize(
    "line",
    [
        "outdoors lit_and_died died 40 fuel_line bubbles",
        "outdoors never_lit battery 11.4 plug glow 9.9",
        f"{BLOCKED} lit_and_died",
        "outdoors high o2 8.2 flue 330 co 40",
    ],
)
def test_nothing_is_excluded_that_is_not_told_apart_or_that_nobody_looked_at(line):
    visit = typed(line, heater="heater-0312")
    found = standing(visit)
    left_out = excluded(visit, found.causes)
    assert not set(left_out) & {name for names in found.causes.cannot_separate for name in names}
    assert not {"flame_sensor", "glow_weak"} & set(left_out)  # nobody measured element or sensor
    if "plug glow" not in line:
        assert "glow_voltage_low" not in left_out


def test_what_was_looked_at_can_be_excluded():
    """A sensor that was tested and is good is spoken against by the test, whatever happened at the start."""
    told = f"{BLOCKED} lit_and_died flame_sensor_test pass glow_element_test pass plug glow 11.9"
    visit = typed(told, heater="heater-0312")
    assert "flame_sensor" in excluded(visit, standing(visit).causes)


@pytest.mark.parametrize("place", ["outdoors", "indoors"])
def test_what_is_done_again_after_a_repair_never_runs_a_heater_that_must_stay_off(place):
    for told in ("never_lit plug glow 9.9 start_smoke none", "lit_and_died joints leaking", BLOCKED[9:]):
        found = standing(typed(f"{place} {told}", heater="heater-0312"))
        if not found.safety.allows(("burning",)):
            assert "while it glows" not in found.repair
            assert "read again" not in found.repair


def test_an_entry_tells_its_number_and_a_correction_old_and_new(tmp_path):
    book = str(tmp_path / "w.book")
    call("visit", "open", book, "h1")
    told = call("visit", "enter", book, "high", "o2", "8.2", "co", "120", "outdoors").out
    number = re.search(r"entry (\d+), reading: .*120 ppm", told)
    assert number, told
    again = " ".join(call("visit", "correct", book, number[1], "co", "110", "because", "misread").out.split())
    assert re.search(rf"entry \d+ corrects entry {number[1]}: co dry 120 ppm -> co dry 110 ppm \(misread\)", again)
    listed = call("log", "show", book)
    assert "--visit-id V001" in listed.err
    assert re.search(rf"^{number[1]} .*reading", call("log", "show", book, "--visit-id", "V001").out, re.M)


def test_a_prompt_tells_the_number_of_each_line(tmp_path, monkeypatch):
    book = str(tmp_path / "w.book")
    call("visit", "open", book, "h1")
    monkeypatch.setattr("sys.stdin", io.StringIO("outdoors high o2 8.2\nco 54\n\n"))
    run = call("visit", "enter", book)
    assert len(re.findall(r"^written +entry", run.out, re.M)) >= 2
