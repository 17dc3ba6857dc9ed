"""A fleet that nobody tuned the planner on: 300 vehicles at 12 stations of 200 to 4800 m, holes and slips included.

Run ``python -m tests.application.fleet.foreign FOLDER`` to write it as files. Same seed, same fleet; all invented.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from combust.domain.heater import Heater

HEIGHTS = (200, 450, 900, 1350, 1700, 2050, 2400, 2900, 3300, 3650, 4200, 4800)
# name: fuel, useful heat high and low [kW], litres an hour high, O2 of the baseline, own limit, limit with a kit, plate
TYPES = {
    "moss": ("diesel_b7", 2.0, 0.8, 0.255, 8.4, 1400, 2600, 12),
    "moss_24": ("diesel_b7", 2.0, 0.8, 0.255, 8.4, 1400, 2600, 24),
    "fell": ("diesel_b7", 4.0, None, 0.510, 8.0, 2200, 2200, 12),  # its document allows no kit
    "crag": ("diesel_b7", 3.4, 1.3, 0.430, 9.2, 3000, 4000, 12),
    "rill": ("gasoline_e5", 2.2, 0.9, 0.310, 8.6, 1200, None, 12),  # nobody looked up its kit
    "scree": ("diesel_b7", 1.8, 0.7, 0.230, 8.2, None, None, 12),  # nobody looked up its limit
}


def heaters() -> dict[str, Heater]:
    """Return the six invented types."""
    made = {}
    for name, (fuel, high, low, litres, o2, limit, kit, plate) in TYPES.items():
        stages = {"high": {"useful_heat_kw": high, "fuel_l_per_h": litres}}
        if low is not None:
            stages["low"] = {"useful_heat_kw": low, "fuel_l_per_h": litres * low / high, "air_ratio_band": [1.8, 2.3]}
        limits = {"altitude_m": limit, "compensation_altitude_m": kit, "air_ratio_min": 1.3}
        baseline = {"stage": "high", "altitude_m": 200, "intake_temp_c": 10, "o2_dry_pct": o2, "origin": "unit"}
        made[name] = Heater.from_dict(
            {
                "fuel": fuel,
                "nominal_v": plate,
                "stages": stages,
                "baseline": [baseline],
                "limits": {key: value for key, value in limits.items() if value is not None},
            }
        )
    return made


def sites(seed: int = 4800, heights: tuple[int, ...] = HEIGHTS) -> pd.DataFrame:
    """Return the stations, colder the higher; the fuel grade of some is not known."""
    random = np.random.default_rng(seed)
    high = np.array(heights, dtype=float)
    cold = np.round(-2.0 - 0.0055 * high + random.uniform(-4.0, 4.0, len(high)))
    plugging = np.where(random.random(len(high)) < 0.25, np.nan, random.choice([-12.0, -20.0, -26.0, -38.0], len(high)))
    return pd.DataFrame({"site_id": [f"station_{one}" for one in heights], "altitude_m": high}).assign(
        design_temp_c=cold,
        mildest_use_temp_c=np.round(14.0 - 0.001 * high),
        nights_per_season=random.integers(40, 160, len(high)),
        hours_per_night=random.integers(7, 12, len(high)),
        cold_filter_plugging_c=plugging,
    )


def vehicles(seed: int = 300, size: int = 300, heights: tuple[int, ...] = HEIGHTS) -> pd.DataFrame:
    """Return the vehicles; some have a kit, some no known battery, some a battery of the wrong voltage."""
    random = np.random.default_rng(seed)
    kind = random.choice(list(TYPES), size, p=[0.3, 0.1, 0.15, 0.25, 0.1, 0.1])
    plate = np.array([TYPES[one][7] for one in kind], dtype=float)
    volts = np.where(random.random(size) < 0.05, 36.0 - plate, plate)
    kit_limit = np.array([TYPES[one][6] or np.nan for one in kind], dtype=float)
    fitted = random.choice(["none", "none", "none", "fuel", "blower", "automatic"], size)
    fitted = np.where(np.array([TYPES[one][6] == TYPES[one][5] for one in kind]), "none", fitted)
    return pd.DataFrame(
        {
            "vehicle_id": [f"lark-{number:03d}" for number in range(1, size + 1)],
            "group": random.choice(["north", "south", "mast"], size),
            "heater_id": kind,
            "site_id": [f"station_{one}" for one in random.choice(heights, size)],
            "cab_ua_w_per_k": np.round(random.uniform(25.0, 95.0, size)),
            "ventilation_m3_per_h": random.choice([0.0, 10.0, 20.0], size),
            "compensation": fitted,
            "compensation_limit_m": np.where(random.random(size) < 0.1, kit_limit, np.nan),
            "battery_ah": np.where(random.random(size) < 0.1, np.nan, random.choice([70.0, 95.0, 140.0, 180.0], size)),
            "battery_v": np.where(random.random(size) < 0.1, np.nan, volts),
            "blower_trim_max_pct": np.where(fitted == "blower", random.choice([15.0, 45.0, np.nan], size), np.nan),
        }
    )


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    vehicles().to_csv(folder / "vehicles.csv", index=False)
    sites().to_csv(folder / "sites.csv", index=False)
