"""Forward then inverse returns lambda, and no atom is lost: property tests of the element balance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.kernel.air_ratio import (
    air_ratio_from_balance,
    air_ratio_from_co2,
    air_ratio_from_o2,
)
from combust.kernel.constants import DRY_AIR, DryAir
from combust.kernel.flue_gas import FlueGasMoles, co_share_from_co, flue_gas_moles
from combust.kernel.stoichiometry import (
    co2_maximum,
    dry_flue_gas_moles,
    dry_flue_gas_volume,
    flue_water_mass,
    molar_mass_per_carbon,
    stoichiometric_air_moles,
    wet_flue_gas_volume,
)
from combust.kernel.types import AtomsTuple
from combust.kernel.wet_reading import dry_fraction_of_wet_reading

ROWS = 20_000
EXACT = 1e-9  # the project's own promise: lambda comes back to 1e-9, relative
AIRS = [DRY_AIR, DryAir(0.2095, 0.0, 0.0), DryAir(0.209, 0.001, 0.0093)]


def random_fuels(rng: np.random.Generator, size: int = ROWS) -> AtomsTuple:
    """Return CHONS fuels that need at least half a mol of O2 for each carbon atom."""
    h_c, o_c = rng.uniform(0.4, 4.0, size), rng.uniform(0.0, 1.0, size)
    return AtomsTuple(h_c, o_c, rng.uniform(0.0, 0.2, size), rng.uniform(0.0, 0.05, size))


def dry_reading(gas: FlueGasMoles) -> dict[str, np.ndarray]:
    """Return what an ideal analyser shows on the dried gas."""
    share = {name: getattr(gas, name) / gas.dry for name in ("o2", "co2", "co", "hc", "no")}
    return {
        "o2": 100.0 * share["o2"],
        "co2": 100.0 * share["co2"],
        "co": 1e6 * share["co"],
        "hc": 1e6 * share["hc"],
        "no": 1e6 * share["no"],
    }


def worst(found: np.ndarray, truth: np.ndarray) -> float:
    """Return the largest relative difference; NaN anywhere is a failure."""
    difference = np.abs(found / truth - 1.0)
    assert not np.isnan(difference).any()
    return float(difference.max())


def by_every_route(gas: FlueGasMoles, fuel: AtomsTuple, air: DryAir) -> dict[str, np.ndarray]:
    """Return lambda of one gas by the three exact routes."""
    dry = dry_reading(gas)
    with_no = {"co_dry_ppm": dry["co"], "hc_dry_ppm": dry["hc"], "no_dry_ppm": dry["no"], "air": air}
    without_no = {"co_dry_ppm": dry["co"], "hc_dry_ppm": dry["hc"], "air": air}
    return {
        "balance": air_ratio_from_balance(dry["o2"], dry["co2"], fuel, **with_no),
        "o2": air_ratio_from_o2(dry["o2"], fuel, **with_no),
        "co2": air_ratio_from_co2(dry["co2"], fuel, **without_no),
    }


@pytest.mark.parametrize("air", AIRS, ids=["default", "o2_20.95", "co2_0.1"])
def test_lean_forward_then_inverse_returns_lambda(air: DryAir) -> None:
    rng = np.random.default_rng(1)
    fuel = random_fuels(rng)
    truth = rng.uniform(1.0, 6.0, ROWS)
    gas = flue_gas_moles(
        fuel,
        truth,
        co_share=rng.uniform(0.0, 0.10, ROWS),
        hc_share=rng.uniform(0.0, 0.10, ROWS),
        no_share=rng.uniform(0.0, 0.02, ROWS),
        humidity_ratio=rng.uniform(0.0, 0.05, ROWS),
        air=air,
    )
    for route, found in by_every_route(gas, fuel, air).items():
        assert worst(found, truth) < EXACT, route


@pytest.mark.parametrize("air", AIRS, ids=["default", "o2_20.95", "co2_0.1"])
def test_rich_forward_then_inverse_returns_lambda(air: DryAir) -> None:
    """lambda 0.7 to 1, no O2 left, CO and H2 from the water gas; every route, given the CO."""
    rng = np.random.default_rng(2)
    h_c = rng.uniform(1.0, 4.0, ROWS)
    fuel = AtomsTuple(h_c, rng.uniform(0.0, 0.5, ROWS), rng.uniform(0.0, 0.2, ROWS), rng.uniform(0.0, 0.05, ROWS))
    truth = rng.uniform(0.7, 1.0, ROWS)
    gas = flue_gas_moles(fuel, truth, humidity_ratio=rng.uniform(0.0, 0.05, ROWS), air=air)
    assert np.all(gas.o2 == 0.0)
    assert np.all(gas.co > 0.0)
    for route, found in by_every_route(gas, fuel, air).items():
        assert worst(found, truth) < EXACT, route


def test_complete_burn_needs_one_gas_only() -> None:
    rng = np.random.default_rng(3)
    fuel = random_fuels(rng)
    truth = rng.uniform(1.0, 6.0, ROWS)
    dry = dry_reading(flue_gas_moles(fuel, truth))
    assert worst(air_ratio_from_o2(dry["o2"], fuel), truth) < EXACT
    assert worst(air_ratio_from_co2(dry["co2"], fuel), truth) < EXACT


def test_no_atom_is_lost() -> None:
    """C, H, O, N and S of fuel and moist air all leave with the gas; unburnt fuel keeps the fuel's formula."""
    rng = np.random.default_rng(4)
    fuel = random_fuels(rng)
    truth = rng.uniform(0.75, 6.0, ROWS)
    water = rng.uniform(0.0, 0.05, ROWS)
    gas = flue_gas_moles(
        fuel,
        truth,
        co_share=rng.uniform(0.0, 0.10, ROWS),
        hc_share=rng.uniform(0.0, 0.05, ROWS),
        no_share=rng.uniform(0.0, 0.02, ROWS),
        humidity_ratio=water,
    )
    air = truth * stoichiometric_air_moles(fuel)
    in_out = {
        "C": (1.0 + air * DRY_AIR.co2, gas.co2 + gas.co + gas.hc),
        "H": (fuel.h_c + 2.0 * air * water, 2.0 * (gas.h2o + gas.h2) + gas.hc * fuel.h_c),
        "O": (
            fuel.o_c + air * (2.0 * DRY_AIR.o2 + 2.0 * DRY_AIR.co2 + water),
            2.0 * (gas.co2 + gas.o2 + gas.so2) + gas.co + gas.h2o + gas.no + gas.hc * fuel.o_c,
        ),
        "N": (fuel.n_c + 2.0 * air * DRY_AIR.n2, 2.0 * gas.n2 + gas.no + gas.hc * fuel.n_c),
        "S": (fuel.s_c, gas.so2 + gas.hc * fuel.s_c),
        "Ar": (air * DRY_AIR.ar, gas.ar),
    }
    for element, (entered, left) in in_out.items():
        assert np.nanmax(np.abs(left - entered) / np.maximum(entered, 1.0)) < 1e-12, element
    burnable = ~np.isnan(gas.co)
    assert burnable.mean() > 0.9
    assert np.all(gas.o2[burnable] > -1e-12)


def test_stoichiometric_sums_are_those_of_the_forward_gas() -> None:
    """CO2 maximum, flue gas volumes and flue water of CHONS fuels against the gas at lambda 1, atom by atom."""
    rng = np.random.default_rng(8)
    fuel = random_fuels(rng)
    gas = flue_gas_moles(fuel, 1.0)
    cubic_metres = 22.413969545 / molar_mass_per_carbon(fuel)
    assert worst(dry_flue_gas_moles(fuel), gas.dry) < 1e-12
    assert worst(dry_flue_gas_volume(fuel), gas.dry * cubic_metres) < 1e-12
    assert worst(wet_flue_gas_volume(fuel), gas.wet * cubic_metres) < 1e-12
    assert worst(co2_maximum(fuel), 100.0 * gas.co2 / gas.dry) < 1e-12
    assert worst(flue_water_mass(fuel), gas.h2o * (2 * 1.008 + 15.999) / molar_mass_per_carbon(fuel)) < 1e-12


def test_dry_co_gives_its_carbon_share_back() -> None:
    """Four rounds of the fixed point are enough to 1e-6 of the share, up to 5 % of the carbon as CO."""
    rng = np.random.default_rng(9)
    fuel = AtomsTuple(rng.uniform(1.6, 2.3, 500), rng.uniform(0.0, 0.15, 500))
    truth, share = rng.uniform(1.1, 5.0, 500), rng.uniform(0.0005, 0.05, 500)
    gas = flue_gas_moles(fuel, truth, co_share=share)
    assert worst(co_share_from_co(fuel, truth, gas.co / gas.dry), share) < 1e-6


def test_water_gas_holds_in_the_forward_gas() -> None:
    """CO·H2O/(CO2·H2) = 3.5 of the combustion's own CO2 and water, as 40 CFR 1065.655-4 has it."""
    rng = np.random.default_rng(5)
    fuel = random_fuels(rng)
    truth = rng.uniform(0.8, 3.0, ROWS)
    gas = flue_gas_moles(fuel, truth, co_share=rng.uniform(0.001, 0.1, ROWS), humidity_ratio=0.02)
    air = truth * stoichiometric_air_moles(fuel)
    own_co2, own_water = gas.co2 - air * DRY_AIR.co2, gas.h2o - air * 0.02
    constant = gas.co * own_water / (own_co2 * gas.h2)
    known = ~np.isnan(constant)
    assert known.mean() > 0.9
    assert np.abs(constant[known] / 3.5 - 1.0).max() < 1e-10


def test_wet_reading_comes_back_dry() -> None:
    """A hot, wet reading converted with the water of its own balance gives the forward model's dry gas."""
    rng = np.random.default_rng(6)
    size = 500
    fuel = AtomsTuple(rng.uniform(1.6, 2.3, size), rng.uniform(0.0, 0.15, size))
    truth, water = rng.uniform(1.05, 5.0, size), rng.uniform(0.0, 0.04, size)
    gas = flue_gas_moles(fuel, truth, co_share=rng.uniform(0.0, 0.02, size), humidity_ratio=water)
    wet_co = 1e6 * gas.co / gas.wet
    common = {"co_wet_ppm": wet_co, "humidity_ratio": water}
    by_o2 = dry_fraction_of_wet_reading(fuel, o2_wet_pct=100.0 * gas.o2 / gas.wet, **common)
    by_co2 = dry_fraction_of_wet_reading(fuel, co2_wet_pct=100.0 * gas.co2 / gas.wet, **common)
    assert worst(by_o2, gas.dry / gas.wet) < EXACT
    assert worst(by_co2, gas.dry / gas.wet) < EXACT


def test_long_arrays_take_the_same_road_as_scalars() -> None:
    """Blocks, broadcasting and strided columns give what single numbers give."""
    rng = np.random.default_rng(7)
    fuel = AtomsTuple(1.86, 0.007)
    size = 200_001
    o2, co2, co = rng.uniform(1, 18, size), rng.uniform(2, 14, size), rng.uniform(0, 5000, size)
    long = air_ratio_from_balance(o2, co2, fuel, co_dry_ppm=co)
    strided = air_ratio_from_balance(np.stack([o2, o2], 1)[:, 0], co2, fuel, co_dry_ppm=co)
    for index in (0, 65_535, 65_536, 131_072, size - 1):
        one = air_ratio_from_balance(o2[index], co2[index], fuel, co_dry_ppm=co[index])
        assert isinstance(one, float)
        assert long[index] == pytest.approx(one, rel=1e-13)
    np.testing.assert_allclose(strided, long, rtol=1e-13)
    square = air_ratio_from_balance(o2[:200_000].reshape(400, 500), co2[:200_000].reshape(400, 500), fuel)
    assert square.shape == (400, 500)


@given(o2=st.floats(0.5, 19.5), step=st.floats(0.01, 0.5), h_c=st.floats(1.0, 4.0), co=st.floats(0, 20_000))
def test_lambda_falls_as_o2_falls(o2: float, step: float, h_c: float, co: float) -> None:
    fuel = AtomsTuple(h_c, 0.0)
    assert air_ratio_from_o2(o2 - min(step, o2 / 2), fuel, co_dry_ppm=co) < air_ratio_from_o2(o2, fuel, co_dry_ppm=co)


def test_nan_never_becomes_a_number() -> None:
    fuel = AtomsTuple(1.86, 0.007)
    readings = np.array([np.nan, 8.2])
    assert np.isnan(air_ratio_from_o2(readings, fuel)).tolist() == [True, False]
    assert np.isnan(air_ratio_from_o2(8.2, fuel, co_dry_ppm=readings)).tolist() == [True, False]
    assert np.isnan(air_ratio_from_balance(readings, 9.3, fuel)).tolist() == [True, False]
    assert np.isnan(air_ratio_from_co2(readings, fuel)).tolist() == [True, False]
    assert np.isnan(air_ratio_from_balance(8.2, 9.3, fuel, hc_dry_ppm=readings)).tolist() == [True, False]
