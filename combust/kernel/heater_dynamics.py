"""The heater in motion: heat nodes and fuel film around the steady model's own gas, air path and exchanger.

At rest every equation is that of :func:`combust.kernel.working_point.working_point`; what stands in
``heater_dynamics.toml`` decides only how long a change takes. Nodes: chamber (flame), exchanger wall, casing, outlet,
glow element. Temperatures are kelvin above 25 °C, heat is W and J, fuel is g, flows of gas are kmol/s: ``fuel`` of fuel
carbon, ``air`` of the air that burns it, so that lambda = air/fuel.

One step takes numbers, or arrays with one element for each heater.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Generic, NamedTuple

import numpy as np

from combust.kernel.elementwise import elementwise
from combust.kernel.heater_law import Body, Law
from combust.kernel.hot_gas import REFERENCE_C, REFERENCE_K, gas_coefficients
from combust.kernel.types import Truth, X

NEWTON_STEPS = 2  # of the flue temperature in one step of time; at rest one is exact
LEAST_GAS = 1e-6  # of the baseline's gas, for the logarithm of the exchanger
FLATTEST_WALL, STEEPEST_WALL = 0.9, 0.95  # how near the wall may come to the flue gas, how near to a singular exchanger
SOAK_BELOW = 0.2  # blower speed over the stage's, below which chamber and wall exchange heat without gas


class _Operations(NamedTuple):
    """Elementary functions of numbers or of arrays; those of numbers are several times faster on numbers."""

    exp: Callable[[Any], Any]
    least: Callable[[Any, Any], Any]
    most: Callable[[Any, Any], Any]
    choose: Callable[[Any, Any, Any], Any]
    number: Callable[[Any], Any]


_NUMBERS = _Operations(math.exp, min, max, lambda yes, a, b: a if yes else b, float)
_ARRAYS = _Operations(np.exp, np.minimum, np.maximum, np.where, np.asarray)


class HeaterMotion(NamedTuple, Generic[X]):
    """State of a heater: temperatures [K above 25 °C], speeds over the stage's [-], fuel [g], whether it burns."""

    chamber: X
    wall: X
    casing: X
    port: X
    glow: X
    wick: X
    flue: X
    blower: X
    fan: X
    film_g: X
    pool_g: X
    lit: Truth


class StepInputs(NamedTuple, Generic[X]):
    """What the controller does during a step: fuel that arrives [g/s], glow power [W], speeds asked for [-]."""

    fuel_g_per_s: X
    glow_w: X
    blower: X
    fan: X


class StepFlows(NamedTuple, Generic[X]):
    """What passed during a step: lambda (air over what burns), fuel [g/s], heat [W], for balances and displays.

    ``burnt`` + ``vented`` = what evaporated; heat: ``released`` + ``carried`` (air and what goes round) + ``glow`` came
    in, ``flue`` and ``heating`` went out.
    """

    air_ratio: X
    air: X
    burnt_g_per_s: X
    vented_g_per_s: X
    released: X
    carried: X
    glow: X
    flue: X
    heating: X
    gas_share: X


@elementwise
def cold_motion(temp_c: X | float) -> HeaterMotion[X]:
    """Return a heater that has stood for long at a temperature, without fuel in the burner.

    Parameters
    ----------
    temp_c : float or array
        Temperature of all nodes [°C], above -273.15 (unchecked).

    Returns
    -------
    HeaterMotion
        State [K above 25 °C, g], in the shape given.

    References
    ----------
    Thermal equilibrium.

    Examples
    --------
    >>> cold_motion(25.0).chamber, cold_motion(25.0).film_g
    (0.0, 0.0)
    """
    cold: Any = temp_c - REFERENCE_C
    still = cold * 0.0
    return HeaterMotion(cold, cold, cold, cold, cold, cold, cold, still, still, still, still, still > 1.0)


@elementwise
def stored_heat(state: HeaterMotion[X], body: Body) -> X:
    """Return the heat in the nodes above 25 °C [J].

    Parameters
    ----------
    state : HeaterMotion
        Temperatures [K above 25 °C], any.
    body : Body
        Capacities [J/K], 0 or more (unchecked).

    Returns
    -------
    float or array
        Heat [J], in the shape of the state.

    References
    ----------
    Energy balance: capacity times temperature.

    Examples
    --------
    >>> from combust.kernel.heater_law import body_conventions
    >>> stored_heat(cold_motion(25.0), body_conventions())
    0.0
    """
    nodes = body.chamber_j_per_k * state.chamber + body.wall_j_per_k * state.wall + body.casing_j_per_k * state.casing
    return nodes + body.port_j_per_k * state.port + body.glow_j_per_k * state.glow


@elementwise
def motion_step(
    state: HeaterMotion[X], law: Law[X], inputs: StepInputs[X], dt_s: float
) -> tuple[HeaterMotion[X], StepFlows[X]]:
    """Return the heater after a step of time, and what passed during it.

    Heat and fuel balance to rounding for any step: what leaves one node enters another. Explicit in the slow nodes,
    exact in the lags.

    Parameters
    ----------
    state : HeaterMotion
        Where it stands [K above 25 °C, g]; numbers, or arrays of one shape.
    law : Law
        From :func:`~combust.kernel.heater_law.heater_law` [W, J, kmol/s].
    inputs : StepInputs
        Fuel [g/s], glow [W], speeds [-], 0 or more (unchecked).
    dt_s : float
        Length of the step [s], above 0 and well below the chamber's seconds (unchecked); 0.25 is in use.

    Returns
    -------
    tuple of (HeaterMotion, StepFlows)
        State [K above 25 °C, g] and flows [g/s, W, kmol/s], in the shape of the state.

    References
    ----------
    Energy and mass balance of lumped nodes; at rest :func:`combust.kernel.working_point.working_point`.

    Examples
    --------
    >>> from combust.kernel import heater_law as laws
    >>> from combust.kernel import working_point as model
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> heat, p = fuel_heat(AtomsTuple(1.86, 0.007), 42.6), model.HeaterParameters()
    >>> base, home = model.HealthyState(1.6, 330.0, 15.0, 15.0, 73.0), model.SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
    >>> law = laws.heater_law(laws.stage_set(base, p, heat, 1e-5), home, p, heat)
    >>> state, flows = motion_step(cold_motion(15.0), law, StepInputs(0.0, 100.0, 1.0, 1.0), 0.25)
    >>> bool(state.glow > state.wall), float(flows.burnt_g_per_s)  # it glows, nothing burns
    (True, 0.0)
    """
    ops = _NUMBERS if isinstance(state.chamber, float) else _ARRAYS
    body = law.body
    film, pool, evaporated = _fuel_step(state, body, inputs.fuel_g_per_s, dt_s, ops)
    gas = _air_flow(state, law, ops)
    fuel = evaporated * law.kmol_per_g
    lit = _burns(state, body, gas, fuel)
    fuel = ops.choose(lit, fuel, 0.0 * fuel)
    released = ops.least(fuel, gas) * law.heat_per_kmol

    a, b, c = _extensive(law, fuel, gas)
    hot, wall = state.chamber, state.wall
    flame_heat = hot * (a + hot * (b + hot * c))
    glare = ops.choose(lit, law.radiates * (REFERENCE_K + hot) ** 4, 0.0 * hot)
    capacity = law.capacity * ops.most(law.heating_air * state.fan, body.still_air_share)
    share = (fuel * law.heat.fuel_mass + gas * law.heat.air_mass) / (law.fresh * law.gas)
    units = law.units * (capacity / law.capacity) ** law.air_side * ops.most(share, LEAST_GAS) ** law.softer
    left = ops.exp(-units)
    wall_w_per_k = _wall(law, capacity, a * (1.0 - left), left, ops)
    flue = _flue(state, (a, b, c), left, wall_w_per_k, flame_heat + glare)
    flue_heat = flue * (a + flue * (b + flue * c))
    heating = wall_w_per_k * (wall - law.air_in) / (1.0 + 0.5 * wall_w_per_k / capacity)

    glow = law.body.glow_w_per_k
    decay = ops.exp(-dt_s * glow / body.glow_j_per_k)
    tip = hot + inputs.glow_w / glow
    tip += (state.glow - tip) * decay
    from_glow = inputs.glow_w - body.glow_j_per_k * (tip - state.glow) / dt_s
    still = ops.most(0.0 * hot, 1.0 - state.blower / SOAK_BELOW)
    soak = body.soak_w_per_k * still * (hot - wall)
    to_casing = body.casing_w_per_k * (wall - state.casing)
    carried = gas / law.fresh * law.heat.intake_air * (law.intake + law.warming * (state.flue - law.intake))
    outlet = law.air_in + heating / capacity
    port = outlet + (state.port - outlet) * ops.exp(-dt_s * capacity / body.port_j_per_k)
    spin = ops.exp(-dt_s / body.blower_lag_s)
    wick = law.intake + body.wick_share * (ops.most(tip, hot) - law.intake)
    after = HeaterMotion(
        chamber=hot + dt_s / body.chamber_j_per_k * (released + carried + from_glow - flame_heat - glare - soak),
        wall=wall + dt_s / body.wall_j_per_k * (flame_heat + glare - flue_heat + soak - heating - to_casing),
        casing=state.casing + dt_s / body.casing_j_per_k * to_casing,
        port=port,
        glow=tip,
        wick=wick + (state.wick - wick) * ops.exp(-dt_s / body.wick_lag_s),
        flue=flue,
        blower=inputs.blower + (state.blower - inputs.blower) * spin,
        fan=inputs.fan + (state.fan - inputs.fan) * spin,
        film_g=film,
        pool_g=pool,
        lit=lit,
    )
    out = heating - body.port_j_per_k * (port - state.port) / dt_s
    burnt = ops.choose(lit, evaporated, 0.0 * evaporated)
    ratio = gas / ops.most(fuel, 1e-30)
    flows = StepFlows(ratio, gas, burnt, evaporated - burnt, released, carried, inputs.glow_w, flue_heat, out, share)
    return after, flows


def _fuel_step(state: HeaterMotion[Any], body: Body, fed: Any, dt: float, ops: _Operations) -> tuple[Any, Any, Any]:
    """Return film and pool after a step [g] and what evaporated [g/s]."""
    hotness = ops.exp(ops.least((state.wick + REFERENCE_C - body.film_at_c) / body.film_per_e_k, 50.0))
    # A flame heats the film itself, however cold the wick is: else a cool chamber would swing between film and flame.
    rate = ops.choose(state.lit, ops.most(hotness, 1.0 + 0.0 * hotness), body.unlit_share * hotness) / body.film_s
    film = state.film_g + fed * dt
    gone = film * (1.0 - ops.exp(-rate * dt))
    film -= gone
    over = ops.most(film - body.film_most_g, 0.0)
    pool = state.pool_g + over
    pooled = ops.least(pool * (1.0 - math.exp(-dt / body.pool_s)), body.pool_most_g_per_s * dt)
    pooled = ops.choose(state.lit, pooled, 0.0 * pooled)
    return film - over, pool - pooled, (gone + pooled) / dt


def _air_flow(state: HeaterMotion[Any], law: Law[Any], ops: _Operations) -> Any:
    """Return the combustion air of the moment [kmol/s], by the steady model's own path."""
    inlet = law.inlet_k + law.warming * (state.flue - law.intake)
    flow = ops.number(law.path.flow(state.chamber, state.flue, inlet))
    return law.air * law.head * state.blower * flow * (law.inlet_k / inlet)


def _burns(state: HeaterMotion[Any], body: Body, gas: Any, fuel: Any) -> Any:
    """Return whether there is a flame: lambda of the vapour within the limits, and a flame or something hot enough."""
    within = (gas >= body.flame_richest * fuel) & (gas <= body.flame_leanest * fuel) & (fuel > 0.0)
    hot = body.lights_above_c - REFERENCE_C
    return within & (state.lit | (state.glow > hot) | (state.chamber > hot))


def _extensive(law: Law[Any], fuel: Any, gas: Any) -> tuple[Any, Any, Any]:
    """Return a, b, c of the heat a·t + b·t² + c·t³ that the gas through the exchanger carries [W]."""
    zero, one = gas_coefficients(law.heat, 0.0), gas_coefficients(law.heat, 1.0)
    a, b, c = ((fuel * at_0 + gas * (at_1 - at_0)) / law.fresh for at_0, at_1 in zip(zero, one, strict=True))
    return a, b, c


def _wall(law: Law[Any], capacity: Any, gas: Any, left: Any, ops: _Operations) -> Any:
    """Return the conductance of the wall to the heating air [W/K].

    It moves no resting value. Kept so that the flue gas stays hotter than the wall and the outlet colder.
    """
    usual = law.conductance * (capacity / law.capacity) ** law.body.wall_exponent
    usual = ops.least(ops.most(usual, gas / (FLATTEST_WALL * ops.most(left, 1e-3))), 2.0 * capacity)
    return ops.most(usual, gas / STEEPEST_WALL)


def _flue(state: HeaterMotion[Any], gas: tuple[Any, Any, Any], left: Any, wall: Any, given: Any) -> Any:
    """Return the flue temperature: the wall passes on what the gas gives it, by the steady law of the exchanger.

    flue = sink + left (flame - sink), wall (T_wall - sink) = given - heat of the flue gas.
    """
    a, b, c = gas
    flue, slope = state.flue, wall / (1.0 - left)
    for _ in range(NEWTON_STEPS):
        kept = flue * (a + flue * (b + flue * c))
        sink = (flue - left * state.chamber) / (1.0 - left)
        wrong = wall * (state.wall - sink) - given + kept
        flue = flue + wrong / (slope - a - flue * (2.0 * b + 3.0 * c * flue))
    return flue


@elementwise
def port_pressures(state: HeaterMotion[X], law: Law[X], flows: StepFlows[X]) -> tuple[X, X]:
    """Return suction at the intake port and pressure at the exhaust port over the baseline's [-].

    Parameters
    ----------
    state : HeaterMotion
        Where it stands [K above 25 °C].
    law : Law
        What stays the same from step to step [W, J, kmol/s].
    flows : StepFlows
        What passed in the last step [kmol/s].

    Returns
    -------
    pair of float or array
        Ratios to the baseline [-], in the shape of the state.

    References
    ----------
    Turbulent loss goes with density and the square of the volume flow (Darcy-Weisbach).

    Examples
    --------
    >>> from combust.kernel import heater_law as laws
    >>> from combust.kernel import working_point as model
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> heat, p = fuel_heat(AtomsTuple(1.86, 0.007), 42.6), model.HeaterParameters()
    >>> base, home = model.HealthyState(1.6, 330.0, 15.0, 15.0, 73.0), model.SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
    >>> law = laws.heater_law(laws.stage_set(base, p, heat, 1e-5), home, p, heat)
    >>> state, flows = motion_step(cold_motion(15.0), law, StepInputs(0.0, 0.0, 0.0, 0.0), 0.25)
    >>> [float(one) for one in port_pressures(state, law, flows)]  # the blower stands still
    [0.0, 0.0]
    """
    thinner = law.inlet_k / (law.inlet_k + law.warming * (state.flue - law.intake))
    volume = flows.air / (law.air * thinner)
    hotter = (REFERENCE_K + state.flue) / (REFERENCE_K + law.stage.flue)
    back = law.p.r_ex * flows.gas_share * flows.gas_share * hotter / law.site.pressure
    return law.p.r_in * volume * volume * (law.site.density * thinner), back
