"""What the trainer hands out, against the outside: sheets of any seed, cards, dealt cases, and a drift over winters."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest
from scipy import stats

import combust
from combust.kernel.constants import DRY_AIR
from tests.kernel.test_cantera import phase_with
from tests.long import LONG
from tests.source_rows import SourceRow, source_rows

SALT = "a sentence only the trainer knows"


def card(name: str, key: str) -> float:
    return {one.name: one for one in combust.misconception_cards()}[name].values[key]


@source_rows(
    SourceRow("published", "public-domain standard-atmosphere tables (1976): 79501 Pa at 2000 m over 101325 Pa",
              "misconception card on thin air: density at one temperature [%]", "78.46",
              lambda: card("thin_air_has_less_oxygen_percent", "density_pct"), status="READ"),
)  # fmt: skip
def test_cards(row: SourceRow) -> None:
    row.check()


@pytest.mark.independent
@pytest.mark.parametrize("seed", range(6))
def test_sheet_of_any_seed_against_routes_that_share_nothing_with_the_library(seed: int) -> None:
    """Lambda by burning the fuel in Cantera, volts by Ohm, trims by the gas law of the standard atmosphere."""
    keys = {one.kind: one.key()["values"] for one in combust.exercise_sheet(seed)}
    gas, asked = phase_with(combust.get_fuel("diesel_b7")), keys["read_the_gas"]
    air = {"O2": DRY_AIR.o2, "N2": DRY_AIR.n2, "AR": DRY_AIR.ar, "CO2": DRY_AIR.co2}
    gas.set_equivalence_ratio(1.0 / asked["air_ratio"], "FUEL", air)
    left = {name: gas[name].X[0] for name in ("O2", "N2", "AR", "CO2")}
    need = 1.0 + 1.86 / 4.0 - 0.007 / 2.0
    left["O2"] -= need * gas["FUEL"].X[0]
    left["CO2"] += gas["FUEL"].X[0]
    # The CO that was read, and the H2 beside it (a quarter as much), left half as much oxygen behind: 0.63e-4 a ppm.
    allowed = 0.65e-4 * asked["co_dry_ppm"] + 0.001
    assert 100.0 * left["O2"] / sum(left.values()) == pytest.approx(asked["o2_dry_pct"], abs=allowed)
    loop = keys["voltage_at_the_heater"]
    ohms = 1e-3 * (loop["battery_mohm"] + loop["contacts_mohm"] + 2 * loop["length_m"] * loop["cable_mohm_per_m"])
    assert loop["heater_v"] == pytest.approx(loop["battery_v"] - loop["current_a"] * ohms, abs=1e-9)
    night = keys["night_at_a_hut"]
    # Standard atmosphere with geopotential height, ideal gas; base 20 °C at sea level.
    height = 6356.766e3 * night["altitude_m"] / (6356.766e3 + night["altitude_m"])
    pressure = (1.0 - 0.0065 * height / 288.15) ** 5.255877
    assert night["density_ratio"] == pytest.approx(pressure * 293.15 / (night["intake_temp_c"] + 273.15), rel=1e-5)
    assert night["fuel_trim_pct"] == pytest.approx(min(0.0, 100.0 * (night["density_ratio"] - 1.0)), abs=1e-9)


@pytest.mark.memory
@pytest.mark.parametrize("seed", range(12 if LONG else 3))
def test_dealt_case_shows_a_gas_that_oil_can_make(seed: int) -> None:
    """EPA Method 3B, from memory: (20.9 - O2)/CO2 of distillate oil lies within 1.260 to 1.413."""
    first = combust.mystery(seed, ("easy", "medium", "hard")[seed % 3], salt=SALT).first
    assert 1.260 < (20.9 - first["o2_dry_pct"]) / first["co2_dry_pct"] < 1.413


@pytest.mark.independent
@pytest.mark.parametrize("seed", range(5))
def test_drift_over_winters_against_theil_and_sen(seed: int) -> None:
    """combust.drift_history on noisy winters: the slope lies in the 95 % limits of scipy's Theil-Sen slope."""
    random = np.random.default_rng(seed)
    years = np.arange(2014, 2026)
    ratios = 1.75 * np.exp(-0.02 * (years - 2014)) * np.exp(random.normal(0.0, 0.01, len(years)))
    rows = [
        {"taken_at": f"{year}-11-05", "fuel": "diesel_b7", "stage": "high", "location": "outdoors",
         "o2_dry_pct": float(combust.flue_gas("diesel_b7", ratio).o2_dry_pct)}
        for year, ratio in zip(years, ratios, strict=True)
    ]  # fmt: skip
    told = combust.drift_history(rows)
    days = [(datetime.date(year, 11, 5) - datetime.date(2014, 11, 5)).days / 365.25 for year in years]
    _, _, low, high = stats.theilslopes(np.log(ratios), days)
    assert low <= math.log1p(told.drift_pct_per_year / 100.0) <= high
