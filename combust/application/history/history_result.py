"""What the record of one heater says: the looks, a step in level, the line, its crossing and the next visit."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from combust.application.history.visit_points import DAYS_PER_YEAR, Point
from combust.data.told import Rows, Told
from combust.data.units import chance_in_words
from combust.domain.limits import Finding
from combust.domain.result import UNTOLD, Result, many, shown
from combust.kernel.trend import Trend


def age_in_words(days: int) -> str:
    """Return a time in the unit a person would use.

    Examples
    --------
    >>> age_in_words(40), age_in_words(249), age_in_words(900)
    ('40 days', '8 months', '2.5 years')
    """
    if days < 60:
        return many(days, "day")
    if days < 2 * DAYS_PER_YEAR:
        return f"{12.0 * days / DAYS_PER_YEAR:.0f} months"
    return f"{days / DAYS_PER_YEAR:.1f} years"


@dataclass(frozen=True, slots=True)
class Look(Told):
    """One look at the record, made at a visit: slope over its uncertainty (negative = richer), the bound at this look.

    ``z`` is given as if the scatter had been known.
    """

    date: datetime.date
    visits: int
    z: float
    bound: float

    @property
    def drifts(self) -> bool:
        """Whether this look finds a drift, either way."""
        return abs(self.z) >= self.bound


@dataclass(frozen=True, slots=True)
class LevelStep(Told):
    """A step in level that may be there: the visits on both sides, its size [%], chances [0 to 1].

    ``other_analyser`` says that the analyser changed there, ``set_apart`` that the line starts anew.
    """

    before: datetime.date
    after: datetime.date
    size_pct: float
    chance: float
    drift_chance: float
    other_analyser: bool
    set_apart: bool

    @property
    def words(self) -> str:
        """The step in words."""
        return f"{self.size_pct:+.0f} % between {self.before} and {self.after}"


@dataclass(frozen=True)
class HeaterHistory(Result):
    """What the record of one heater says. None = cannot be told.

    Attributes
    ----------
    points : tuple of Point
        One a visit and phase, lambda at reference air (1013.25 hPa, 15 °C, dry) by the full site model, on one fuel.
    on : date
        The day of the question, not before the last visit; nothing is foretold for a day before it.
    limit, highest : float or None
        Lowest lambda, and the rich and lean ends of the band [-].
    air_ratio_now, air_ratio_now_u : float
        The forecast line on the day of the question [-], k = 1: the visits with what is usual of heaters that drift.
        Risk, crossing and figure follow this one line.
    air_ratio_last, air_ratio_last_u : float
        The same line at the last visit [-], k = 1.
    drift_pct_per_year, drift_u_pct_per_year : float or None
        By the visits alone; negative = richer every year.
    forecast_drift_pct_per_year : float or None
        Slope of the forecast line, drawn towards what is usual [%/year].
    scatter_pct : float
        Scatter of one visit, from the visits and from what is usual, 1 sd [%].
    change : str or None
        ``drift`` or ``step``, whichever fits better, where one is found; else None.
    drifts : bool
        Whether a look found a drift, either way; ``found_on`` says when.
    step : LevelStep or None
        A step worth a question: trimmed, repaired, another analyser?
    smallest_drift_pct_per_year : float or None
        The smallest drift that is found with these visits in four of five cases; ``smallest_drift_coming`` with one
        more visit in each of the coming winters.
    crossing, crossing_earliest, crossing_latest : date or None
        When the line leaves the band at the end it moves to, with a 90 % interval; a None end is open.
    risk : float or None
        Chance that one reading on the day ``on`` lies outside the band [0 to 1]: ``risk_rich`` below its low end,
        ``risk_lean`` above its high end, both with the scatter of a visit in it.
    next_visit : date or None
        When a visit is worth making, never before the day of the question; None under a stop.
    """

    heater_id: str | None
    stage: str | None
    points: tuple[Point, ...]
    on: datetime.date
    limit: float | None
    highest: float | None
    limit_origin: str
    air_ratio_now: float
    air_ratio_now_u: float
    air_ratio_last: float
    air_ratio_last_u: float
    drift_pct_per_year: float | None
    drift_u_pct_per_year: float | None
    forecast_drift_pct_per_year: float | None
    scatter_pct: float
    looks: tuple[Look, ...]
    change: str | None
    drifts: bool
    found_on: datetime.date | None
    step: LevelStep | None
    smallest_drift_pct_per_year: float | None
    smallest_drift_coming: tuple[float | None, ...]
    crossing: datetime.date | None
    crossing_earliest: datetime.date | None
    crossing_latest: datetime.date | None
    risk: float | None
    risk_rich: float | None
    risk_lean: float | None
    next_visit: datetime.date | None
    why_then: str
    left_out: tuple[str, ...]
    cautions: tuple[str, ...]
    trend: Trend | None = None
    findings: tuple[Finding, ...] = ()
    unshown = ("trend",)
    calculated = True

    @property
    def way(self) -> str:
        """Where the line goes."""
        return "towards rich" if (self.drift_pct_per_year or 0.0) < 0.0 else "towards lean"

    @property
    def verdict(self) -> str:
        """What was decided, in words."""
        drift = f"DRIFTS {self.way}, found on {self.found_on}"
        if self.step is None:
            return drift if self.drifts else "no drift found so far"
        if not self.step.set_apart:
            return (
                f"perhaps a step of {self.step.words}, {'or it ' + drift if self.drifts else 'no drift found so far'}"
            )
        return f"STEP of {self.step.words}, no drift"

    @property
    def last_visit(self) -> datetime.date:
        """The last visit that counts: what is told of later days is foretold from it."""
        return self.points[-1].date

    @property
    def stopped(self) -> bool:
        """Whether a stop condition stands: then it is not due, it stays off."""
        return bool(self.safety.stops)

    @property
    def due_now(self) -> bool:
        """Whether a visit is worth making on the day of the question already."""
        return self.next_visit is not None and self.next_visit <= self.on

    @property
    def when_due(self) -> str:
        """When a visit is due, in a cell; a stop comes before it."""
        return "HEATER OFF" if self.stopped else "now" if self.due_now else str(self.next_visit)

    @property
    def age(self) -> str:
        """How old the knowledge is on the day of the question, in words."""
        return age_in_words((self.on - self.last_visit).days)

    @property
    def risk_words(self) -> str:
        """The risk in a cell, with the end of the band it is about."""
        if self.risk is None:
            return "not known"
        lean = (self.risk_lean or 0.0) > (self.risk_rich or 0.0)
        return chance_in_words(self.risk) + (f" {'lean' if lean else 'rich'}" if self.risk >= 0.01 else "")

    def lines(self) -> Rows:
        """Return (label, text) lines, the answer first; what cannot be told says so."""
        visits = len({point.date for point in self.points})
        rows = [
            ("heater", f"{self.heater_id or 'not named'}, stage {self.stage or 'not stated'}"),
            ("decision", self.verdict),
        ]
        if self.step:
            one = self.step
            told = f"step {chance_in_words(one.chance)}, drift alone {chance_in_words(one.drift_chance)}. "
            why = "Another analyser from then on." if one.other_analyser else "Trimmed, repaired? Enter it as a repair."
            rows.append(("chance of each", told + why))
        when = f"{self.when_due} ({self.why_then})" if self.next_visit else self.why_then
        return [
            *rows,
            ("risk", self._risk_text()),
            ("next visit", when),
            ("known from", f"{many(visits, 'visit')}, the last on {self.last_visit}: {self.age} before {self.on}"),
            ("lambda on that day", shown(self.air_ratio_now, ".2f", u=self.air_ratio_now_u) + ", at reference air"),
            ("lambda at the last visit", shown(self.air_ratio_last, ".2f", u=self.air_ratio_last_u)),
            ("drift", self._drift_text()),
            ("smallest drift to be found", self._smallest_text()),
            ("band of lambda", self._band_text()),
            ("leaves its band", self._crossing_text()),
            ("scatter of a visit", f"± {self.scatter_pct:.1f} % (1 sd)"),
        ]

    def _risk_text(self) -> str:
        """Return what risk means and how large it is at each end of the band."""
        if self.limit is None:
            return f"{UNTOLD}: without a band in the profile"
        if self.risk is None or self.risk_rich is None:
            return f"{UNTOLD}: too few visits, or too near in time"
        told = [f"{chance_in_words(self.risk_rich)} too rich (below {self.limit:.2f})"]
        if self.risk_lean is not None and self.highest is not None:
            told.append(f"{chance_in_words(self.risk_lean)} too lean (above {self.highest:.2f})")
        return f"{', '.join(told)}: chance that one reading on {self.on} lies outside the band"

    def _drift_text(self) -> str:
        """Return the drift by the visits alone, and the one that everything foretold goes on with."""
        told = shown(self.drift_pct_per_year, "+.1f", "% a year", u=self.drift_u_pct_per_year)
        ahead = self.forecast_drift_pct_per_year
        return told if ahead is None else f"{told} by the visits alone; forecast with {ahead:+.1f} (usual drift counts)"

    def _band_text(self) -> str:
        if self.limit is None:
            return "none: the profile has no band"
        high = "open" if self.highest is None else f"{self.highest:.2f}"
        return f"{self.limit:.2f} to {high} ({self.limit_origin})"

    def _when(self, date: datetime.date) -> str:
        """Return a foretold date, or that it is now."""
        return str(date) if date > self.on else "now"

    def _smallest_text(self) -> str:
        """Return the smallest drift that can be found, now and later."""
        later = [
            f"{one:.1f} with {number} more winter{'s' if number > 1 else ''}"
            for number, one in enumerate(self.smallest_drift_coming, 1)
            if one is not None
        ]
        now = self.smallest_drift_pct_per_year
        first = "none with these visits" if now is None else f"{now:.1f} % a year with these visits"
        return "; ".join([first, *later])

    def _crossing_text(self) -> str:
        if self.crossing_earliest is None and self.crossing_latest is None:
            return "no date can be told from these visits"
        best, early, late = (
            self._when(date) if date and date > self.last_visit else date and str(date)
            for date in (self.crossing, self.crossing_earliest, self.crossing_latest)
        )
        told = f"about {best}, " if best else ""
        return f"{told}90 % interval {early or 'open'} to {late or 'open (it may never)'}"
