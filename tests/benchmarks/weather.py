"""Hourly series of a fleet's sites: read and counted, against pandas reading the same files and counting one margin."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from combust.application.fleet.weather import Weather
from combust.edge.tables.fleet import plan_fleet
from combust.kernel.air import pressure_from_altitude
from tests.application.fleet import worked
from tests.benchmarks.records import Effort, Record, apart

GROUP = "weather"
GOAL_S = 20.0
SITES = 12
PLUGGING_C = -20.0


def write_series(folder: Path, height_m: float, years: int, seed: int) -> Path:
    """Write made-up hours of some years: waves of the year and the day, noise, the pressure of the height."""
    at = pd.date_range("1991-01-01", periods=years * 8766, freq="h")
    chance = np.random.default_rng(seed)
    spells = np.repeat(chance.normal(0.0, 4.0, len(at) // 48 + 1), 48)[: len(at)]
    year, day = (np.cos(2.0 * np.pi * np.arange(len(at)) / hours) for hours in (8766.0, 24.0))
    frame = pd.DataFrame(
        {
            "taken_at": at.strftime("%Y-%m-%dT%H:%M"),
            "temp_c": np.round(5.0 - 0.0065 * height_m - 11.0 * year - 3.0 * day + spells, 1),
            "humidity_pct": chance.integers(30, 100, len(at)),
            "pressure_hpa": np.round(float(pressure_from_altitude(height_m)) + chance.normal(0.0, 6.0, len(at)), 1),
        }
    )
    path = folder / f"W{seed}.csv"
    frame.to_csv(path, index=False)
    return path


def fleet(sites: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return (vehicles, sites): four vehicles of four cabs at each site, 200 m to 4100 m high."""
    heights = np.linspace(200.0, 4100.0, sites)
    fixed = {"mildest_use_temp_c": 15, "nights_per_season": 120, "hours_per_night": 10}
    places = pd.DataFrame({"site_id": [f"W{number}" for number in range(sites)], "altitude_m": heights, **fixed})
    places = places.assign(design_temp_c=-18, cold_filter_plugging_c=PLUGGING_C)
    cars = pd.DataFrame({"site_id": np.repeat(places["site_id"], 4), "cab_ua_w_per_k": [40, 50, 60, 70] * sites})
    cars = cars.assign(vehicle_id=[f"V{number}" for number in range(len(cars))], heater_id="h")
    return cars.assign(battery_ah=100, battery_v=12), places


def plain_nights(path: Path) -> float:
    """Return the hours a season below the plugging point, counted in pandas: months weighed by their nights seen."""
    frame = pd.read_csv(path, parse_dates=["taken_at"])
    at = frame["taken_at"]
    evening = (at - pd.Timedelta(hours=8, minutes=1)).dt.normalize()
    night = frame.assign(evening=evening, month=evening.dt.month)[at.dt.hour.isin([23, *range(9)])]
    days = {10: 31, 11: 30, 12: 31, 1: 31, 2: 28, 3: 31, 4: 30}
    by_month = night.groupby("month")
    below = by_month["temp_c"].apply(lambda temp: float((temp < PLUGGING_C).sum())) / by_month.size() * 10.0
    return float(sum(below[month] * size for month, size in days.items()))


def records(effort: Effort) -> list[Record]:
    """Return the plan with its series, less the plan alone, against pandas reading the files."""
    years, rounds = effort.pick(1, 30), effort.pick(1, 2)
    vehicles, sites = fleet(SITES)
    heater = worked.heater(None, limits={"altitude_m": 4500})
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        heights = sites["altitude_m"].tolist()
        paths = [write_series(folder, height, years, number) for number, height in enumerate(heights)]
        found: list[Weather] = []

        def plan(series: Path | None) -> None:
            how = {"with_sensitivity": False, "with_assignment": False}
            found.append(plan_fleet(vehicles, sites, heaters={"h": heater}, weather=series, **how).weather)

        alone = effort.timed(lambda: plan(None), rounds)
        ours = effort.timed(lambda: plan(folder), rounds)
        plain: list[float] = []
        peer = effort.timed(lambda: plain.extend(map(plain_nights, paths)), rounds)
    told = found[-1].vehicles.groupby("site_id")["hours_fuel"].first()
    rows = f"{SITES} sites x {years} years of hours"
    return [
        Record(
            GROUP,
            f"{rows}, CSV: read, checked, five margins",
            "s",
            ours.best - alone.best,
            "pandas: read the files, count one margin",
            peer.best,
            ours.spread_pct,
            goal=GOAL_S,
            difference=apart([told[f"W{number}"] for number in range(SITES)], plain[:SITES]),
            allowed=1e-9,
            checked="hours below the plugging point",
        )
    ]
