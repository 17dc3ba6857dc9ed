"""The metering pump with a fuel of the catalogue: density at the pump, and another fuel at the same pulses."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

from combust.data.errors import CombustError, Fault
from combust.data.vocabulary import quantity
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.kernel.fuel_delivery import DENSITY_TEMP_C, FuelSwap, fuel_density, fuel_swap


def density_at_pump(fuel: Fuel, fuel_temp_c: float = DENSITY_TEMP_C) -> float:
    """Return the density of a fuel at the temperature of the pump [kg/m³].

    A fuel whose expansion is unknown keeps its density of 15 °C (0.1 % per kelvin is usual).

    Parameters
    ----------
    fuel : Fuel
        With its density.
    fuel_temp_c : float
        Fuel at the pump [°C], -60 to 80; others are refused.

    Returns
    -------
    float
        Density [kg/m³], one number.

    Raises
    ------
    CombustError
        The fuel's density is unknown, or the temperature cannot be.

    See Also
    --------
    combust.kernel.fuel_delivery.fuel_density : of plain numbers.

    References
    ----------
    Volume expansion, first order; combust/data/fuels.toml.

    Examples
    --------
    >>> from combust.domain.catalogue import get_fuel
    >>> fuel = get_fuel("diesel_b7")
    >>> density_at_pump(fuel) == fuel.density_kg_per_m3  # at 15 °C
    True
    """
    if fault := quantity("fuel_temp_c").fault_of(fuel_temp_c):
        raise CombustError(fault)
    if fuel.density_kg_per_m3 is None:
        why, hint = "has no density", "Name a fuel of the catalogue, or give the density in a fuels file."
        raise CombustError(Fault("fuel", fuel.name, "missing", why=why, hint=hint))
    return float(fuel_density(fuel.density_kg_per_m3, fuel.expansion_per_k or 0.0, fuel_temp_c))


def same_pulses(before: Fuel, after: Fuel, *, fuel_temp_c: float = DENSITY_TEMP_C) -> FuelSwap[float]:
    """Return what another fuel makes of lambda, fuel mass and net heat when pump pulses and air stay.

    Parameters
    ----------
    before, after : Fuel
        Volume is metered: a lighter or oxygenated fuel makes the flame leaner and the heater cooler.
    fuel_temp_c : float
        Temperature of both at the pump [°C], -60 to 80; others are refused.

    Returns
    -------
    FuelSwap
        Factors [-], one number each.

    Raises
    ------
    CombustError
        A density is unknown.

    References
    ----------
    Balance of the elements; mass follows density.

    Examples
    --------
    >>> from combust.domain.catalogue import get_fuel
    >>> swap = same_pulses(get_fuel("diesel_b0"), get_fuel("biodiesel_b100"))
    >>> round(float(1.60 * swap.air_ratio), 2), round(float(100 * (swap.heat - 1)))
    (1.77, -8)
    """
    densities = (density_at_pump(before, fuel_temp_c), density_at_pump(after, fuel_temp_c))
    heats = (before.net_heating_value_mj_per_kg, after.net_heating_value_mj_per_kg)
    return fuel_swap(before, after, densities=densities, net_heating_values=heats)


def on_fuel(heater: Heater, fuel: Fuel) -> Heater:
    """Return a heater with another fuel in its tank than its document is written for.

    The pump meters the same volume: healthy bands of lambda and useful heat of the stages follow. Baselines keep the
    fuel that was burnt when they were read.

    Parameters
    ----------
    heater : Heater
        With the fuel of its document.
    fuel : Fuel
        What is in the tank.

    Returns
    -------
    Heater
        The same with that fuel, bands [-] and heat [kW] of its stages changed.

    Raises
    ------
    CombustError
        A density is unknown.

    References
    ----------
    As for :func:`same_pulses`.

    Examples
    --------
    >>> from combust.domain.catalogue import get_fuel
    >>> heater = Heater.from_dict({"fuel": "diesel_b0", "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}})
    >>> on_fuel(heater, get_fuel("biodiesel_b100")).stages["high"].air_ratio_band[0] > 1.35  # leaner
    True
    """
    swap = same_pulses(heater.fuel, fuel)
    stages = {}
    for name, stage in heater.stages.items():
        heat, band = stage.useful_heat_kw, stage.air_ratio_band
        stages[name] = replace(
            stage,
            useful_heat_kw=None if heat is None else float(heat * swap.heat),
            air_ratio_band=None if band is None else (float(band[0] * swap.air_ratio), float(band[1] * swap.air_ratio)),
        )
    return replace(heater, fuel=fuel, stages=MappingProxyType(stages), fuel_of_document=heater.made_for)
