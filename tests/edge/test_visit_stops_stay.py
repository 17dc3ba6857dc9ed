"""A stop does not go away by itself, and a heater that never burned is not handed back: typed as people type."""

from __future__ import annotations

import shlex

import pytest

from tests.edge.runs import ROOT, call

pytestmark = pytest.mark.regression
GOOD = "high o2 8,2 co 45 flue 330 smoke 0"
CAB = "cab 1 outside 0 handed_back yes"


@pytest.fixture
def book(tmp_path):
    return str(tmp_path / "w.book")


def opened(book, *lines):
    """Open a visit and type lines; return what the last one said."""
    heaters = ["--heaters", str(ROOT / "data" / "heaters")]
    begun = ["visit", "open", book, "heater-0312", *heaters, "outdoors", "altitude", "210", "air", "15"]
    assert call(*begun).code == 0
    return [call("visit", "enter", book, *shlex.split(line), "--json") for line in lines][-1]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("terminals intake_blocked", "terminals clear"),
        ("joints leaking", "joints tight"),
        ("heating_air_smell exhaust", "heating_air_smell none"),
        ("high o2 4,8 co 4000", "co 45"),
        ("high o2 4,8 co over 2000", "co 45"),
    ],
)
def test_what_stopped_before_the_work_stops_until_it_is_looked_at_again(book, before, after):
    said = opened(book, before, "repair wiped the lid", "high o2 8,2 flue 330 smoke 0")
    assert said.json["safety"]["state"] in ("heater_off", "everyone_out")
    refused = call("visit", "enter", book, *shlex.split(CAB))
    assert refused.code == 3
    again = call("visit", "enter", book, *shlex.split(after), "--json")
    assert not again.json["safety"]["stops"]


def test_cab_co_before_the_repair_counts_until_it_is_measured_again(book):
    said = opened(book, "high o2 8,2 co 45 cab 60 outside 0", "repair joint closed", GOOD)
    assert said.json["safety"]["stops"]
    again = call("visit", "enter", book, "cab", "1", "outside", "0", "--json")
    assert not again.json["safety"]["stops"]


@pytest.mark.parametrize(
    "found", ["lit_and_died cold soak -22 grade summer fuel_sample waxed", "never_lit terminals clear"]
)
def test_a_heater_that_never_burned_is_not_handed_back(book, found):
    opened(book, found)
    refused = call("visit", "enter", book, *shlex.split(CAB))
    assert refused.code == 3
    assert "No gas of the burning heater was read" in refused.err + refused.out
    opened_again = call("visit", "enter", book, *shlex.split(GOOD + " terminals clear"))
    assert opened_again.code == 0


def test_cab_co_declared_missing_withdraws_a_handing_back_in_either_order(book):
    opened(book, GOOD, CAB, "missing cab_co alarm empty")
    refused = call("visit", "close", book, "--incomplete")
    assert refused.code == 3
    assert "declared missing" in refused.err + refused.out
    again = call("visit", "enter", book, "cab", "1", "outside", "0", "--json")
    assert again.json["visit"]["handed_back"] == "Handed back."


def test_cab_co_declared_missing_first_refuses_the_handing_back(book):
    opened(book, GOOD, "missing cab_co alarm empty")
    assert call("visit", "enter", book, "handed_back", "yes").code == 3


SOOTY = "high o2 4,1 co 1500 smoke 6 flue 400"


@pytest.mark.parametrize(
    ("lines", "named"),
    [
        ((SOOTY, "high o2 4,1 co 1600 smoke 6 flue 405"), "1600 ppm"),
        (("high o2 4,1 co 1600 smoke 6 flue 405", SOOTY), "1600 ppm"),
        (("cab 60 outside 0", "cab 40 outside 0"), "60 ppm"),
    ],
)
def test_a_stop_names_the_most_co_of_the_readings_in_force(book, lines, named):
    told = opened(book, *lines).json["safety"]["stops"]
    assert any(named in one["text"] for one in told)


def test_a_reading_indoors_stops_until_the_vehicle_is_said_to_stand_outdoors(book):
    indoors = opened(book, "indoors", GOOD)
    assert [one["code"] for one in indoors.json["safety"]["stops"]] == ["indoors"]
    moved = call("visit", "enter", book, "location", "outdoors", "--json")
    assert not moved.json["safety"]["stops"]
    back = call("visit", "enter", book, "location", "indoors", "--json")
    assert [one["code"] for one in back.json["safety"]["stops"]] == ["indoors"]


def test_nothing_says_not_judged_or_no_co_beside_a_stop_for_co(book):
    said = opened(book, "never_lit", SOOTY)
    assert said.json["safety"]["state"] == "heater_off"
    plain = call("visit", "stand", book)
    assert "Not judged yet" not in plain.out + plain.err
    assert "No CO was entered" not in plain.out + plain.err


def test_more_fuel_at_a_sooty_flame_is_warned_of(book):
    """More fuel makes soot and CO worse at a low lambda (common practice, no source)."""
    opened(book, SOOTY, "adjusted pump 10 % richer")
    warned = call("visit", "stand", book)
    assert "more fuel makes soot and CO worse" in warned.out + warned.err


def test_no_such_word_stands_at_a_clean_flame(book):
    opened(book, GOOD, "adjusted pump 3 % richer")
    clean = call("visit", "stand", book)
    assert "more fuel makes" not in clean.out + clean.err


def test_the_next_step_says_that_it_is_licensed_work_and_what_comes_first(book):
    begun = ["visit", "open", book, "heater-0107", "--heaters", str(ROOT / "data" / "heaters")]
    assert call(*begun, *shlex.split("outdoors altitude 6230 ft air -12 leak pass alarm works")).code == 0
    said = call("visit", "enter", book, *shlex.split("high o2 4.1 co 1500 smoke 6 plug 12.3 flue 400"), "--json")
    assert "licensed work, after supply and pump are cleared" in said.json["next_check"]
