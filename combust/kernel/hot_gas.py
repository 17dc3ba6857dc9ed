"""The hot-gas term of a site: how much the hot parts of the air path throttle a fixed-speed blower.

Volume flow at the inlet follows Q/Q0 = n R^(-1/(2+s)) with R = w_in + w_b tau_b + w_ex tau_ex and
tau = (T_gas/T_in)/(T_gas0/T_in0), so the gas, hotter against its inlet air than at the baseline, costs flow.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.kernel import heat
from combust.kernel.constants import DRY_AIR, ZERO_CELSIUS_K
from combust.kernel.flue_gas import FlueGasMoles
from combust.kernel.stoichiometry import stoichiometric_air_mass, stoichiometric_oxygen
from combust.kernel.types import Atoms, Floats

ROUNDS = 40
CLOSE = 1e-10


class HotGasBase(NamedTuple):
    """The healthy baseline the hot-gas term is relative to; temperatures in °C, heating value in MJ/kg."""

    atoms: Atoms
    net_heating_value: float
    air_ratio: float
    intake_temp: float
    air_in_temp: float


class PathDraws(NamedTuple):
    """Uncertain structure of the air path, one entry a draw (all [-], flue temperature of the baseline in °C)."""

    steepness: Floats
    intake_share: Floats
    burner_share: Floats
    exhaust_share: Floats
    hot_share: Floats
    exchanger_exponent: Floats
    flue_temp: Floats


class HotGasState(NamedTuple):
    """Steady state at a site; arrays of sites x draws."""

    air_ratio: Any
    flow_factor: Any
    fuel_factor: Any
    speed_factor: Any
    flue_temp: Any
    heat_factor: Any


def spread_points(count: int, dimensions: int) -> Floats:
    """Return evenly spread points of the unit cube, the same at every call, shape (count, dimensions).

    References
    ----------
    M. Roberts, additive recurrence on the generalised golden ratio (2018): x_n = frac(1/2 + n/phi_d^k).
    """
    phi = 2.0
    for _ in range(60):
        phi = (1.0 + phi) ** (1.0 / (dimensions + 1))
    steps = phi ** -np.arange(1.0, dimensions + 1.0)
    points: Floats = np.mod(0.5 + np.arange(1.0, count + 1.0)[:, None] * steps, 1.0)
    return points


def complete_gas(fuel: Atoms, air_ratio: Any) -> FlueGasMoles:
    """Return the gas of complete combustion [mol per mol C].

    Below lambda 1 the missing oxygen is carried as a negative amount: the temperature that follows is too high
    there, but stays smooth. Such a mixture is refused for other reasons long before.
    """
    nu = stoichiometric_oxygen(fuel)
    dry_air = np.asarray(air_ratio, dtype=float) * nu / DRY_AIR.o2
    zero = np.zeros_like(dry_air)
    return FlueGasMoles(
        co2=1.0 + dry_air * DRY_AIR.co2,
        co=zero,
        h2=zero,
        h2o=fuel.h_c / 2.0 + zero,
        o2=(air_ratio - 1.0) * nu,
        n2=dry_air * DRY_AIR.n2 + fuel.n_c / 2.0,
        ar=dry_air * DRY_AIR.ar,
        so2=fuel.s_c + zero,
        hc=zero,
        no=zero,
    )


def flame_temperature(
    fuel: Atoms, net_heating_value: Any, air_ratio: Any, intake_temp_c: Any, *, guess: Any = None
) -> Any:
    """Return the adiabatic temperature of complete combustion, fuel liquid at 25 °C, no dissociation [°C].

    Without dissociation it lies 32 K above Cantera's equilibrium at lambda 1.2, 9 K at 1.5, 2 K from 2.1 on (validity
    record ``flame_without_dissociation``).
    """
    gas = complete_gas(fuel, air_ratio)
    sensible = _air_heat(fuel, air_ratio, intake_temp_c)
    target = heat.gas_enthalpy(gas, 25.0) + heat.heat_input_per_carbon(fuel, net_heating_value) + sensible
    temp = 500.0 + 1500.0 / np.asarray(air_ratio, dtype=float) if guess is None else guess
    for _ in range(8):
        here = heat.gas_enthalpy(gas, temp)
        step = (target - here) / (heat.gas_enthalpy(gas, temp + 1.0) - here)
        temp = np.minimum(temp + step, 5600.0)
        if np.all(np.abs(step) < 1e-3):  # Newton: the next step would be below 1e-7 K
            break
    return temp


def _air_heat(fuel: Atoms, air_ratio: Any, temp_c: Any) -> Any:
    """Return the heat the combustion air brings above 25 °C [J per kmol fuel carbon]."""
    dry_air = np.asarray(air_ratio, dtype=float) * stoichiometric_oxygen(fuel) / DRY_AIR.o2
    zero = np.zeros_like(dry_air)
    air = FlueGasMoles(
        dry_air * DRY_AIR.co2,
        zero,
        zero,
        zero,
        dry_air * DRY_AIR.o2,
        dry_air * DRY_AIR.n2,
        dry_air * DRY_AIR.ar,
        zero,
        zero,
        zero,
    )
    return heat.sensible_heat(air, temp_c, 25.0)


def transfer_units(base: HotGasBase, draws: PathDraws) -> Any:
    """Return NTU of the exchanger at the baseline, from its flue temperature [-]."""
    flame = flame_temperature(base.atoms, base.net_heating_value, base.air_ratio, base.intake_temp)
    return np.log((flame - base.air_in_temp) / (draws.flue_temp - base.air_in_temp))


def hot_gas_state(
    base: HotGasBase,
    draws: PathDraws,
    *,
    dry_air_density_ratio: Any,
    fuel_density_ratio: Any,
    intake_temp_c: Any,
    air_in_temp_c: Any = None,
    hold: str = "nothing",
    hold_air_ratio: Any = None,
) -> HotGasState:
    """Return lambda, fuel, speed, flue temperature and heat at a site for every draw.

    The exact form; :func:`combust.kernel.heater_air.heater_state` is the fast one, with faults, for the ranking of
    causes (validity record ``quadratic_hot_gas`` holds the two together).

    Parameters
    ----------
    dry_air_density_ratio, fuel_density_ratio : float or array
        Site over baseline [-]; arrays of sites give sites x draws.
    hold : {"nothing", "fuel", "blower"}
        What is trimmed so that lambda becomes ``hold_air_ratio``.

    Returns
    -------
    HotGasState
        ``flow_factor`` = Q/(Q0 n) = R^(-1/(2+s)); ``fuel_factor``, ``speed_factor`` = trims; ``heat_factor`` =
        useful heat over the baseline's [-]; ``flue_temp`` [°C].
    """
    sigma, ratio, intake = (
        np.asarray(x, dtype=float)[..., None] for x in (dry_air_density_ratio, fuel_density_ratio, intake_temp_c)
    )
    cold = base.air_in_temp if air_in_temp_c is None else np.asarray(air_in_temp_c, dtype=float)[..., None]
    held = None if hold == "nothing" else np.asarray(hold_air_ratio, dtype=float)[..., None]
    ntu = transfer_units(base, draws)
    stoichiometric = stoichiometric_air_mass(base.atoms)
    flow = np.ones(np.broadcast_shapes(sigma.shape, draws.steepness.shape))
    flame = flame_0 = flame_temperature(base.atoms, base.net_heating_value, base.air_ratio, base.intake_temp)
    for _ in range(ROUNDS):
        fuel, speed, lam = _mass_flows(base, sigma, ratio, flow, hold, held)
        gas_mass = fuel * ratio * (lam * stoichiometric + 1.0) / (base.air_ratio * stoichiometric + 1.0)
        flame = flame_temperature(base.atoms, base.net_heating_value, lam, intake, guess=flame + 0.0 * lam)
        flue = cold + (flame - cold) * np.exp(-ntu * gas_mass ** (draws.exchanger_exponent - 1.0))
        new = _flow_factor(base, draws, flame_0, flame, flue, intake)
        done = np.all(np.abs(new - flow) < CLOSE)
        flow = new
        if done:
            break
    fuel, speed, lam = _mass_flows(base, sigma, ratio, flow, hold, held)
    useful = _useful_share(base, lam, flue, intake) / _useful_share(
        base, base.air_ratio, draws.flue_temp, base.intake_temp
    )
    return HotGasState(lam, flow, fuel, speed, flue, fuel * ratio * useful)


def _mass_flows(base: HotGasBase, sigma: Any, ratio: Any, flow: Any, hold: str, held: Any) -> tuple[Any, ...]:
    """Return fuel trim, speed trim and lambda."""
    one = np.ones_like(flow)
    if hold == "fuel":
        air = sigma * flow
        return base.air_ratio * air / (ratio * held), one, held + 0.0 * flow
    if hold == "blower":
        air = held * ratio / base.air_ratio * one
        return one, air / (sigma * flow), held + 0.0 * flow
    air = sigma * flow
    return one, one, base.air_ratio * air / ratio


def _flow_factor(base: HotGasBase, draws: PathDraws, flame_0: Any, flame: Any, flue: Any, intake: Any) -> Any:
    inlet_0, inlet = base.intake_temp + ZERO_CELSIUS_K, intake + ZERO_CELSIUS_K
    burner_0 = (flame_0 + draws.flue_temp) / 2.0 + ZERO_CELSIUS_K
    burner = (flame + flue) / 2.0 + ZERO_CELSIUS_K
    tau_burner = burner / inlet / (burner_0 / inlet_0)
    tau_exhaust = (flue + ZERO_CELSIUS_K) / inlet / ((draws.flue_temp + ZERO_CELSIUS_K) / inlet_0)
    hot = draws.burner_share * draws.hot_share
    resistance = 1.0 + hot * (tau_burner - 1.0) + draws.exhaust_share * (tau_exhaust - 1.0)
    return resistance ** (-1.0 / (2.0 + draws.steepness))


def _useful_share(base: HotGasBase, air_ratio: Any, flue_temp: Any, intake_temp: Any) -> Any:
    """Return useful heat over the net heat of the fuel: 1 less the stack loss to the intake temperature."""
    lost = heat.sensible_heat(complete_gas(base.atoms, air_ratio), flue_temp, intake_temp)
    return 1.0 - lost / heat.heat_input_per_carbon(base.atoms, base.net_heating_value)
