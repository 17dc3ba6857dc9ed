"""What is foretold from the line of a heater: lambda and risk on the day that is asked about, the next visit."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any

import numpy as np

from combust.application.history.climbing import Climb, climb_of
from combust.application.history.drift_test import rule
from combust.application.history.visit_points import DAYS_PER_YEAR, FARTHEST_YEARS, Point
from combust.data.told import Told
from combust.domain.limits import limit
from combust.kernel.crossing import crossing_time
from combust.kernel.tails import standard_normal_tail
from combust.kernel.trend import Trend


@dataclass(frozen=True, slots=True)
class Band(Told):
    """Lowest and highest lambda at reference air [-], None = not known, and where they stand."""

    low: float | None
    high: float | None
    origin: str


@dataclass(frozen=True, slots=True)
class Ahead(Told):
    """Lambda on the day of the question with its standard uncertainty [-], and what is foretold.

    ``rich`` and ``lean`` are the chances [0 to 1] that one reading on that day lies below or above the band, None
    where there is no band; ``visit`` is the day a visit is worth making, ``why`` the reason; ``climb`` how CO climbs.
    """

    air_ratio: float
    air_ratio_u: float
    rich: float | None
    lean: float | None
    visit: datetime.date | None
    why: str
    climb: Climb | None = None

    @property
    def risk(self) -> float | None:
        """Chance that one reading on that day lies outside the band."""
        return None if self.rich is None else self.rich + (self.lean or 0.0)


def look_ahead(
    last: datetime.date, trend: Trend, scatter: float, band: Band, day: datetime.date, *, found_drift: bool
) -> Ahead:
    """Return what is foretold for a day from the line that knows how fast heaters may drift.

    Parameters
    ----------
    last : date
        The last visit, where the line has its level.
    trend : Trend
    scatter : float
        Relative standard deviation of one reading about the line [-].
    day : date
        Day of the question; no visit is proposed before it.
    """
    days = round(rule("longest_interval_years") * DAYS_PER_YEAR)
    here = (day - last).days
    level, u = _line(trend, np.arange(max(days, here) + 1) / DAYS_PER_YEAR)
    ratio = math.exp(level[here])
    now = (ratio, ratio * float(u[here]))
    yearly = last + datetime.timedelta(days=days)
    if band.low is None:
        return Ahead(*now, None, None, max(yearly, day), "before the next winter; without a band no risk can be told")
    read_u = np.hypot(u, scatter)
    rich = standard_normal_tail((level - math.log(band.low)) / read_u)
    lean = None if band.high is None else standard_normal_tail((math.log(band.high) - level) / read_u)
    worth, outside = rule("risk_worth_a_visit"), rich if lean is None else rich + lean
    soon = np.flatnonzero(outside[: days + 1] >= worth)
    visit = last + datetime.timedelta(days=int(soon[0])) if len(soon) else yearly
    why = f"chance of a reading outside the band reaches {worth:.0%}" if len(soon) else "before the next winter"
    if found_drift and not len(soon):
        why = f"due a year after the last visit; until then the chance of a reading outside is under {worth:.0%}"
    chances = float(rich[here]), None if lean is None else float(lean[here])
    return Ahead(*now, *chances, max(visit, day), f"a drift was found; {why}" if found_drift else why)


def _line(trend: Trend, years: Any) -> tuple[Any, Any]:
    """Return the line and its standard uncertainty, years after its reference."""
    variance = trend.variance_level + 2.0 * years * trend.covariance + years**2 * trend.variance_slope
    return trend.level + trend.slope * years, np.sqrt(variance)


def before_co(ahead: Ahead, points: Sequence[Point], day: datetime.date) -> Ahead:
    """Return what is foretold with a visit before CO that climbs comes to its watch-point; on the day where it is."""
    climb, last = climb_of(points), points[-1].co_air_free_ppm
    if last is not None and last > limit("exhaust_co_warn"):
        return replace(ahead, climb=climb, visit=day, why=f"CO was {last:.0f} ppm air-free at the last visit")
    when = None if climb is None else climb.reaches
    if when is None or (ahead.visit is not None and when >= ahead.visit):
        return replace(ahead, climb=climb)
    why = "CO climbs and would come to its watch-point then"
    return replace(ahead, climb=climb, visit=max(when, day), why=why)


Dates = tuple[datetime.date | None, datetime.date | None, datetime.date | None]


def crossing_dates(points: Sequence[Point], trend: Trend, band: Band) -> Dates:
    """Return when the line leaves the band at the end it moves to, and the interval; not before its first visit."""
    limit = band.low if trend.slope < 0.0 else band.high
    if limit is None:
        return None, None, None
    quantile = NormalDist().inv_cdf(0.5 + rule("crossing_level") / 2.0)
    cross = crossing_time(trend, math.log(limit), quantile)
    last = points[-1]
    first = next(point.date for point in points if point.segment == last.segment)
    best, early, late = (_day(last.date, float(time)) for time in (cross.time, cross.earliest, cross.latest))
    return (
        best if best and best >= first else None,
        max(early, first) if early else None,
        max(late, first) if late else None,
    )


def _day(last: datetime.date, years: float) -> datetime.date | None:
    if not math.isfinite(years) or abs(years) > FARTHEST_YEARS:
        return None
    return last + datetime.timedelta(days=round(years * DAYS_PER_YEAR))
