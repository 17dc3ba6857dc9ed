"""When a fitted line crosses a limit, with the set of times that the data allow."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.kernel.trend import Trend


class Crossing(NamedTuple):
    """When a line crosses a limit: best time, and the ends of the set of times the data allow (infinite = open)."""

    time: Any
    earliest: Any
    latest: Any


def crossing_time(trend: Trend, limit: Any, quantile: float) -> Crossing:
    """Return the time (from t0) at which a line crosses a limit, with Fieller's set [years].

    The set holds every time whose line value cannot be told from the limit. Where the slope is not told from 0 it has
    no upper end: ``latest`` is infinite, and ``earliest`` may be minus infinity.

    Parameters
    ----------
    trend : Trend
        The line [unit of the values, a year].
    limit : float or array
        Where it is crossed [unit of the values], any.
    quantile : float
        Two-sided standard normal quantile [-], above 0 (unchecked); 1.645 for 90 %.

    Returns
    -------
    Crossing
        Times [years from t0], in the broadcast shape.

    References
    ----------
    E. C. Fieller 1954, J. Roy. Statist. Soc. B 16, 175-185 (from memory).

    Examples
    --------
    >>> trend = Trend(1.6, -0.1, 0.0, 0.0, 0.0, 0.0, 4.0, 1.0)
    >>> round(float(crossing_time(trend, 1.3, 1.645).time), 2)  # 0.3 at 0.1 a year
    3.0
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
