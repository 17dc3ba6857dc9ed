"""Fixtures of the causes: one heater with healthy baselines, and the slow study computed once."""

from __future__ import annotations

import pytest

from combust.domain.heater import Heater
from tests.simulator.study import run_study

PROFILE = {
    "heater_id": "heater-0312",
    "fuel": "diesel_b7",
    "nominal_v": 12,
    "blower": "centrifugal",
    "speed_regulated": True,
    "blower_rpm_max": 5200,
    "heating_air_on_same_shaft": True,
    "stroke_ul": 24.0,
    "stages": {
        "high": {
            "fuel_l_per_h": 0.26, "useful_heat_kw": 2.0, "pump_hz": 3.0, "blower_rpm": 4700,
            "air_ratio_band": [1.35, 1.8],
        },
        "low": {
            "fuel_l_per_h": 0.11, "useful_heat_kw": 0.9, "pump_hz": 1.25, "blower_rpm": 2200,
            "air_ratio_band": [1.8, 2.4],
        },
    },
    "baseline": [
        {
            "stage": "high", "altitude_m": 0, "intake_temp_c": 20, "o2_dry_pct": 8.2, "flue_temp_c": 330,
            "co_dry_ppm": 40, "air_in_temp_c": 20, "air_out_temp_c": 93, "supply_v": 12.6, "blower_rpm": 4700,
            "pump_hz": 3.0, "intake_static_pa": -60, "exhaust_static_pa": 150, "smoke_number": 1,
        },
        {
            "stage": "low", "altitude_m": 0, "intake_temp_c": 20, "o2_dry_pct": 10.84, "flue_temp_c": 200,
            "co_dry_ppm": 50, "air_in_temp_c": 20, "air_out_temp_c": 65, "supply_v": 12.6, "blower_rpm": 2200,
            "pump_hz": 1.25, "intake_static_pa": -14, "exhaust_static_pa": 30, "smoke_number": 1,
        },
    ],
}  # fmt: skip


@pytest.fixture(scope="session")
def heater() -> Heater:
    """A 2 kW class heater whose baseline is lambda 1.60 and 2.00 at sea level, 20 °C."""
    return Heater.from_dict(PROFILE)


@pytest.fixture(scope="session")
def study():
    """240 visits of 6 simulated heaters (3000 of 30 in the long form) and the rest of the slow statistics."""
    return run_study()
