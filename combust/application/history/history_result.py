"""What the record of one heater says: the looks, a step in level, the line, its crossing and the next visit."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from combust.application.history.visit_points import (
    Point,
)
from combust.domain.limits import Finding
from combust.domain.result import Result, Rows, shown
from combust.kernel.trend import Trend


@dataclass(frozen=True, slots=True)
class Look:
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
class LevelStep:
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
    today : date
        The day of the question; nothing is foretold for a day before it.
    limit, highest : float or None
        Lowest lambda, and the rich and lean ends of the band [-].
    air_ratio_now, air_ratio_now_u : float or None
        The line at the last visit [-], k = 1.
    drift_pct_per_year, drift_u_pct_per_year : float or None
        Negative = richer every year.
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
    risk_next_winter : float or None
        Chance that lambda is below its limit on ``risk_on`` [0 to 1]: a year after the last visit, or today if later.
    next_visit : date or None
        When a visit is worth making; never before today.
    """

    heater_id: str | None
    stage: str | None
    points: tuple[Point, ...]
    today: datetime.date
    limit: float | None
    highest: float | None
    limit_origin: str
    air_ratio_now: float
    air_ratio_now_u: float
    drift_pct_per_year: float | None
    drift_u_pct_per_year: float | None
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
    risk_next_winter: float | None
    risk_on: datetime.date
    next_visit: datetime.date | None
    why_then: str
    left_out: tuple[str, ...]
    cautions: tuple[str, ...]
    trend: Trend | None = None
    findings: tuple[Finding, ...] = ()
    unshown = ("trend",)
    calculated = True

    @property
    def verdict(self) -> str:
        """What was decided, in words."""
        way = "towards rich" if (self.drift_pct_per_year or 0.0) < 0.0 else "towards lean"
        drift = f"DRIFTS {way}, found on {self.found_on}"
        if self.step is None:
            return drift if self.drifts else "no drift found so far"
        if not self.step.set_apart:
            return (
                f"perhaps a step of {self.step.words}, {'or it ' + drift if self.drifts else 'no drift found so far'}"
            )
        return f"STEP of {self.step.words}, no drift"

    def lines(self) -> Rows:
        """Return (label, text) lines; what cannot be told says so."""
        limit = "none: the profile has no band" if self.limit is None else f"{self.limit:.2f} ({self.limit_origin})"
        rows = [
            ("heater", f"{self.heater_id or 'not named'}, stage {self.stage or 'not stated'}"),
            ("visits", f"{len({point.date for point in self.points})}, each ± {self.scatter_pct:.1f} % (1 sd)"),
            (
                "lambda at the last visit",
                shown(self.air_ratio_now, ".2f", u=self.air_ratio_now_u) + ", at reference air",
            ),
            ("drift", shown(self.drift_pct_per_year, "+.1f", "% a year", u=self.drift_u_pct_per_year)),
            ("decision", self.verdict),
        ]
        if self.step:
            one = self.step
            told = f"step {one.chance:.0%}, drift alone {one.drift_chance:.0%}. "
            why = "Another analyser from then on." if one.other_analyser else "Trimmed, repaired? Enter it as a repair."
            rows.append(("chance of each", told + why))
        rows.append(("smallest drift to be found", self._smallest_text()))
        rows += [("lowest lambda", limit), ("leaves its band", self._crossing_text())]
        if self.limit is not None and self.risk_next_winter is not None:
            number = "under 1" if self.risk_next_winter < 0.01 else f"{100.0 * self.risk_next_winter:.0f}"
            told = f"{number} %: of 100 heaters with such visits, {number} would be below {self.limit:.2f} "
            when = "now" if self.risk_on <= self.today else f"on {self.risk_on}"
            rows.append(("chance to be below next winter", told + when))
        elif self.limit is not None:
            rows.append(("chance to be below next winter", shown(None, "")))
        when = f"{self._when(self.next_visit)} ({self.why_then})" if self.next_visit else self.why_then
        return [*rows, ("next visit", when)]

    def _when(self, date: datetime.date) -> str:
        """Return a foretold date, or that it is now."""
        return str(date) if date > self.today else "now"

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
        last = self.points[-1].date
        best, early, late = (
            self._when(date) if date and date > last else date and str(date)
            for date in (self.crossing, self.crossing_earliest, self.crossing_latest)
        )
        told = f"about {best}, " if best else ""
        return f"{told}90 % interval {early or 'open'} to {late or 'open (it may never)'}"
