"""Tails of distributions, shares from logarithms, and values held within reach of their neighbours."""

from __future__ import annotations

from math import erfc, sqrt

import numpy as np

from combust.kernel.elementwise import elementwise
from combust.kernel.types import Floats, X


def shares_of_logs(logarithms: Floats, axis: int = -1) -> tuple[Floats, Floats]:
    """Return shares that add up to 1 from logarithms of any size, and the logarithm of what they were shares of.

    Parameters
    ----------
    logarithms : array
        ln of weights [-], any; one of them at least finite (NaN outside).
    axis : int
        Along which they add up [-], one that the array has (others are refused).

    Returns
    -------
    tuple of (array, array)
        Shares [-] in the shape given; ln of the sum of the weights [-], without that axis.

    References
    ----------
    The largest is taken out first, so that nothing overflows (common practice).

    Examples
    --------
    >>> shares, log_sum = shares_of_logs(np.array([1000.0, 1000.0]))
    >>> shares.tolist(), round(float(log_sum), 3)
    ([0.5, 0.5], 1000.693)
    """
    top = logarithms.max(axis=axis, keepdims=True)
    found: Floats = np.exp(logarithms - top)
    whole = found.sum(axis=axis, keepdims=True)
    found /= whole
    return found, np.squeeze(top + np.log(whole), axis=axis)


def tame_wild(values: Floats, noise_u: Floats | float, *, reach: int = 2, farthest: float = 3.0) -> Floats:
    """Return values with each one no farther than ``farthest`` scatters from the median of its neighbours.

    A level step or a line keeps its shape; a single wild value keeps its side and a bounded weight. The scatter is the
    larger of the stated noise and of 1.4826 times the median distance from the neighbours.

    Parameters
    ----------
    values : array
        Values [one unit], any, in order along the last axis.
    noise_u : float or array
        Standard uncertainty of a value [the same unit], 0 or more (unchecked); a number or one for each.
    reach : int
        Neighbours on each side [-], 1 or more (unchecked); at an end the nearest that are there, as many in all.
    farthest : float
        How many scatters a value may lie off [-], above 0 (unchecked).

    Returns
    -------
    array
        Values [the same unit], in the shape given.

    References
    ----------
    F. R. Hampel 1974 (median and its deviation); the moving form is known as the Hampel filter. From memory.

    Examples
    --------
    >>> tame_wild(np.array([1.0, 1.0, 9.0, 1.0, 1.0]), 0.1).round(1).tolist()  # 1 and three scatters
    [1.0, 1.0, 1.3, 1.0, 1.0]
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


@elementwise
def standard_normal_tail(z: X | float) -> X:
    """Return the upper tail of the standard normal distribution, by its complementary error function [-].

    Parameters
    ----------
    z : float or array
        Standard normal number [-], any.

    Returns
    -------
    float or array
        Chance of a larger one [-], 0 to 1, in the shape given.

    References
    ----------
    Definition of the complementary error function.

    Examples
    --------
    >>> round(float(standard_normal_tail(1.96)), 3)  # any normal table
    0.025
    """
    return np.vectorize(lambda x: 0.5 * erfc(x / sqrt(2.0)), otypes=[float])(z)


@elementwise
def normal_of_student(t: X | float, freedom: X | float) -> X:
    """Return the standard normal number whose tail is that of Student's t [-].

    Validity record ``student_as_normal`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    t : float or array
        Student's t [-], any.
    freedom : float or array
        Degrees of freedom [-], 1 or more (unchecked).

    Returns
    -------
    float or array
        Standard normal number [-], in the broadcast shape.

    References
    ----------
    D. L. Wallace 1959, Ann. Math. Statist. 30, 1124-1130 (from memory).

    Examples
    --------
    >>> round(float(normal_of_student(2.228, 10.0)), 2)  # both are the two-sided 5 % point
    1.96
    """
    squeezed = np.sqrt(freedom * np.log1p(np.square(t) / freedom))
    return np.sign(t) * squeezed * (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)


def rising_chance(rising: int, count: int) -> float:
    """Return the chance that values in random order rise in at least so many of their pairs (Mann-Kendall, exact).

    Parameters
    ----------
    rising : int
        Pairs of which the later value is the larger [-], 0 to ``count`` (``count`` - 1)/2 (unchecked); a tie is none.
    count : int
        Values [-], 1 or more (unchecked).

    Returns
    -------
    float
        Chance [-], 0 to 1.

    See Also
    --------
    standard_normal_tail : What it comes to with many values.

    References
    ----------
    M. G. Kendall 1938, Biometrika 30, 81-93: the counts by recursion (from memory).

    Examples
    --------
    >>> rising_chance(6, 4) * 24  # one order of four values in twenty-four rises in every pair
    1.0
    """
    counts = np.ones(1)
    for places in range(2, count + 1):
        counts = np.convolve(counts, np.full(places, 1.0 / places))
    return float(counts[rising:].sum())
