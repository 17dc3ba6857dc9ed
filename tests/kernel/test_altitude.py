"""The altitude kernel against published atmospheres, worked tables, Cantera and its own exact state."""

from __future__ import annotations

import cantera
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from combust.application.heater.baseline import healthy_stage
from combust.domain.catalogue import get_fuel
from combust.domain.site import Site
from combust.kernel import air, altitude
from combust.kernel.fuel_delivery import fuel_density_ratio
from combust.kernel.hot_gas import flame_temperature, fuel_heat
from combust.kernel.working_point import HealthyState, HeaterParameters, SiteAir, trim_to_keep, working_point

SEA_LEVEL_15 = healthy_stage("diesel_b7", air_ratio=1.6, reference=Site(0.0, None, 15.0))
SEA_LEVEL_20 = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))


def geometric(height: float) -> float:
    """Return the geometric height of a geopotential one, which tables made with p = p0 (1 - 0.0065 h/T0)^n mean."""
    return air.EARTH_RADIUS_M * height / (air.EARTH_RADIUS_M - height)


# Density ratio sigma of the standard atmosphere at geometric heights, public-domain tables of the 1976 standard
# (identical with ISO 2533:1975 below 11 km), printed to four digits.
@pytest.mark.published
@pytest.mark.parametrize(
    ("height", "sigma"),
    [(0, 1.0), (500, 0.9529), (1000, 0.9075), (1500, 0.8638), (2000, 0.8217), (2500, 0.7812), (3000, 0.7422),
     (3500, 0.7048), (4000, 0.6689), (4500, 0.6343), (5000, 0.6012)],
)  # fmt: skip
def test_standard_atmosphere_through_the_fast_kernel(height: float, sigma: float) -> None:
    told = altitude.lambda_from_surface(
        SEA_LEVEL_15.surface, altitude_m=height, temp_c=air.standard_temperature(height)
    )
    assert told.dry_air_density_ratio == pytest.approx(sigma, abs=5.1e-5)


# ICAO Doc 7488/3 rows as printed in the tests of the open package ambiance: height, T [K], p [Pa], rho.
@pytest.mark.published
@pytest.mark.parametrize(
    ("height", "pressure", "density"), [(0, 101325.0, 1.225), (1000, 89876.3, 1.11166), (2000, 79501.4, 1.00655)]
)
def test_icao_rows(height: float, pressure: float, density: float) -> None:
    assert 100.0 * air.pressure_from_altitude(height) == pytest.approx(pressure, abs=0.051)
    told = altitude.lambda_from_surface(
        SEA_LEVEL_15.surface, altitude_m=height, temp_c=air.standard_temperature(height)
    )
    assert 1.225 * told.dry_air_density_ratio == pytest.approx(density, abs=6e-6)


# Fan-engineering air-density factor at 70 °F against altitude in feet (trade journal table, read), three digits.
@pytest.mark.published
@pytest.mark.parametrize(
    ("feet", "factor"),
    [(0, 1.0), (1000, 0.964), (2000, 0.930), (3000, 0.896), (4000, 0.864), (5000, 0.832), (6000, 0.801), (7000, 0.772),
     (8000, 0.743), (9000, 0.714), (10000, 0.688), (15000, 0.564), (20000, 0.460)],
)  # fmt: skip
def test_published_density_factor_over_altitude(feet: float, factor: float) -> None:
    seventy = (70.0 - 32.0) / 1.8
    base = healthy_stage("diesel_b7", air_ratio=1.6, reference=Site(0.0, None, seventy))
    told = altitude.lambda_from_surface(base.surface, altitude_m=geometric(0.3048 * feet), temp_c=seventy)
    # The table's own 9000 ft entry (.714) lies 0.0008 from the standard atmosphere it is made from: one digit.
    assert told.dry_air_density_ratio == pytest.approx(factor, abs=0.001 if feet == 9000 else 5.1e-4)
    assert told.air_ratio == pytest.approx(1.6 * told.dry_air_density_ratio, rel=1e-12)


# The same source, factor against temperature at sea level [°F].
@pytest.mark.published
@pytest.mark.parametrize(
    ("fahrenheit", "factor"),
    [(70, 1.0), (100, 0.946), (200, 0.803), (300, 0.697), (400, 0.616), (500, 0.552), (600, 0.500), (700, 0.457)],
)
def test_published_density_factor_over_temperature(fahrenheit: float, factor: float) -> None:
    ratio = air.dry_air_density(1013.25, (fahrenheit - 32.0) / 1.8) / air.dry_air_density(1013.25, 38.0 / 1.8)
    assert ratio == pytest.approx(factor, abs=5.1e-4)


# Highest site that keeps lambda 1.25, worked apart (with p = 101325 (1 - 2.25577e-5 h)^5.25588, which takes
# geopotential height), cut to whole tens of metres.
@pytest.mark.independent
@pytest.mark.parametrize(
    ("base", "temp", "height"),
    [(1.5, 20, 1510), (1.5, 0, 2080), (1.5, -20, 2690), (1.6, 20, 2030), (1.6, 0, 2590), (1.6, -20, 3190),
     (1.4, 20, 940), (1.4, 0, 1520), (1.4, -20, 2130)],
)  # fmt: skip
def test_ceilings_worked_apart(base: float, temp: float, height: float) -> None:
    density = Site(0.0, None, 20.0).dry_air_density_kg_m3
    assert 0.0 <= altitude.ceiling_altitude(1.25 / base, temp, density) - geometric(height) < 10.0


@pytest.mark.hand
def test_cold_fuel_is_denser() -> None:
    # beta 8.3e-4/K over 35 K: 1 + 8.3e-4 * 35 = 1.02905
    assert fuel_density_ratio(-20.0, 15.0, 8.3e-4) == pytest.approx(1.02905, abs=1e-12)


@pytest.mark.independent
def test_surface_follows_the_working_point() -> None:
    """While every draw of the structure is at lambda 1 or more; the validity record says how far."""
    random = np.random.default_rng(3)
    height, temp = random.uniform(-430, 4000, 300), random.uniform(-60, 45, 300)
    base = SEA_LEVEL_20
    told = altitude.lambda_from_surface(base.surface, altitude_m=height, temp_c=temp)
    exact = base.lambda_at(base.air_at(air.pressure_from_altitude(height), temp))
    burns = exact.air_ratio_full > 1.05
    assert burns.sum() > 250
    assert np.abs(told.air_ratio_full - exact.air_ratio_full)[burns].max() < 6e-4
    assert np.abs(told.air_ratio_full_u - exact.air_ratio_full_u)[burns].max() < 1.5e-3


@pytest.mark.independent
def test_trims_bring_full_lambda_where_they_say() -> None:
    """A trim put into the working point as denser fuel, or as denser air, must give the lambda it kept."""
    base, height, temp = SEA_LEVEL_20, np.array([1850.0, 2600.0, 3300.0, 4100.0]), np.array([-12.0, -18.0, -25.0, 15.0])
    site, density = base.air_at(air.pressure_from_altitude(height), temp), base.fuel_density(temp)
    less, faster = (base.trim(site, density, 1.6, by=by).factor for by in ("fuel", "speed"))
    assert base.at(site, density * less).air_ratio.mean(axis=-1) == pytest.approx(np.full(4, 1.6), abs=2e-3)
    columns = SiteAir(*(np.broadcast_to(part, 4)[:, None] for part in site))
    sped = base.parameters(density[:, None])._replace(speed=faster[:, None])
    told = working_point(base.state, columns, sped, base.heat).air_ratio.mean(axis=-1)
    assert told == pytest.approx(np.full(4, 1.6), abs=2e-3)


@pytest.mark.independent
@pytest.mark.parametrize("by", ["fuel", "speed"])
def test_trim_to_keep_against_a_root_finder(by: str) -> None:
    """The factor found by scipy's brentq on the working point itself."""
    b7 = get_fuel("diesel_b7")
    base, site = HealthyState(1.6, 330.0, 15.0, 15.0, 73.0), SiteAir(0.8, 0.8, 0.8, 0.8, 0.0, 0.0)
    known = fuel_heat(b7, b7.net_heating_value_mj_per_kg)
    factor, point = trim_to_keep(base, site, HeaterParameters(), known, 1.5, by=by)
    root = brentq(
        lambda x: float(working_point(base, site, HeaterParameters(**{by: x}), known).air_ratio) - 1.5,
        0.5,
        2.0,
        xtol=1e-13,
    )
    assert factor == pytest.approx(root, rel=1e-9)
    assert point.air_ratio == pytest.approx(1.5, rel=1e-9)


# Cantera, equilibrium left out: products of complete combustion only, fuel's liquid enthalpy from its heating value.
@pytest.mark.independent
@pytest.mark.parametrize("ratio", [1.1, 1.3, 1.6, 2.0, 3.0])
@pytest.mark.parametrize("intake", [-25.0, 20.0])
def test_flame_temperature_against_cantera(ratio: float, intake: float) -> None:
    b7 = get_fuel("diesel_b7")
    species = {one.name: one for one in cantera.Species.list_from_file("nasa_gas.yaml")}
    gas = cantera.Solution(thermo="ideal-gas", species=[species[name] for name in ("O2", "N2", "Ar", "CO2", "H2O")])
    nu = 1.0 + 1.86 / 4.0 - 0.007 / 2.0
    moles = ratio * nu / 0.20946
    air_part = {"O2": 0.20946 * moles, "CO2": 0.00042 * moles, "Ar": 0.00934 * moles, "N2": 0.78078 * moles}
    gas.TPX = 273.15 + intake, cantera.one_atm, air_part
    carried = moles * gas.enthalpy_mole
    products = {**air_part, "O2": (ratio - 1.0) * nu, "CO2": 1.0 + air_part["CO2"], "H2O": 0.93}
    total = sum(products.values())
    mass = 12.011 + 1.008 * 1.86 + 15.999 * 0.007
    formed = species["CO2"].thermo.h(298.15) + 0.93 * species["H2O"].thermo.h(298.15)
    fuel_enthalpy = b7.net_heating_value_mj_per_kg * 1e6 * mass + formed
    gas.TPX = 1500.0, cantera.one_atm, products
    gas.HP = (carried + fuel_enthalpy) / total / gas.mean_molecular_weight, cantera.one_atm
    ours = flame_temperature(fuel_heat(b7, b7.net_heating_value_mj_per_kg), ratio, intake - 25.0)
    assert ours + 298.15 == pytest.approx(gas.T, abs=0.6)  # fuel_heat's cubics: within 0.6 K here


# Worked apart by an independent model: fuel +25 %: flue +74 K, heat +26 %; air -24 %: +31 K, +3 %.
# Its baseline is the demo profile's (330 °C at lambda 1.6); the last digits depend on the exchanger exponent.
@pytest.mark.independent
def test_fuel_error_heats_the_flue_air_error_hardly_the_cab() -> None:
    b7 = get_fuel("diesel_b7")
    base, asked = (
        HealthyState(1.6, 330.0, 15.0, 15.0, 0.0),
        HeaterParameters(steepness=0.4, hot_share=0.5, air_side=0.0),
    )
    known = fuel_heat(b7, b7.net_heating_value_mj_per_kg)
    thin, home = (SiteAir(density, density, density, density, 15.0, 15.0) for density in (0.76, 1.0))
    points = working_point(base, home, asked._replace(fuel=1.25), known), working_point(base, thin, asked, known)
    flue = [point.flue_c - 330.0 for point in points]
    heat = [100.0 * (point.heat - 1.0) for point in points]
    assert flue[0] == pytest.approx(74.0, abs=12.0)
    assert flue[1] == pytest.approx(31.0, abs=6.0)
    assert heat == pytest.approx([26.0, 3.0], abs=1.0)


@pytest.mark.hand
def test_nan_and_bands() -> None:
    told = altitude.lambda_from_surface(
        SEA_LEVEL_20.surface,
        altitude_m=np.array([np.nan, 2000.0, 9500.0, 2000.0, 2000.0]),
        temp_c=np.array([0.0, np.nan, 0.0, 61.0, 0.0]),
    )
    for column in told:
        assert np.isnan(column[:4]).all()
        assert np.isfinite(column[4])
    given = altitude.lambda_from_surface(
        SEA_LEVEL_20.surface, altitude_m=np.array([np.nan, 2000.0]), temp_c=0.0, pressure_hpa=np.array([800.0, np.nan])
    )
    # 800 hPa, 0 °C over 1013.25 hPa, 20 °C: 800/1013.25 * 293.15/273.15
    assert given.dry_air_density_ratio[0] == pytest.approx(800.0 / 1013.25 * 293.15 / 273.15, rel=1e-12)
    assert given.dry_air_density_ratio[1] == pytest.approx(told.dry_air_density_ratio[4], rel=1e-13)


@pytest.mark.hand
def test_blocks_do_not_show() -> None:
    random = np.random.default_rng(5)
    height, temp = random.uniform(0, 4500, altitude.BLOCK + 17), random.uniform(-40, 30, altitude.BLOCK + 17)
    whole = altitude.lambda_from_surface(SEA_LEVEL_20.surface, altitude_m=height, temp_c=temp)
    for row in (0, altitude.BLOCK - 1, altitude.BLOCK, altitude.BLOCK + 16):
        single = altitude.lambda_from_surface(SEA_LEVEL_20.surface, altitude_m=height[row], temp_c=temp[row])
        for column, value in zip(whole, single, strict=True):
            assert column[row] == pytest.approx(value, rel=1e-13)


@given(st.floats(-400, 8000), st.floats(10, 900), st.floats(-55, 50), st.floats(1.2, 2.4))
def test_higher_is_richer_and_no_trim_enriches(low: float, step: float, temp: float, base: float) -> None:
    heights = np.array([low, low + step])
    told = altitude.lambda_from_surface(SEA_LEVEL_20.surface._replace(air_ratio=base), altitude_m=heights, temp_c=temp)
    for lam in (told.air_ratio, told.air_ratio_with_fuel_density, told.air_ratio_full):
        assert lam[1] < lam[0]
        assert np.all(altitude.fuel_trim_to_keep(lam, base) <= 0.0)
        assert np.all(altitude.blower_trim_to_keep(lam, base) >= 0.0)


@given(st.floats(150, 4300), st.floats(-35, 30))
def test_ceiling_is_the_inverse_of_the_kernel(height: float, temp: float) -> None:
    sigma = altitude.lambda_from_surface(SEA_LEVEL_20.surface, altitude_m=height, temp_c=temp).dry_air_density_ratio
    density = SEA_LEVEL_20.reference.dry_air_density_kg_m3
    assert altitude.ceiling_altitude(sigma, temp, density) == pytest.approx(height, abs=1e-6)


@pytest.mark.hand
def test_humidity_that_nobody_told_by_hand() -> None:
    """By hand: air of 20 °C holds 0 to 23.39 hPa of vapour (steam tables, from memory): 23.39/1013.25/sqrt(12)."""
    assert altitude.untold_humidity_u(20.0, 1013.25) == pytest.approx(0.006664, rel=2e-3)
