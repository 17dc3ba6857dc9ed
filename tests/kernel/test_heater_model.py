"""The forward model of the heater: hand rows of the method, fan laws, limits, and the quadratic enthalpies swept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.domain.catalogue import get_fuel
from combust.kernel.ducts import resistance_from_air_change
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.heat import sensible_heat
from combust.kernel.hot_gas import enthalpy, fuel_heat, heat_supplied
from combust.kernel.working_point import (
    HealthyState,
    HeaterParameters,
    SiteAir,
    working_point,
)
from tests.exact_working_point import exact_air_ratio

B7 = get_fuel("diesel_b7")
HEAT = fuel_heat(B7, B7.net_heating_value_mj_per_kg)
BASE = HealthyState(1.60, 350.0, 15.0, 15.0, 75.0)
HOME = SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)


def run(**changes):
    return working_point(BASE, HOME, HeaterParameters(**changes), HEAT)


@pytest.mark.independent
def test_fuel_a_quarter_up():
    """Method section 3 (worked independently): fuel +25 % gives flue +74 K and heat +26 %."""
    state = run(fuel=1.25)
    assert state.flue_c - BASE.flue_c == pytest.approx(74.0, abs=5.0)
    assert state.heat - 1.0 == pytest.approx(0.26, abs=0.01)


@pytest.mark.independent
def test_air_a_quarter_down():
    """Method section 3 (worked independently): air -24 % gives flue +31 K and heat +3 %."""
    state = run(speed=0.76, shaft=0.0)
    assert state.flue_c - BASE.flue_c == pytest.approx(31.0, abs=3.0)
    assert state.heat - 1.0 == pytest.approx(0.03, abs=0.015)


@pytest.mark.independent
def test_recirculation_warms_the_intake():
    """Method section 3: 10 % of 320 °C gas warms 15 °C air to about 47 °C."""
    state = working_point(
        HealthyState(1.6, 308.0, 15.0, 15.0, 75.0),
        HOME,
        HeaterParameters(recirculated=0.10, unseen_warming=1.0),
        HEAT,
    )
    assert state.flue_c == pytest.approx(320.0, abs=4.0)
    assert state.intake_true_c == pytest.approx(47.0, abs=2.0)


@pytest.mark.hand
def test_recirculation_takes_air():
    """Worked apart: 10 % and 20 % of the intake make lambda 1.60 into 1.44 and 1.28 (1 - r), temperatures aside."""
    for share, expected in ((0.10, 1.44), (0.20, 1.28)):
        state = run(recirculated=share, recirculated_heat=0.0, hot_share=0.0, exhaust_share=0.0)
        assert state.air_ratio == pytest.approx(expected, abs=0.005)


@pytest.mark.hand
@pytest.mark.parametrize(("steepness", "lost"), [(0.0, 0.087), (2.0, 0.045)])
def test_doubling_a_fifth_of_the_resistance(steepness, lost):
    """Worked apart: doubling a duct of 20 % of the resistance costs 8.7 % (flat) or 4.5 % (steep) of the air."""
    state = run(r_in=2.0, intake_share=0.2, exhaust_share=0.0, hot_share=0.0, steepness=steepness)
    assert 1.0 - state.air == pytest.approx(lost, abs=0.0006)
    assert resistance_from_air_change(1.0 - lost, steepness) == pytest.approx(1.2, abs=0.003)


@pytest.mark.hand
def test_fan_laws():
    """Same system: flow with speed, port pressures with its square, mass flow with density at constant speed."""
    cold = {"hot_share": 0.0, "exhaust_share": 0.0}
    slow = run(speed=0.8, shaft=0.0, **cold)
    assert slow.air == pytest.approx(0.8)
    assert slow.intake_static == pytest.approx(0.64)
    thin = working_point(BASE, HOME._replace(dry_density=0.8, density=0.8), HeaterParameters(**cold), HEAT)
    assert thin.air == pytest.approx(0.8)
    assert thin.intake_static == pytest.approx(0.8)
    assert thin.air_ratio == pytest.approx(1.6 * 0.8)


@pytest.mark.hand
def test_heating_air_follows_the_shaft_and_the_duct():
    """Heat nearly the same over 0.8 of the air: the rise goes up by a quarter, less what the flue then carries off."""
    assert run(heating_air=0.8, air_side=0.0).rise == pytest.approx(run(heating_air=0.8, air_side=0.0).heat / 0.8)
    on_shaft, apart = run(speed=0.8, shaft=1.0), run(speed=0.8, shaft=0.0)
    assert on_shaft.rise / apart.rise == pytest.approx(1.25, abs=0.03)


@pytest.mark.independent
@pytest.mark.parametrize("air_ratio", [1.0, 1.3, 1.6, 2.2, 3.0])
def test_cubic_enthalpies_against_the_polynomials(air_ratio):
    """Swept over the range in use: within 0.4 % from 200 °C, 0.1 % from 700 °C."""
    celsius = np.linspace(200.0, 1950.0, 60)
    exact = sensible_heat(flue_gas_moles(B7, air_ratio), celsius, 25.0)
    error = np.abs(enthalpy(HEAT, air_ratio, celsius - 25.0) / exact - 1.0)
    assert error.max() < 0.004
    assert error[celsius > 700.0].max() < 0.001


@given(
    st.floats(0.6, 1.2), st.floats(0.7, 1.5), st.floats(0.6, 1.1), st.floats(0.0, 2.5), st.floats(0.3, 1.0),
    st.floats(0.0, 0.2),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_the_rounds_are_enough(speed, fuel_flow, density, steepness, clean, recirculated):
    """lambda after the rounds in use is that of the settled fixed point."""
    site = HOME._replace(dry_density=density, density=density, pressure=density, heating_air_density=density)
    asked = HeaterParameters(
        speed=speed, fuel=fuel_flow, steepness=steepness, clean=clean, recirculated=recirculated, unseen_warming=0.25
    )
    quick, settled = (working_point(BASE, site, asked, HEAT, **more) for more in ({}, {"rounds": 40}))
    assert quick.air_ratio == pytest.approx(settled.air_ratio, rel=1e-7)
    assert quick.flue_c == pytest.approx(settled.flue_c, abs=0.01)


@given(st.floats(0.5, 1.3), st.floats(-60.0, 50.0), st.floats(0.0, 3.0), st.floats(0.2, 0.9), st.floats(220.0, 420.0))
@settings(max_examples=300, deadline=None)
def test_a_healthy_heater_is_settled_to_nine_digits(density, temp, steepness, hot_share, flue):
    """Any air, any structure, no fault, while it burns: the secant's five rounds leave less than 1e-9 of lambda."""
    site = SiteAir(density, density, density, density, temp, temp)
    base, asked = BASE._replace(flue_c=flue), HeaterParameters(steepness=steepness, hot_share=hot_share)
    quick, settled = (working_point(base, site, asked, HEAT, **more).air_ratio for more in ({}, {"rounds": 40}))
    if settled > 0.95:
        assert quick == pytest.approx(settled, rel=1e-9)


@pytest.mark.independent
def test_flue_against_the_polynomials_point_by_point():
    """Thin cold air on a flat blower: lambda and flue of the same air path without fitted enthalpies."""
    base = HealthyState(1.6, 330.0, 20.0, 20.0, 0.0)
    asked = HeaterParameters(steepness=0.3, intake_share=0.2, exhaust_share=0.3, hot_share=0.6, air_side=0.0)
    site = SiteAir(0.75, 0.75, 0.75, 0.75, -15.0, 20.0)
    ratio, flue = exact_air_ratio(B7, base, (0.3, 0.3, 0.5 * 0.6, 0.7), density=0.75, intake_c=-15.0, air_in_c=20.0)
    told = working_point(base, site, asked, HEAT)
    assert told.air_ratio == pytest.approx(float(ratio), rel=3e-4)
    assert told.flue_c == pytest.approx(float(flue), abs=0.5)


@pytest.mark.hand
def test_arrays_and_numbers_take_the_same_way():
    many = working_point(BASE, HOME, HeaterParameters(fuel=np.array([1.0, 1.25])), HEAT)
    assert float(many.flue_c[1]) == pytest.approx(
        float(working_point(BASE, HOME, HeaterParameters(fuel=1.25), HEAT).flue_c)
    )


@pytest.mark.independent
@pytest.mark.parametrize("radiated", [0.0, 0.15, 0.30])
@pytest.mark.parametrize("fuel_flow", [0.85, 1.0, 1.2])
def test_a_flame_that_radiates_meets_the_exact_solution(radiated, fuel_flow):
    """A share of the heat passes with the fourth power of the temperature of the flame: against bisection."""
    density = np.array([0.85, 1.0, 1.15])
    base = HealthyState(1.6, 330.0, 20.0, 20.0, 0.0)
    exact, flue = exact_air_ratio(
        B7, base, (0.5, 0.35, 0.3, 0.65), density=density, intake_c=0.0, air_in_c=20.0, fuel_flow=fuel_flow,
        radiated=radiated,
    )  # fmt: skip
    asked = HeaterParameters(
        steepness=0.5, intake_share=0.15, exhaust_share=0.35, hot_share=0.6, exponent=0.65, air_side=0.0,
        radiated=radiated, fuel=fuel_flow,
    )  # fmt: skip
    site = SiteAir(density, density, density, density, 0.0, 20.0)
    told = working_point(base, site, asked, HEAT)
    # 0.04 %: the cubic enthalpies' own band
    assert told.air_ratio == pytest.approx(exact, rel=4e-4)
    assert told.flue_c == pytest.approx(flue, abs=0.3)


@pytest.mark.hand
def test_heat_supplied_by_hand() -> None:
    """By hand: 40 MJ of fuel and 1 J/K of air; lambda 0.8 burns 32 MJ, 1.5 all of it; air 10 K colder takes 15 J."""
    heat = HEAT._replace(net_heat=40e6, intake_air=1.0)
    assert heat_supplied(heat, 0.8, 0.0) == pytest.approx(32e6)
    assert heat_supplied(heat, 1.5, -10.0) == pytest.approx(40e6 - 15.0)
