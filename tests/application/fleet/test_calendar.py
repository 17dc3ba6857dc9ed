"""The calendar: grades by month worked by hand, everyone named once, what is not known with the column to add."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import foreign

pytestmark = pytest.mark.hand
# November to March; coldest nights of January to December. The margin of the policy is 3 K, and a tank lasts into the
# next month: November must stand December's -12 (-15: class E), December January's -20 (-23: arctic 1), January its
# own -20 (arctic 1), February its own -14 (-17: class F), March its own -8 (-11: class E).
COLDEST = "-20;-14;-8;-3;1;5;7;6;2;-3;-7;-12"
BY_MONTH = {11: "EN 590 class E", 12: "EN 590 arctic class 1", 1: "EN 590 arctic class 1", 2: "EN 590 class F",
            3: "EN 590 class E"}  # fmt: skip


def planned(due: Any = np.nan, **site: Any) -> FleetPlan:
    sites = foreign.sites(heights=(450, 2050)).assign(design_temp_c=-20, **site)
    cars = pd.DataFrame({"vehicle_id": ["a", "b", "c"], "site_id": ["station_450", "station_450", "station_2050"]})
    cars = cars.assign(heater_id="moss", cab_ua_w_per_k=30, service_due_month=due)
    return plan_fleet(cars, sites, heaters=foreign.heaters())


def told(plan: FleetPlan, what: str) -> list[tuple[int, str, str]]:
    rows = plan.calendar[plan.calendar["what"] == what]
    return list(zip(rows["month"].tolist(), rows["detail"], rows["who"], strict=True))


def test_grades_kits_and_heaters_by_month() -> None:
    months = {"season_first_month": 11, "season_last_month": 3, "month_coldest_c": COLDEST}
    plan = planned([9, 9, np.nan], **months)
    fuel = told(plan, "buy fuel")
    assert {month: grade for month, grade, _ in fuel} == BY_MONTH
    assert [month for month, _, _ in fuel] == [11, 12, 1, 2, 3]  # a winter in its order
    assert all("station_450" in who and "station_2050" in who for _, _, who in fuel)
    assert told(plan, "fit kits") == [(11, "station_2050", "c")]  # its own limit is 1400 m, with a kit 2600 m
    assert told(plan, "heaters due")[-1] == (9, "by its own entry", "a, b")
    assert [row[1] for row in told(plan, "not known")] == [
        "the month in which a heater is due: add service_due_month (1 to 12) to the vehicles"
    ]
    assert "1 vehicle" in told(plan, "not known")[0][2]


def test_without_temperatures_of_the_months_the_design_night_counts_in_all() -> None:
    fuel = told(planned(season_first_month=12, season_last_month=2), "buy fuel")
    assert [(month, grade) for month, grade, _ in fuel] == [(one, "EN 590 arctic class 1") for one in (12, 1, 2)]


def test_without_months_everything_is_before_the_season_and_the_columns_are_named() -> None:
    plan = planned()
    assert set(plan.calendar["month"]) == {0}
    unknown = " ".join(detail for _, detail, _ in told(plan, "not known"))
    for column in ("season_first_month", "season_last_month", "service_due_month"):
        assert column in unknown
    assert told(plan, "fit kits") == [(0, "station_2050", "c")]


@pytest.mark.parametrize(
    ("site", "column", "severity"),
    [
        ({"month_coldest_c": "-20;-14"}, "month_coldest_c", "refused"),
        ({"season_first_month": 11}, "season_first_month", "refused"),
        ({"season_first_month": 10.5, "season_last_month": 3}, "season_first_month", "refused"),
        ({"season_first_month": 13, "season_last_month": 3}, "season_first_month", "refused"),
        ({"month_coldest_c": COLDEST.replace("-20", "-31")}, "month_coldest_c", "warned"),
    ],
)
def test_months_that_cannot_be(site: dict[str, Any], column: str, severity: str) -> None:
    sites = foreign.sites(heights=(450, 2050)).assign(design_temp_c=-20)
    sites = sites.assign(**{key: [value, None] for key, value in site.items()})
    cars = pd.DataFrame({"vehicle_id": ["a", "b"], "site_id": sites["site_id"], "heater_id": "moss"})
    faults = plan_fleet(cars.assign(cab_ua_w_per_k=30), sites, heaters=foreign.heaters()).faults
    found = faults[(faults["table"] == "sites") & (faults["row"] == 2)]
    assert column in found["column"].tolist()
    assert severity in found["severity"].tolist()


def test_everybody_who_gets_a_kit_stands_in_the_calendar_once() -> None:
    plan = plan_fleet(foreign.vehicles(), foreign.sites(), heaters=foreign.heaters(), max_kits=10)
    names = [name for _, _, who in told(plan, "fit kits") for name in who.split(", ")]
    assert sorted(names) == sorted(plan.kits.loc[plan.kits["given"], "vehicle_id"])
    assert len(names) == 10
