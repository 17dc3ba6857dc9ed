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
