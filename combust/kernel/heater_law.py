"""What a heater in motion goes by until an input or its stage changes: healthy stage, air path, exchanger, conventions.

Temperatures are kelvin above 25 °C, heat is W and J, flows are kmol/s of fuel carbon or of the air that burns it.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Generic, NamedTuple

import numpy as np

from combust.data.tables import load_numbers
from combust.kernel.elementwise import elementwise
from combust.kernel.hot_gas import REFERENCE_C, REFERENCE_K, FuelHeat, gas_mass
from combust.kernel.types import X
from combust.kernel.working_point import AirPath, HealthyState, HeaterParameters, SiteAir, baseline_heat


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


class StageSet(NamedTuple, Generic[X]):
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

    fuel_kmol_per_s: X
    air_ratio: X
    intake: X
    flue: X
    flame: X
    units: X
    useful: X
    radiated: X
    rise_k: X
    sink: X


class Law(NamedTuple, Generic[X]):
    """All that stays the same from step to step until an input or the stage changes."""

    stage: StageSet[X] | StageSet[float]
    path: AirPath[X] | AirPath[float]
    heat: FuelHeat
    body: Body
    p: HeaterParameters[X] | HeaterParameters[float]
    site: SiteAir[X] | SiteAir[float]
    air: X  # at full speed through the baseline's resistance, of air as cold as the intake [kmol/s]
    head: X  # what the blower's head makes of the flow [-]
    inlet_k: X
    intake: X
    air_in: X
    fresh: X
    warming: X
    heat_per_kmol: X
    radiates: X  # W per fourth power of kelvin
    units: X
    softer: X
    air_side: X
    gas: X  # mass flow of the baseline's gas [kg/s]
    heating_air: X  # at full speed over the baseline's
    capacity: X  # of the baseline's heating air [W/K]
    conductance: X  # of the wall to the baseline's heating air [W/K]
    kmol_per_g: X  # of the fuel in the burner


@cache
def body_conventions() -> Body:
    """Return the shipped conventions, each with its origin in ``heater_dynamics.toml``.

    Returns
    -------
    Body
        One number each [J/K, W/K, s, g, -, ml].

    Examples
    --------
    >>> body_conventions().chamber_j_per_k > 0.0
    True
    """
    return Body(**load_numbers("heater_dynamics", "body"))


@elementwise
def stage_set(
    healthy: HealthyState[X], p: HeaterParameters[X], fuel: FuelHeat, fuel_kmol_per_s: X | float
) -> StageSet[X]:
    """Return what motion needs of a healthy stage whose fuel carbon flows at a rate.

    Parameters
    ----------
    healthy : HealthyState
        The baseline [-, °C, K]; numbers or arrays of one shape.
    p : HeaterParameters
        Structure of the heater [-].
    fuel : FuelHeat
        Heat of the stated fuel [J/kmol].
    fuel_kmol_per_s : float or array
        Flow of fuel carbon at the baseline [kmol/s], above 0 (unchecked).

    Returns
    -------
    StageSet
        The stage [K above 25 °C, J/kmol], in the broadcast shape.

    References
    ----------
    :func:`combust.kernel.working_point.baseline_heat`.

    Examples
    --------
    >>> from combust.kernel import working_point as model
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> heat = fuel_heat(AtomsTuple(1.86, 0.007), 42.6)
    >>> base = model.HealthyState(1.6, 330.0, 15.0, 15.0, 73.0)
    >>> stage_set(base, model.HeaterParameters(), heat, 1e-5).flue  # 330 less 25
    305.0
    """
    useful, radiated, flame, units = baseline_heat(healthy, p, fuel)
    flow: Any = fuel_kmol_per_s
    return StageSet(
        fuel_kmol_per_s=flow,
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


@elementwise
def heater_law(
    stage: StageSet[X],
    site: SiteAir[X],
    p: HeaterParameters[X],
    fuel: FuelHeat,
    *,
    need: X | float = 1.0,
    body: Body | None = None,
) -> Law[X]:
    """Return what stays the same from step to step; speed and fuel of ``p`` are left to the steps.

    Parameters
    ----------
    stage : StageSet
        The healthy stage [K above 25 °C, J/kmol], from :func:`stage_set`.
    site : SiteAir
        Air of the place over the baseline's [-, °C].
    p : HeaterParameters
        What differs from the baseline [-].
    fuel : FuelHeat
        Heat of the stated fuel [J/kmol].
    need : float or array
        Air need of a gram of the fuel in the burner over that of the stated fuel [-], above 0 (unchecked).
    body : Body, optional
        Conventions [J/K, W/K, s]; default the shipped ones.

    Returns
    -------
    Law
        Flows [kmol/s], heat [W], ratios [-], in the broadcast shape.

    References
    ----------
    Energy and mass balance; see :mod:`combust.kernel.working_point`.

    Examples
    --------
    >>> from combust.kernel import working_point as model
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> heat, p = fuel_heat(AtomsTuple(1.86, 0.007), 42.6), model.HeaterParameters()
    >>> base, home = model.HealthyState(1.6, 330.0, 15.0, 15.0, 73.0), model.SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
    >>> law = heater_law(stage_set(base, p, heat, 1e-5), home, p, heat)
    >>> round(float(law.air / 1e-5), 3)  # at the baseline lambda
    1.6
    """
    body = body or body_conventions()
    own: Any = p  # numbers of its own beside arrays
    per_g: Any = 1e-3 * need / fuel.fuel_mass
    inlet_k, fresh = REFERENCE_K + site.intake_c - REFERENCE_C, 1.0 - own.recirculated
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
        warming=own.recirculated * own.recirculated_heat * own.unseen_warming,
        heat_per_kmol=own.released * own.fuel_heat * fuel.net_heat,
        radiates=stage.fuel_kmol_per_s * stage.radiated / (REFERENCE_K + stage.flame) ** 4,
        units=stage.units * p.clean,
        softer=own.exponent - 1.0,
        air_side=own.air_side,
        gas=stage.fuel_kmol_per_s * gas_mass(fuel, stage.air_ratio),
        heating_air=site.heating_air_density * p.heating_air,
        capacity=useful_w / stage.rise_k,
        conductance=useful_w / (body.wall_share * (stage.flue - stage.sink)),
        kmol_per_g=per_g,
    )


@elementwise
def regulated_speed(voltage: X | float, *, saturation: X | float, load: X | float) -> X:
    """Return the speed of a regulated motor over the stage's [-]: kept until it saturates, min(1, U/(saturation load)).

    Parameters
    ----------
    voltage : float or array
        Over the baseline's [-], 0 or more (unchecked).
    saturation : float or array
        Voltage over the baseline's at which the fullest stage saturates [-], above 0 (unchecked).
    load : float or array
        Speed of the stage over the fullest stage's [-], above 0 (unchecked).

    Returns
    -------
    float or array
        Speed [-], at most 1, in the broadcast shape.

    References
    ----------
    A motor's speed limit goes with its voltage (common practice, no source).

    Examples
    --------
    >>> round(float(regulated_speed(0.72, saturation=0.9, load=1.0)), 2)  # 0.72/0.9
    0.8
    >>> float(regulated_speed(0.95, saturation=0.9, load=1.0))
    1.0
    """
    return np.minimum(1.0, voltage / (saturation * load))


@elementwise
def blower_speed(
    voltage: X | float, *, load: X | float, saturation: X | float, regulated: bool | None, gain: X | float
) -> X:
    """Return the blower's speed over the stage's at a voltage over the baseline's, both at most 1 [-].

    A regulated motor keeps its speed until it saturates: min(1, U/(saturation x load)). An unregulated one follows the
    voltage: 1 - gain (1 - U). Unknown counts as regulated.

    Parameters
    ----------
    voltage : float or array
        Over the baseline's [-], 0 to 1 (unchecked).
    load : float or array
        Speed of the stage over the fullest stage's [-], above 0 (unchecked).
    saturation : float or array
        Voltage over the baseline's at which the fullest stage saturates [-], above 0 (unchecked).
    regulated : bool or None
        None = unknown.
    gain : float or array
        Loss of speed over loss of voltage of an unregulated motor [-], 0 or more (unchecked).

    Returns
    -------
    float or array
        Speed [-], 0 or more, in the broadcast shape.

    See Also
    --------
    regulated_speed : of a regulated motor alone.

    References
    ----------
    A motor's speed follows its voltage (common practice, no source).

    Examples
    --------
    >>> round(float(blower_speed(0.9, load=1.0, saturation=0.8, regulated=False, gain=0.7)), 2)  # 1 - 0.7 x 0.1
    0.93
    """
    if regulated is False:
        return np.maximum(0.0, 1.0 - gain * (1.0 - voltage))
    return regulated_speed(voltage, saturation=saturation, load=load)
