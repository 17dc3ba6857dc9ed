"""Trends whose scatter is not known: a line with steps, look by look; steps; crossing times."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from combust.data.told import tells
from combust.kernel.tails import normal_of_student, shares_of_logs, standard_normal_tail
from combust.kernel.types import Floats
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

    times: Floats
    noise: Floats
    segment: Floats | NDArray[np.int64]
    group: Floats | NDArray[np.int64]
    group_u: float = 0.0

    @property
    def levels(self) -> Floats:
        """One column of 0 and 1 for the level of each segment [-]."""
        return (np.asarray(self.segment)[:, None] == np.unique(self.segment)).astype(float)

    def factors(self, scatter: Scatter) -> Floats:
        """Return the Cholesky factor of the visits' covariance under each law.

        Parameters
        ----------
        scatter : Scatter
            Shares [-] and years of each law.

        Returns
        -------
        array
            Factors [unit of the noise], laws x visits x visits, lower triangles.

        References
        ----------
        A. C. Aitken 1936, generalised least squares (from memory).

        Examples
        --------
        >>> series_of([0.0, 1.0], 0.5).factors(Scatter()).tolist()  # independent visits
        [[[0.5, 0.0], [0.0, 0.5]]]
        """
        apart = np.subtract.outer(self.times, self.times)
        laws = zip(scatter.share, scatter.years, strict=True)
        alike = [(1.0 - share) * np.eye(len(apart)) + share * np.exp(-((apart / years) ** 2)) for share, years in laws]
        offsets = self.group_u**2 * np.equal.outer(self.group, self.group)
        return np.linalg.cholesky(np.stack(alike) * np.outer(self.noise, self.noise) + offsets)


def series_of(times: Any, noise_u: Any, *, segment: Any = 0, group: Any = 0, group_u: float = 0.0) -> Series:
    """Return a series whose noise, segment and group may be one number for all visits.

    Parameters
    ----------
    times : array
        Times in order [years], increasing (unchecked).
    noise_u : float or array
        Standard uncertainty of a value [its unit], above 0 (unchecked).
    segment, group : int or array
        Which segment and which analyser a visit belongs to [-], any number.
    group_u : float
        Standard deviation of the offset of a group [unit of the values], 0 or more (unchecked).

    Returns
    -------
    Series
        Arrays as long as ``times`` [years, unit of the values].

    References
    ----------
    A form of this project.

    Examples
    --------
    >>> series_of([0.0, 1.0, 2.0], 0.03).noise.tolist()
    [0.03, 0.03, 0.03]
    """
    times = np.asarray(times, dtype=float)
    noise, segment, group = (np.broadcast_to(np.asarray(part), times.shape) for part in (noise_u, segment, group))
    return Series(times, noise, segment, group, group_u)


@tells()
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
        """Return the line of one look.

        Parameters
        ----------
        look : int
            Which look [-], any that is there, counted from 0.

        Returns
        -------
        Trend
            Numbers instead of arrays [unit of the values, a year].

        References
        ----------
        A form of this project.

        Examples
        --------
        >>> trend = follow_trend(series_of([0.0, 1.0, 2.0], 0.1), [1.0, 2.0, 3.0])
        >>> round(float(trend.at(2).slope), 2)  # one a year
        1.0
        """
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
        Values of the visits [one unit], any.
    scatter : Scatter, optional
        Default independent, and as large as stated.
    reference : float
        Time t0 of the level [years], any.

    Returns
    -------
    Trend
        Arrays of shape (n, ...) [unit of the values, a year], ``information`` of shape (n,). Where nothing fixes a
        slope its variance is 10 000.

    References
    ----------
    A. C. Aitken 1936 (generalised least squares); A. Zellner 1971, ch. 3 (scatter with a prior); D. L. Wallace 1959
    (Student's tail). From memory.

    Examples
    --------
    >>> trend = follow_trend(series_of([0.0, 1.0, 2.0], 0.1), [1.0, 2.0, 3.0])
    >>> round(float(trend.slope[-1]), 2), trend.slope.shape
    (1.0, (3,))
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
    weight, _ = shares_of_logs(chance[..., None] - 0.5 * freedom * np.log1p(left / stated), axis=0)
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
    """Return a line with the prior knowledge that slopes lie about 0.

    Parameters
    ----------
    trend : Trend
        The line [unit of the values, a year].
    slope_u : float
        Standard deviation of slopes [unit of the values a year], above 0 (unchecked).

    Returns
    -------
    Trend
        The line [unit of the values, a year], in the shape given.

    References
    ----------
    Product of two normal distributions.

    Examples
    --------
    >>> trend = Trend(0.0, 1.0, 0.0, 0.25, 0.0, 0.0, 4.0, 1.0)
    >>> with_slope_prior(trend, 0.5).slope  # as sure as the prior: half way
    0.5
    """
    gain = trend.variance_slope + slope_u**2
    return trend._replace(
        level=trend.level - trend.covariance / gain * trend.slope,
        slope=trend.slope * slope_u**2 / gain,
        variance_level=trend.variance_level - trend.covariance**2 / gain,
        variance_slope=trend.variance_slope * slope_u**2 / gain,
        covariance=trend.covariance * slope_u**2 / gain,
    )


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
    series : Series
        As for :func:`follow_trend`.
    values : array, shape (..., n)
        Values of the visits [one unit], any.
    scatter : Scatter
        As for :func:`follow_trend`.
    least : int
        Visits that must stand on each side of a step, in its segment [-], 1 or more (unchecked).
    step_u, slope_u : float
        Prior standard deviations of a step and of a slope (a year), about 0 [unit of the values], above 0
        (unchecked).
    odds : sequence of float
        Prior weights of neither, a drift, a step (wherever) [-], above 0 (unchecked).

    Returns
    -------
    Step
        Place, size [unit of the values], chances [-], shape (...); index -1 and chance 0 where no place has enough
        visits.

    References
    ----------
    H. Jeffreys 1961, ch. 5 (evidence); A. F. M. Smith 1975, Biometrika 62, 407-416 (place of a step). From memory.

    Examples
    --------
    >>> series = series_of([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], 0.02)
    >>> flat = find_step(series, [1, 1, 1, 2, 2, 2], Scatter(), least=2, step_u=0.5, slope_u=0.1, odds=(1, 1, 1))
    >>> int(flat.index), bool(flat.chance > 0.99)
    (3, True)
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
    shares, _ = shares_of_logs(np.concatenate(evidence), axis=0)
    shares = shares.reshape(len(evidence), len(weights), -1)
    of_step = shares[:, 2:].sum(axis=0)
    best = np.argmax(of_step, axis=0)
    pick = (slice(None), best, np.arange(len(best)))
    size = np.sum(shares[:, 2:][pick] * np.stack(sizes)[pick], axis=0) / of_step[pick[1:]]
    told = (places[best], size, of_step.sum(axis=0), shares[:, 1].sum(axis=0))
    return Step(*(part.reshape(values.shape[:-1]) for part in told))
