"""Brettschneider, Spindt and the shortcut: the reference's check points, and sweeps against the exact balance."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from combust.kernel.air_ratio import air_ratio_from_equivalence_ratio, equivalence_ratio_from_air_ratio
from combust.kernel.constants import DryAir
from combust.kernel.flue_gas import FlueGasMoles, co_share_from_co, flue_gas_moles
from combust.kernel.printed_forms import (
    air_fuel_ratio_spindt,
    air_ratio_brettschneider,
    air_ratio_shortcut,
    air_ratio_spindt,
)
from combust.kernel.types import AtomsTuple
from tests.source_rows import SourceRow, source_rows

AIR = DryAir(0.2095, 0.0, 0.0)  # the reference's: 20.95 % O2, the rest inert
TABLE = "worked apart: exact balance, air 20.95 % O2, K 3.5"
FUELS = {"CH1.80": (1.80, 0.0), "CH1.86": (1.86, 0.0), "CH1.86O0.007": (1.86, 0.007), "CH1.85": (1.85, 0.0)}
# fuel, lambda, CO %, then printed: CO2, O2, H2, H2O wet, Brettschneider, Spindt A/F, Spindt lambda, shortcut
POINTS = [
    ("CH1.80", 1.0, 0.0, "15.453 0 0 12.210 1.0000 14.484 1.0007 1.0000"),
    ("CH1.80", 1.2, 0.0, "12.730 3.692 0 10.279 1.2000 17.379 1.2007 1.2139"),
    ("CH1.80", 1.5, 0.0, "10.069 7.300 0 8.309 1.5000 21.722 1.5008 1.5348"),
    ("CH1.80", 2.0, 0.0, "7.467 10.827 0 6.297 2.0000 28.960 2.0009 2.0695"),
    ("CH1.80", 3.0, 0.0, "4.923 14.276 0 4.243 3.0000 43.436 3.0011 3.1391"),
    ("CH1.80", 1.2, 0.1, "12.619 3.751 0.026 10.250 1.2000 17.379 1.2007 1.2181"),
    ("CH1.80", 1.5, 0.1, "9.960 7.356 0.026 8.280 1.5000 21.722 1.5008 1.5411"),
    ("CH1.86", 1.5, 0.0, "9.976 7.307 0 8.490 1.5000 21.851 1.5008 1.5356"),
    ("CH1.86O0.007", 1.5, 0.0, "9.997 7.306 0 8.507 1.5000 21.834 1.4996 1.5354"),
    ("CH1.85", 1.5, 0.0, "9.991 7.306 0 8.460 1.5000 21.830 1.5008 1.5355"),
    ("CH1.85", 1.1, 0.5, "13.294 2.335 0.136 11.209 1.1000 16.010 1.1007 1.1255"),
]


@cache
def gas_of(name: str, ratio: float, co_pct: float) -> FlueGasMoles:
    atoms = AtomsTuple(*FUELS[name])
    share = co_share_from_co(atoms, ratio, co_pct / 100.0, air=AIR)
    return flue_gas_moles(atoms, ratio, co_share=share, air=AIR)


def value(name: str, ratio: float, co_pct: float, column: int) -> float:
    gas, atoms = gas_of(name, ratio, co_pct), AtomsTuple(*FUELS[name])
    co2, o2, h2, co = (100.0 * float(getattr(gas, key) / gas.dry) for key in ("co2", "o2", "h2", "co"))
    wet_water = 100.0 * float(gas.h2o / gas.wet)
    lambdas = (
        air_ratio_brettschneider(o2, co2, atoms, co_dry_ppm=co * 1e4),
        air_fuel_ratio_spindt(o2, co2, co, 0.0, atoms.h_c),
        air_ratio_spindt(o2, co2, atoms, co_dry_ppm=co * 1e4),
        air_ratio_shortcut(o2),
    )
    return float((co2, o2, h2, wet_water, *lambdas)[column])


TITLES = ("CO2 dry", "O2 dry", "H2 dry", "H2O wet", "Brettschneider lambda", "Spindt A/F", "Spindt lambda", "shortcut")


@source_rows(
    *(
        SourceRow(
            "independent",
            TABLE,
            f"{name} lambda {ratio} CO {co} %: {title}",
            printed,
            lambda name=name, ratio=ratio, co=co, column=column: value(name, ratio, co, column),
            status="COMP",
        )
        for name, ratio, co, row in POINTS
        for column, (title, printed) in enumerate(zip(TITLES, row.split(), strict=True))
        if printed != "0"
    )
)
def test_check_points(row: SourceRow) -> None:
    row.check()


# ---- sweeps: each form over its range against the exact balance; the bounds stand in the docstrings -------------

RATIO = np.linspace(1.0, 4.0, 301)
OXYGEN_FREE = [AtomsTuple(h_c, 0.0) for h_c in (1.7, 1.86, 2.0, 2.2)]
WITH_OXYGEN = [AtomsTuple(1.86, 0.007), AtomsTuple(1.857, 0.107), AtomsTuple(1.93, 0.033)]


def error_pct(form: str, fuel: AtomsTuple, co_share: float, ratio: np.ndarray = RATIO) -> np.ndarray:
    gas = flue_gas_moles(fuel, ratio, co_share=co_share)
    o2, co2, co = 100.0 * gas.o2 / gas.dry, 100.0 * gas.co2 / gas.dry, 1e6 * gas.co / gas.dry
    found = {
        "brettschneider": lambda: air_ratio_brettschneider(o2, co2, fuel, co_dry_ppm=co),
        "spindt": lambda: air_ratio_spindt(o2, co2, fuel, co_dry_ppm=co),
        "shortcut": lambda: air_ratio_shortcut(o2),
    }[form]()
    return 100.0 * (found / ratio - 1.0)


@pytest.mark.independent
@pytest.mark.parametrize("co_share", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("fuel", OXYGEN_FREE + WITH_OXYGEN)
def test_brettschneider_is_exact_at_one_and_at_most_0_93_pct_low_at_four(fuel: AtomsTuple, co_share: float) -> None:
    error = error_pct("brettschneider", fuel, co_share)
    assert error[0] == pytest.approx(0.0, abs=0.001)
    assert np.all(np.diff(error) < 0.0)
    assert np.all(np.abs(error[RATIO <= 2.0]) < 0.32)
    assert -0.93 < error[-1] < -0.8


@pytest.mark.independent
@pytest.mark.parametrize("co_share", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("fuel", OXYGEN_FREE)
def test_spindt_without_fuel_oxygen_stays_within_0_9_pct(fuel: AtomsTuple, co_share: float) -> None:
    error = error_pct("spindt", fuel, co_share)
    assert error.max() < 0.1
    assert error.min() > -0.9


@pytest.mark.independent
@pytest.mark.parametrize(("fuel", "low"), list(zip(WITH_OXYGEN, (-1.05, -3.6, -1.7), strict=True)))
def test_spindt_reads_low_by_the_fuel_oxygen(fuel: AtomsTuple, low: float) -> None:
    error = error_pct("spindt", fuel, 0.0)
    assert low < error.min() < 0.9 * low


@pytest.mark.independent
@pytest.mark.parametrize("fuel", OXYGEN_FREE + WITH_OXYGEN)
def test_shortcut_reads_high_without_exception(fuel: AtomsTuple) -> None:
    """2.4 to 3.0 % at lambda 1.6, 3.2 to 4.0 % at 2, below 6 % up to 4; CO makes it worse."""
    error = error_pct("shortcut", fuel, 0.0)
    at = {ratio: float(np.interp(ratio, RATIO, error)) for ratio in (1.0, 1.6, 2.0, 4.0)}
    assert at[1.0] == pytest.approx(0.0, abs=1e-6)
    assert 2.4 < at[1.6] < 3.0
    assert 3.2 < at[2.0] < 4.0
    assert 4.7 < at[4.0] < 6.0
    assert np.all(error_pct("shortcut", fuel, 0.02) > error)


def test_equivalence_ratio_and_back() -> None:
    """Hand: phi = 1/lambda; 0.8 is 1.25."""
    assert equivalence_ratio_from_air_ratio(0.8) == 1.25
    assert air_ratio_from_equivalence_ratio(1.25) == 0.8
