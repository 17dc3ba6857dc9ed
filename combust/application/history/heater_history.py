"""A heater over the winters: does lambda at reference air drift, when would it leave its band, when to look again."""

from __future__ import annotations

import datetime
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from combust.application.history.visit_points import DAYS_PER_YEAR, Event, Point, date_of, points_of, rule
from combust.application.reading.result import safety_of
from combust.application.safety import height_at_least, own_limits
from combust.data.errors import CombustError, Fault
from combust.data.fields import fields_of, need_fields
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater, HeaterLimits
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, cautions, finding, in_order, limit
from combust.domain.result import Result, Rows, shown
from combust.domain.safety import of_all
from combust.kernel.trend import Trend, critical_values, crossing_time, fit_trend, standard_normal_tail

FEWEST = 3
LONG_GAP_YEARS = 1.5
FARTHEST_YEARS = 50.0
_NOISE = "Give one standard deviation of lambda in per cent, for example 1.5."
ARGUMENTS = fields_of({"visit_noise_pct": {"unit": "%", "band": (0.01, 100.0), "hint": _NOISE}})


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the record, made at a visit: slope over its uncertainty, the bound that holds at this look."""

    date: datetime.date
    visits: int
    z: float
    bound: float

    @property
    def drifts(self) -> bool:
        """Whether this look finds a drift."""
        return self.z >= self.bound


@dataclass(frozen=True)
class HeaterHistory(Result):
    """What the record of one heater says. None = cannot be told.

    Attributes
    ----------
    points : tuple of Point
        One a visit and phase, lambda at reference air (1013.25 hPa, 15 °C, dry).
    air_ratio_now, air_ratio_now_u : float or None
        The line at the last visit [-], k = 1.
    drift_pct_per_year, drift_u_pct_per_year : float or None
        Negative = richer every year.
    drifts : bool
        Whether a look found a drift towards rich; ``found_on`` says when.
    crossing, crossing_earliest, crossing_latest : date or None
        When the line leaves the band at its rich end, with a 90 % interval; a None end is open.
    risk_next_winter : float or None
        Chance that lambda is below its limit a year after the last visit [0 to 1].
    next_visit : date or None
        When a visit is worth making.
    """

    heater_id: str | None
    stage: str | None
    points: tuple[Point, ...]
    limit: float | None
    limit_origin: str
    air_ratio_now: float | None
    air_ratio_now_u: float | None
    drift_pct_per_year: float | None
    drift_u_pct_per_year: float | None
    looks: tuple[Look, ...]
    drifts: bool
    found_on: datetime.date | None
    crossing: datetime.date | None
    crossing_earliest: datetime.date | None
    crossing_latest: datetime.date | None
    risk_next_winter: float | None
    next_visit: datetime.date | None
    why_then: str
    left_out: tuple[str, ...]
    cautions: tuple[str, ...]
    trend: Trend | None = None
    findings: tuple[Finding, ...] = ()
    unshown = ("trend",)
    calculated = True

    def lines(self) -> Rows:
        """Return (label, text) lines; what cannot be told says so."""
        now = shown(self.air_ratio_now, ".2f", u=self.air_ratio_now_u)
        drift = shown(self.drift_pct_per_year, "+.1f", "% a year", u=self.drift_u_pct_per_year)
        verdict = f"DRIFTS towards rich, found on {self.found_on}" if self.drifts else "no drift found so far"
        limit = "none: the profile has no band" if self.limit is None else f"{self.limit:.2f} ({self.limit_origin})"
        rows = [
            ("heater", f"{self.heater_id or 'not named'}, stage {self.stage or 'not stated'}"),
            ("visits", f"{len({point.date for point in self.points})}"),
            ("lambda at reference air, now", now),
            ("drift", drift),
            ("decision", verdict),
            ("lowest lambda", limit),
            ("leaves its band", self._crossing_text()),
        ]
        if self.limit is not None:
            share = None if self.risk_next_winter is None else 100.0 * self.risk_next_winter
            rows.append(("chance to be below next winter", shown(share, ".0f", "%")))
        rows.append(("next visit", f"{self.next_visit} ({self.why_then})" if self.next_visit else self.why_then))
        return rows

    def _crossing_text(self) -> str:
        if self.crossing_earliest is None and self.crossing_latest is None:
            return "no date can be told from these visits"
        best = f"about {self.crossing}, " if self.crossing else ""
        early, late = self.crossing_earliest, self.crossing_latest
        return f"{best}90 % interval {early or 'open'} to {late or 'open (it may never)'}"


def heater_history(
    rows: Sequence[Mapping[str, Any]],
    heater: Heater | None = None,
    *,
    events: Sequence[Event] = (),
    instrument: InstrumentClass | str | None = None,
    stage: str | None = None,
    visit_noise_pct: float | None = None,
    catalogue: Catalogue | None = None,
) -> HeaterHistory:
    """Return whether one heater's lambda drifts, when it would leave its band, and when a visit is worth making.

    Lambda of every reading is brought to reference air; a robust line is fitted to its logarithm with the known noise
    of a visit. Drift means towards rich (one-sided). Every visit from the third on is a look, and the bounds of all
    looks together keep false alarms over the whole history at 4.5 %.

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
        Relative standard deviation of one visit [%].

    Raises
    ------
    CombustError
        No usable reading, an unknown stage, an impossible noise.
    """
    need_fields({"visit_noise_pct": visit_noise_pct}, ARGUMENTS)
    if stage is not None and heater is not None:
        heater.stage_of(stage)
    analyser = instrument_class(instrument)
    found = points_of(rows, heater, events, analyser, stage=stage, visit_noise_pct=visit_noise_pct, catalogue=catalogue)
    if not found.points:
        hint = "It takes readings with taken_at, O2, and a stage of the profile. " + " ".join(found.told)
        raise CombustError(Fault("history", None, "missing", why="holds no reading that counts", hint=hint.strip()))
    told = [*found.told, *_gaps(found.points)]
    lowest, origin = _limit(heater, found.stage)
    trend = fit_points(found.points, found.points[-1].years)
    looks = _looks(found.points)
    told += _outliers(found.points, trend)
    hit = next((look for look in looks if look.drifts), None)
    identity = heater.heater_id if heater and heater.heater_id else _name(rows)
    visit: datetime.date | None
    risk, visit, why = _ahead(found.points, lowest, hit is not None)
    fitted = bool(np.isfinite(trend.slope))
    cross = _crossing(found.points, trend, lowest) if fitted else (None, None, None)
    level = math.exp(float(trend.level)) if fitted else None
    risk = risk if fitted else None  # no lambda now, no chance either
    findings = _judged(rows, heater, found.points[-1].date, level, lowest, risk)
    if any(one.severity == "stop" for one in findings):
        visit, why = None, "before it runs again: a stop condition comes first"
    return HeaterHistory(
        heater_id=identity,
        stage=found.stage,
        points=found.points,
        limit=lowest,
        limit_origin=origin,
        air_ratio_now=level,
        air_ratio_now_u=level * float(trend.variance_level) ** 0.5 if level is not None else None,
        drift_pct_per_year=100.0 * math.expm1(float(trend.slope)) if fitted else None,
        drift_u_pct_per_year=100.0 * float(trend.variance_slope) ** 0.5 if fitted else None,
        looks=looks,
        drifts=hit is not None,
        found_on=hit.date if hit else None,
        crossing=cross[0],
        crossing_earliest=cross[1],
        crossing_latest=cross[2],
        risk_next_winter=risk,
        next_visit=visit,
        why_then=why,
        left_out=tuple(told),
        cautions=tuple(cautions()),
        trend=trend,
        findings=findings,
    )


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


def _limit(heater: Heater | None, stage: str | None) -> tuple[float | None, str]:
    if heater is None:
        return None, "no profile"
    band = heater.stages[stage].air_ratio_band if stage and stage in heater.stages else None
    if band:
        return band[0], "low end of the profile's band at reference air"
    if heater.limits.air_ratio_min is not None:
        return heater.limits.air_ratio_min, "air_ratio_min of the profile"
    return None, "no band in the profile"


def fit_points(points: Sequence[Point], reference: float, *, prior: float | None = None) -> Trend:
    """Return the line through the logarithms of points; the level is that of the last segment at ``reference``."""
    groups = [point.group for point in points]
    # One analyser alone carries its offset into the level; only differences between several can bend the line.
    several = len(set(groups)) > 1
    return fit_trend(
        np.array([point.years for point in points]),
        np.log([point.air_ratio for point in points]),
        np.array([point.relative_u for point in points]),
        reference=reference,
        segment=np.array([point.segment for point in points]),
        group=np.unique(groups, return_inverse=True)[1] if several else None,
        group_u=_device_u(points) if several else 0.0,
        huber_k=float(rule("huber_k")),
        slope_prior_u=prior,
    )


def _device_u(points: Sequence[Point]) -> float:
    """Return the relative offset between analysers: what a visit's noise holds beyond the stated scatter."""
    repeated = float(rule("reproducibility_pct")) / 100.0
    parts = [max(point.relative_u**2 - repeated**2, 0.0) for point in points]
    return max(math.sqrt(float(np.mean(parts))), 0.01)


def spent_by(visit: int) -> float:
    """Return the chance of a false alarm that may be spent up to and including a visit (counted from 1)."""
    table, total = rule("alpha_by_visit"), float(rule("alpha_total"))
    if visit <= len(table):
        return float(table[visit - 1])
    last, rate = float(table[-1]), float(rule("alpha_rate"))
    left = math.pow(1.0 - rate, visit - len(table))
    return total - (total - last) * left


def _looks(points: Sequence[Point]) -> tuple[Look, ...]:
    looks: list[Look] = []
    information: list[float] = []
    spent: list[float] = []
    dates = sorted({point.date for point in points})
    for number, date in enumerate(dates, 1):
        if number < FEWEST:
            continue
        seen = [point for point in points if point.date <= date]
        trend = fit_points(seen, seen[-1].years)
        amount = float(trend.information)
        if not np.isfinite(trend.slope) or (information and amount <= information[-1] * (1.0 + 1e-9)):
            continue
        information.append(amount)
        spent.append(spent_by(number))
        scaled = tuple(round(one / information[0], 9) for one in information)
        bound = critical_values(scaled, tuple(spent))[-1]
        looks.append(Look(date, number, float(-trend.slope / trend.variance_slope**0.5), bound))
    return tuple(looks)


def _crossing(
    points: Sequence[Point], trend: Trend, limit: float | None
) -> tuple[datetime.date | None, datetime.date | None, datetime.date | None]:
    if limit is None:
        return None, None, None
    quantile = NormalDist().inv_cdf(0.5 + float(rule("crossing_level")) / 2.0)
    cross = crossing_time(trend, math.log(limit), quantile)
    last = points[-1].date
    ends = [_day(last, float(time)) for time in (cross.time, cross.earliest, cross.latest)]
    falling = float(trend.slope) < 0.0
    return (ends[0] if falling else None), ends[1], ends[2]


def _day(last: datetime.date, years: float) -> datetime.date | None:
    if not math.isfinite(years) or abs(years) > FARTHEST_YEARS:
        return None
    return last + datetime.timedelta(days=round(years * DAYS_PER_YEAR))


def _ahead(points: Sequence[Point], limit: float | None, drifts: bool) -> tuple[float | None, datetime.date, str]:
    """Return (chance to be below the limit in a year, date of the visit worth making, why then)."""
    last, longest = points[-1].date, float(rule("longest_interval_years"))
    yearly = last + datetime.timedelta(days=round(longest * DAYS_PER_YEAR))
    if limit is None:
        return None, yearly, "before the next winter; without a band no risk can be told"
    trend = fit_points(points, points[-1].years, prior=float(rule("drift_prior_pct_per_year")) / 100.0)
    worth = float(rule("risk_worth_a_visit"))
    days = np.arange(0, round(longest * DAYS_PER_YEAR) + 1)
    risk = _risk(trend, math.log(limit), days / DAYS_PER_YEAR)
    soon = np.flatnonzero(risk >= worth)
    visit = last + datetime.timedelta(days=int(soon[0])) if len(soon) else yearly
    why = f"chance to be below reaches {worth:.0%}" if len(soon) else "before the next winter"
    return float(risk[-1]), visit, "a drift was found" if drifts else why


def _risk(trend: Trend, limit: float, years: Any) -> Any:
    """Return the chance that the line is below the limit, years after its reference."""
    mean = trend.level + trend.slope * years
    u = np.sqrt(trend.variance_level + 2.0 * years * trend.covariance + years**2 * trend.variance_slope)
    return standard_normal_tail((mean - limit) / u)


def _gaps(points: Sequence[Point]) -> list[str]:
    dates = sorted({point.date for point in points})
    pairs = itertools.pairwise(dates)
    return [f"No visit between {a} and {b}." for a, b in pairs if (b - a).days > LONG_GAP_YEARS * DAYS_PER_YEAR]


def _outliers(points: Sequence[Point], trend: Trend) -> list[str]:
    if len(points) <= FEWEST or not np.isfinite(trend.slope):
        return []
    light = float(rule("outlier_weight"))
    return [
        f"The visit of {point.date} (lambda {point.air_ratio:.2f}) lies off the line and counts only {weight:.0%}."
        for point, weight in zip(points, np.asarray(trend.weights), strict=True)
        if weight < light
    ]
