"""A heater over the winters: does lambda at reference air change, when would it leave its band, when to look again."""

from __future__ import annotations

import datetime
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any

import numpy as np

from combust.application.history.drift_test import Looks, Verdicts, judge, look_at, rule, smallest_drifts
from combust.application.history.history_result import HeaterHistory, LevelStep, Look
from combust.application.history.visit_points import (
    DAYS_PER_YEAR,
    Event,
    Point,
    Points,
    date_of,
    logs_of,
    points_of,
    series_of_points,
    tamed,
)
from combust.application.reading.result import safety_of
from combust.application.safety import height_at_least, own_limits
from combust.data.errors import CombustError, Fault
from combust.data.fields import fields_of, need_fields
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater, HeaterLimits
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, cautions, finding, in_order, limit
from combust.domain.safety import of_all
from combust.kernel.trend import Trend, crossing_time, standard_normal_tail, with_slope_prior

LONG_GAP_YEARS = 1.5
FARTHEST_YEARS = 50.0
_NOISE = "Give one standard deviation of lambda in per cent, for example 1.5."
ARGUMENTS = fields_of({"visit_noise_pct": {"unit": "%", "band": (0.01, 100.0), "hint": _NOISE}})


def heater_history(
    rows: Sequence[Mapping[str, Any]],
    heater: Heater | None = None,
    *,
    events: Sequence[Event] = (),
    instrument: InstrumentClass | str | None = None,
    stage: str | None = None,
    visit_noise_pct: float | None = None,
    today: datetime.date | None = None,
    catalogue: Catalogue | None = None,
) -> HeaterHistory:
    """Return whether one heater's lambda drifts or stepped, when it would leave its band, when a visit is worth making.

    Lambda of every reading is brought to reference air and the heater's own fuel by the full site model; a line is
    fitted to its logarithm. The scatter of a visit comes from the visits and from what is usual, and visits near in
    time may hang together. A drift is looked for both ways at every visit from the third on; the bounds of all looks
    together keep false alarms over the whole history under 5 % (:mod:`combust.application.history.drift_test`). A step
    in level that fits better than a drift is told apart from it.

    Parameters
    ----------
    rows : sequence of mapping
        Readings of one heater by vocabulary key; ``taken_at`` is needed.
    heater : Heater, optional
        Gives the band of the stage, and refuses rows of another heater.
    events : sequence of Event
        repair (a step in level), rezero (of the analyser), swap (of the heater: the history starts again).
    instrument : InstrumentClass or str, optional
    stage : str, optional
        Default the stage with most readings.
    visit_noise_pct : float, optional
        Relative standard deviation of one visit [%], believed as it stands; default estimated.
    today : date, optional
        Day of the question; default the day it is.

    Raises
    ------
    CombustError
        No usable reading, an unknown stage, an impossible noise.
    """
    found = _counted(rows, heater, events, instrument, stage, visit_noise_pct, catalogue)
    known = visit_noise_pct is not None
    verdicts = judge(series_of_points(found.points), logs_of(found.points)[None], known=known)
    step = _step(found.points, verdicts)
    points = _set_apart(found.points, step)
    visits = series_of_points(points)
    looks = look_at(visits, tamed(points)[None], known=known) if step else verdicts.looks
    trend = Trend(*(float(np.ravel(part)[0]) for part in looks.trend.at(-1)))
    today = today or datetime.date.today()
    low, high, origin = _band(heater, found.stage)
    fitted = trend.variance_slope < rule("drift_cannot_be_told") ** 2
    careful = with_slope_prior(trend, rule("drift_prior_pct_per_year") / 100.0)
    now = trend if fitted else careful
    level = math.exp(now.level)
    ahead = _ahead(points[-1].date, careful, low, high, today, found_drift=bool(verdicts.drifts[0]))
    if not fitted:  # a chance without a line would only be what is usual
        ahead = replace(ahead, risk=None)
    cross = _crossing(points, trend, low, high) if fitted else (None, None, None)
    findings = _judged(rows, heater, points[-1].date, level, low, ahead.risk)
    if any(one.severity == "stop" for one in findings):
        ahead = replace(ahead, visit=None, why="before it runs again: a stop condition comes first")
    smallest = [None if one is None else 100.0 * one for one in smallest_drifts(visits, trend)]
    found_at = int(verdicts.found_at[0])
    return HeaterHistory(
        heater_id=heater.heater_id if heater and heater.heater_id else _name(rows),
        stage=found.stage,
        points=points,
        today=today,
        limit=low,
        highest=high,
        limit_origin=origin,
        air_ratio_now=level,
        air_ratio_now_u=level * now.variance_level**0.5,
        drift_pct_per_year=100.0 * math.expm1(trend.slope) if fitted else None,
        drift_u_pct_per_year=100.0 * trend.variance_slope**0.5 if fitted else None,
        scatter_pct=100.0 * trend.noise * float(np.median(visits.noise)),
        looks=_looks(points, verdicts.looks),
        change=_change(step, found_drift=found_at >= 0),
        drifts=found_at >= 0,
        found_on=points[found_at].date if found_at >= 0 else None,
        step=step,
        smallest_drift_pct_per_year=smallest[0],
        smallest_drift_coming=tuple(smallest[1:]),
        crossing=cross[0],
        crossing_earliest=cross[1],
        crossing_latest=cross[2],
        risk_next_winter=ahead.risk,
        risk_on=ahead.risk_on,
        next_visit=ahead.visit,
        why_then=ahead.why,
        left_out=(*found.told, *_gaps(found.points), *_wild(found.points)),
        cautions=tuple(cautions()),
        trend=now,
        findings=findings,
    )


def _counted(
    rows: Sequence[Mapping[str, Any]],
    heater: Heater | None,
    events: Sequence[Event],
    instrument: InstrumentClass | str | None,
    stage: str | None,
    noise_pct: float | None,
    catalogue: Catalogue | None,
) -> Points:
    """Return the visits that count, of arguments that can be; raise where there is none."""
    need_fields({"visit_noise_pct": noise_pct}, ARGUMENTS)
    if stage is not None and heater is not None:
        heater.stage_of(stage)
    analyser = instrument_class(instrument)
    found = points_of(rows, heater, events, analyser, stage=stage, visit_noise_pct=noise_pct, catalogue=catalogue)
    if not found.points:
        hint = "It takes readings with taken_at, O2, and a stage of the profile. " + " ".join(found.told)
        raise CombustError(Fault("history", None, "missing", why="holds no reading that counts", hint=hint.strip()))
    return found


def _set_apart(points: tuple[Point, ...], step: LevelStep | None) -> tuple[Point, ...]:
    """Return the points with a line of their own after a step that is set apart."""
    if step is None or not step.set_apart:
        return points
    return tuple(replace(one, segment=2 * one.segment + (one.date >= step.after)) for one in points)


def _judged(
    rows: Sequence[Mapping[str, Any]],
    heater: Heater | None,
    last: datetime.date,
    level: float | None,
    lowest: float | None,
    risk: float | None,
) -> tuple[Finding, ...]:
    """Return what speaks against running the heater: stops of its last visit, lambda at or soon below its lowest.

    The last visit is judged as its readings are by themselves, with its place and the height limit of the profile.
    """
    last = max([last, *(date for row in rows if (date := date_of(row.get("taken_at"))))])
    newest = [row for row in rows if date_of(row.get("taken_at")) == last]
    found = list(of_all(safety_of(row) for row in newest).findings)
    limits = HeaterLimits() if heater is None else heater.limits
    places = [[row.get(key) for key in ("altitude_m", "pressure_hpa")] for row in newest]
    heights = [height_at_least(*(math.nan if one is None else float(one) for one in place)) for place in places]
    height, highest = float(np.fmax.reduce([float(one) for one in heights], initial=-math.inf)), limits.altitude_m
    if highest is not None and own_limits(height_m=height, height_limit_m=highest)["above_heater_limit"]:
        source = limits.source or "source not stated"
        found.append(finding("above_heater_limit", altitude_m=height, limit_m=highest, source=source))
    if level is not None and lowest is not None and level < lowest:
        found.append(finding("air_ratio_below_minimum", air_ratio=level, u95=0.0, minimum=lowest))
    if risk is not None and risk >= limit("risk_high"):
        found.append(finding("leaves_its_band", risk_pct=100.0 * risk))
    return in_order(found)


def _name(rows: Sequence[Mapping[str, Any]]) -> str | None:
    names = {str(row["heater_id"]) for row in rows if row.get("heater_id")}
    return names.pop() if len(names) == 1 else None


def _band(heater: Heater | None, stage: str | None) -> tuple[float | None, float | None, str]:
    """Return the rich and the lean end of the band at reference air, and where they stand."""
    if heater is None:
        return None, None, "no profile"
    band = heater.stages[stage].air_ratio_band if stage and stage in heater.stages else None
    if band:
        return *band, "low end of the profile's band at reference air"
    if heater.limits.air_ratio_min is not None:
        return heater.limits.air_ratio_min, None, "air_ratio_min of the profile"
    return None, None, "no band in the profile"


def _looks(points: Sequence[Point], looks: Looks) -> tuple[Look, ...]:
    """Return the looks at one heater's record, with the chance of each slope told as a standard normal number."""
    found = []
    for visit, bound, tail in zip(looks.visit, looks.bound, looks.trend.tail[looks.visit, 0], strict=True):
        size = -NormalDist().inv_cdf(min(max(float(tail), 1e-15), 0.5))
        number = len({point.date for point in points[: visit + 1]})
        found.append(Look(points[visit].date, number, math.copysign(size, looks.trend.slope[visit, 0]), float(bound)))
    return tuple(found)


def _step(points: Sequence[Point], verdicts: Verdicts) -> LevelStep | None:
    if not verdicts.asked[0]:
        return None
    step, place = verdicts.step, int(verdicts.step.index[0])
    chances = float(step.chance[0]), float(step.drift[0])
    size = 100.0 * math.expm1(float(step.size[0]))
    before, after = points[place - 1], points[place]
    return LevelStep(before.date, after.date, size, *chances, before.group != after.group, bool(verdicts.clear[0]))


def _change(step: LevelStep | None, *, found_drift: bool) -> str | None:
    """Return whether a step or a drift fits better, of what was found."""
    if step and (not found_drift or step.chance > step.drift_chance):
        return "step"
    return "drift" if found_drift else None


def _crossing(
    points: Sequence[Point], trend: Trend, low: float | None, high: float | None
) -> tuple[datetime.date | None, datetime.date | None, datetime.date | None]:
    """Return when the line leaves the band at the end it moves to, and the interval; not before its first visit."""
    limit = low if trend.slope < 0.0 else high
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


@dataclass(frozen=True, slots=True)
class _Ahead:
    """Chance to be below the limit, the day it is told for, the visit worth making and why then."""

    risk: float | None
    risk_on: datetime.date
    visit: datetime.date | None
    why: str


def _ahead(
    last: datetime.date, trend: Trend, low: float | None, high: float | None, today: datetime.date, *, found_drift: bool
) -> _Ahead:
    """Return what is foretold of a heater from the line that knows how fast heaters may drift."""
    days = round(rule("longest_interval_years") * DAYS_PER_YEAR)
    yearly = last + datetime.timedelta(days=days)
    risk_on = max(yearly, today)
    if low is None:
        return _Ahead(None, risk_on, risk_on, "before the next winter; without a band no risk can be told")
    ahead = np.arange(0, (risk_on - last).days + 1) / DAYS_PER_YEAR
    below = _beyond(trend, math.log(low), ahead)
    outside = below if high is None else below + 1.0 - _beyond(trend, math.log(high), ahead)
    worth = rule("risk_worth_a_visit")
    soon = np.flatnonzero(outside[: days + 1] >= worth)
    visit = last + datetime.timedelta(days=int(soon[0])) if len(soon) else yearly
    why = f"chance to have left its band reaches {worth:.0%}" if len(soon) else "before the next winter"
    return _Ahead(float(below[-1]), risk_on, max(visit, today), "a drift was found" if found_drift else why)


def _beyond(trend: Trend, limit: float, years: Any) -> Any:
    """Return the chance that the line is below the limit, years after its reference."""
    mean = trend.level + trend.slope * years
    u = np.sqrt(trend.variance_level + 2.0 * years * trend.covariance + years**2 * trend.variance_slope)
    return standard_normal_tail((mean - limit) / u)


def _gaps(points: Sequence[Point]) -> list[str]:
    dates = sorted({point.date for point in points})
    pairs = itertools.pairwise(dates)
    return [f"No visit between {a} and {b}." for a, b in pairs if (b - a).days > LONG_GAP_YEARS * DAYS_PER_YEAR]


def _wild(points: Sequence[Point]) -> list[str]:
    """Return what is told of visits far off their neighbours."""
    counted = np.exp(tamed(points))
    return [
        f"The visit of {point.date} (lambda {point.air_ratio:.2f}) lies off its neighbours and counts as {as_if:.2f}."
        for point, as_if in zip(points, counted, strict=True)
        if abs(as_if / point.air_ratio - 1.0) > 1e-9
    ]
