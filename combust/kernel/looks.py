"""Bounds of several looks at a growing record, so that all of them together alarm as rarely as asked."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from math import inf, log, sqrt
from typing import Any

import numpy as np

from combust.kernel.tails import standard_normal_tail

LEAST_GROWTH = 1e-3  # of the information from look to look that the bounds reckon with
FAR = 9.0  # standard deviations beyond which a tail holds nothing (1e-19)


@lru_cache(maxsize=4096)
def critical_values(information: tuple[float, ...], spent: tuple[float, ...]) -> tuple[float, ...]:
    """Return the two-sided bound of each look at a growing record, so that all looks together alarm as rarely as asked.

    Estimates of one slope at successive looks have independent increments of the score, with variance the growth of
    the information; the density of records that have not alarmed yet is carried from look to look, so that the cost
    grows with the number of looks. A look at which nothing may be spent changes nothing.

    Parameters
    ----------
    information : tuple of float
        1/variance of the slope at each look [1/slope²], above 0, increasing (unchecked).
    spent : tuple of float
        Probability of a false alarm, either way, up to and including each look [-], 0 to 1, increasing (unchecked).

    Returns
    -------
    tuple of float
        Bounds for the size of slope/standard error [-], one a look; infinity where nothing may be spent.

    References
    ----------
    P. Armitage, C. K. McPherson, B. C. Rowe 1969 (recursion); K. K. G. Lan, D. L. DeMets 1983 (spending). From
    memory.

    Examples
    --------
    >>> round(critical_values((1.0,), (0.05,))[0], 2)  # the normal table's 1.96
    1.96
    """
    bounds = [inf] * len(information)
    shares = [after - before for before, after in pairwise((0.0, *spent))]
    asked = [look for look, share in enumerate(shares) if share > 0.0]
    old, mass, before = np.zeros(1), np.ones(1), 0.0  # where a record stands that has not alarmed, and how likely
    for place, look in enumerate(asked):
        amount = information[look]
        # In units of the square root of this look's information: x = (old + increment)/root, folded at 0.
        centre = old * (before / amount) ** 0.5
        spread = _spread(before, amount)
        bound = bounds[look] = _bound(centre, mass, spread, shares[look])
        if look != asked[-1]:
            coming = _spread(amount, information[asked[place + 1]])
            old, weights = _nodes(bound, coming)
            mass, before = weights * _density(old, centre, mass, spread), amount
    return tuple(bounds)


def _spread(before: float, amount: float) -> float:
    """Return the standard deviation of what one look adds, in units of that look."""
    return sqrt(max((amount - before) / amount, LEAST_GROWTH))


def _density(x: Any, centre: Any, mass: Any, spread: float) -> Any:
    """Return the density of the size of slope/standard error at this look, of records without an alarm before it."""
    near, far = ((np.asarray(x)[..., None] - side) / spread for side in (centre, -centre))
    return (np.exp(-0.5 * near**2) + np.exp(-0.5 * far**2)) @ mass / (spread * sqrt(2.0 * np.pi))


def _bound(centre: Any, mass: Any, spread: float, share: float) -> float:
    """Return the size beyond which a share of the records without an alarm lies, by Newton's rule on its logarithm."""
    if float(mass.sum()) <= share:
        return 0.0
    sides, twice = np.concatenate([centre, -centre]) / spread, np.concatenate([mass, mass])
    bound, moved = float(centre.max()), inf
    while abs(moved) > 1e-9:
        beyond = bound / spread - sides
        near = beyond < FAR
        tail = float(twice[near] @ standard_normal_tail(beyond[near]))
        slope = float(_density(bound, centre, mass, spread)) / tail
        moved = min(log(tail / share) / slope, 0.5)  # the logarithm is concave: from the far side it comes surely
        bound += moved
    return bound


def _nodes(bound: float, spread: float) -> tuple[Any, Any]:
    """Return places from 0 to a bound and their weights, close enough for the spread of the next look."""
    places, weights = _legendre(8 * (4 + int(bound / spread / 8.0)))
    return 0.5 * bound * (places + 1.0), 0.5 * bound * weights


@lru_cache
def _legendre(count: int) -> tuple[Any, Any]:
    """Return the places and weights of Gauss and Legendre, from -1 to 1."""
    places, weights = np.polynomial.legendre.leggauss(count)
    return places, weights
