"""The heater in motion: at rest it is the steady model, whatever its conventions; what comes in goes out or stays."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import solve_ivp

from combust.domain.catalogue import get_fuel
from combust.kernel import heater_dynamics as motion
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.heat import sensible_heat
from combust.kernel.heater_law import blower_speed, body_conventions, heater_law, regulated_speed, stage_set
from combust.kernel.hot_gas import enthalpy, fuel_heat, gas_coefficients
from combust.kernel.working_point import AirPath, HealthyState, HeaterParameters, SiteAir, baseline_heat, working_point
from tests.kernel.test_heater_heat import adiabatic
from tests.long import LONG

B7 = get_fuel("diesel_b7")
HEAT = fuel_heat(B7, B7.net_heating_value_mj_per_kg)
BODY = body_conventions()
BASE = HealthyState(1.6, 330.0, 15.0, 15.0, 73.0)
HOME = SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
FUEL_KG_PER_S = 1.09e-4  # 0.472 l/h of 832 kg/m³
CARBON = FUEL_KG_PER_S / HEAT.fuel_mass
CASES = 1000 if LONG else 120


def random_cases(count: int, seed: int) -> tuple[SiteAir, HeaterParameters]:
    """Return any air and any structure with faults of every kind, while it burns."""
    rng = np.random.default_rng(seed)
    density = rng.uniform(0.72, 1.12, count)
    site = SiteAir(
        density, density * 1.002, density * 0.99, density, rng.uniform(-30.0, 35.0, count), rng.uniform(-30, 35, count)
    )
    between = {
        "speed": (0.75, 1.1), "head": (0.8, 1.0), "r_in": (0.6, 2.5), "r_burner": (1.0, 1.5), "r_ex": (0.6, 2.5),
        "recirculated": (0.0, 0.12), "unseen_warming": (0.0, 1.0), "recirculated_heat": (0.2, 1.0), "fuel": (0.75, 1.3),
        "fuel_heat": (0.95, 1.05), "released": (0.95, 1.0), "clean": (0.65, 1.1), "heating_air": (0.5, 1.2),
        "steepness": (0.05, 2.5), "intake_share": (0.08, 0.35), "exhaust_share": (0.1, 0.4), "hot_share": (0.0, 0.9),
        "exponent": (0.2, 1.0), "air_side": (0.0, 0.3), "shaft": (0.0, 1.0), "radiated": (0.0, 0.3),
    }  # fmt: skip
    return site, HeaterParameters(**{name: rng.uniform(*ends, count) for name, ends in between.items()})


def at_rest(site: SiteAir, p: HeaterParameters, *, dt: float, seconds: float):
    """Return state, flows and law of heaters that burn for so long from a warm chamber."""
    law = heater_law(stage_set(BASE, p, HEAT, CARBON), site, p, HEAT)
    ones = np.ones(np.shape(p.fuel))
    state = motion.cold_motion(site.intake_c * ones)
    state = state._replace(
        chamber=1300.0 * ones, glow=1300.0 * ones, wick=420.0 * ones, wall=100.0 * ones, casing=100.0 * ones,
        flue=300.0 * ones, blower=p.speed * ones, fan=ones, film_g=0.05 * ones, lit=ones > 0.0,
    )  # fmt: skip
    asked = motion.StepInputs(p.fuel * FUEL_KG_PER_S * 1e3, 0.0 * ones, p.speed, 1.0 + p.shaft * (p.speed - 1.0))
    for _ in range(round(seconds / dt)):
        state, flows = motion.motion_step(state, law, asked, dt)
    return state, flows, law


@pytest.mark.independent
def test_its_rest_is_the_steady_model() -> None:
    """lambda, flue, heat and both port pressures of the converged steady model to 1e-9, in any air with any fault."""
    site, p = random_cases(CASES, 7)
    state, flows, law = at_rest(site, p, dt=1.0, seconds=7000.0)
    steady = working_point(BASE, site, p, HEAT, rounds=60)
    assert np.all(state.lit)
    suction, back = motion.port_pressures(state, law, flows)
    stage = law.stage
    pairs = {
        "lambda": (flows.air_ratio, steady.air_ratio),
        "flue": (state.flue + 25.0, steady.flue_c),
        "heat": (flows.heating / (stage.fuel_kmol_per_s * stage.useful), steady.heat),
        "outlet": (state.port + 25.0 - site.air_in_c, steady.rise * BASE.rise_k),
        "suction": (suction, steady.intake_static),
        "back pressure": (back, steady.exhaust_static),
    }
    worst = {name: float(np.abs(ours / theirs - 1.0).max()) for name, (ours, theirs) in pairs.items()}
    print(f"{CASES} cases at rest, largest relative differences {worst}")
    assert max(worst.values()) <= 1e-9


@pytest.mark.independent
@pytest.mark.parametrize("ratio", [1.2, 1.6, 2.4])
def test_its_flame_at_rest_is_canteras(ratio: float) -> None:
    """Chamber at rest without radiation, air at 25 °C: the adiabatic flame of complete products by Cantera, 1.1 K."""
    base, p = BASE._replace(air_ratio=ratio, intake_c=25.0, air_in_c=25.0), HeaterParameters()
    law = heater_law(stage_set(base, p, HEAT, CARBON), HOME._replace(intake_c=25.0, air_in_c=25.0), p, HEAT)
    state = motion.cold_motion(25.0)._replace(chamber=1200.0, wick=400.0, blower=1.0, fan=1.0, flue=250.0, lit=True)
    for _ in range(5000):
        state, flows = motion.motion_step(state, law, motion.StepInputs(FUEL_KG_PER_S * 1e3, 0.0, 1.0, 1.0), 0.5)
    assert flows.air_ratio == pytest.approx(ratio, rel=1e-7)
    assert state.chamber + 25.0 == pytest.approx(adiabatic(ratio), abs=1.1)


@pytest.mark.independent
def test_the_conventions_move_no_resting_value() -> None:
    """Other heat capacities, another wall: the same rest."""
    p = HeaterParameters(r_ex=1.5, shaft=0.5)
    other = BODY._replace(chamber_j_per_k=80.0, wall_j_per_k=500.0, casing_j_per_k=100.0, wall_share=0.25, film_s=5.0)
    found = []
    for body in (BODY, other):
        law = heater_law(stage_set(BASE, p, HEAT, CARBON), HOME, p, HEAT, body=body)
        state = motion.cold_motion(15.0)._replace(chamber=1200.0, wick=400.0, blower=1.0, fan=1.0, flue=250.0, lit=True)
        for _ in range(8000):
            asked = motion.StepInputs(FUEL_KG_PER_S * 1e3, 0.0, 1.0, 1.0)
            state, flows = motion.motion_step(state, law, asked, 0.5)
        found.append((flows.air_ratio, state.flue))
    assert found[0] == pytest.approx(found[1], rel=1e-8)


@pytest.mark.hand
def test_numbers_and_arrays_go_the_same_way() -> None:
    site, p = random_cases(3, 3)
    many, flows, _ = at_rest(site, p, dt=0.5, seconds=100.0)
    one_site, one = SiteAir(*(float(part[1]) for part in site)), HeaterParameters(*(float(part[1]) for part in p))
    law = heater_law(stage_set(BASE, one, HEAT, CARBON), one_site, one, HEAT)
    state = motion.cold_motion(one_site.intake_c)._replace(
        chamber=1300.0, glow=1300.0, wick=420.0, wall=100.0, casing=100.0, flue=300.0, blower=one.speed, fan=1.0,
        film_g=0.05, lit=True,
    )  # fmt: skip
    asked = motion.StepInputs(one.fuel * FUEL_KG_PER_S * 1e3, 0.0, one.speed, 1.0 + one.shaft * (one.speed - 1.0))
    for _ in range(200):
        state, told = motion.motion_step(state, law, asked, 0.5)
    assert told.air_ratio == pytest.approx(flows.air_ratio[1], rel=1e-12)
    assert (state.flue, state.wall) == pytest.approx((many.flue[1], many.wall[1]), rel=1e-12)


@pytest.mark.hand
def test_heat_and_fuel_balance_in_every_step() -> None:
    """What came in less what went out is what the nodes gained; fuel fed is film, pool, burnt and vented: any state."""
    rng = np.random.default_rng(5)
    count = 4000
    site, p = random_cases(count, 6)
    law = heater_law(stage_set(BASE, p, HEAT, CARBON), site, p, HEAT)

    def some(low: float, high: float):
        return rng.uniform(low, high, count)

    state = motion.HeaterMotion(
        chamber=some(-20, 2000), wall=some(-20, 350), casing=some(-20, 250), port=some(-20, 200), glow=some(-20, 1300),
        wick=some(-20, 600), flue=some(-20, 500), blower=some(0, 1.2), fan=some(0, 1.2), film_g=some(0, 0.8),
        pool_g=some(0, 12), lit=rng.random(count) < 0.5,
    )  # fmt: skip
    fed = some(0.0, 0.2)
    after, flows = motion.motion_step(state, law, motion.StepInputs(fed, some(0, 120), some(0, 1), some(0, 1)), 0.25)
    heat = (flows.released + flows.carried + flows.glow - flows.flue - flows.heating) * 0.25
    gained = motion.stored_heat(after, BODY) - motion.stored_heat(state, BODY)
    # J over the MJ that are in the nodes: what rounding leaves
    assert np.abs(heat - gained).max() < 1e-8
    fuel = fed * 0.25 - (flows.burnt_g_per_s + flows.vented_g_per_s) * 0.25
    assert np.abs(fuel - (after.film_g + after.pool_g - state.film_g - state.pool_g)).max() < 1e-13
    assert np.all(np.isfinite(np.stack([*after[:-1]])))


@pytest.mark.hand
def test_the_nodes_by_hand() -> None:
    """100 K above 25 °C: 45 + 1150 + 600 + 60 + 1.6 = 1856.6 J/K hold 185.66 kJ; cold, at 15 °C, -18.566 kJ."""
    warm = motion.cold_motion(125.0)
    assert motion.stored_heat(warm, BODY) == pytest.approx(185_660.0)
    assert motion.stored_heat(motion.cold_motion(15.0), BODY) == pytest.approx(-18_566.0)
    assert (warm.film_g, warm.pool_g, warm.lit) == (0.0, 0.0, False)


@pytest.mark.hand
def test_the_glow_element_by_hand() -> None:
    """100 W over 0.105 W/K are 952.4 K above its chamber; after one lag of 1.6/0.105 = 15.24 s 63.2 % of it."""
    law = heater_law(stage_set(BASE, HeaterParameters(), HEAT, CARBON), HOME, HeaterParameters(), HEAT)
    state = motion.cold_motion(15.0)
    steps = round(1.6 / 0.105 / 0.01)
    for _ in range(steps):
        state, _ = motion.motion_step(state, law, motion.StepInputs(0.0, 100.0, 0.0, 0.0), 0.01)
    held = state.chamber - motion.cold_motion(15.0).chamber
    assert held < 20.0  # its chamber has hardly warmed
    assert state.glow - state.chamber == pytest.approx(952.38 * (1.0 - math.exp(-1.0)), abs=20.0)


@pytest.mark.independent
def test_the_blower_is_a_first_order_lag() -> None:
    """Against scipy's step response of 1/(1 + 1.5 s)."""
    law = heater_law(stage_set(BASE, HeaterParameters(), HEAT, CARBON), HOME, HeaterParameters(), HEAT)
    state, told = motion.cold_motion(15.0), []
    for _ in range(40):
        state, _ = motion.motion_step(state, law, motion.StepInputs(0.0, 0.0, 0.8, 0.8), 0.25)
        told.append(state.blower)
    clock = 0.25 * np.arange(1, 41)
    _, expected = signal.step(signal.lti([0.8], [1.5, 1.0]), T=np.concatenate([[0.0], clock]))
    assert np.abs(np.array(told) - expected[1:]).max() < 1e-9


@pytest.mark.hand
def test_fuel_on_the_wick_by_hand() -> None:
    """A wick of 350 °C under a flame: 0.6 g evaporate with 2 s, 0.6 (1 - e^(-1/2)) = 0.23608 g in 1 s, colder no less;
    40 K hotter e times faster, 0.6 (1 - e^(-e/2)) = 0.44588 g; without a flame a quarter of it, 0.6 (1 - e^(-1/8)) =
    0.07050 g, and 40 K colder e times slower, 0.6 (1 - e^(-1/(8 e))) = 0.02696 g."""
    law = heater_law(stage_set(BASE, HeaterParameters(), HEAT, CARBON), HOME, HeaterParameters(), HEAT)
    cases = (
        *((350.0, True, 0.23608), (310.0, True, 0.23608), (390.0, True, 0.44588)),
        *((350.0, False, 0.07050), (310.0, False, 0.02696)),
    )
    for wick, lit, grams in cases:
        state = motion.cold_motion(15.0)._replace(wick=wick - 25.0, film_g=0.6, lit=lit, blower=0.5)
        _, flows = motion.motion_step(state, law, motion.StepInputs(0.0, 0.0, 0.5, 0.5), 1.0)
        assert flows.burnt_g_per_s + flows.vented_g_per_s == pytest.approx(grams, abs=1e-5)
    # more than 0.8 g of film runs to the pool
    state = motion.cold_motion(15.0)._replace(film_g=0.8)
    after, _ = motion.motion_step(state, law, motion.StepInputs(0.1, 0.0, 0.0, 0.0), 1.0)
    assert (after.film_g, after.pool_g) == pytest.approx((0.8, 0.1), abs=1e-4)


@pytest.mark.independent
def test_the_exchanger_is_that_of_a_gas_along_a_wall() -> None:
    """Effectiveness 1 - exp(-NTU) of a gas that cools along a surface of one temperature, integrated numerically."""
    _, _, flame, units = baseline_heat(BASE, HeaterParameters(), HEAT)
    sink = 15.0 + 73.0 / 2.0 - 25.0
    found = solve_ivp(lambda _, temp: -units * (temp - sink), (0.0, 1.0), [flame], rtol=1e-11, atol=1e-9)
    assert found.y[0, -1] + 25.0 == pytest.approx(330.0, abs=1e-6)


@pytest.mark.independent
def test_the_gas_of_a_stage_against_the_polynomials() -> None:
    """Useful heat of the baseline: what the fuel brings less what the gas carries off, by the NASA polynomials."""
    useful, radiated, flame, _ = baseline_heat(BASE, HeaterParameters(radiated=0.2), HEAT)
    gas = flue_gas_moles(B7, 1.6)
    fuel = B7.net_heating_value_mj_per_kg * 1e6 * HEAT.fuel_mass
    air = sensible_heat(gas, 15.0, 25.0)  # of the products, 10 K of air: 0.2 % of it
    assert useful == pytest.approx(fuel + air - sensible_heat(gas, 330.0, 25.0), rel=2e-3)
    assert radiated == pytest.approx(0.2 * useful)
    assert enthalpy(HEAT, 1.6, flame) == pytest.approx(fuel + air - radiated, rel=2e-3)
    a, b, c = gas_coefficients(HEAT, 1.6)
    for celsius in (200.0, 330.0, 900.0):
        above = celsius - 25.0
        exact = sensible_heat(gas, celsius, 25.0)
        assert above * (a + above * (b + above * c)) == pytest.approx(exact, rel=4e-3)


@pytest.mark.hand
def test_the_air_path_by_hand() -> None:
    """Half of the resistance in the exhaust: gas of twice the absolute temperature makes R 0.5 + 0.5 x 2 = 1.5; on a
    blower of steepness 0.5 the flow is 1.5^(-1/2.5) = 0.8503; intake air of half the temperature makes R 1.5 too."""
    p = HeaterParameters(intake_share=0.2, exhaust_share=0.5, hot_share=0.0, steepness=0.5)
    path = AirPath.of(p, 0.0, 1000.0, 300.0)
    hot = 2.0 * (298.15 + 300.0) - 298.15
    assert path.flow(1000.0, 300.0, 298.15) == pytest.approx(1.0)
    assert path.flow(1000.0, hot, 298.15) == pytest.approx(0.8503, abs=5e-5)
    assert path.flow(1000.0, 300.0, 298.15 / 2.0) == pytest.approx(0.8503, abs=5e-5)


@pytest.mark.hand
def test_the_pressures_at_the_ports_by_hand() -> None:
    """Darcy-Weisbach: a loss goes with density and the square of the volume flow. At the baseline's flow and heat both
    are the baseline's. Half the air: a quarter of the suction; gas of twice the absolute temperature: twice the back
    pressure; a pipe of three times the resistance: three times the pressure."""
    p = HeaterParameters(r_in=3.0)
    law = heater_law(stage_set(BASE, HeaterParameters(), HEAT, CARBON), HOME, p, HEAT)
    flue = law.stage.flue
    state = motion.cold_motion(15.0)._replace(flue=flue)
    flows = motion.StepFlows(1.6, law.air, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
    suction, back = motion.port_pressures(state, law, flows)
    still, _ = motion.port_pressures(state, law, flows._replace(air=0.5 * law.air))
    hotter = state._replace(flue=2.0 * (298.15 + flue) - 298.15)
    _, twice = motion.port_pressures(hotter, law, flows)
    assert back == pytest.approx(1.0)
    assert twice == pytest.approx(2.0)
    assert still == pytest.approx(suction / 4.0)
    assert suction == pytest.approx(3.0)


@pytest.mark.hand
@pytest.mark.parametrize(
    ("volts", "load", "regulated", "speed"),
    [
        (0.95, 1.0, True, 1.0),
        (0.81, 1.0, True, 0.9),
        (0.45, 0.5, None, 1.0),
        (0.9, 1.0, False, 0.883),
        (0.1, 1, False, 0),
    ],
)
def test_the_blower_and_the_voltage_by_hand(volts, load, regulated, speed) -> None:
    """Saturated at 0.90 of the voltage: 0.81/0.90 = 0.9; at half load 0.45/0.45 = 1; unregulated 1 - 1.17 x 0.1."""
    told = blower_speed(volts, load=load, saturation=0.90, regulated=regulated, gain=1.17)
    assert float(told) == pytest.approx(speed, abs=1e-12)
    if regulated:
        assert regulated_speed(np.array([volts]), saturation=0.90, load=load) == pytest.approx([speed])


@pytest.mark.hand
def test_a_stage_by_hand() -> None:
    """Siegert at lambda 1.6 (O2 8.2) and 315 K: 315 (0.68/12.8 + 0.007) = 18.9 % lost, 81.1 % useful; over 73 K."""
    p = HeaterParameters()
    stage = stage_set(BASE, p, HEAT, CARBON)
    law = heater_law(stage, HOME, p, HEAT)
    useful_w = CARBON * baseline_heat(BASE, p, HEAT)[0]
    assert useful_w == pytest.approx(FUEL_KG_PER_S * B7.net_heating_value_mj_per_kg * 1e6 * 0.811, rel=0.01)
    assert law.capacity == pytest.approx(useful_w / 73.0)
    # the wall stands at 0.35 of the way from the heating air's mean (51.5 °C) to the flue gas (330 °C): 97.5 K above it
    assert law.conductance == pytest.approx(useful_w / 97.475, rel=1e-9)
    assert body_conventions().chamber_j_per_k == 45.0
