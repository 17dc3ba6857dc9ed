"""No listed remedy and no adjustment contradicts the safety state: random dangers, 100 000 vehicles and visits in the
long form, a fifth here.

The predicates of danger are worked apart from the package, from published figures and facts of the trade.
"""

from __future__ import annotations

import math
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd
import pytest

from combust.application.causes.first_look import first_look
from combust.application.causes.rank import rank_visits
from combust.application.fleet.plan import FleetPlan
from combust.application.history.heater_history import heater_history
from combust.application.site.effect import site_effect
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.domain.site import Site
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked
from tests.application.test_history import HEATER as DRIFTING
from tests.application.test_history import row
from tests.long import LONG

NO_STOP = "No stop condition"
MANY = 100_000 if LONG else 20_000
JUDGED = 1200 if LONG else 120  # visits as they come that are judged to the end
PUMPED = Heater.from_dict(
    {
        "fuel": "diesel_b7",
        "cutout_v": 10.5,
        "limits": {"altitude_m": 1400, "source": "invented"},
        "stroke_ul": 40.0,
        "stages": {"high": {"air_ratio_band": [1.3, 2.2], "pump_hz": 2.5}},
        "baseline": [
            {"stage": "high", "altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "supply_v": 12.5}
        ],
    }
)  # fmt: skip
# 13 % more in the cylinder than 200 strokes of 40 µl: too much fuel, and 8.2 % O2 falls to 6.4 %.
TOO_MUCH = {
    "stage": "high", "altitude_m": 0.0, "intake_temp_c": 15.0, "o2_dry_pct": 6.4, "co_dry_ppm": 50.0, "strokes": 200.0,
    "delivered_ml": 9.04, "pump_hz": 2.5, "supply_v": 12.5, "ambient_o2_pct": 20.9, "probe_leak_test": "pass",
    "sample_line": "dry", "location": "outdoors",
}  # fmt: skip
# One danger each, and what makes it one: 2001/56/EC (0.1 vol % CO, 20 ppm in the cab), NIOSH (35 ppm). Common practice,
# no source: gasoline in a diesel heater, a blocked terminal, indoors or not stated, too high, below the cut-out.
DANGERS: tuple[tuple[str, Any, Any], ...] = (
    ("co_dry_ppm", lambda random: random.uniform(20.0, 2400.0), lambda value: value > 1000.0),
    ("cab_co_in_ppm", lambda random: random.uniform(0.0, 60.0), lambda value: value >= 20.0),
    ("fuel_sample", lambda random: random.choice(["as_stated", "gasoline"]), lambda value: value == "gasoline"),
    ("terminals", lambda random: random.choice(["clear", "exhaust_blocked"]), lambda value: value != "clear"),
    ("location", lambda random: random.choice(["outdoors", "indoors", ""]), lambda value: value != "outdoors"),
    ("altitude_m", lambda random: random.uniform(0.0, 2600.0), lambda value: value > 1400.0),
    ("supply_v", lambda random: random.uniform(9.5, 12.6), lambda value: value < 10.5),
)


def perhaps_dangerous(size: int) -> tuple[list[list[dict[str, Any]]], list[bool]]:
    """Return visits of a heater with too much fuel, each with one or two things that may be a danger, and if one is."""
    random = np.random.default_rng(31)
    visits, dangerous = [], []
    for _ in range(size):
        visit, danger = dict(TOO_MUCH), False
        for place in random.permutation(len(DANGERS))[: random.integers(1, 3)]:
            key, drawn, is_danger = DANGERS[place]
            value = drawn(random)
            visit[key], danger = value, danger or bool(is_danger(value))
        visits.append([{key: value for key, value in visit.items() if value != ""}])
        dangerous.append(danger)
    return visits, dangerous


@pytest.mark.practice
def test_no_adjustment_where_the_heater_must_not_burn() -> None:
    """The first look at many visits says what may burn; of each kind of findings some are judged to the end."""
    visits, dangerous = perhaps_dangerous(MANY)
    kinds: dict[tuple[str, ...], list[int]] = {}
    parts = (first_look(PUMPED, instrument_class(), visits[at : at + 2000]) for at in range(0, len(visits), 2000))
    for number, look in enumerate(chain.from_iterable(parts)):
        assert not (dangerous[number] and look.safety.allows(("burning",))), visits[number]
        kinds.setdefault(tuple(sorted(one.code for one in look.safety.findings)), []).append(number)
    assert sum(dangerous) > 0.4 * MANY
    # What is advised hangs on nothing of the first look but its findings: every kind of them, and visits as they come.
    judged = sorted({*range(JUDGED), *(number for kind in kinds.values() for number in kind[:2])})
    advised = [one.adjust is not None for one in rank_visits(PUMPED, [visits[n] for n in judged], pairs=False)]
    assert not any(trim and dangerous[number] for trim, number in zip(advised, judged, strict=True))
    assert sum(dangerous[number] for number in judged) > 100
    # It can fail: where nothing is dangerous a trim is advised in most of these visits.
    harmless = len(judged) - sum(dangerous[number] for number in judged)
    assert sum(advised) > 0.5 * harmless > 15


def crowd(size: int = MANY) -> FleetPlan:
    """Return the plan of random vehicles at 0 to 4800 m, cold nights, with and without a kit."""
    random = np.random.default_rng(8)
    sites = pd.DataFrame({"site_id": [f"S{n}" for n in range(60)], "altitude_m": random.uniform(0.0, 4800.0, 60)})
    sites = sites.assign(design_temp_c=random.uniform(-35.0, 5.0, 60), mildest_use_temp_c=15)
    sites = sites.assign(nights_per_season=120, hours_per_night=10)
    cars = pd.DataFrame({"vehicle_id": np.arange(size).astype(str), "site_id": random.choice(sites["site_id"], size)})
    cars["heater_id"] = random.choice(list(worked.HEATERS), size)
    cars = cars.assign(cab_ua_w_per_k=random.uniform(30.0, 120.0, size), cab_target_c=20)
    return plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False, with_sensitivity=False)


@pytest.mark.practice
def test_no_remedy_needs_a_flame_where_the_heater_must_stay_off() -> None:
    """Many vehicles: above the height of its document (common practice, no source) no heater is trimmed."""
    plan = crowd()
    limits = {"limit_1400": 1400.0, "limit_2400": 2400.0}
    cars = plan.vehicles.set_index("vehicle_id")
    off = cars["altitude_m"] > cars["heater"].map(limits)
    remedies = plan.remedies.assign(off=plan.remedies["vehicle_id"].map(off))
    trimmed = remedies["remedy"] == "trim_to_minimum"
    assert off.sum() > 0.25 * MANY
    assert not (trimmed & remedies["off"]).any()
    assert not (trimmed & remedies["vehicle_id"].map(cars["safety"] == "heater_off")).any()  # whatever keeps it off
    assert (trimmed & ~remedies["off"]).any()
    # What lets it run is a kit of its document, or another site; nothing else is listed.
    assert set(remedies.loc[remedies["off"], "remedy"]) == {"other_site", "compensation"}
    assert {"curtain", "larger_heater"} < set(remedies.loc[~remedies["off"], "remedy"])
    assert (cars.loc[off, "cab"] == "off").all()
    assert plan.totals["heat_short"] + plan.totals["cab_warm"] + plan.totals["cab_off"] == len(cars)
    assert (cars.loc[off, "safety"] == "heater_off").all()


@pytest.mark.practice
@pytest.mark.parametrize("what", ["diesel", worked.HEATERS["limit_2400"]], ids=["fuel alone", "heater"])
def test_a_site_at_5500_m_where_lambda_is_0_96(what: Any) -> None:
    """ISO 2533: 505.1 hPa at 5500 m; lambda 1.6 of 15 °C (20 °C) is 0.96 in air of 239 K (243 K)."""
    alone = isinstance(what, str)
    cold = 1.6 * 505.1 / 1013.25 * (288.15 if alone else 293.15) / 0.96 - 273.15
    effect = site_effect(what, Site(5500.0, None, cold), **({"air_ratio": 1.6} if alone else {}))
    assert effect.air_ratio == pytest.approx(0.96, abs=0.003)
    assert effect.safety.state == ("outdoors_only" if alone else "heater_off")
    assert effect.fuel_trim_pct is None or alone
    assert NO_STOP not in f"{effect}{effect.to_dict()}"


@pytest.mark.practice
@pytest.mark.parametrize(("first", "state"), [("V5", "not_judged"), ("V2", "heater_off")])
def test_a_fleet_with_refused_vehicles_has_the_state_of_what_is_not_known(first: str, state: str) -> None:
    """Nothing is known of a refused vehicle: V5 stand at 400 m within their limit, V2 at 2600 m above it."""
    cars = worked.vehicles()
    cars = cars[cars["group"] == first].astype(object).reset_index(drop=True)
    cars.loc[[0, 3], "site_id"] = "nowhere"
    plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS)
    assert plan.safety.state == state
    refused = [one for one in plan.safety.findings if one.code == "rows_refused"]
    assert len(refused) == 1
    assert "rows refused: 2" in refused[0].text
    assert NO_STOP not in " ".join([*plan.safety.lines(), str(plan.to_dict()["safety"])])


@pytest.mark.practice
def test_a_history_at_a_risk_of_100_per_cent() -> None:
    """10 % a year and 1.42 now, where 1.4 is the lowest: 1.28 next winter. A level one of 1.6 is no finding."""
    falling = [row(2018 + n, 1.42 * math.exp(0.10 * (7 - n)), co_dry_ppm=50.0) for n in range(8)]
    told = heater_history(falling, DRIFTING)
    assert told.risk is not None
    assert told.risk > 0.99
    assert told.safety.state == "outdoors_only"
    assert any("100 %" in one.text for one in told.safety.findings if one.code == "leaves_its_band")
    assert NO_STOP not in f"{told}{told.to_dict()}"
    level = heater_history([row(2018 + n, 1.6, co_dry_ppm=50.0) for n in range(8)], DRIFTING)
    assert not level.safety.alarming
