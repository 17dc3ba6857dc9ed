"""What a heater in motion goes by until an input or its stage changes: healthy stage, air path, exchanger, conventions.

Temperatures are kelvin above 25 °C, heat is W and J, flows are kmol/s of fuel carbon or of the air that burns it.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import numpy as np

from combust.data.tables import load_numbers
from combust.kernel.working_point import (
    REFERENCE_C,
    REFERENCE_K,
    AirPath,
    FuelHeat,
    HealthyState,
    HeaterParameters,
    SiteAir,
    baseline_heat,
    gas_mass,
)


class Body(NamedTuple):
    """The conventions of ``heater_dynamics.toml``, [body]: capacities, flame limits, evaporation, lags."""

    chamber_j_per_k: float
    wall_j_per_k: float
    casing_j_per_k: float
    port_j_per_k: float
    casing_w_per_k: float
    soak_w_per_k: float
    wall_share: float
    wall_exponent: float
    still_air_share: float
    glow_j_per_k: float
    glow_w_per_k: float
    lights_above_c: float
    flame_richest: float
    flame_leanest: float
    wick_share: float
    wick_lag_s: float
    film_s: float
    film_at_c: float
    film_per_e_k: float
    unlit_share: float
    film_most_g: float
    pool_most_g_per_s: float
    pool_s: float
    blower_lag_s: float
    stage_blend_s: float
    line_ml: float


class StageSet(NamedTuple):
    """What motion needs of a healthy stage; every field is blended linearly while one stage becomes another.

    Attributes
    ----------
    fuel_kmol_per_s : baseline's flow of fuel carbon
    air_ratio, intake, flue, flame : lambda [-] and temperatures of the baseline
    units : transfer units of the exchanger
    useful, radiated : heat given to the heating air, and what the flame radiates of it [J/kmol]
    rise_k : of the heating air [K]
    sink : mean heating air
    """

    fuel_kmol_per_s: Any
    air_ratio: Any
    intake: Any
    flue: Any
    flame: Any
    units: Any
    useful: Any
    radiated: Any
    rise_k: Any
    sink: Any


class Law(NamedTuple):
    """All that stays the same from step to step until an input or the stage changes."""

    stage: StageSet
    path: AirPath
    heat: FuelHeat
    body: Body
    p: HeaterParameters
    site: SiteAir
    air: Any  # at full speed through the baseline's resistance, of air as cold as the intake [kmol/s]
    head: Any  # what the blower's head makes of the flow [-]
    inlet_k: Any
    intake: Any
    air_in: Any
    fresh: Any
    warming: Any
    heat_per_kmol: Any
    radiates: Any  # W per fourth power of kelvin
    units: Any
    softer: Any
    air_side: Any
    gas: Any  # mass flow of the baseline's gas [kg/s]
    heating_air: Any  # at full speed over the baseline's
    capacity: Any  # of the baseline's heating air [W/K]
    conductance: Any  # of the wall to the baseline's heating air [W/K]
    kmol_per_g: Any  # of the fuel in the burner


@cache
def body_conventions() -> Body:
    """Return the shipped conventions, each with its origin in ``heater_dynamics.toml``."""
    return Body(**load_numbers("heater_dynamics", "body"))


def stage_set(healthy: HealthyState, p: HeaterParameters, fuel: FuelHeat, fuel_kmol_per_s: Any) -> StageSet:
    """Return what motion needs of a healthy stage whose fuel carbon flows at a rate [kmol/s]."""
    useful, radiated, flame, units = baseline_heat(healthy, p, fuel)
    return StageSet(
        fuel_kmol_per_s=fuel_kmol_per_s,
        air_ratio=healthy.air_ratio,
        intake=healthy.intake_c - REFERENCE_C,
        flue=healthy.flue_c - REFERENCE_C,
        flame=flame,
        units=units,
        useful=useful,
        radiated=radiated,
        rise_k=healthy.rise_k,
        sink=healthy.air_in_c + 0.5 * healthy.rise_k - REFERENCE_C,
    )


def heater_law(
    stage: StageSet,
    site: SiteAir,
    p: HeaterParameters,
    fuel: FuelHeat,
    *,
    need: Any = 1.0,
    body: Body | None = None,
) -> Law:
    """Return what stays the same from step to step; speed and fuel of ``p`` are left to the steps.

    Parameters
    ----------
    stage, site, p, fuel
        Healthy set, air of the place, parameters, heat of the stated fuel.
    need : float or array
        Air need of a gram of the fuel in the burner over that of the stated fuel [-].
    body : Body, optional
        Conventions; default the shipped ones.
    """
    body = body or body_conventions()
    inlet_k, fresh = REFERENCE_K + site.intake_c - REFERENCE_C, 1.0 - p.recirculated
    path = AirPath.of(p, stage.intake, stage.flame, stage.flue)
    useful_w = stage.fuel_kmol_per_s * stage.useful
    return Law(
        stage=stage,
        path=path,
        heat=fuel,
        body=body,
        p=p,
        site=site,
        air=stage.fuel_kmol_per_s * stage.air_ratio * site.dry_density * fresh,
        head=np.exp(-path.flatness * np.log(p.head)),
        inlet_k=inlet_k,
        intake=site.intake_c - REFERENCE_C,
        air_in=site.air_in_c - REFERENCE_C,
        fresh=fresh,
        warming=p.recirculated * p.recirculated_heat * p.unseen_warming,
        heat_per_kmol=p.released * p.fuel_heat * fuel.net_heat,
        radiates=stage.fuel_kmol_per_s * stage.radiated / (REFERENCE_K + stage.flame) ** 4,
        units=stage.units * p.clean,
        softer=p.exponent - 1.0,
        air_side=p.air_side,
        gas=stage.fuel_kmol_per_s * gas_mass(fuel, stage.air_ratio),
        heating_air=site.heating_air_density * p.heating_air,
        capacity=useful_w / stage.rise_k,
        conductance=useful_w / (body.wall_share * (stage.flue - stage.sink)),
        kmol_per_g=1e-3 * need / fuel.fuel_mass,
    )


def regulated_speed(voltage: Any, *, saturation: Any, load: Any) -> Any:
    """Return the speed of a regulated motor over the stage's [-]: kept until it saturates, min(1, U/(saturation load)).

    Parameters
    ----------
    voltage, saturation : float or array
        Voltage, and that at which the fullest stage saturates, over the baseline's [-].
    load : float or array
        Speed of the stage over the fullest stage's [-].
    """
    return np.minimum(1.0, voltage / (saturation * load))


def blower_speed(voltage: Any, *, load: Any, saturation: Any, regulated: bool | None, gain: Any) -> Any:
    """Return the blower's speed over the stage's at a voltage over the baseline's, both at most 1 [-].

    A regulated motor keeps its speed until it saturates: min(1, U/(saturation x load)). An unregulated one follows the
    voltage: 1 - gain (1 - U). Unknown counts as regulated.
    """
    if regulated is False:
        return np.maximum(0.0, 1.0 - gain * (1.0 - voltage))
    return regulated_speed(voltage, saturation=saturation, load=load)
