"""Does a heater drift, or did its level step? One heater, or thousands with the same visits, in one pass."""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np

from combust.data.tables import load_table
from combust.kernel.trend import (
    KNOWN,
    Scatter,
    Step,
    Trend,
    critical_values,
    find_step,
    follow_trend,
    standard_normal_tail,
    tame_wild,
)

FEWEST = 3


class Visits(NamedTuple):
    """When and how visits were made: decimal years in order, relative noise, segment, analyser, its offset's spread.

    ``known`` says that the noise was stated by the user and is not to be estimated.
    """

    years: Any
    noise: Any
    segment: Any
    group: Any
    group_u: float = 0.0
    known: bool = False

    def and_yearly(self, count: int) -> Visits:
        """Return the visits with more of them, one a year, by the analyser of the last."""
        later = self.years[-1] + np.arange(1.0, count + 1.0)
        usual = np.full(count, np.median(self.noise))
        segment, group = (np.append(part, np.repeat(part[-1], count)) for part in (self.segment, self.group))
        years, noise = np.append(self.years, later), np.append(self.noise, usual)
        return self._replace(years=years, noise=noise, segment=segment, group=group)

    def split_at(self, visit: int) -> Visits:
        """Return the visits with a new segment from one visit on."""
        return self._replace(segment=np.asarray(self.segment) + (np.arange(len(self.years)) >= visit))


class Looks(NamedTuple):
    """Looks at records of the same visits: which visit each was made at, its bound, and the lines after each visit.

    ``tail`` (looks x heaters) is the one-sided chance of so steep a line without a drift; ``drifts`` where it is below
    the bound's.
    """

    visit: Any
    bound: Any
    tail: Any
    trend: Trend

    @property
    def drifts(self) -> Any:
        """Whether each look finds a drift, looks x heaters."""
        return self.tail <= standard_normal_tail(self.bound)[:, None]

    def first(self) -> Any:
        """Return the visit of the first look that finds a drift, of each heater; -1 = none."""
        if not len(self.visit):
            return np.full(self.trend.slope.shape[1], -1)
        hits = self.drifts
        return np.where(hits.any(axis=0), self.visit[np.argmax(hits, axis=0)], -1)


class Verdicts(NamedTuple):
    """What is told of each heater, arrays of one length: the look that found a drift (-1 = none), and the step.

    ``asked`` where a step is worth a question, ``clear`` where the level before it is set apart. ``looks`` holds
    (heaters, visits, looks): first of all heaters with their visits as they were, then of those that were split.
    """

    found_at: Any
    step: Step
    asked: Any
    clear: Any
    looks: list[tuple[Any, Visits, Looks]]

    @property
    def drifts(self) -> Any:
        """Whether a look found a drift."""
        return self.found_at >= 0


def rule(key: str) -> Any:
    """Return a number of ``history_rules.toml`` (its origin stands beside it)."""
    return load_table("history_rules")[key]["value"]


@lru_cache
def scatter_law(known: bool, *, of_step: bool = False) -> Scatter:
    """Return what is known beforehand of the scatter of visits; of a stated one only how visits hang together."""
    chance = rule("step_scatter_chance" if of_step else "scatter_chance")
    laws = [law for law in zip(rule("scatter_share"), rule("scatter_years"), chance, strict=True) if law[2] > 0.0]
    share, years, chance = zip(*laws, strict=True)
    if known:
        return Scatter(share, years, chance, KNOWN, 1.0)
    return Scatter(share, years, chance, rule("scatter_freedom"), 1.0 if of_step else rule("scatter_scale"))


def spent_after(years: Any) -> Any:
    """Return the chance of a false alarm that may be spent within so many years after the first visit."""
    table, spent, total = rule("alpha_years"), rule("alpha_spent"), rule("alpha_total")
    left = (1.0 - rule("alpha_rate")) ** np.maximum(np.asarray(years) - table[-1], 0.0)
    return np.where(years <= table[-1], np.interp(years, table, spent), total - (total - spent[-1]) * left)


def line_of(visits: Visits, values: Any, reference: float) -> Trend:
    """Return the lines after every visit."""
    options = {"segment": visits.segment, "group": visits.group, "group_u": visits.group_u}
    return follow_trend(visits.years, values, visits.noise, scatter_law(visits.known), reference=reference, **options)


def look_at(visits: Visits, values: Any) -> Looks:
    """Return the looks at records: one at each date from the third on that says more of a drift than the last.

    Parameters
    ----------
    visits : Visits
    values : array, shape (heaters, visits)
        Logarithms of lambda.
    """
    trend = line_of(visits, values, float(visits.years[-1]))
    years = np.asarray(visits.years)
    last_of_day = np.flatnonzero(np.append(np.diff(years) > 0.0, True))
    looks, reached = [], float(rule("drift_cannot_be_told")) ** -2
    for visit in last_of_day[FEWEST - 1 :]:
        if trend.information[visit] > reached:
            looks.append(visit)
            reached = trend.information[visit] * rule("growth_of_a_look")
    chosen = np.array(looks, dtype=int)
    information = trend.information[chosen]
    spent = spent_after(years[chosen] - years[0])
    first = information[0] if len(chosen) else 1.0
    bound = critical_values(tuple((information / first).round(9).tolist()), tuple(spent.tolist()))
    return Looks(chosen, np.array(bound), trend.tail[chosen], trend)


def judge(visits: Visits, values: Any) -> Verdicts:
    """Return what the records of heaters with the same visits say: drift, step, or nothing so far.

    Parameters
    ----------
    visits : Visits
    values : array, shape (heaters, visits)
        Logarithms of lambda at reference air.
    """
    values = tame_wild(values, visits.noise, reach=rule("wild_reach"), farthest=rule("wild_scatters"))
    step = find_step(
        visits.years,
        values,
        visits.noise,
        scatter_law(visits.known, of_step=True),
        segment=visits.segment,
        group=visits.group,
        group_u=visits.group_u,
        least=rule("step_visits"),
        step_u=rule("step_prior_pct") / 100.0,
        slope_u=rule("drift_prior_pct_per_year") / 100.0,
        odds=tuple(rule("step_odds")),
    )
    likelier = step.chance > step.drift
    enough, over_drift = rule("step_clear")
    asked = likelier & (step.chance > rule("step_worth_asking"))
    clear = asked & (step.chance > enough) & (step.chance > over_drift * step.drift)
    whole = look_at(visits, values)
    found_at = whole.first()
    looks = [(np.arange(len(values)), visits, whole)]
    for place in np.unique(step.index[clear]):
        heaters = np.flatnonzero(clear & (step.index == place))
        own = visits.split_at(int(place))
        looks.append((heaters, own, look_at(own, values[heaters])))
        # A drift beside a step must be found with the step and without it: no false alarm comes from looking twice.
        found_at[heaters] = np.where(found_at[heaters] >= 0, looks[-1][2].first(), -1)
    return Verdicts(found_at, step, asked, clear, looks)


def smallest_drifts(visits: Visits, trend: Trend) -> tuple[float | None, ...]:
    """Return the smallest drift that can be found now and after each of the coming winters, one visit each [1/year].

    It is found with the chance ``drift_power`` at that look, if the visits go on scattering as they do. None = no look
    can be made yet.
    """
    ahead = int(rule("winters_ahead"))
    more = visits.and_yearly(ahead)
    looks = look_at(more, np.zeros((1, len(more.years))))
    u = np.sqrt(trend.variance_slope * trend.information / looks.trend.information)
    margin = NormalDist().inv_cdf(rule("drift_power"))
    found: list[float | None] = []
    for last in range(len(visits.years) - 1, len(more.years)):
        before = np.flatnonzero(looks.visit <= last)
        usable = len(before) and np.isfinite(looks.bound[before[-1]])
        found.append(float((looks.bound[before[-1]] + margin) * u[last]) if usable else None)
    return tuple(found)
