"""Trends with known noise: robust line with steps and shared offsets, repeated one-sided looks, crossing times."""

from __future__ import annotations

from functools import lru_cache
from math import erfc, sqrt
from typing import Any, NamedTuple

import numpy as np

ROUNDS = 30
GRID = np.linspace(-9.0, 9.0, 1201)


class Trend(NamedTuple):
    """A fitted line y = level + slope (t - t0): estimates, their covariance, standardised residuals, weights.

    ``level`` is that of the last segment at t0; ``information`` of the slope is 1/variance with all weights 1.
    """

    level: Any
    slope: Any
    variance_level: Any
    variance_slope: Any
    covariance: Any
    information: Any
    weights: Any
    residuals: Any


def fit_trend(
    times: Any,
    values: Any,
    noise_u: Any,
    *,
    reference: float = 0.0,
    segment: Any = None,
    group: Any = None,
    group_u: float = 0.0,
    huber_k: float = 2.0,
    slope_prior_u: float | None = None,
) -> Trend:
    """Return the robust generalised-least-squares line of one history, or of many with the same times.

    Each value has its own known noise; values of one ``group`` (one analyser between two adjustments) share an offset
    of standard deviation ``group_u``; each new ``segment`` (after a repair) has its own level and the same slope.
    Weights after Huber on residuals standardised by their own variance, so that leverage does not hide an outlier.

    Parameters
    ----------
    times : array, shape (n,)
    values : array, shape (..., n)
    noise_u : float or array of shape (n,)
        Standard uncertainties.
    reference : float
        Time t0 of the level.
    segment, group : array of int, shape (n,), optional
    slope_prior_u : float, optional
        Standard deviation of a prior slope of 0.

    Returns
    -------
    Trend
        Numbers, or arrays of shape (...); NaN where times and segments do not fix a slope.

    References
    ----------
    A. C. Aitken 1936 (generalised least squares); P. J. Huber 1964 (weights); Schweppe's form as in F. R. Hampel et
    al. 1986, ch. 6 (from memory).
    """
    times = np.asarray(times, dtype=float)
    values = np.asarray(values, dtype=float)
    noise = np.broadcast_to(np.asarray(noise_u, dtype=float), times.shape)
    design = _design(times - reference, segment)
    shared = np.zeros((len(times), len(times)))
    if group is not None and group_u > 0.0:
        same = np.asarray(group)[:, None] == np.asarray(group)[None, :]
        shared = group_u**2 * same
    ridge = np.zeros(design.shape[1])
    if slope_prior_u is not None:
        ridge[1] = slope_prior_u**-2
    if not _fixed(design, ridge):
        empty = np.full(values.shape[:-1], np.nan)[()]
        return Trend(empty, empty, empty, empty, empty, 0.0, np.ones(values.shape), np.zeros(values.shape))
    weights = np.ones(values.shape)
    found, inverse, residuals = _solve(design, values, noise, shared, weights, ridge)
    information = 1.0 / inverse[..., 1, 1]
    for _ in range(ROUNDS):
        new = np.minimum(1.0, huber_k / np.maximum(np.abs(residuals), 1e-12))
        if np.allclose(new, weights, atol=1e-6):
            break
        weights = new
        found, inverse, residuals = _solve(design, values, noise, shared, weights, ridge)
    level, slope = (found[..., place][()] for place in (0, 1))
    of_level, of_slope, of_both = (inverse[..., row, column][()] for row, column in ((0, 0), (1, 1), (0, 1)))
    return Trend(level, slope, of_level, of_slope, of_both, information[()], weights, residuals)


def _design(times: Any, segment: Any) -> Any:
    """Return the columns: level of the last segment, slope, and each earlier segment's difference in level."""
    columns = [np.ones_like(times), times]
    if segment is not None:
        names = np.asarray(segment)
        columns += [(names == name).astype(float) for name in np.unique(names)[:-1]]
    return np.stack(columns, axis=-1)


def _fixed(design: Any, ridge: Any) -> bool:
    normal = design.T @ design + np.diag(ridge > 0.0)
    scale = np.sqrt(np.diag(normal))
    if np.any(scale == 0.0):
        return False
    return bool(np.linalg.cond(normal / np.outer(scale, scale)) < 1e10)


def _solve(design: Any, values: Any, noise: Any, shared: Any, weights: Any, ridge: Any) -> tuple[Any, Any, Any]:
    """Return (estimates, their covariance, residuals over their own standard deviation at weight 1)."""
    total = shared + (noise**2 / weights)[..., None] * np.eye(len(noise))
    precision = np.linalg.inv(total)
    normal = np.einsum("ni,...nm,mj->...ij", design, precision, design) + np.diag(ridge)
    inverse = np.linalg.inv(normal)
    found = np.einsum("...ij,nj,...nm,...m->...i", inverse, design, precision, values)
    residuals = values - np.einsum("ni,...i->...n", design, found)
    plain = shared + np.diag(noise**2)
    known = np.linalg.inv(design.T @ np.linalg.inv(plain) @ design + np.diag(ridge))
    left = plain - design @ known @ design.T
    deviation = np.sqrt(np.maximum(np.diag(left), 1e-9 * noise**2))
    return found, inverse, residuals / deviation


def standard_normal_tail(z: Any) -> Any:
    """Return the upper tail of the standard normal distribution, by its complementary error function [-]."""
    return np.vectorize(lambda x: 0.5 * erfc(x / sqrt(2.0)), otypes=[float])(z)[()]


@lru_cache(maxsize=4096)
def critical_values(information: tuple[float, ...], spent: tuple[float, ...]) -> tuple[float, ...]:
    """Return the bound of each look at a growing record, so that all looks together alarm falsely as rarely as asked.

    Estimates of one slope at successive looks have independent increments of the score, with variance the growth of
    the information; the density of records that have not alarmed yet is carried from look to look on a grid.

    Parameters
    ----------
    information : tuple of float
        1/variance of the slope at each look, increasing.
    spent : tuple of float
        Probability of a false alarm up to and including each look, increasing.

    Returns
    -------
    tuple of float
        Bounds for slope/standard error; infinity where nothing may be spent.

    References
    ----------
    P. Armitage, C. K. McPherson, B. C. Rowe 1969 (recursion); K. K. G. Lan, D. L. DeMets 1983 (spending). From memory.

    Examples
    --------
    >>> round(critical_values((1.0,), (0.05,))[0], 3)
    1.645
    """
    step = GRID[1] - GRID[0]
    bounds: list[float] = []
    density: Any = None
    before_information = before_spent = 0.0
    for amount, allowed in zip(information, spent, strict=True):
        root = amount**0.5
        if density is None:
            here = np.exp(-0.5 * GRID**2) / np.sqrt(2.0 * np.pi)
        else:
            # In units of the square root of this look's information: x = (old + increment)/root.
            old = GRID * before_information**0.5 / root
            spread = max((amount - before_information) / amount, 1e-12) ** 0.5
            kernel = np.exp(-0.5 * ((GRID[:, None] - old[None, :]) / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi))
            here = kernel @ density * step
        share = allowed - before_spent
        bound = np.inf
        if share > 0.0:
            tail = np.cumsum(here[::-1])[::-1] * step - 0.5 * here * step
            bound = float(np.interp(-share, -tail, GRID))
        bounds.append(bound)
        density = np.where(bound > GRID, here, 0.0)
        if np.isfinite(bound):  # the cell that the bound cuts keeps its share
            cell = int(np.searchsorted(GRID, bound)) - 1
            density[cell] *= 0.5 + (bound - GRID[cell]) / step if cell >= 0 else 1.0
        before_information, before_spent = amount, allowed
    return tuple(bounds)


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
