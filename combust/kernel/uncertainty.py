"""Standard uncertainties of readings, and the best lambda of the measured channels (weighted least squares)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from combust.kernel.types import Atoms, AtomsTuple

COVERAGE = 2.0  # a class limit is read as a 95 % Gaussian limit: u = limit / 2
RECTANGULAR = 12.0**-0.5  # u of a reading rounded to a step: step / sqrt(12) (JCGM 100:2008, F.2.2.1)

# Student's t, two-sided 95 %, by degrees of freedom (any handbook table; the tests recompute it).
STUDENT_T = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 6: 2.447, 7: 2.365, 8: 2.306, 9: 2.262, 10: 2.228}
STUDENT_T |= {15: 2.131, 20: 2.086, 30: 2.042, 60: 2.000, 10_000: 1.960}


def standard_uncertainty(limit: Any, resolution: Any = 0.0, repeat_sd: Any = 0.0, repeats: Any = 1) -> Any:
    """Return the standard uncertainty of a reading from class limit, resolution and repeats, in their unit.

    Parameters
    ----------
    limit : float or array
        Accuracy limit of the instrument class, read as a 95 % Gaussian limit.
    resolution : float or array
        Step of the display; adds a rectangular part.
    repeat_sd, repeats : float or array
        Standard deviation and number of repeated readings whose mean is the reading. The scatter of a few readings
        is widened by Student's t (JCGM 100:2008, G.3).
    """
    parts = (limit / COVERAGE) ** 2 + (resolution * RECTANGULAR) ** 2
    counts = np.maximum(np.asarray(repeats, dtype=float), 1.0)
    widened = np.where(counts > 1.0, student_t(counts - 1.0) / 1.960, 1.0)
    return np.sqrt(parts + (widened * repeat_sd) ** 2 / counts)


def student_t(freedom: Any) -> Any:
    """Return Student's two-sided 95 % factor, interpolated in 1/degrees of freedom between table rows.

    Validity record ``student_t`` (``combust/data/approximate_forms.toml``).
    """
    rows = np.array(sorted(STUDENT_T, reverse=True), dtype=float)
    return np.interp(1.0 / np.maximum(freedom, 1.0), 1.0 / rows, [STUDENT_T[int(row)] for row in rows])


class LambdaFromOneGas(NamedTuple):
    """Lambda by one route and how it answers to each error, in lambda per standard uncertainty."""

    air_ratio: Any
    by_gas: Any
    by_co: Any
    by_hydrogen: Any

    @property
    def variance(self) -> Any:
        """Variance of this route's lambda."""
        return self.by_gas**2 + self.by_co**2 + self.by_hydrogen**2


STEP = 1e-5  # relative step of the forward differences: truncation and rounding both below 1e-4


def uncertain_route(
    route: Callable[..., Any],
    gas_pct: Any,
    fuel: Atoms,
    *,
    gas_u: Any,
    co_dry_ppm: Any = 0.0,
    co_u: Any = 0.0,
    hydrogen_u: Any = 0.0,
    **gases: Any,
) -> LambdaFromOneGas:
    """Return lambda by one gas with its first-order response to u(gas), u(CO) and u(H/C) of the fuel.

    Validity record ``first_order_uncertainty`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    route : callable
        :func:`air_ratio_from_o2` or :func:`air_ratio_from_co2`; ``gases`` go to it as they are.
    gas_pct, gas_u : float or array
        Its gas and the gas's standard uncertainty [vol %].
    co_dry_ppm, co_u, hydrogen_u : float or array
        CO [ppm], and the standard uncertainties of CO [ppm] and of H/C [mol/mol].
    """
    here = route(gas_pct, fuel, co_dry_ppm=co_dry_ppm, **gases)
    step_gas, step_co = STEP * 10.0, STEP * 1e6
    other = AtomsTuple(fuel.h_c + STEP, fuel.o_c, fuel.n_c, fuel.s_c)
    by_gas = route(gas_pct + step_gas, fuel, co_dry_ppm=co_dry_ppm, **gases) - here
    by_co = route(gas_pct, fuel, co_dry_ppm=co_dry_ppm + step_co, **gases) - here
    by_hydrogen = route(gas_pct, other, co_dry_ppm=co_dry_ppm, **gases) - here
    return LambdaFromOneGas(
        here, by_gas * (gas_u / step_gas), by_co * (co_u / step_co), by_hydrogen * (hydrogen_u / STEP)
    )


class BestEstimate(NamedTuple):
    """Best lambda, its standard uncertainty, and how far the two routes are apart in standard uncertainties."""

    air_ratio: Any
    air_ratio_u: Any
    z: Any


def best_air_ratio(by_o2: LambdaFromOneGas, by_co2: LambdaFromOneGas) -> BestEstimate:
    """Return the weighted least squares lambda of the O2 and the CO2 route, with their shared CO and fuel errors.

    Where one route is NaN the other is the answer and ``z`` is NaN. Where the routes differ by more than two standard
    uncertainties, u is widened by z/2, so that a contradiction never looks like precision.
    """
    shared = by_o2.by_co * by_co2.by_co + by_o2.by_hydrogen * by_co2.by_hydrogen
    of_difference = by_o2.variance + by_co2.variance - 2.0 * shared
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.clip((by_o2.variance - shared) / of_difference, 0.0, 1.0)
        both = by_o2.air_ratio + weight * (by_co2.air_ratio - by_o2.air_ratio)
        variance = (1.0 - weight) ** 2 * by_o2.variance + weight**2 * by_co2.variance
        variance = variance + 2.0 * weight * (1.0 - weight) * shared
        z = np.abs(by_o2.air_ratio - by_co2.air_ratio) / np.sqrt(of_difference)
    u = np.sqrt(variance) * np.maximum(1.0, z / 2.0)
    no_o2, no_co2 = np.isnan(by_o2.air_ratio), np.isnan(by_co2.air_ratio)
    best = np.where(no_o2, by_co2.air_ratio, np.where(no_co2, by_o2.air_ratio, both))
    best_u = np.where(no_o2, np.sqrt(by_co2.variance), np.where(no_co2, np.sqrt(by_o2.variance), u))
    return BestEstimate(best, best_u, z)
