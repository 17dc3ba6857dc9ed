"""A heater over the winters: does lambda at reference air change, when would it leave its band, when to look again."""

from __future__ import annotations

import datetime
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import NormalDist
from typing import Any

import numpy as np

from combust.application.history.drift_test import Looks, Verdicts, judge, look_at, rule, smallest_drifts
from combust.application.history.foretold import Ahead, Band, before_co, crossing_dates, look_ahead
from combust.application.history.history_result import HeaterHistory, LevelStep, Look
from combust.application.history.last_visit import JudgedVisit, last_findings
from combust.application.history.visit_points import (
    DAYS_PER_YEAR,
    Event,
    Point,
    Points,
    logs_of,
    points_of,
    series_of_points,
    tamed,
)
from combust.data.errors import CombustError, Fault
from combust.data.fields import fields_of, need_fields
from combust.data.moments import last_day_read
from combust.data.near import folded_id
from combust.data.units import chance_in_words
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, cautions, finding, in_order, limit
from combust.domain.safety import Safety
from combust.kernel.trend import Trend, with_slope_prior

LONG_GAP_YEARS = 1.5
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
    on: datetime.date | None = None,
    visits: Sequence[JudgedVisit] = (),
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
    on : date, optional
        Day of the question; default now. Readings dated after it, or after tomorrow, are left out and told; their
        stops count.
    visits : sequence of JudgedVisit, optional
        Visits that are judged as a whole, by more than their readings.

    Raises
    ------
    CombustError
        No usable reading, an unknown stage, an impossible noise.
    """
    day, until = _asked(on)
    seen = _last(rows, visits, heater, until)
    found = _counted(rows, heater, events, instrument, stage, visit_noise_pct, catalogue, until, seen)
    points, verdicts, step, trend = _fitted(found.points, known=visit_noise_pct is not None)
    day, series, band = max(day, points[-1].date), series_of_points(points), _band(heater, found.stage)
    scatter = trend.noise * float(np.median(series.noise))
    fitted = trend.variance_slope < rule("drift_cannot_be_told") ** 2
    careful = with_slope_prior(trend, rule("drift_prior_pct_per_year") / 100.0)
    ahead = look_ahead(points[-1].date, careful, scatter, band, day, found_drift=bool(verdicts.drifts[0]))
    cross = crossing_dates(points, careful, band) if fitted else (None, None, None)
    ahead = before_co(ahead, found.points, day)
    findings = in_order([*seen, *_foretold(math.exp(careful.level), band, ahead, day)])
    ahead = _judged(ahead, findings, day)
    if not fitted:  # a chance without a line would only be what is usual
        ahead = replace(ahead, rich=None, lean=None)
    smallest = [None if one is None else 100.0 * one for one in smallest_drifts(series, trend)]
    found_at = int(verdicts.found_at[0])
    return HeaterHistory(
        heater_id=heater.heater_id if heater and heater.heater_id else _name(rows),
        stage=found.stage,
        points=points,
        on=day,
        limit=band.low,
        highest=band.high,
        limit_origin=band.origin,
        air_ratio_now=ahead.air_ratio,
        air_ratio_now_u=ahead.air_ratio_u,
        air_ratio_last=math.exp(careful.level),
        air_ratio_last_u=math.exp(careful.level) * careful.variance_level**0.5,
        drift_pct_per_year=100.0 * math.expm1(trend.slope) if fitted else None,
        drift_u_pct_per_year=100.0 * trend.variance_slope**0.5 if fitted else None,
        forecast_drift_pct_per_year=100.0 * math.expm1(careful.slope) if fitted else None,
        scatter_pct=100.0 * scatter,
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
        risk=ahead.risk,
        risk_rich=ahead.rich,
        risk_lean=ahead.lean,
        next_visit=ahead.visit,
        why_then=ahead.why,
        left_out=(*found.told, *_gaps(found.points), *_wild(found.points)),
        cautions=tuple(cautions()),
        trend=careful,
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
    until: datetime.date,
    seen: tuple[Finding, ...],
) -> Points:
    """Return the visits that count, of arguments that can be; raise where there is none."""
    need_fields({"visit_noise_pct": noise_pct}, ARGUMENTS)
    if stage is not None and heater is not None:
        heater.stage_of(stage)
    analyser = instrument_class(instrument)
    found = points_of(
        rows, heater, events, analyser, until=until, stage=stage, visit_noise_pct=noise_pct, catalogue=catalogue
    )
    if not found.points:
        hint = "It takes readings with taken_at, O2, and a stage of the profile. " + " ".join(found.told)
        error = CombustError(Fault("history", None, "missing", why="holds no reading that counts", hint=hint.strip()))
        error.safety = Safety(seen)  # a stop is told even where nothing can be followed
        raise error
    return found


def _asked(on: datetime.date | None) -> tuple[datetime.date, datetime.date]:
    """Return the day of the question and the last day a reading may have, also where that day is still to come."""
    last = last_day_read()
    return on or datetime.date.today(), min(on or last, last)


def _last(
    rows: Sequence[Mapping[str, Any]], visits: Sequence[JudgedVisit], heater: Heater | None, until: datetime.date
) -> tuple[Finding, ...]:
    """Return the findings of the heater's own last visit, and of what came after it."""
    own = [row for row in rows if _is_of(row.get("heater_id"), heater, row)]
    return last_findings(own, [one for one in visits if _is_of(one.heater_id, heater)], heater, until)


def _is_of(name: str | None, heater: Heater | None, row: Mapping[str, Any] | None = None) -> bool:
    """Return whether a visit, or a row that may name no heater at all, is of this heater."""
    own = heater.heater_id if heater else None
    return own is None or folded_id(name) == folded_id(own) or (row is not None and "heater_id" not in row)


def _fitted(points: tuple[Point, ...], *, known: bool) -> tuple[tuple[Point, ...], Verdicts, LevelStep | None, Trend]:
    """Return the points, with a step set apart where it is clear, what they say, the step, and the line at the last."""
    verdicts = judge(series_of_points(points), logs_of(points)[None], known=known)
    step = _step(points, verdicts)
    points = _set_apart(points, step)
    looks = look_at(series_of_points(points), tamed(points)[None], known=known) if step else verdicts.looks
    return points, verdicts, step, Trend(*(float(np.ravel(part)[0]) for part in looks.trend.at(-1)))


def _judged(ahead: Ahead, findings: Sequence[Finding], day: datetime.date) -> Ahead:
    """Return what is foretold under the findings: no visit but before it runs again, or one now."""
    if any(one.severity == "stop" for one in findings):
        return replace(ahead, visit=None, why="before it runs again: a stop condition comes first")
    if ahead.risk is not None and any(one.code == "leaves_its_band" for one in findings):
        return replace(ahead, visit=day, why=f"chance of a reading outside the band is {chance_in_words(ahead.risk)}")
    return ahead


def _set_apart(points: tuple[Point, ...], step: LevelStep | None) -> tuple[Point, ...]:
    """Return the points with a line of their own after a step that is set apart."""
    if step is None or not step.set_apart:
        return points
    return tuple(replace(one, segment=2 * one.segment + (one.date >= step.after)) for one in points)


def _foretold(level: float, band: Band, ahead: Ahead, day: datetime.date) -> list[Finding]:
    """Return the findings of CO that climbs, of lambda below its lowest, and of a reading that will lie outside."""
    found = [] if ahead.climb is None else [ahead.climb.found]
    if band.low is not None and level < band.low:
        found.append(finding("air_ratio_below_minimum", air_ratio=level, u95=0.0, minimum=band.low))
    if ahead.risk is not None and ahead.risk >= limit("risk_high"):
        way = "rich" if (ahead.rich or 0.0) > (ahead.lean or 0.0) else "lean"
        found.append(finding("leaves_its_band", risk_pct=100.0 * ahead.risk, way=way, day=str(day)))
    return found


def _name(rows: Sequence[Mapping[str, Any]]) -> str | None:
    names = {str(row["heater_id"]) for row in rows if row.get("heater_id")}
    return names.pop() if len(names) == 1 else None


def _band(heater: Heater | None, stage: str | None) -> Band:
    """Return the band at reference air: that of the stage, or the lowest lambda of the heater alone."""
    if heater is None:
        return Band(None, None, "no profile")
    band = heater.stages[stage].air_ratio_band if stage and stage in heater.stages else None
    if band:
        return Band(*band, "the profile's band at reference air")
    if heater.limits.air_ratio_min is not None:
        return Band(heater.limits.air_ratio_min, None, "air_ratio_min of the profile; no lean end")
    return Band(None, None, "no band in the profile")


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
