"""CO on every basis the trade and the law use."""

from __future__ import annotations

from combust.kernel.constants import ATOMIC_WEIGHT, DRY_AIR, MOLAR_VOLUME_NORMAL, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.stoichiometry import molar_mass_per_carbon
from combust.kernel.types import Atoms, X

MOLAR_MASS_CO = ATOMIC_WEIGHT["C"] + ATOMIC_WEIGHT["O"]
MEGAJOULE_PER_KWH = 3.6


@elementwise
def co_air_free(co_dry_ppm: X | float, o2_dry_pct: X | float, *, air: DryAir = DRY_AIR) -> X:
    """Return CO brought to 0 % O2 [ppm]: CO X/(X - O2) with the oxygen X of the combustion air.

    Parameters
    ----------
    co_dry_ppm : float or array
        CO [ppm, dry], 0 or more (unchecked).
    o2_dry_pct : float or array
        O2 [vol %, dry], 0 to below that of the air, 20.946 (unchecked).
    air : DryAir
        Combustion air [mol/mol]; any composition.

    Returns
    -------
    float or array
        CO [ppm, dry, air-free], in the broadcast shape.

    See Also
    --------
    co_at_reference_o2 : the same for another oxygen.

    Notes
    -----
    The trade writes 20.9 for X; X = 20.946 changes 150 ppm at 8.2 % O2 by 0.5 ppm.

    References
    ----------
    Common practice, no source.

    Examples
    --------
    >>> round(float(co_air_free(150.0, 8.2)))  # 150 x 20.946/12.746
    247
    """
    oxygen = 100.0 * air.o2
    return co_dry_ppm * oxygen / (oxygen - o2_dry_pct)


@elementwise
def co_at_reference_o2(co_dry_ppm: X | float, o2_dry_pct: X | float, reference_o2_pct: float = 3.0) -> X:
    """Return CO brought to a reference O2 [ppm]: CO (21 - reference)/(21 - O2).

    Parameters
    ----------
    co_dry_ppm : float or array
        CO [ppm, dry], 0 or more (unchecked).
    o2_dry_pct : float or array
        O2 [vol %, dry], 0 to below 21 (unchecked).
    reference_o2_pct : float
        Reference oxygen [vol %, dry], 0 to below 21 (unchecked).

    Returns
    -------
    float or array
        CO [ppm, dry, at the reference], in the broadcast shape.

    See Also
    --------
    co_air_free : brought to no oxygen, with that of the combustion air.

    References
    ----------
    1. BImSchV of 26 January 2010, reference oxygen with 21 % (read).

    Examples
    --------
    >>> float(co_at_reference_o2(100.0, 12.0))  # 100 x 18/9
    200.0
    """
    return co_dry_ppm * (21.0 - reference_o2_pct) / (21.0 - o2_dry_pct)


@elementwise
def co_mass_concentration(co_dry_ppm: X | float) -> X:
    """Return CO per cubic metre of dry gas at 0 °C and 1013.25 hPa [mg/m³].

    Parameters
    ----------
    co_dry_ppm : float or array
        CO [ppm, dry], 0 or more (unchecked).

    Returns
    -------
    float or array
        CO [mg/m³], in the shape given.

    References
    ----------
    Molar mass of CO over the molar volume of an ideal gas (CODATA 2018): 1.2497 mg/m³ per ppm.

    Examples
    --------
    >>> round(float(co_mass_concentration(100.0)), 1)
    125.0
    """
    return co_dry_ppm * MOLAR_MASS_CO / MOLAR_VOLUME_NORMAL


@elementwise
def co_mass_per_heat(co_per_carbon: X | float, fuel: Atoms[X], net_heating_value: X | float) -> X:
    """Return CO per net heat input [mg/kWh].

    Parameters
    ----------
    co_per_carbon : float or array
        CO [mol per mol fuel carbon], 0 to 1 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol]; any fuel.
    net_heating_value : float or array
        Net heating value [MJ/kg], above 0 (unchecked).

    Returns
    -------
    float or array
        CO [mg/kWh], in the broadcast shape.

    References
    ----------
    Definition; 3.6 MJ are 1 kWh.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(co_mass_per_heat(0.001, AtomsTuple(1.86, 0.0), 42.8)))  # 28 010 mg x 3.6/(13.886 x 42.8)/1000
    170
    """
    per_fuel = co_per_carbon * MOLAR_MASS_CO / molar_mass_per_carbon(fuel)
    return per_fuel * 1e6 * MEGAJOULE_PER_KWH / net_heating_value
