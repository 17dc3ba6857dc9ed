"""Gasoline that is stated for a heater whose own fuel is another one stops it, wherever it is stated.

Outside fact (from memory, medium): EN 590 asks of diesel a flash point above 55 °C, gasoline of EN 228 has one below
-40 °C: its vapour burns at any room temperature. No maker of a diesel air heater allows it: common practice, no source.
"""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pytest

from combust.application.causes.rank import rank_causes
from combust.application.heater.baseline import healthy_stage
from combust.application.history.last_visit import last_findings
from combust.application.site.effect import site_effect
from combust.application.site.findings import RowLimits
from combust.application.visit.visit import Visit
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.pump import on_fuel
from combust.domain.safety import STATES
from combust.domain.site import Site

CODE = "gasoline_in_diesel_heater"
GAS = {"o2_dry_pct": 9.5, "co_dry_ppm": 60.0}
HERE = {"stage": "high", "location": "outdoors", "altitude_m": 210.0, "intake_temp_c": 15.0, **GAS}
HIGH = {"stage": "high", "altitude_m": 210.0, "intake_temp_c": 15.0, "o2_dry_pct": 8.2, "flue_temp_c": 330.0}
DIESEL: dict[str, Any] = {"heater_id": "H1", "fuel": "diesel_b7", "stages": {"high": {}}, "baseline": [HIGH]}
STATED = [
    ("gasoline", True),
    ("gasoline_e10", True),
    ("0.8 diesel + 0.2 gasoline by volume", True),
    ("kerosene", False),
    ("paraffinic", False),
    ("0.7 diesel_b7 + 0.3 kerosene by volume", False),
]


def codes(safety: Any) -> list[str]:
    return [one.code for one in safety.stops]


@pytest.mark.parametrize(("fuel", "stops"), STATED)
def test_a_stated_fuel_that_holds_gasoline_stops_a_heater_made_for_diesel(fuel: str, stops: bool) -> None:
    heater = Heater.from_dict(DIESEL)
    how: dict[str, Any] = {"pairs": False, "next_checks": stops}
    for rows in ({**HERE, "fuel": fuel}, [HERE, {**HERE, "fuel": fuel}]):
        found = rank_causes(heater, rows, **how)[0]
        assert (CODE in codes(found.safety)) is stops
    assert not stops or (str(found).startswith("STOP") and found.safety.state == "heater_off")
    assert not {"second_stage", "stage_and_steadiness", "fuel_sample"} & {one.check for one in found.next_checks}
    there = Site(2000.0, None, 0.0)
    for asked, reading in ((on_fuel(heater, get_fuel(fuel)), None), (heater, {**HERE, "fuel": fuel})):
        assert (CODE in codes(site_effect(asked, there, reading=reading).safety)) is stops
    row = {**HERE, "fuel": fuel, "taken_at": "2026-01-12"}
    told = [one.code for one in last_findings([row], [], heater, datetime.date(2026, 2, 1))]
    assert (CODE in told) is stops
    points = RowLimits.of(healthy_stage(on_fuel(heater, get_fuel(fuel)))).ranks(np.full(3, 100.0), np.full(3, 1.8))
    assert [STATES[rank] == "heater_off" for rank in points] == [stops] * 3
    visit = Visit.open("V1", heater="H1", profile=DIESEL).add("setting", {"fuel": fuel, "location": "outdoors"})
    assert (CODE in codes(visit.safety)) is stops
    assert (CODE in codes(visit.add("reading", GAS).safety)) is stops
    assert (CODE in codes(Visit.open("V1", profile=DIESEL).add("reading", GAS | {"fuel": fuel}).safety)) is stops


def test_the_sample_stops_too_where_gasoline_was_stated_for_a_heater_made_for_diesel() -> None:
    seen = {**HERE, "fuel": "gasoline", "fuel_sample": "gasoline"}
    assert CODE in codes(rank_causes(Heater.from_dict(DIESEL), seen, pairs=False, next_checks=False)[0].safety)


def test_a_heater_made_for_gasoline_takes_every_gasoline() -> None:
    profile = {**DIESEL, "fuel": "gasoline_e5"}
    found = rank_causes(Heater.from_dict(profile), {**HERE, "fuel": "gasoline_e10"}, pairs=False, next_checks=False)[0]
    assert CODE not in codes(found.safety)
    visit = Visit.open("V1", profile=profile).add("setting", {"fuel": "gasoline_e10", "location": "outdoors"})
    assert CODE not in codes(visit.add("reading", GAS).safety)


def test_gasoline_said_after_a_reading_stops_and_drained_and_looked_at_it_does_not() -> None:
    visit = Visit.open("V1", profile=DIESEL).add("setting", {"location": "outdoors", "fuel": "diesel"})
    visit = visit.add("reading", GAS).add("setting", {"fuel": "gasoline"})
    assert CODE in codes(visit.safety)
    visit = visit.add("event", {"event": "repair", "text": "drained"})
    assert CODE in codes(visit.add("setting", {"fuel": "gasoline"}).safety)
    again = visit.add("setting", {"fuel": "diesel"}).add("reading", {"fuel_sample": "as_stated"})
    assert CODE not in codes(again.safety)
