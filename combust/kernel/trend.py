"""Trends whose scatter is not known: a line with steps, look by look; steps; crossing times."""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, inf, sqrt
from typing import Any, NamedTuple

import numpy as np

from combust.kernel.uncertainty import student_t

OPEN = 100.0  # standard deviation of a level, and of a slope a year, that nothing is known of
KNOWN = 1e9  # freedom of a scatter that is stated
Z_95 = 1.96  # as the last row of the table of Student's factors


class Scatter(NamedTuple):
    """What is known beforehand of how visits scatter about a line: several laws, each with its chance.

    ``share`` [-] of a law's variance is common to visits near in time and fades in ``years``, as a bell curve. The
    stated noise times ``scale`` counts as much as ``freedom`` visits would; KNOWN takes it as it is.
    """

    share: tuple[float, ...] = (0.0,)
    years: tuple[float, ...] = (1.0,)
    chance: tuple[float, ...] = (1.0,)
    freedom: float = KNOWN
    scale: float = 1.0


class Series(NamedTuple):
    """When and how visits were made, arrays of one length: times in order [years], standard uncertainties of values.

    Each ``segment`` (after a repair) has its own level and the same slope; values of one ``group`` (one analyser
    between two adjustments) share an offset of standard deviation ``group_u``.
    """

    times: Any
    noise: Any
    segment: Any
    group: Any
    group_u: float = 0.0

    @property
    def levels(self) -> Any:
        """One column for the level of each segment."""
        return (np.asarray(self.segment)[:, None] == np.unique(self.segment)).astype(float)

    def factors(self, scatter: Scatter) -> Any:
        """Return the Cholesky factor of the visits' covariance under each law, laws x n x n."""
        apart = np.subtract.outer(self.times, self.times)
        laws = zip(scatter.share, scatter.years, strict=True)
        alike = [(1.0 - share) * np.eye(len(apart)) + share * np.exp(-((apart / years) ** 2)) for share, years in laws]
        offsets = self.group_u**2 * np.equal.outer(self.group, self.group)
        return np.linalg.cholesky(np.stack(alike) * np.outer(self.noise, self.noise) + offsets)


def series_of(times: Any, noise_u: Any, *, segment: Any = 0, group: Any = 0, group_u: float = 0.0) -> Series:
    """Return a series whose noise, segment and group may be one number for all visits."""
    times = np.asarray(times, dtype=float)
    noise, segment, group = (np.broadcast_to(np.asarray(part), times.shape) for part in (noise_u, segment, group))
    return Series(times, noise, segment, group, group_u)


class Trend(NamedTuple):
    """A fitted line y = level + slope (t - t0): estimates, their covariance, and what its test needs.

    ``level`` is that of the last segment at t0. Variances are as wide as Student's distribution at 95 %. ``tail`` is
    the one-sided chance of a slope so far from 0 without a drift; ``information`` of the slope is 1/variance at the
    noise as stated; ``noise`` is the scatter found over the stated one.
    """

    level: Any
    slope: Any
    variance_level: Any
    variance_slope: Any
    covariance: Any
    tail: Any
    information: Any
    noise: Any

    def at(self, look: int) -> Trend:
        """Return the line of one look."""
        return Trend(*(part[look] for part in self))


def follow_trend(series: Series, values: Any, scatter: Scatter | None = None, *, reference: float = 0.0) -> Trend:
    """Return the generalised-least-squares line after every visit, of one history or of many with the same visits.

    The size of the scatter is not known: its prior and the visits give it, as in Student's test; the laws of how
    visits hang together are weighed by how well each explains the visits. One Cholesky factor of the whole record holds
    those of its beginnings, so that all looks together cost little more than the last.

    Parameters
    ----------
    series : Series
        With a prior of the scatter only the proportions of its noise are believed.
    values : array, shape (..., n)
    scatter : Scatter, optional
        Default independent, and as large as stated.
    reference : float
        Time t0 of the level.

    Returns
    -------
    Trend
        Arrays of shape (n, ...), ``information`` of shape (n,). Where nothing fixes a slope its variance is 10 000.

    References
    ----------
    A. C. Aitken 1936 (generalised least squares); A. Zellner 1971, ch. 3 (scatter with a prior); D. L. Wallace 1959
    (Student's tail). From memory.
    """
    scatter = Scatter() if scatter is None else scatter
    values = np.asarray(values, dtype=float)
    levels, factor = series.levels, series.factors(scatter)
    columns = np.column_stack([series.times - reference, levels, values.reshape(-1, len(levels)).T])
    whole = np.linalg.solve(factor, np.broadcast_to(columns, (len(factor), *columns.shape)))
    rows, seen = np.split(whole, [levels.shape[1] + 1], axis=-1)
    normal = np.cumsum(rows[..., :, None] * rows[..., None, :], axis=1) + np.eye(rows.shape[-1]) / OPEN**2
    right = np.cumsum(rows[..., :, None] * seen[..., None, :], axis=1)
    inverse = np.linalg.inv(normal)
    found = inverse @ right
    left = np.maximum(np.cumsum(seen**2, axis=1) - np.sum(found * right, axis=2), 0.0)

    fixed = np.cumsum(levels, axis=0).astype(bool).sum(axis=1) + 1
    freedom = scatter.freedom + np.maximum(np.arange(1, len(levels) + 1) - fixed, 0)[:, None]
    stated = scatter.freedom * scatter.scale**2
    chance = np.log(scatter.chance)[:, None] - np.cumsum(np.log(np.diagonal(factor, axis1=1, axis2=2)), axis=1)
    chance = chance - 0.5 * np.linalg.slogdet(normal)[1]
    weight = _shares(chance[..., None] - 0.5 * freedom * np.log1p(left / stated))
    square = (stated + left) / freedom
    slope, level = found[:, :, 0], found[:, :, -1]
    sure = slope / np.sqrt(square * inverse[:, :, 0, 0, None])
    toward = np.sign(np.sum(weight * slope, axis=0))
    wide = square * (student_t(freedom) / Z_95) ** 2

    def mean(part: Any) -> Any:
        """Return the mean over the laws, in the shape of the values."""
        return np.sum(weight * part, axis=0).reshape(len(levels), *values.shape[:-1])

    def spread(one: Any, other: Any, row: int, column: int) -> Any:
        """Return the covariance of two estimates over the laws."""
        return mean(wide * inverse[:, :, row, column, None] + one * other) - mean(one) * mean(other)

    return Trend(
        level=mean(level),
        slope=mean(slope),
        variance_level=spread(level, level, -1, -1),
        variance_slope=spread(slope, slope, 0, 0),
        covariance=spread(level, slope, -1, 0),
        tail=mean(standard_normal_tail(normal_of_student(sure * toward, freedom))),
        information=1.0 / np.tensordot(scatter.chance, inverse[:, :, 0, 0], axes=1),
        noise=np.sqrt(mean(square)),
    )


def with_slope_prior(trend: Trend, slope_u: float) -> Trend:
    """Return a line with the prior knowledge that slopes lie about 0 with a standard deviation ``slope_u`` a year."""
    gain = trend.variance_slope + slope_u**2
    return trend._replace(
        level=trend.level - trend.covariance / gain * trend.slope,
        slope=trend.slope * slope_u**2 / gain,
        variance_level=trend.variance_level - trend.covariance**2 / gain,
        variance_slope=trend.variance_slope * slope_u**2 / gain,
        covariance=trend.covariance * slope_u**2 / gain,
    )


def _shares(logarithms: Any) -> Any:
    """Return shares that add up to 1 along the first axis."""
    found = np.exp(logarithms - logarithms.max(axis=0))
    return found / found.sum(axis=0)


class Step(NamedTuple):
    """The likeliest step in level: first visit after it, its size (of y), chances of a step and of a drift instead."""

    index: Any
    size: Any
    chance: Any
    drift: Any


def find_step(
    series: Series, values: Any, scatter: Scatter, *, least: int, step_u: float, slope_u: float, odds: Sequence[float]
) -> Step:
    """Return whether a step, a drift or neither explains the values, by the evidence of each.

    Parameters
    ----------
    series, values, scatter
        As for :func:`follow_trend`.
    least : int
        Visits that must stand on each side of a step, in its segment.
    step_u, slope_u : float
        Prior standard deviations of a step and of a slope (a year), about 0.
    odds : sequence of float
        Prior weights of neither, a drift, a step (wherever).

    Returns
    -------
    Step
        Arrays of shape (...); index -1 and chance 0 where no place has enough visits.

    References
    ----------
    H. Jeffreys 1961, ch. 5 (evidence); A. F. M. Smith 1975, Biometrika 62, 407-416 (place of a step). From memory.
    """
    values, own, visit = np.asarray(values, dtype=float), np.asarray(series.segment), np.arange(len(series.times))
    alike = np.equal.outer(own, own)
    before, after = np.sum(np.tril(alike, -1), axis=1), np.sum(np.triu(alike), axis=1)
    places = np.flatnonzero((before >= least) & (after >= least) & (np.diff(series.times, prepend=-inf) > 0.0))
    if not len(places):
        none = np.zeros(values.shape[:-1])
        return Step(none.astype(int) - 1, none, none, none)
    columns = [series.times - np.mean(series.times), *((visit >= place) & (own == own[place]) for place in places)]
    table = np.column_stack([series.levels, *columns, values.reshape(-1, len(visit)).T])
    prior_u = np.array([slope_u, *(step_u for _ in places)])[:, None]
    weights = np.log([odds[0], odds[1], *(odds[2] / len(places) for _ in places)])[:, None]
    freedom, stated = scatter.freedom + len(visit), scatter.freedom * scatter.scale**2
    evidence, sizes = [], []
    for chance, factor in zip(scatter.chance, series.factors(scatter), strict=True):
        rows = np.linalg.solve(factor, table)
        levels, rows = np.split(rows, [series.levels.shape[1]], axis=1)
        levels = np.linalg.qr(levels)[0]
        asked, seen = np.split(rows - levels @ (levels.T @ rows), [len(columns)], axis=1)
        known = np.sum(asked**2, axis=0)[:, None] + prior_u**-2
        square, by_each = np.sum(seen**2, axis=0), asked.T @ seen
        left = np.vstack([square, np.maximum(square - by_each**2 / known, 0.0)])
        wide = np.vstack([[1.0], known * prior_u**2])
        fit = weights - 0.5 * np.log(wide) - 0.5 * freedom * np.log1p(left / stated)
        evidence.append(fit + np.log(chance) - np.sum(np.log(np.diag(factor))))
        sizes.append((by_each / known)[1:])
    shares = _shares(np.concatenate(evidence)).reshape(len(evidence), len(weights), -1)
    of_step = shares[:, 2:].sum(axis=0)
    best = np.argmax(of_step, axis=0)
    pick = (slice(None), best, np.arange(len(best)))
    size = np.sum(shares[:, 2:][pick] * np.stack(sizes)[pick], axis=0) / of_step[pick[1:]]
    told = (places[best], size, of_step.sum(axis=0), shares[:, 1].sum(axis=0))
    return Step(*(part.reshape(values.shape[:-1]) for part in told))


def tame_wild(values: Any, noise_u: Any, *, reach: int = 2, farthest: float = 3.0) -> Any:
    """Return values with each one no farther than ``farthest`` scatters from the median of its neighbours.

    A level step or a line keeps its shape; a single wild value keeps its side and a bounded weight. The scatter is the
    larger of the stated noise and of 1.4826 times the median distance from the neighbours.

    Parameters
    ----------
    values : array, shape (..., n)
    noise_u : float or array of shape (n,)
    reach : int
        Neighbours on each side; at an end the nearest visits that are there, as many in all.

    References
    ----------
    F. R. Hampel 1974 (median and its deviation); the moving form is known as the Hampel filter. From memory.
    """
    values = np.asarray(values, dtype=float)
    visits, window = values.shape[-1], 2 * reach + 1
    if visits < window:
        return values
    starts = np.clip(np.arange(visits) - reach, 0, visits - window)
    middle = np.median(values[..., starts[:, None] + np.arange(window)], axis=-1)
    off = values - middle
    usual = np.maximum(np.asarray(noise_u), 1.4826 * np.median(np.abs(off), axis=-1, keepdims=True))
    return middle + np.clip(off, -farthest * usual, farthest * usual)


def standard_normal_tail(z: Any) -> Any:
    """Return the upper tail of the standard normal distribution, by its complementary error function [-]."""
    return np.vectorize(lambda x: 0.5 * erfc(x / sqrt(2.0)), otypes=[float])(z)[()]


def normal_of_student(t: Any, freedom: Any) -> Any:
    """Return the standard normal number whose tail is that of Student's t.

    D. L. Wallace 1959, Ann. Math. Statist. 30, 1124-1130 (from memory). Validity record ``student_as_normal``
    (``combust/data/approximate_forms.toml``).
    """
    squeezed = np.sqrt(freedom * np.log1p(np.square(t) / freedom))
    return np.sign(t) * squeezed * (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)


class Crossing(NamedTuple):
    """When a line crosses a limit: best time, and the ends of the set of times the data allow (infinite = open)."""

    time: Any
    earliest: Any
    latest: Any


def crossing_time(trend: Trend, limit: Any, quantile: float) -> Crossing:
    """Return the time (from t0) at which a line crosses a limit, with Fieller's set.

    The set holds every time whose line value cannot be told from the limit. Where the slope is not told from 0 it has
    no upper end: ``latest`` is infinite, and ``earliest`` may be minus infinity.

    Parameters
    ----------
    trend : Trend
    limit : float or array
    quantile : float
        Two-sided standard normal quantile (1.645 for 90 %).

    References
    ----------
    E. C. Fieller 1954, J. Roy. Statist. Soc. B 16, 175-185 (from memory).
    """
    level, slope = np.asarray(trend.level) - limit, np.asarray(trend.slope)
    square = quantile**2
    a = slope**2 - square * trend.variance_slope
    b = level * slope - square * trend.covariance
    c = level**2 - square * trend.variance_level
    inside = b**2 - a * c
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(np.maximum(inside, 0.0))
        ends = np.stack([(-b - root) / a, (-b + root) / a])
        low, high = np.min(ends, axis=0), np.max(ends, axis=0)
        # a > 0: the set lies between the roots. a < 0: outside them; from the later root on it stays open.
        earliest = np.where(a > 0.0, low, np.where(inside <= 0.0, -np.inf, high))
        latest = np.where(a > 0.0, high, np.inf)
        best = -level / slope
    return Crossing(best[()], earliest[()], latest[()])
