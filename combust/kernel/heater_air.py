"""The heater's combustion air relative to its healthy baseline: resistances, blower, speed, and the fixed point with
the flue temperature.

Shares w of intake, burner and exhaust in the total resistance (sum 1), multipliers r, steepness s of the blower curve:
Q/Q0 = n (h/R)^(1/(2+s)), R = w_in r_in + w_b r_b tau_b + w_ex r_ex tau_ex, m/m0 = sigma Q/Q0.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.kernel import heater_heat
from combust.kernel.heater_heat import REFERENCE_C, FuelHeat

ABSOLUTE_K = 273.15 + REFERENCE_C
ROUNDS = 3  # the flue temperature feeds back on the air with a gain of about -0.15: 3 rounds leave 0.3 %


class HealthyState(NamedTuple):
    """The healthy heater at its baseline: numbers, or arrays where a stage is drawn.

    ``air_ratio`` [-], ``flue_c``, ``intake_c``, ``air_in_c`` [°C], ``rise_k`` of the heating air [K].
    """

    air_ratio: Any
    flue_c: Any
    intake_c: Any
    air_in_c: Any
    rise_k: Any


class SiteState(NamedTuple):
    """Air of a row against the baseline's: dry density, moist density, pressure, heating-air density (ratios), °C."""

    dry_density: Any
    density: Any
    pressure: Any
    heating_air_density: Any
    intake_c: Any
    air_in_c: Any


class HeaterParameters(NamedTuple):
    """What may differ from the healthy baseline, and the structure that nobody knows; numbers or arrays of one shape.

    Attributes
    ----------
    speed, head : blower speed and head at speed, ratios [-]
    r_in, r_burner, r_ex : resistance multipliers [-]
    recirculated : share of flue gas in the intake (mole) [-]
    unseen_warming : share of the recirculation's warming that the intake thermometer does not see [-]
    recirculated_heat : how hot the gas comes back, 1 = flue temperature, 0 = intake temperature [-]
    fuel : fuel mass flow ratio times the stoichiometric air of the fuel burnt, ratio [-]
    fuel_heat : heat of the fuel burnt per stoichiometric air, ratio to the stated fuel [-]
    released : heat released over heat supplied [-]
    clean : transfer units at the same flow, ratio [-]
    heating_air : duct factor of the heating air [-]
    steepness, w_in, w_ex, hot_share, exponent, air_side, shaft : structure
        s; shares of intake and exhaust; hot share of the burner's resistance; exchanger exponent a; exponent of the
        heating air in the exchanger; 1 when heating air turns with the blower.
    """

    speed: Any = 1.0
    head: Any = 1.0
    r_in: Any = 1.0
    r_burner: Any = 1.0
    r_ex: Any = 1.0
    recirculated: Any = 0.0
    unseen_warming: Any = 0.0
    recirculated_heat: Any = 1.0
    fuel: Any = 1.0
    fuel_heat: Any = 1.0
    released: Any = 1.0
    clean: Any = 1.0
    heating_air: Any = 1.0
    steepness: Any = 0.5
    w_in: Any = 0.2
    w_ex: Any = 0.3
    hot_share: Any = 0.55
    exponent: Any = 0.7
    air_side: Any = 0.1
    shaft: Any = 1.0


class HeaterState(NamedTuple):
    """What the heater does: lambda, °C, and ratios to its baseline."""

    air_ratio: Any
    flue_c: Any
    heat: Any
    rise: Any
    air: Any
    intake_static: Any
    exhaust_static: Any
    intake_true_c: Any


def resistance_from_air_change(remaining: Any, steepness: Any) -> Any:
    """Return the total resistance ratio that leaves a share of the volume flow: R = q^-(2+s)."""
    return remaining ** -(2.0 + steepness)


def heater_state(
    healthy: HealthyState, site: SiteState, p: HeaterParameters, fuel: FuelHeat, *, rounds: int = ROUNDS
) -> HeaterState:
    """Return the working point by the fixed point of air flow, flame, exchanger and flue temperature.

    The hot-gas term is that of :func:`combust.kernel.hot_gas.hot_gas_state`, with quadratic enthalpies and three rounds
    instead of polynomials run to rest: a ranking of causes weighs some 100 000 draws, and this is twenty times as fast.
    Below lambda 1 only the part of the fuel that finds air is burnt; the exact one stops being valid there. Validity
    records ``heater_rounds`` and ``quadratic_hot_gas`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    healthy, site, p, fuel
        Baseline, air of the row, parameters (arrays of one shape) and the stated fuel's heat.
    rounds : int
        Rounds of the fixed point.

    Returns
    -------
    HeaterState
        Shape of the broadcast parameters. lambda may fall below 1.

    Examples
    --------
    >>> from combust.domain.catalogue import get_fuel
    >>> b7 = get_fuel("diesel_b7")
    >>> base = HealthyState(1.6, 330.0, 15.0, 15.0, 73.0)
    >>> site = SiteState(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
    >>> heat = heater_heat.fuel_heat(b7, b7.net_heating_value_mj_per_kg)
    >>> state = heater_state(base, site, HeaterParameters(), heat)
    >>> round(float(state.air_ratio), 4), round(float(state.flue_c), 3)
    (1.6, 330.0)
    """
    intake_0, intake = healthy.intake_c - REFERENCE_C, site.intake_c - REFERENCE_C
    flue_0 = healthy.flue_c - REFERENCE_C
    sink_0 = healthy.air_in_c + 0.5 * healthy.rise_k - REFERENCE_C
    flame_0 = heater_heat.flame_temperature(fuel, healthy.air_ratio, intake_0, 1.0, 0.0)
    units_0 = heater_heat.transfer_units_from_temperatures(flame_0, sink_0, flue_0)
    mass_0 = heater_heat.gas_mass(fuel, healthy.air_ratio)
    useful_0 = heater_heat.enthalpy(fuel, healthy.air_ratio, flame_0) - heater_heat.enthalpy(
        fuel, healthy.air_ratio, flue_0
    )
    hot_0 = 0.5 * (flame_0 + flue_0)
    scale_burner = (ABSOLUTE_K + intake_0) / (ABSOLUTE_K + hot_0)
    scale_ex = (ABSOLUTE_K + intake_0) / (ABSOLUTE_K + flue_0)

    fresh = 1.0 - p.recirculated
    burner = (1.0 - p.w_in - p.w_ex) * p.r_burner
    cold = p.w_in * p.r_in + burner * (1.0 - p.hot_share)
    by_flame = 0.5 * burner * p.hot_share * scale_burner
    by_flue = by_flame + p.w_ex * p.r_ex * scale_ex
    hot = (by_flame + by_flue) * ABSOLUTE_K
    slope = 1.0 / (2.0 + p.steepness)
    log_head = np.log(p.head)
    heating = site.heating_air_density * p.heating_air * (1.0 + p.shaft * (p.speed - 1.0))
    warming = p.recirculated * p.recirculated_heat * p.unseen_warming
    # What does not change from round to round: lambda over volume, heat at lambda 1, gas over mass, rise over heat.
    lambda_of_volume = healthy.air_ratio * site.dry_density * fresh / p.fuel
    supplied = p.released * p.fuel_heat * fuel.net_heat * fresh
    gas_of_mass = p.fuel / (fresh * mass_0)
    rise_of_heat = p.fuel / (fresh * useful_0 * heating)
    less_units = -units_0 * heating**p.air_side * p.clean
    softer = p.exponent - 1.0
    sink_cold, sink_rise = site.air_in_c - REFERENCE_C, 0.5 * healthy.rise_k
    any_recirculation = bool(np.any(p.recirculated))

    flue: Any = flue_0
    flame: Any = flame_0
    rise: Any = 1.0
    true_intake: Any = intake
    thinner: Any = 1.0
    for _ in range(rounds):
        if any_recirculation:
            true_intake = intake + warming * (flue - intake)
            thinner = (ABSOLUTE_K + intake) / (ABSOLUTE_K + true_intake)
        resistance = cold + (hot + by_flame * flame + by_flue * flue) / (ABSOLUTE_K + true_intake)
        volume = p.speed * np.exp((log_head - np.log(resistance)) * slope)
        air_ratio = lambda_of_volume * (volume * thinner if any_recirculation else volume)
        a, b = heater_heat.enthalpy_coefficients(fuel, air_ratio)
        total = supplied * np.minimum(1.0, air_ratio) + air_ratio * (fuel.air_a * true_intake)
        flame = heater_heat.temperature_of_enthalpy(a, b, total)
        # Gas through the exchanger: all of the fuel's products and what goes round.
        gas = gas_of_mass * heater_heat.gas_mass(fuel, air_ratio)
        sink = sink_cold + sink_rise * rise
        flue = sink + (flame - sink) * np.exp(less_units * np.exp(np.log(gas) * softer))
        rise = rise_of_heat * (total - flue * (a + flue * b))
    return HeaterState(
        air_ratio=air_ratio,
        flue_c=flue + REFERENCE_C,
        heat=rise * heating,
        rise=rise,
        air=site.dry_density * thinner * volume,
        intake_static=p.r_in * volume * volume * (site.density * thinner),
        exhaust_static=p.r_ex * gas * gas * (ABSOLUTE_K + flue) / ((ABSOLUTE_K + flue_0) * site.pressure),
        intake_true_c=true_intake + REFERENCE_C,
    )
