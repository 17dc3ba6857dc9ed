"""The worked fleet V1 to V5 as tables, for several tests."""

from __future__ import annotations

from typing import Any

import pandas as pd

from combust.application.fleet.plan import FleetPlan
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.edge.tables.fleet import plan_fleet
from combust.kernel.flue_gas import flue_gas_moles

# group: vehicles, site height, design night, unit's own limit
GROUPS = {
    "V1": (12, 1850, -12, 1400),
    "V2": (9, 2600, -18, 1400),
    "V3": (6, 3300, -25, 2400),
    "V4": (4, 4100, -15, 2400),
    "V5": (20, 400, -5, 1400),
}


def heater(limit: float | None, **more: Any) -> Heater:
    """Return the 2 kW heater of the worked fleet: lambda 1.60 at 20 °C and sea level, a kit allowed up to 4500 m."""
    moles = flue_gas_moles(get_fuel("diesel_b0"), 1.6)
    table: dict[str, Any] = {
        "fuel": "diesel_b0",
        "limits": {} if limit is None else {"altitude_m": limit, "compensation_altitude_m": 4500},
        "stages": {"high": {"useful_heat_kw": 2.0}},
        "baseline": [
            {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "o2_dry_pct": float(100.0 * moles.o2 / moles.dry)}
        ],
        **more,
    }
    return Heater.from_dict(table)


HEATERS = {"limit_1400": heater(1400.0), "limit_2400": heater(2400.0)}


def sites(**more: Any) -> pd.DataFrame:
    """Return the five sites; the mildest night of use is +15 °C everywhere, 120 nights of 10 h."""
    rows = [
        {"site_id": f"S{name[1]}", "altitude_m": height, "design_temp_c": cold}
        for name, (_, height, cold, _) in GROUPS.items()
    ]
    fixed = {"mildest_use_temp_c": 15, "nights_per_season": 120, "hours_per_night": 10, "cold_filter_plugging_c": -32}
    fixed |= more
    return pd.DataFrame(rows).assign(**fixed)


def vehicles(**more: Any) -> pd.DataFrame:
    """Return the 51 vehicles, UA 50 W/K, cab 20 °C, a battery of 200 Ah at 12 V."""
    rows = [
        {
            "vehicle_id": f"{name}-{number + 1:02d}",
            "group": name,
            "heater_id": f"limit_{limit}",
            "site_id": f"S{name[1]}",
        }
        for name, (count, _, _, limit) in GROUPS.items()
        for number in range(count)
    ]
    frame = pd.DataFrame(rows, columns=["vehicle_id", "group", "heater_id", "site_id"])
    return frame.assign(**{"cab_ua_w_per_k": 50, "cab_target_c": 20, "battery_ah": 200, "battery_v": 12, **more})


def plan(**more: Any) -> FleetPlan:
    """Return the plan of the worked fleet."""
    return plan_fleet(vehicles(), sites(), heaters=HEATERS, **more)
