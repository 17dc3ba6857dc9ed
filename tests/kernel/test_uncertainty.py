"""Standard uncertainties: Student's t, repeats, the delta method against Monte Carlo and against two libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
import uncertainties

from combust.kernel.air_ratio import air_ratio_from_co2, air_ratio_from_o2, o2_from_co2
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.uncertainty import (
    STUDENT_T,
    AtomsTuple,
    Route,
    best_air_ratio,
    best_estimate,
    standard_uncertainty,
    student_t,
    uncertain_route,
)
from tests.source_rows import SourceRow, source_rows

B7 = AtomsTuple(1.86, 0.007)
EXACT_T = scipy.stats.t.ppf(0.975, [*range(1, 11), 15, 20, 30, 60])


@source_rows(
    *(
        SourceRow(
            "independent",
            f"scipy {scipy.__version__}, stats.t.ppf(0.975)",
            f"Student's t, {freedom} degrees of freedom",
            f"{scipy.stats.t.ppf(0.975, freedom):.3f}",
            lambda freedom=freedom: student_t(freedom),
            tolerance=5.1e-4,
        )
        for freedom in STUDENT_T
        if freedom < 10_000
    ),
    SourceRow(
        "hand",
        "JCGM 100:2008, F.2.2.1: a step d gives d/sqrt(12); 0.1/3.4641 = 0.028868",
        "u of a display step of 0.1",
        "0.028868",
        lambda: standard_uncertainty(0.0, 0.1),
    ),
    SourceRow(
        "hand",
        "class limit 0.3 as 95 % Gaussian limit, step 0.1: sqrt(0.15² + 0.028868²) = 0.152753",
        "u(O2) of a portable analyser [vol %]",
        "0.152753",
        lambda: standard_uncertainty(0.3, 0.1),
    ),
    SourceRow(
        "hand",
        "three repeats, sd 0.2: t(2) = 4.303; 4.303/1.960·0.2/sqrt(3) = 0.253507; with 0.15: 0.294562",
        "u of the mean of three readings",
        "0.29456",
        lambda: standard_uncertainty(0.3, 0.0, 0.2, 3),
        tolerance=2e-5,
    ),
)
def test_uncertainty_rows(row: SourceRow) -> None:
    row.check()


def test_student_t_between_table_rows() -> None:
    """Interpolated in 1/freedom: within 0.3 % of scipy for any whole number; 1.960 for very many."""
    freedom = np.arange(1, 2000)
    assert np.abs(student_t(freedom) / scipy.stats.t.ppf(0.975, freedom) - 1.0).max() < 3e-3
    assert student_t(1e9) == pytest.approx(1.960)


@pytest.mark.independent
@pytest.mark.parametrize("repeats", [2, 3, 5, 12])
def test_interval_of_a_mean_of_repeats_covers_95_in_100(repeats: int) -> None:
    """100 000 simulated means of Gaussian scatter only: mean ± 1.96 u covers, because t widens u."""
    rng = np.random.default_rng(31)
    readings = rng.normal(0.0, 0.4, (100_000, repeats))
    u = standard_uncertainty(0.0, 0.0, readings.std(axis=1, ddof=1), repeats)
    covered = np.mean(np.abs(readings.mean(axis=1)) <= 1.96 * u)
    assert covered == pytest.approx(0.95, abs=0.005)


def test_one_reading_is_not_widened_and_more_repeats_help() -> None:
    assert standard_uncertainty(0.3, 0.0, 0.0, 1) == pytest.approx(0.15)
    u = [float(standard_uncertainty(0.0, 0.0, 0.2, repeats)) for repeats in (2, 3, 5, 10, 30)]
    assert u == sorted(u, reverse=True)


# ---- delta method against Monte Carlo: a million draws, each route, three points ---------------------------------


@pytest.mark.independent
@pytest.mark.parametrize("ratio", [1.1, 1.6, 2.5])
@pytest.mark.parametrize("route", ["o2", "co2", "best"])
def test_delta_method_against_a_million_draws(ratio: float, route: str) -> None:
    """First order: u within 1.5 % of the drawn standard deviation at the class's own u(O2) 0.05 and u(CO2) 0.1."""
    rng = np.random.default_rng(32)
    draws = 1_000_000
    gas = flue_gas_moles(B7, ratio, co_share=0.003)
    o2, co2, co = (float(getattr(gas, name) / gas.dry) for name in ("o2", "co2", "co"))
    o2, co2, co = 100 * o2, 100 * co2, 1e6 * co
    u = {"o2": 0.05, "co2": 0.10, "co": 30.0, "h": 0.03}
    drawn_o2, drawn_co2 = rng.normal(o2, u["o2"], draws), rng.normal(co2, u["co2"], draws)
    drawn_co = rng.normal(co, u["co"], draws)
    fuels = AtomsTuple(rng.normal(B7.h_c, u["h"], draws), B7.o_c)
    by_o2 = uncertain_route(air_ratio_from_o2, o2, B7, gas_u=u["o2"], co_dry_ppm=co, co_u=u["co"], hydrogen_u=u["h"])
    by_co2 = uncertain_route(
        air_ratio_from_co2, co2, B7, gas_u=u["co2"], co_dry_ppm=co, co_u=u["co"], hydrogen_u=u["h"]
    )
    drawn = {
        "o2": air_ratio_from_o2(drawn_o2, fuels, co_dry_ppm=drawn_co),
        "co2": air_ratio_from_co2(drawn_co2, fuels, co_dry_ppm=drawn_co),
    }
    if route == "best":
        shared = by_o2.by_co * by_co2.by_co + by_o2.by_hydrogen * by_co2.by_hydrogen
        weight = (by_o2.variance - shared) / (by_o2.variance + by_co2.variance - 2 * shared)
        sample = (1 - weight) * drawn["o2"] + weight * drawn["co2"]
        gases = {"co_dry_ppm": co, "co_u": u["co"], "hydrogen_u": u["h"]}
        ours = best_air_ratio(
            by_o2, o2, u["o2"], uncertain_route(o2_from_co2, co2, B7, gas_u=u["co2"], **gases)
        ).air_ratio_u
    else:
        sample = drawn[route]
        ours = math.sqrt({"o2": by_o2, "co2": by_co2}[route].variance)
    assert ours == pytest.approx(sample.std(), rel=0.015)
    assert sample.mean() == pytest.approx(ratio, rel=2e-3)


@pytest.mark.independent
def test_delta_method_against_the_library_uncertainties() -> None:
    """Automatic derivatives of the exact O2 relation without CO, and with CO by its numeric wrapper: 300 rows."""
    rng = np.random.default_rng(33)
    for _ in range(300):
        o2, o2_u = rng.uniform(1.0, 17.0), rng.uniform(0.02, 0.3)
        co, co_u = rng.uniform(0.0, 5000.0), rng.uniform(1.0, 200.0)
        h_c, h_u = rng.uniform(1.7, 2.3), 0.03
        wrapped = uncertainties.wrap(
            lambda oxygen, monoxide, hydrogen: float(
                air_ratio_from_o2(oxygen, AtomsTuple(hydrogen, 0.01), co_dry_ppm=monoxide)
            )
        )
        theirs = wrapped(uncertainties.ufloat(o2, o2_u), uncertainties.ufloat(co, co_u), uncertainties.ufloat(h_c, h_u))
        route = uncertain_route(
            air_ratio_from_o2, o2, AtomsTuple(h_c, 0.01), gas_u=o2_u, co_dry_ppm=co, co_u=co_u, hydrogen_u=h_u
        )
        assert math.sqrt(route.variance) == pytest.approx(theirs.std_dev, rel=1e-3)


@pytest.mark.independent
def test_oxygen_response_by_automatic_derivative() -> None:
    """Exact without CO: lambda = 1 + O2 V/(X - O2), V dry gas over air of CH1.86O0.007; the library's derivative."""
    need = 1.0 + 1.86 / 4 - 0.007 / 2
    air_moles = need / 0.20946
    dry = 1.0 + air_moles * (1.0 - 0.20946)
    for o2 in (1.0, 5.0, 8.2, 12.0, 17.0):
        reading = uncertainties.ufloat(o2, 0.15)
        theirs = 1.0 + reading / 100.0 * dry / air_moles / (0.20946 - reading / 100.0)
        route = uncertain_route(air_ratio_from_o2, o2, B7, gas_u=0.15)
        assert route.value == pytest.approx(theirs.nominal_value, rel=1e-12)
        assert abs(route.by_gas) == pytest.approx(theirs.std_dev, rel=1e-3)


# ---- the best estimate -------------------------------------------------------------------------------------------


def route(value: float, u: float) -> Route:
    return Route(value, u, 0.0, 0.0)


@pytest.mark.hand
def test_best_estimate_by_hand() -> None:
    """Hand: 1.60 ± 0.02 and 1.66 ± 0.04, independent. Weights 4:1 give 1.612; u = 0.02·0.04/sqrt(0.002) = 0.017889;
    z = 0.06/sqrt(0.002) = 1.3416."""
    best = best_estimate(route(1.60, 0.02), route(1.66, 0.04))
    assert best.value == pytest.approx(1.612)
    assert best.u == pytest.approx(0.0178885, rel=1e-5)
    assert best.z == pytest.approx(1.3416, abs=1e-4)


def test_a_contradiction_never_looks_like_precision() -> None:
    """Hand: 1.60 ± 0.02 against 1.80 ± 0.02: z = 0.2/0.028284 = 7.071, so u is widened by 3.536 to 0.05."""
    best = best_estimate(route(1.60, 0.02), route(1.80, 0.02))
    assert best.z == pytest.approx(7.0711, abs=1e-4)
    assert best.u == pytest.approx(0.05, rel=1e-6)


def test_one_route_alone_is_the_answer_and_z_is_nan() -> None:
    nan = float("nan")
    only_o2 = best_estimate(route(1.6, 0.02), route(nan, nan))
    only_co2 = best_estimate(route(nan, nan), route(1.7, 0.05))
    assert (only_o2.value, only_o2.u) == (1.6, 0.02)
    assert (only_co2.value, only_co2.u) == (1.7, 0.05)
    assert math.isnan(only_o2.z)
    assert math.isnan(only_co2.z)
    assert math.isnan(best_estimate(route(nan, nan), route(nan, nan)).value)
