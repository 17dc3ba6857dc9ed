"""Standard uncertainties of readings, and the best lambda of the measured gases, weighed in the plane of O2 and CO2."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, NamedTuple

import numpy as np

from combust.kernel.constants import DRY_AIR
from combust.kernel.elementwise import elementwise
from combust.kernel.types import Atoms, AtomsTuple, X

COVERAGE = 2.0  # a class limit is read as a 95 % Gaussian limit: u = limit / 2
RECTANGULAR = 12.0**-0.5  # u of a reading rounded to a step: step / sqrt(12) (JCGM 100:2008, F.2.2.1)

# Student's t, two-sided 95 %, by degrees of freedom (any handbook table; the tests recompute it).
STUDENT_T = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 6: 2.447, 7: 2.365, 8: 2.306, 9: 2.262, 10: 2.228}
STUDENT_T |= {15: 2.131, 20: 2.086, 30: 2.042, 60: 2.000, 10_000: 1.960}


@elementwise
def standard_uncertainty(
    limit: X | float, resolution: X | float = 0.0, repeat_sd: X | float = 0.0, repeats: X | float = 1
) -> X:
    """Return the standard uncertainty of a reading from class limit, resolution and repeats, in their unit.

    Parameters
    ----------
    limit : float or array
        Accuracy limit of the instrument class [unit of the reading], 0 or more (unchecked), read as a 95 % Gaussian
        limit.
    resolution : float or array
        Step of the display [unit of the reading], 0 or more (unchecked); adds a rectangular part.
    repeat_sd : float or array
        Standard deviation of repeated readings whose mean is the reading [unit of the reading], 0 or more
        (unchecked).
    repeats : float or array
        How many there were [-]; below 1 counts as 1. The scatter of a few is widened by Student's t.

    Returns
    -------
    float or array
        Standard uncertainty [unit of the reading], in the broadcast shape.

    References
    ----------
    JCGM 100:2008, F.2.2.1 and G.3.

    Examples
    --------
    >>> round(float(standard_uncertainty(0.3, 0.1)), 4)  # sqrt(0.15² + 0.1²/12)
    0.1528
    """
    parts = (limit / COVERAGE) ** 2 + (resolution * RECTANGULAR) ** 2
    counts = np.maximum(np.asarray(repeats, dtype=float), 1.0)
    widened = np.where(counts > 1.0, student_t(counts - 1.0) / 1.960, 1.0)
    return np.sqrt(parts + (widened * repeat_sd) ** 2 / counts)


@elementwise
def student_t(freedom: X | float) -> X:
    """Return Student's two-sided 95 % factor, interpolated in 1/degrees of freedom between table rows.

    Validity record ``student_t`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    freedom : float or array
        Degrees of freedom [-]; below 1 counts as 1.

    Returns
    -------
    float or array
        Factor [-], in the shape given.

    References
    ----------
    Any handbook table; the tests recompute it.

    Examples
    --------
    >>> round(float(student_t(4.0)), 3)
    2.776
    """
    rows = np.array(sorted(STUDENT_T, reverse=True), dtype=float)
    return np.interp(1.0 / np.maximum(freedom, 1.0), 1.0 / rows, [STUDENT_T[int(row)] for row in rows])


class Route(NamedTuple, Generic[X]):
    """A value by one route and how it answers to each error, in its unit per standard uncertainty."""

    value: X
    by_gas: X
    by_co: X
    by_hydrogen: X

    @property
    def variance(self) -> X:
        """Variance of this route's value [its unit squared]."""
        return self.by_gas**2 + self.by_co**2 + self.by_hydrogen**2


STEP = 1e-5  # relative step of the forward differences: truncation and rounding both below 1e-4


@elementwise
def uncertain_route(
    route: Callable[..., Any],
    gas_pct: X | float,
    fuel: Atoms[X],
    *,
    gas_u: X | float,
    co_dry_ppm: X | float = 0.0,
    co_u: X | float = 0.0,
    hydrogen_u: X | float = 0.0,
    **gases: Any,
) -> Route[X]:
    """Return what one gas gives, with its first-order response to u(gas), u(CO) and u(H/C) of the fuel.

    Validity record ``first_order_uncertainty`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    route : callable
        :func:`~combust.kernel.air_ratio.air_ratio_from_o2`, :func:`~combust.kernel.air_ratio.air_ratio_from_co2` or
        :func:`~combust.kernel.air_ratio.o2_from_co2`.
    gas_pct, gas_u : float or array
        Its gas and the gas's standard uncertainty [vol %, dry], 0 to 21 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, co_u : float or array
        CO and its standard uncertainty [ppm, dry], 0 or more (unchecked).
    hydrogen_u : float or array
        Standard uncertainty of H/C [mol/mol], 0 or more (unchecked).
    **gases : float or array
        What else the route takes, as it is [ppm, dry], any.

    Returns
    -------
    Route
        Value [unit of the route] and its answers to one standard uncertainty of each, in the broadcast shape.

    References
    ----------
    JCGM 100:2008, 5.1.2, first order, by differences.

    Examples
    --------
    >>> from combust.kernel.air_ratio import air_ratio_from_o2
    >>> found = uncertain_route(air_ratio_from_o2, 8.2, AtomsTuple(1.86, 0.007), gas_u=0.15)
    >>> round(float(found.value), 2), round(2.0 * float(found.variance) ** 0.5, 2)
    (1.6, 0.04)
    """
    here = route(gas_pct, fuel, co_dry_ppm=co_dry_ppm, **gases)
    step_gas, step_co = STEP * 10.0, STEP * 1e6
    other = AtomsTuple(fuel.h_c + STEP, fuel.o_c, fuel.n_c, fuel.s_c)
    by_gas = route(gas_pct + step_gas, fuel, co_dry_ppm=co_dry_ppm, **gases) - here
    by_co = route(gas_pct, fuel, co_dry_ppm=co_dry_ppm + step_co, **gases) - here
    by_hydrogen = route(gas_pct, other, co_dry_ppm=co_dry_ppm, **gases) - here
    return Route(here, by_gas * (gas_u / step_gas), by_co * (co_u / step_co), by_hydrogen * (hydrogen_u / STEP))


class BestEstimate(NamedTuple, Generic[X]):
    """Best value of two routes, its standard uncertainty, and how far they are apart in standard uncertainties."""

    value: X
    u: X
    z: X


@elementwise
def best_estimate(first: Route[X] | Route[float], second: Route[X] | Route[float]) -> BestEstimate[X]:
    """Return the weighted least squares value of two routes, with their shared CO and fuel errors.

    Where the routes differ by more than two standard uncertainties, u is widened by z/2, so that a contradiction never
    looks like precision.

    Parameters
    ----------
    first, second : Route
        The two routes [one unit]; NaN where one was not measured.

    Returns
    -------
    BestEstimate
        Value and u [the same unit], z [-], in the broadcast shape; where one route is NaN the other is the answer
        and ``z`` is NaN.

    References
    ----------
    A. C. Aitken 1936, generalised least squares (from memory). Widening: a convention of this project.

    Examples
    --------
    >>> found = best_estimate(Route(1.0, 0.1, 0.0, 0.0), Route(1.2, 0.1, 0.0, 0.0))
    >>> round(float(found.value), 2), round(float(found.u), 4)  # 0.1/sqrt(2)
    (1.1, 0.0707)
    """
    shared = first.by_co * second.by_co + first.by_hydrogen * second.by_hydrogen
    of_difference = first.variance + second.variance - 2.0 * shared
    weight = np.clip((first.variance - shared) / of_difference, 0.0, 1.0)
    both = first.value + weight * (second.value - first.value)
    variance = (1.0 - weight) ** 2 * first.variance + weight**2 * second.variance
    variance = variance + 2.0 * weight * (1.0 - weight) * shared
    z = np.abs(first.value - second.value) / np.sqrt(of_difference)
    u = np.sqrt(variance) * np.maximum(1.0, z / 2.0)
    no_first, no_second = np.isnan(first.value), np.isnan(second.value)
    best = np.where(no_first, second.value, np.where(no_second, first.value, both))
    best_u = np.where(no_first, np.sqrt(second.variance), np.where(no_second, np.sqrt(first.variance), u))
    return BestEstimate(best, best_u, z)


class BestAirRatio(NamedTuple, Generic[X]):
    """Best lambda of a reading, judged in the plane of its two gases.

    ``o2`` is the O2 that the gases together say [vol %], ``o2_u`` its standard uncertainty with what CO and fuel add,
    ``z`` how far the two gases lie apart there. ``slope`` is d lambda/d O2 [1/vol %].
    """

    air_ratio: X
    o2: X
    o2_u: X
    slope: X
    z: X

    @property
    def air_ratio_u(self) -> X:
        """Standard uncertainty of lambda, first order [-]."""
        return self.slope * self.o2_u

    @elementwise
    def at(self: Any, standard_uncertainties: X | float) -> X:
        """Return lambda so many standard uncertainties of O2 further; infinity at clean air and beyond.

        Lambda is a hyperbola of O2 with its pole at clean air: exact without CO, so an interval of O2 becomes one of
        lambda that is not symmetric.

        Parameters
        ----------
        standard_uncertainties : float or array
            How far [standard uncertainties of O2], any.

        Returns
        -------
        float or array
            lambda [-], in the broadcast shape.

        References
        ----------
        Balance of the elements, no CO.

        Examples
        --------
        >>> best = BestAirRatio(1.6, 8.2, 0.15, 0.13, 0.0)
        >>> float(best.at(0.0)), bool(best.at(2.0) - 1.6 > 1.6 - best.at(-2.0))
        (1.6, True)
        """
        return _on_hyperbola(self.air_ratio, self.slope, self.o2, standard_uncertainties * self.o2_u)[0]


@elementwise
def best_air_ratio(
    by_o2: Route[X] | Route[float], o2_dry_pct: X | float, o2_u: X | float, by_co2: Route[X] | Route[float]
) -> BestAirRatio[X]:
    """Return the best lambda of O2 and the O2 that belongs to CO2; NaN in either where it was not measured.

    The two are weighed and compared as O2, where the errors of an analyser are Gaussian; lambda's own errors are not.
    Validity record ``lambda_hyperbola`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    by_o2 : Route
        Lambda [-] at the O2 read, or at that of CO2 where no O2 was read (:func:`uncertain_route`).
    o2_dry_pct, o2_u : float or array
        O2 as read and its standard uncertainty [vol %, dry], 0 to 21 (unchecked).
    by_co2 : Route
        The O2 of CO2 [vol %, dry] (:func:`combust.kernel.air_ratio.o2_from_co2`).

    Returns
    -------
    BestAirRatio
        lambda [-] and its O2 [vol %], in the broadcast shape.

    References
    ----------
    A. C. Aitken 1936, generalised least squares (from memory).

    Examples
    --------
    >>> from combust.kernel.air_ratio import air_ratio_from_o2, o2_from_co2
    >>> fuel = AtomsTuple(1.86, 0.007)
    >>> one = uncertain_route(air_ratio_from_o2, 8.2, fuel, gas_u=0.15)
    >>> other = uncertain_route(o2_from_co2, 9.3, fuel, gas_u=0.25)
    >>> round(float(best_air_ratio(one, 8.2, 0.15, other).air_ratio), 1)
    1.6
    """
    slope = by_o2.by_gas / o2_u
    # An error of CO or fuel moves lambda at a given O2: as so much O2, it is shared by both.
    by_co, by_hydrogen = by_o2.by_co / slope, by_o2.by_hydrogen / slope
    one: Route[Any] = Route(o2_dry_pct, o2_u, by_co, by_hydrogen)
    other: Route[Any] = Route(by_co2.value, by_co2.by_gas, by_co + by_co2.by_co, by_hydrogen + by_co2.by_hydrogen)
    best = best_estimate(one, other)
    here = np.where(np.isnan(o2_dry_pct), by_co2.value, o2_dry_pct)
    ratio, slope = _on_hyperbola(by_o2.value, slope, here, best.value - here)
    return BestAirRatio(ratio, best.value, best.u, slope, best.z)


def _on_hyperbola(air_ratio: Any, slope: Any, o2: Any, further: Any) -> tuple[Any, Any]:
    """Return lambda and its slope at an O2 that lies further, on the hyperbola through lambda with its slope."""
    left = 100.0 * DRY_AIR.o2 - o2
    stretch = left / (left - further)
    moved = air_ratio + slope * further * stretch
    return np.where(further >= left, np.inf, moved), slope * stretch * stretch


def wilson_interval(count: int, of: int, *, z: float = 1.959964) -> tuple[float, float]:
    """Return the score interval of a share that was counted.

    Parameters
    ----------
    count, of : int
        So many of so many [-], 0 or more, ``count`` at most ``of`` (unchecked).
    z : float
        Standard normal quantile [-], above 0 (unchecked): 1.959964 for 95 % on two sides, 1.644854 for 90 %.

    Returns
    -------
    low, high : float
        Shares between 0 and 1 [-]; 0 and 1 where nothing was counted.

    References
    ----------
    E. B. Wilson, Probable inference, the law of succession, and statistical inference, J. Am. Stat. Assoc. 22 (1927),
    pp. 209-212. Compared with ten others in R. G. Newcombe, Statistics in Medicine 17 (1998), pp. 857-872 (method 3).

    Examples
    --------
    >>> tuple(round(end, 4) for end in wilson_interval(81, 263))
    (0.2553, 0.3662)
    """
    if of == 0:
        return 0.0, 1.0
    middle = count + 0.5 * z * z
    half = z * (count * (of - count) / of + 0.25 * z * z) ** 0.5
    return max(0.0, (middle - half) / (of + z * z)), min(1.0, (middle + half) / (of + z * z))
