"""A fresh fleet worked by hand: pressures of ISO 2533, everything else in the comments.

ISO 2533:1975, standard atmosphere by geometric height (from memory, the table prints them to 0.01 hPa):
500 m 954.61, 1000 m 898.76, 2000 m 795.01, 3000 m 701.21, 4000 m 616.60 hPa. Healthy lambda 1.60 at 20 °C, 1013.25 hPa.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked

pytestmark = [pytest.mark.hand, pytest.mark.memory]
HPA = {500: 954.61, 1000: 898.76, 2000: 795.01, 3000: 701.21, 4000: 616.60}
COLD, MILD = -15, 10
COLUMNS = ("vehicle_id", "heater_id", "site_id", "cab_ua_w_per_k", "compensation", "compensation_limit_m")
CARS = [  # two kinds of heater: "low" may run to 1400 m, "high" to 4000 m
    ("home", "low", "m500", 40, "none", np.nan),
    ("draughty", "low", "m1000", 120, "none", np.nan),
    ("kit", "low", "m2000", 50, "none", 3000),
    ("fitted", "low", "m3000", 50, "automatic", 3500),
    ("thin", "high", "m3000", 50, "none", np.nan),
    ("barred", "low", "m4000", 50, "none", 3000),
    ("short_blower", "low", "m3000", 50, "blower", 3500),
    ("unread", "low", "m2000", 50, "none", np.nan),
]


@pytest.fixture(scope="module")
def plan() -> FleetPlan:
    sites = pd.DataFrame({"site_id": [f"m{height}" for height in HPA], "altitude_m": list(HPA)}).assign(
        design_temp_c=COLD, mildest_use_temp_c=MILD, night_temps_c=f"{COLD};{MILD}", nights_per_season=100,
        hours_per_night=10, cold_filter_plugging_c=-32,
    )  # fmt: skip
    cars = pd.DataFrame(CARS, columns=list(COLUMNS)).assign(cab_target_c=20, battery_ah=200, battery_v=12)
    cars["blower_trim_max_pct"] = np.where(cars["compensation"] == "blower", 15.0, np.nan)
    heaters = {
        name: worked.heater(limit, limits={"altitude_m": limit, "air_ratio_min": 1.3}, nominal_v=12)
        for name, limit in (("low", 1400), ("high", 4000))
    }
    prices = {"price_compensation_kit": 500, "price_fuel_per_l": 2}
    return plan_fleet(cars, sites, heaters=heaters, policy=prices, with_assignment=False)


def sigma(height: int, temp: float) -> float:
    """Dry air against 20 °C at sea level: pressure over temperature."""
    return HPA[height] / 1013.25 * 293.15 / (temp + 273.15)


# home: 900 m below its limit; 1.60 * 0.975 = 1.56 on the mild night, fuel and hot gas take less than 0.1: above 1.30.
#   40 * 35 = 1.4 kW of 2 kW: warm. 160 Wh = 13.4 Ah of 200 * 0.65 Ah: 10 %, under half.
# draughty: lambda 1.61 and more cold; 120 * 35 = 4.2 kW of 2 kW: -15 + 2000/120 = 1.7 °C: it runs, but cold.
# kit: 600 m above 1400 m, 1000 m below the 3000 m with a kit of its document. fitted: 500 m below its 3500 m.
# thin: 1000 m below its own 4000 m, and 1.60 * 0.692 * 293.15/283.15 = 1.146 on the mild night: below 1.30.
# barred: 4000 m, even a kit ends at 3000 m. short_blower: 1.146 * 1.15 = 1.32, less 3 % denser fuel and hot gas: 1.2.
# unread: 600 m above its limit, and nobody looked up whether its document allows a kit.
DECIDED = {
    "home": "as_is", "draughty": "runs_but", "kit": "compensate", "fitted": "compensated", "thin": "trim_first",
    "barred": "barred", "short_blower": "trim_first", "unread": "check_document",
}  # fmt: skip


@pytest.mark.parametrize("name", DECIDED)
def test_the_decision(plan: FleetPlan, name: str) -> None:
    row: Any = plan.vehicles.set_index("vehicle_id").loc[name]
    height = int(row["altitude_m"])
    assert row["pressure_hpa"] == pytest.approx(HPA[height], abs=0.0055)
    assert row["air_ratio"] == pytest.approx(1.60 * sigma(height, COLD), abs=1e-3)
    assert row["air_ratio_mild"] == pytest.approx(1.60 * sigma(height, MILD), abs=1e-3)
    assert row["decision"] == DECIDED[name]
    assert (row["safety"] == "heater_off") == (name in ("kit", "barred", "unread"))


def test_metres_cabs_and_litres(plan: FleetPlan) -> None:
    rows = plan.vehicles.set_index("vehicle_id")
    metres = {"home": 900, "draughty": 400, "kit": -600, "fitted": 500, "thin": 1000, "barred": -1000, "unread": -600}
    assert rows["margin_m"].loc[list(metres)].to_dict() == metres
    assert rows.loc["draughty", "cab_temp_reached_c"] == pytest.approx(-15 + 2000 / 120, abs=0.01)
    # short_blower: 1.60 * 0.692 * 293.15/258.15 = 1.257, with 15 % more air 1.446: 90 % of 2 kW is over 1.75 kW.
    assert rows["cab"].to_dict() == {
        **dict.fromkeys(("home", "fitted", "short_blower"), "warm"),
        **dict.fromkeys(("draughty", "thin"), "cold"),
        **dict.fromkeys(("kit", "barred", "unread"), "off"),
    }
    # Diesel without FAME: 42.78 MJ/kg * 835 kg/m3 = 9.923 kWh/l, four fifths of it useful: 7.938 kWh/l. 10 h:
    # home 1.4 kW: 1.76 l; draughty: the stage's 2 kW, 2.52 l and not the 5.3 l of 4.2 kW.
    assert rows.loc["home", "fuel_l_per_night"] == pytest.approx(14.0 / 7.938, abs=2e-3)
    assert rows.loc["draughty", "fuel_l_per_night"] == pytest.approx(20.0 / 7.938, abs=2e-3)
    # Half the nights +10 °C: home 0.4 kW, mean 0.9 kW; draughty 1.2 kW of its 2 kW, mean 1.6 kW.
    assert rows.loc["home", "fuel_l_per_season"] == pytest.approx(100 * 9.0 / 7.938, abs=0.1)
    assert rows.loc["draughty", "fuel_l_per_season"] == pytest.approx(100 * 16.0 / 7.938, abs=0.1)
    assert rows.loc["kit", "fuel_when"] == "with_kit"
    assert (rows.loc[["barred", "unread"], "fuel_l_per_season"] == 0.0).all()


def test_kits_and_money(plan: FleetPlan) -> None:
    """One kit and one spare (a tenth, rounded up) of 500; one vehicle waits for its document and is in no sum."""
    totals = plan.totals
    assert (totals["compensation_kits"], totals["spare_kits"], totals["kits_not_known"]) == (1, 1, 1)
    assert totals["cost_kits"] == 1000
    # now: home 113.4, draughty 201.6; fitted, thin and short_blower 1.75 and 0.5 kW, mean 1.125: 141.7 each
    assert totals["fuel_l_per_season"] == pytest.approx(113.4 + 201.6 + 3 * 141.7, abs=0.3)
    assert totals["fuel_l_per_season_with_kit"] == pytest.approx(141.7, abs=0.1)
    assert totals["cost_fuel_with_kit"] == pytest.approx(2 * 141.7, abs=0.2)
