"""Demonstrations on the heater itself: stages, altitude, a crushed duct."""

from __future__ import annotations

from typing import Any, NamedTuple

from combust.application.heater.baseline import healthy_stage
from combust.application.lessons.gas import SampledGas, heater_gas, with_false_air
from combust.data.fields import Field
from combust.domain.fuel import Fuel
from combust.domain.site import Site
from combust.kernel.altitude import LambdaAtSite
from combust.kernel.duct_shape import DuctShape
from combust.kernel.ducts import air_after_change, resistance_multiplier
from combust.kernel.gas_flow import Duty, gas_density, gas_viscosity
from combust.kernel.types import Floats

LOW_AIR_RATIO, HIGH_AIR_RATIO = 2.0, 1.6
SIZE = Field("size_pct", unit="%", low=0.0, high=40.0, above="is more than the lesson can show")
SEA_LEVEL = Site(0.0, intake_temp_c=20.0)
# The exhaust of a 4 kW stage: bore [mm], flow [kg/h] and temperature [°C] of its gas.
BORE_MM, GAS_KG_PER_H, GAS_TEMP_C = 24.0, 10.1, 380.0


def air_ratio_at_site(
    base_air_ratio: float, base: Site, site: Site, *, fuel: Fuel | str = "diesel_b7"
) -> LambdaAtSite[Floats]:
    """Return the three lambdas of a healthy heater at a site from lambda at another, with its uncertainty [-].

    By dry-air density alone; with fuel as cold as the air; in full, with the resistance of the hot gas.

    Examples
    --------
    >>> there = air_ratio_at_site(1.6, Site(0, intake_temp_c=20.0), Site(2000, intake_temp_c=0.0))
    >>> round(float(there.air_ratio[0]), 2), round(float(there.air_ratio_full[0]), 2)
    (1.35, 1.29)
    """
    healthy = healthy_stage(fuel, air_ratio=base_air_ratio, reference=base)
    return healthy.lambda_at(healthy.air_of(site))


class StageCause(NamedTuple):
    """A cause as it acts on (low, high) stage: changes of air and fuel and air in the sample, in parts of the size."""

    label: str
    sign: str
    air: tuple[float, float] = (0.0, 0.0)
    fuel: tuple[float, float] = (0.0, 0.0)
    in_sample: tuple[float, float] = (0.0, 0.0)


STAGE_CAUSES = {
    "restriction": StageCause("duct restricted: less air", "both stages, same fraction", air=(-1.0, -1.0)),
    "fuel_over": StageCause("pump gives too much", "both stages, same fraction", fuel=(1.0, 1.0)),
    "supply_low": StageCause("low voltage: blower saturates", "high stage only", air=(0.0, -1.0)),
    "fuel_starved": StageCause("fuel line starves", "high stage only, leaner", fuel=(0.0, -1.0)),
    "hose_leak": StageCause("hose leaks: air in the sample", "both, leaner", in_sample=(1.0, 1.0)),
    # Wind and pulsation mix in more where less gas leaves: twice as much at low stage (convention of the lesson).
    "tail_air": StageCause("air mixes in at the tail", "low stage worse", in_sample=(2.0, 1.0)),
}


class StagePattern(NamedTuple):
    """Readings of a healthy heater and of one with a cause, at both stages."""

    healthy_low: SampledGas
    healthy_high: SampledGas
    low: SampledGas
    high: SampledGas


def stage_pattern(
    cause: str,
    size_pct: float,
    *,
    fuel: Fuel | str = "diesel_b7",
    low: float = LOW_AIR_RATIO,
    high: float = HIGH_AIR_RATIO,
) -> StagePattern:
    """Return what both stages show for one cause.

    Parameters
    ----------
    cause : str
        A key of ``STAGE_CAUSES``.
    size_pct : float
        Air or fuel changed by this share, or this share of air in the sample [%], 0 to 40.
    fuel, low, high
        Fuel; healthy lambda of the stages [-].

    Raises
    ------
    CombustError
        Unknown cause, size outside its band.

    Examples
    --------
    >>> pattern = stage_pattern("restriction", 15.0)
    >>> round(float(pattern.low.o2_dry_pct), 1), round(float(pattern.high.o2_dry_pct), 1)
    (9.0, 5.8)
    """
    rule = STAGE_CAUSES[Field("cause", "choice", choices=tuple(STAGE_CAUSES)).checked(cause)]
    size = SIZE.checked(size_pct) / 100.0
    shown = [
        with_false_air(heater_gas(fuel, ratio * (1.0 + air * size) / (1.0 + more * size)), share * size)
        for ratio, air, more, share in zip((low, high), rule.air, rule.fuel, rule.in_sample, strict=True)
    ]
    return StagePattern(heater_gas(fuel, low), heater_gas(fuel, high), *shown)


class CrushedDuct(NamedTuple):
    """A crushed exhaust: resistance multiplier with 95 % limits, air left [-] by a flat and a steep blower curve."""

    multiplier: Any
    multiplier_low: Any
    multiplier_high: Any
    air_flat: Any
    air_steep: Any


def exhaust(bore_mm: float = BORE_MM) -> tuple[DuctShape[float], Duty[float]]:
    """Return the exhaust of the lessons, 0.8 m of corrugated duct with two bends, and the gas of a 4 kW stage in it."""
    duty = Duty(GAS_KG_PER_H, gas_density(SEA_LEVEL.pressure, GAS_TEMP_C), gas_viscosity(GAS_TEMP_C))
    return DuctShape(length_m=0.8, bore_mm=bore_mm, bends_90=2.0, wall="corrugated"), duty


def crushed_exhaust(bore_mm: float, *, crushed_bore_mm: float, share: Any = 0.3) -> CrushedDuct:
    """Return what crushing 0.3 m of the exhaust does to the air.

    Parameters
    ----------
    bore_mm, crushed_bore_mm : float
        [mm].
    share : float or array
        Share of the exhaust in the whole resistance before [-]; nobody knows it, so try a range.

    Returns
    -------
    CrushedDuct
        ``air_flat`` and ``air_steep`` for a steepness of 0 and of 2.

    Examples
    --------
    >>> found = crushed_exhaust(24.0, crushed_bore_mm=18.0)
    >>> bool(found.air_flat < found.air_steep < 1.0)
    True
    """
    sound, duty = exhaust(bore_mm)
    found = resistance_multiplier(sound, sound._replace(crushed_length_m=0.3, crushed_bore_mm=crushed_bore_mm), duty)
    flat, steep = (air_after_change(found.value, share, steepness) for steepness in (0.0, 2.0))
    return CrushedDuct(found.value, found.low, found.high, flat, steep)
