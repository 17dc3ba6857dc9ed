"""Does a heater drift, or did its level step? One heater, or thousands with the same visits, in one pass."""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np

from combust.data.tables import load_table
from combust.kernel.looks import critical_values
from combust.kernel.tails import standard_normal_tail, tame_wild
from combust.kernel.trend import KNOWN, Scatter, Series, Step, Trend, find_step, follow_trend

FEWEST = 3


class Looks(NamedTuple):
    """Looks at records of the same visits: which visit each was made at, its bound, and the lines after each visit."""

    visit: Any
    bound: Any
    trend: Trend

    @property
    def first(self) -> Any:
        """The visit of the first look that finds a drift, of each heater; -1 = none."""
        if not len(self.visit):
            return np.full(self.trend.slope.shape[1], -1)
        hits = self.trend.tail[self.visit] <= standard_normal_tail(self.bound)[:, None]
        return np.where(hits.any(axis=0), self.visit[np.argmax(hits, axis=0)], -1)


class Verdicts(NamedTuple):
    """What is told of each heater, arrays of one length.

    ``found_at`` is the visit at whose look a drift was found (-1 = none), ``asked`` where a step is worth a question,
    ``clear`` where it is so much likelier than a drift that the level before it is set apart.
    """

    found_at: Any
    step: Step
    asked: Any
    clear: Any
    looks: Looks

    @property
    def drifts(self) -> Any:
        """Whether a look found a drift."""
        return self.found_at >= 0


def rule(key: str) -> Any:
    """Return a number of ``history_rules.toml`` (its origin stands beside it)."""
    return load_table("history_rules")[key]["value"]


@lru_cache
def scatter_law(known: bool) -> Scatter:
    """Return what is known beforehand of the scatter of visits; of a stated one only how visits hang together."""
    freedom, scale = (KNOWN, 1.0) if known else (rule("scatter_freedom"), rule("scatter_scale"))
    share, years, chance = (tuple(rule(f"scatter_{part}")) for part in ("share", "years", "chance"))
    return Scatter(share, years, chance, freedom, scale)


def scatter_of_steps(known: bool) -> Scatter:
    """Return what is known of the scatter where a step is looked for: nearly the usual one, visits nearly apart."""
    law = scatter_law(known)._replace(chance=tuple(rule("step_scatter_chance")), scale=1.0)
    return law if known else law._replace(freedom=rule("step_scatter_freedom"))


def spent_after(years: Any) -> Any:
    """Return the chance of a false alarm that may be spent within so many years after the first visit."""
    table, spent, total = rule("alpha_years"), rule("alpha_spent"), rule("alpha_total")
    left = (1.0 - rule("alpha_rate")) ** np.maximum(np.asarray(years) - table[-1], 0.0)
    return np.where(years <= table[-1], np.interp(years, table, spent), total - (total - spent[-1]) * left)


def look_at(visits: Series, values: Any, *, known: bool = False) -> Looks:
    """Return the looks at records: one at each date from the third on that says more of a drift than the last.

    Parameters
    ----------
    visits : Series
    values : array, shape (heaters, visits)
        Logarithms of lambda.
    known : bool
        Whether the noise was stated by the user and is not to be estimated.
    """
    trend = follow_trend(visits, values, scatter_law(known), reference=float(visits.times[-1]))
    last_of_day = np.flatnonzero(np.append(np.diff(visits.times) > 0.0, True))
    looks, reached = [], rule("drift_cannot_be_told") ** -2
    for visit in last_of_day[FEWEST - 1 :]:
        if trend.information[visit] > reached:
            looks.append(visit)
            reached = trend.information[visit] * rule("growth_of_a_look")
    chosen = np.array(looks, dtype=int)
    information = trend.information[chosen] / trend.information[-1]
    spent = spent_after(visits.times[chosen] - visits.times[0])
    bound = critical_values(tuple(information.round(12).tolist()), tuple(spent.tolist()))
    return Looks(chosen, np.array(bound), trend)


def judge(visits: Series, values: Any, *, known: bool = False) -> Verdicts:
    """Return what the records of heaters with the same visits say: drift, step, or nothing so far.

    Where a step is clear the drift of the whole record is its doing: a drift beside it is looked for once the step is
    entered as an event. Arguments as for :func:`look_at`.
    """
    values = tame_wild(values, visits.noise, reach=rule("wild_reach"), farthest=rule("wild_scatters"))
    step = find_step(
        visits,
        values,
        scatter_of_steps(known),
        least=rule("step_visits"),
        step_u=rule("step_prior_pct") / 100.0,
        slope_u=rule("drift_prior_pct_per_year") / 100.0,
        odds=rule("step_odds"),
    )
    enough, over_drift = rule("step_clear")
    over_none, like_drift = rule("step_worth_asking")
    none = 1.0 - step.chance - step.drift
    asked = (step.chance > over_none * none) & (step.chance > like_drift * step.drift) & (step.chance > 0.0)
    clear = (step.chance > enough) & (step.chance > over_drift * step.drift)
    looks = look_at(visits, values, known=known)
    return Verdicts(np.where(clear, -1, looks.first), step, asked, clear, looks)


def smallest_drifts(visits: Series, trend: Trend) -> tuple[float | None, ...]:
    """Return the smallest drift that can be found now and after each of the coming winters, one visit each [1/year].

    It is found with the chance ``drift_power`` at that look, if the visits go on scattering as they do. None = no look
    can be made yet.
    """
    ahead = np.arange(1.0, rule("winters_ahead") + 1.0)
    added = (visits.times[-1] + ahead, np.median(visits.noise) + 0.0 * ahead)
    times, noise = (np.append(*pair) for pair in zip(visits[:2], added, strict=True))
    segment, group = (np.append(part, np.repeat(part[-1], len(ahead))) for part in visits[2:4])
    more = Series(times, noise, segment, group, visits.group_u)
    looks = look_at(more, np.zeros((1, len(more.times))))
    margin = NormalDist().inv_cdf(rule("drift_power"))
    found: list[float | None] = []
    for last in range(len(visits.times) - 1, len(more.times)):
        until = looks.bound[looks.visit <= last]
        u = float(trend.variance_slope * trend.information / looks.trend.information[last]) ** 0.5
        found.append(float(until[-1] + margin) * u if len(until) and np.isfinite(until[-1]) else None)
    return tuple(found)
