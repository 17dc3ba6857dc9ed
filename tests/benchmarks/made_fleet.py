"""An invented fleet of any size: vehicles, sites, route points; light to import, since processes of their own need it.

``python -m tests.benchmarks.made_fleet FOLDER VEHICLES POINTS``
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

VEHICLES_AT_A_SITE, SITES_OF_A_GROUP = 250, 10
PROFILES = ("small", "small_high", "large", "large_high", "clinic_gasoline")
KIT_LIMITS = np.array([2400.0, 3450.0, np.nan, 3650.0, 1600.0])
FITTED = ("none", "automatic", "fuel", "blower")
POINTS_AT_ONCE = 1_000_000


def write_fleet(folder: Path, vehicles: int, points: int, seed: int = 3) -> None:
    """Write vehicles.csv, sites.csv and routes.parquet; the sites grow with the vehicles, a route leads to each."""
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(seed)
    sites = max(VEHICLES_AT_A_SITE // 25, -(-vehicles // VEHICLES_AT_A_SITE))
    height = np.round(150.0 + 4150.0 * random.beta(1.2, 2.0, sites))
    _write_sites(folder / "sites.csv", height, random)
    _write_vehicles(folder / "vehicles.csv", vehicles, sites, random)
    _write_points(folder / "routes.parquet", points, height, random)


def _names(word: str, numbers: np.ndarray) -> np.ndarray:
    return np.char.add(word, np.char.zfill(numbers.astype(str), 6))


def _write_sites(path: Path, height: np.ndarray, random: np.random.Generator) -> None:
    size = len(height)
    cold = np.round(-4.0 - 0.0055 * height + random.normal(0.0, 3.0, size))
    mild = cold + random.integers(14, 30, size)
    nights = [
        ";".join(map(str, np.round(np.linspace(low, high, 13)).astype(int)))
        for low, high in zip(cold, mild, strict=True)
    ]
    table = {
        "site_id": _names("site-", np.arange(size)),
        "altitude_m": height,
        "design_temp_c": cold,
        "mildest_use_temp_c": mild,
        "nights_per_season": random.integers(40, 140, size),
        "hours_per_night": random.integers(8, 13, size),
        "cold_filter_plugging_c": random.choice([-15.0, -20.0, -26.0, -32.0], size),
        "night_temps_c": np.where(np.arange(size) % 2 == 0, nights, ""),
    }
    pa_csv.write_csv(pa.table(table), path)


def _write_vehicles(path: Path, count: int, sites: int, random: np.random.Generator) -> None:
    site, kind = random.integers(0, sites, count), random.integers(0, len(PROFILES), count)
    fitted = random.choice(4, count, p=[0.85, 0.08, 0.04, 0.03])
    limit = np.where(fitted == 0, np.nan, KIT_LIMITS[kind])
    table = {
        "vehicle_id": _names("car-", np.arange(count)),
        "group": _names("group-", site // SITES_OF_A_GROUP),
        "heater_id": np.array(PROFILES)[kind],
        "site_id": _names("site-", site),
        "route_id": _names("route-", site),
        "cab_ua_w_per_k": random.integers(38, 92, count),
        "ventilation_m3_per_h": random.choice([15.0, 20.0, 25.0], count),
        "compensation": np.array(FITTED)[fitted],
        "compensation_limit_m": pa.array(limit, from_pandas=True),
        "battery_ah": random.choice([70.0, 95.0, 110.0, 140.0, 180.0], count),
        "battery_v": np.full(count, 12.0),
    }
    pa_csv.write_csv(pa.table(table), path)


def _write_points(path: Path, count: int, height: np.ndarray, random: np.random.Generator) -> None:
    schema = pa.schema(
        [("route_id", pa.string()), ("altitude_m", pa.float64()), ("minutes", pa.float64()), ("temp_c", pa.float64())]
    )
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for start in range(0, count, POINTS_AT_ONCE):
            number = np.arange(start, min(start + POINTS_AT_ONCE, count))
            route = number * len(height) // count
            climb = height[route] * (0.6 + 0.4 * np.sin(number * 0.01))
            above = np.round(np.clip(climb + random.normal(0.0, 30.0, len(number)), 0.0, 5000.0), 1)
            temp = np.where(
                route % 2 == 0, np.round(4.0 - 0.0065 * above + random.normal(0.0, 3.0, len(number)), 1), np.nan
            )
            columns = [
                _names("route-", route),
                above,
                np.round(random.uniform(0.05, 0.2, len(number)), 2),
                pa.array(temp, from_pandas=True),
            ]
            writer.write_table(pa.table(columns, schema=schema))


if __name__ == "__main__":
    write_fleet(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
