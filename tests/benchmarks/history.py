"""Histories of heaters: the line through many winters against a plain polynomial fit, and the whole answer."""

from __future__ import annotations

import math

import numpy as np

from combust.application.history.heater_history import heater_history
from combust.domain.catalogue import get_fuel
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.trend import fit_trend
from tests.benchmarks.records import Effort, Record, apart, timed

GROUP = "history"
WINTERS = np.arange(12.0)


def records(effort: Effort) -> list[Record]:
    """Return the fit of many histories, and one whole history of twelve visits."""
    count = effort.pick(200, 2_000)
    values = np.random.default_rng(4).normal(0.5, 0.03, (count, len(WINTERS))) - 0.02 * WINTERS
    ours = timed(lambda: fit_trend(WINTERS, values, 0.03), 3)
    plain = fit_trend(WINTERS, values, 0.03, huber_k=1e9)
    peer = timed(lambda: [np.polyfit(WINTERS, row, 1) for row in values], 3)
    lines = Record(
        GROUP,
        f"robust line of 12 visits, {count:,} histories",
        "µs each",
        1e6 * ours.best / count,
        "numpy polyfit, history by history",
        1e6 * peer.best / count,
        ours.spread_pct,
        difference=apart(plain.slope, [np.polyfit(WINTERS, row, 1)[0] for row in values]),
        allowed=1e-9,
        checked="slope of the plain line",
    )
    return [lines, _whole()]


def _whole() -> Record:
    """A heater read every November, 2 % richer a year: what is told against a line through its own lambdas."""
    drift = 0.98
    rows = []
    for year in range(12):
        gas = flue_gas_moles(get_fuel("diesel_b7"), 2.0 * drift**year)
        seen = float(100.0 * gas.o2 / gas.dry)
        row = {"heater_id": "heater-1", "taken_at": f"{2012 + year}-11-05", "fuel": "diesel_b7", "location": "outdoors"}
        rows.append({**row, "altitude_m": 0.0, "intake_temp_c": 15.0, "o2_dry_pct": seen})
    ours = timed(lambda: heater_history(rows), 5)
    told = heater_history(rows)
    years = [point.years for point in told.points]
    lambdas = [math.log(2.0 * drift**year) for year in range(12)]
    slope = np.polyfit(years, lambdas, 1)[0]
    peer = timed(lambda: np.polyfit(years, lambdas, 1))
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
