"""The healthy working point solved point by point on the NASA polynomials themselves, by plain iteration to rest.

Built apart from ``combust.kernel.working_point``: no fitted enthalpy, no secant, another order of the steps.
"""

from __future__ import annotations

import numpy as np

from combust.kernel import heat
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import FlueGasMoles
from combust.kernel.stoichiometry import stoichiometric_air_mass, stoichiometric_oxygen


def burnt_gas(fuel, ratio, *, burn=True):
    """Return complete combustion (or the air alone) per mol C; below lambda 1 the missing oxygen counts negative."""
    need = float(stoichiometric_oxygen(fuel))
    air = np.asarray(ratio, dtype=float) * need / DRY_AIR.o2
    zero, part = np.zeros_like(air), float(burn)
    return FlueGasMoles(
        co2=part + air * DRY_AIR.co2, co=zero, h2=zero, h2o=part * fuel.h_c / 2.0 + zero,
        o2=air * DRY_AIR.o2 - part * need, n2=air * DRY_AIR.n2 + part * fuel.n_c / 2.0, ar=air * DRY_AIR.ar,
        so2=part * fuel.s_c + zero, hc=zero, no=zero,
    )  # fmt: skip


def flame(fuel, ratio, intake_c, lost=lambda celsius: 0.0):
    """Return the temperature of complete combustion that also loses ``lost`` [°C]: bisection on the enthalpy."""
    gas = burnt_gas(fuel, ratio)
    brought = heat.sensible_heat(burnt_gas(fuel, ratio, burn=False), intake_c, 25.0)
    wanted = heat.heat_input_per_carbon(fuel, fuel.net_heating_value_mj_per_kg) + brought
    low, high = (np.broadcast_to(limit, np.shape(wanted)).astype(float) for limit in (20.0, 4000.0))
    for _ in range(60):
        middle = (low + high) / 2.0
        above = heat.gas_enthalpy(gas, middle) - heat.gas_enthalpy(gas, 25.0) + lost(middle) > wanted
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2.0


def exact_air_ratio(fuel, healthy, structure, *, density, intake_c, air_in_c, fuel_flow=1.0, radiated=0.0):
    """Return (lambda, flue [°C]) of a healthy heater without warming of the heating air; arrays broadcast.

    ``structure``: steepness, share of the exhaust, hot part of the burner's share, exchanger exponent. ``radiated``:
    share of the exchanged heat that the flame radiates at the baseline, with the fourth power of its temperature.
    """
    steep, exhaust, hot_burner, exponent = structure
    stoichiometric = float(stoichiometric_air_mass(fuel))
    adiabatic, gas_0 = flame(fuel, healthy.air_ratio, healthy.intake_c), burnt_gas(fuel, healthy.air_ratio)
    glow = radiated * (heat.gas_enthalpy(gas_0, adiabatic) - heat.gas_enthalpy(gas_0, healthy.flue_c))
    flame_0 = flame(fuel, healthy.air_ratio, healthy.intake_c, lambda celsius: glow)
    units = np.log((flame_0 - healthy.air_in_c) / (healthy.flue_c - healthy.air_in_c))
    cold_0, cold = healthy.intake_c + 273.15, intake_c + 273.15
    flow = 1.0
    for _ in range(60):
        ratio = healthy.air_ratio * density * flow / fuel_flow
        hot = flame(
            fuel, ratio, intake_c, lambda celsius: glow / fuel_flow * ((celsius + 273.15) / (flame_0 + 273.15)) ** 4
        )
        mass = fuel_flow * (1.0 + ratio * stoichiometric) / (1.0 + healthy.air_ratio * stoichiometric)
        flue = air_in_c + (hot - air_in_c) * np.exp(-units * mass ** (exponent - 1.0))
        burner = ((hot + flue) / 2 + 273.15) / cold / (((flame_0 + healthy.flue_c) / 2 + 273.15) / cold_0)
        behind = (flue + 273.15) / cold / ((healthy.flue_c + 273.15) / cold_0)
        new = (1.0 + hot_burner * (burner - 1.0) + exhaust * (behind - 1.0)) ** (-1.0 / (2.0 + steep))
        done = np.max(np.abs(new - flow)) < 1e-11
        flow = new
        if done:
            break
    return healthy.air_ratio * density * flow / fuel_flow, flue
