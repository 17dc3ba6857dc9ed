"""Histories of heaters: the line through many winters against a plain polynomial fit, the whole answer, its growth."""

from __future__ import annotations

import math

import numpy as np

from combust.application.history.heater_history import heater_history
from combust.application.history.history_result import HeaterHistory
from combust.domain.catalogue import get_fuel
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.looks import critical_values
from combust.kernel.trend import Scatter, follow_trend, series_of
from tests.benchmarks.records import Effort, Record, apart

GROUP = "history"
DRIFT = 0.98
WINTERS = np.arange(12.0)
UNKNOWN = Scatter((0.0, 0.6), (1.0, 1.0), (0.7, 0.3), 3.0, 1.0)


def records(effort: Effort) -> list[Record]:
    """Return the fit of many histories, and one whole history of twelve visits."""
    count = effort.pick(200, 2_000)
    values = np.random.default_rng(4).normal(0.5, 0.03, (count, len(WINTERS))) - 0.02 * WINTERS
    ours = effort.timed(lambda: follow_trend(series_of(WINTERS, 0.03), values, UNKNOWN), 3)
    plain = follow_trend(series_of(WINTERS, 0.03), values).at(-1)
    peer = effort.timed(lambda: [np.polyfit(WINTERS, row, 1) for row in values], 3)
    lines = Record(
        GROUP,
        f"lines after each of 12 visits, scatter unknown, {count:,} histories",
        "µs each",
        1e6 * ours.best / count,
        "numpy polyfit, history by history",
        1e6 * peer.best / count,
        ours.spread_pct,
        difference=apart(plain.slope, [np.polyfit(WINTERS, row, 1)[0] for row in values]),
        allowed=1e-6,
        checked="slope of the plain line",
    )
    return [lines, _whole(effort), _growth(effort)]


def _rows(visits: int) -> list[dict[str, object]]:
    """A heater read in every month, 2 % richer a year: lambda 2.0 at first."""
    rows: list[dict[str, object]] = []
    for visit in range(visits):
        gas = flue_gas_moles(get_fuel("diesel_b7"), 2.0 * DRIFT ** (visit / 12.0))
        day = f"{2000 + visit // 12}-{visit % 12 + 1:02d}-05"
        row = {"heater_id": "heater-1", "taken_at": day, "fuel": "diesel_b7", "location": "outdoors"}
        seen = float(100.0 * gas.o2 / gas.dry)
        rows.append({**row, "altitude_m": 0.0, "intake_temp_c": 15.0, "o2_dry_pct": seen})
    return rows


def _growth(effort: Effort) -> Record:
    """250 dates of one heater against 12, no bound of a look remembered: what the looks of a long record cost."""
    dates = 36 if effort.least else 250
    few, many = _rows(12), _rows(dates)

    def anew(rows: list[dict[str, object]]) -> HeaterHistory:
        critical_values.cache_clear()
        return heater_history(rows)

    ours, peer = effort.timed(lambda: anew(many), 3), effort.timed(lambda: anew(few), 3)
    told = heater_history(many)
    return Record(
        GROUP,
        f"history of one heater, {dates} dates",
        "ms",
        1e3 * ours.best,
        "the same of 12 dates",
        1e3 * peer.best,
        ours.spread_pct,
        goal=100.0,
        goal_of="ratio",
        difference=apart(told.drift_pct_per_year, 100.0 * math.expm1(math.log(DRIFT))),
        allowed=1e-2,
        checked="drift a year",
    )


def _whole(effort: Effort) -> Record:
    """A heater read every November, 2 % richer a year: what is told against a line through its own lambdas."""
    rows = []
    for year in range(12):
        gas = flue_gas_moles(get_fuel("diesel_b7"), 2.0 * DRIFT**year)
        seen = float(100.0 * gas.o2 / gas.dry)
        row = {"heater_id": "heater-1", "taken_at": f"{2012 + year}-11-05", "fuel": "diesel_b7", "location": "outdoors"}
        rows.append({**row, "altitude_m": 0.0, "intake_temp_c": 15.0, "o2_dry_pct": seen})
    ours = effort.timed(lambda: heater_history(rows), 5)
    told = heater_history(rows)
    years = [point.years for point in told.points]
    lambdas = [math.log(2.0 * DRIFT**year) for year in range(12)]
    slope = np.polyfit(years, lambdas, 1)[0]
    peer = effort.timed(lambda: np.polyfit(years, lambdas, 1))
    return Record(
        GROUP,
        "history of one heater, 12 visits",
        "ms",
        1e3 * ours.best,
        "numpy polyfit of its twelve lambdas",
        1e3 * peer.best,
        ours.spread_pct,
        difference=apart(told.drift_pct_per_year, 100.0 * math.expm1(slope)),
        allowed=1e-3,
        checked="drift a year",
    )
