"""Demonstrations on the gas side: what a probe, a hose and an instrument make of one flue gas."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.application.chemistry.sweeps import ChemistryTable, reactor_table, tabled_flame_temperature
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.kernel import printed_forms
from combust.kernel.constants import DRY_AIR, ZERO_CELSIUS_K, DryAir
from combust.kernel.flue_gas import co_share_from_co, flue_gas_moles
from combust.kernel.heat import stack_loss
from combust.kernel.stoichiometry import co2_maximum

ROUNDS = 60


def behind_burn_out() -> ChemistryTable:
    """Return the lambdas at which the reactor of the lessons burns, behind 100 ms of burn-out cooled in 30 ms."""
    return reactor_table().where(burn_out_ms=100.0, cooling_ms=30.0, status="burning")


def stirred(status: str) -> ChemistryTable:
    """Return the lambdas at which that reactor, 10 ms and nothing behind it, is ``burning`` or ``blown_out``."""
    return reactor_table().where(residence_ms=10.0, burn_out_ms=0.0, status=status)


def flame_and_loss(fuel: Fuel | str, air_ratio: Any, flue_temp_c: float) -> tuple[Any, Any]:
    """Return the temperature of the flame with no heat lost [°C] and the stack loss at a flue temperature [%], arrays.

    The air comes in at 20 °C. Below lambda 1 no loss is told: fuel leaves unburnt too.

    Examples
    --------
    >>> flame, loss = flame_and_loss("diesel_b7", [1.6, 2.4], 300.0)
    >>> [bool(flame[0] > flame[1]), bool(loss[0] < loss[1])]
    [True, True]
    """
    burnt, ratio = get_fuel(fuel), np.atleast_1d(np.asarray(air_ratio, dtype=float))
    gas = flue_gas_moles(burnt, np.where(ratio >= 1.0, ratio, np.nan))
    loss = stack_loss(gas, flue_temp_c, 20.0, burnt, burnt.net_heating_value_mj_per_kg)
    return tabled_flame_temperature(burnt.name, ratio) - ZERO_CELSIUS_K, loss


class SampledGas(NamedTuple):
    """What an instrument shows: dry O2 and CO2 [vol %], dry CO [ppm]; numbers or arrays."""

    o2_dry_pct: Any
    co2_dry_pct: Any
    co_dry_ppm: Any


def heater_gas(fuel: Fuel | str, air_ratio: Any, *, co_dry_ppm: Any = 0.0, air: DryAir = DRY_AIR) -> SampledGas:
    """Return the gas of a heater at a lambda of 1 or more with some CO in it.

    Parameters
    ----------
    fuel : Fuel or str
    air_ratio : float or array
        lambda [-].
    co_dry_ppm : float or array
        CO of that gas [ppm].
    air : DryAir
        Composition of the dry air.

    Examples
    --------
    >>> gas = heater_gas("diesel_b7", 1.6)
    >>> round(float(gas.o2_dry_pct), 1), round(float(gas.co2_dry_pct), 1)
    (8.2, 9.4)
    """
    burnt = get_fuel(fuel)
    share = co_share_from_co(burnt, air_ratio, 1e-6 * np.asarray(co_dry_ppm, dtype=float), air=air)
    moles = flue_gas_moles(burnt, air_ratio, co_share=share, air=air)
    return SampledGas(moles.o2_dry_pct[()], moles.co2_dry_pct[()], (1e6 * moles.co / moles.dry)[()])


def with_false_air(gas: SampledGas, air_share: Any) -> SampledGas:
    """Return what is read when a share of the dry sample is air that leaked in [mol/mol].

    Examples
    --------
    >>> leaky = with_false_air(SampledGas(8.2, 9.28, 150.0), 0.10)
    >>> round(leaky.o2_dry_pct, 2), round(leaky.co2_dry_pct, 2), round(leaky.co_dry_ppm)
    (9.47, 8.36, 135)
    """
    kept = 1.0 - air_share
    return SampledGas(
        gas.o2_dry_pct * kept + 100.0 * DRY_AIR.o2 * air_share,
        gas.co2_dry_pct * kept + 100.0 * DRY_AIR.co2 * air_share,
        gas.co_dry_ppm * kept,
    )


def read_wet(gas: SampledGas, fuel: Fuel | str, air_ratio: Any) -> SampledGas:
    """Return what a cell shows when no water was taken out of a gas of a lambda: every gas lower by the water's share.

    Examples
    --------
    >>> wet = read_wet(SampledGas(8.2, 9.28, 150.0), "diesel_b7", 1.6)
    >>> round(float(wet.o2_dry_pct), 2), round(float(wet.co2_dry_pct), 2)
    (7.54, 8.54)
    """
    moles = flue_gas_moles(get_fuel(fuel), air_ratio)
    kept = moles.dry / moles.wet
    return SampledGas(gas.o2_dry_pct * kept, gas.co2_dry_pct * kept, gas.co_dry_ppm * kept)


def co2_by_calculation(o2_shown_pct: Any, fuel: Fuel | str) -> Any:
    """Return the CO2 that an instrument without a CO2 cell works out from its O2 [vol %].

    CO2 = CO2max (O2_air - O2)/O2_air with the CO2 maximum of the fuel that is set in the instrument.

    References
    ----------
    Common practice of portable analysers, no source.

    Examples
    --------
    >>> round(float(co2_by_calculation(8.2, "diesel_b7")), 1)
    9.4
    """
    return co2_maximum(get_fuel(fuel)) * (1.0 - 1e-2 * o2_shown_pct / DRY_AIR.o2)


def fuel_factor(gas: SampledGas, *, air: DryAir = DRY_AIR) -> Any:
    """Return the fuel factor of a reading [-].

    Examples
    --------
    >>> round(fuel_factor(SampledGas(7.54, 8.53, 0.0)), 2)
    1.57
    """
    return printed_forms.fuel_factor(*gas, air=air)


def recirculated_share(intake_co2_pct: Any, fuel: Fuel | str, air_ratio: Any) -> Any:
    """Return the share of flue gas in the intake that explains its CO2 [mol/mol].

    Starts from the lambda of the heater breathing fresh air.

    The returned gas takes the place of fresh air, so the flue gas is that of lambda (1 - r); fixed point.

    Parameters
    ----------
    intake_co2_pct : float
        CO2 of the gas at the intake [vol %].
    fuel, air_ratio
        Fuel, and lambda of the heater breathing fresh air [-].

    Examples
    --------
    >>> round(float(recirculated_share(1.0, "diesel_b7", 1.6)), 2)
    0.09
    """
    burnt, share = get_fuel(fuel), np.asarray(0.0)
    for _ in range(ROUNDS):
        flue = heater_gas(burnt, air_ratio * (1.0 - share)).co2_dry_pct
        share = (intake_co2_pct - 100.0 * DRY_AIR.co2) / (flue - 100.0 * DRY_AIR.co2)
    return share[()]
