"""CO that climbs from visit to visit, long before a limit: also within one winter, where no line can be told yet."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from combust.application.history.drift_test import rule
from combust.application.history.visit_points import DAYS_PER_YEAR, FARTHEST_YEARS, Point
from combust.data.told import Told
from combust.domain.limits import Finding, finding, limit
from combust.kernel.tails import rising_chance


@dataclass(frozen=True, slots=True)
class Climb(Told):
    """CO that climbs since a visit: air-free CO of the visits [ppm], and when it comes to the watch-point as it goes.

    ``reaches`` is not before the last visit; None where it goes on too slowly for a date.
    """

    since: datetime.date
    co_air_free_ppm: tuple[float, ...]
    reaches: datetime.date | None

    @property
    def found(self) -> Finding:
        """What is told of it."""
        seen = ", ".join(f"{co:.0f}" for co in self.co_air_free_ppm[-int(rule("climb_told")) :])
        return finding("co_climbs", visits=len(self.co_air_free_ppm), since=str(self.since), seen=seen)


def climb_of(points: Sequence[Point]) -> Climb | None:
    """Return how the air-free CO climbs since the last work on the heater; None where it does not.

    It climbs where the visits rise in more pairs than chance would let them (Mann-Kendall) and the last is a multiple
    of the middle one of the earlier half. Little CO counts as what a meter can tell from none.

    Parameters
    ----------
    points : sequence of Point
        In order of time.
    """
    own = [one for one in points if one.segment == points[-1].segment and one.co_air_free_ppm is not None]
    if len(own) < 2:
        return None
    told = np.array([one.co_air_free_ppm for one in own], dtype=float)
    logs, years = np.log(np.maximum(told, rule("climb_least_ppm"))), np.array([one.years for one in own])
    first, second = np.triu_indices(len(own), 1)
    rises, apart = logs[second] - logs[first], years[second] - years[first]
    chance = rising_chance(int(np.sum((rises > 0.0) & (apart > 0.0))), len(own))
    grown = logs[-1] - np.median(logs[: len(own) // 2])
    if chance > rule("climb_chance") or grown < np.log(rule("climb_factor")):
        return None
    rate = float(np.median(rises[apart > 0.0] / apart[apart > 0.0]))
    return Climb(own[0].date, tuple(told.tolist()), _reaches(own[-1].date, logs[-1], rate))


def _reaches(last: datetime.date, level: float, rate: float) -> datetime.date | None:
    """Return when it comes to the watch-point at its middle rate a year (Theil-Sen)."""
    years = max(float(np.log(limit("exhaust_co_warn"))) - level, 0.0) / rate if rate > 0.0 else np.inf
    return last + datetime.timedelta(days=round(years * DAYS_PER_YEAR)) if years < FARTHEST_YEARS else None
