"""Printed short forms: of lambda, each with how far it lies off the exact balance, and the fuel factor."""

from __future__ import annotations

from combust.kernel.constants import DRY_AIR, WATER_GAS_CONSTANT, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.types import Atoms, X


@elementwise
def air_ratio_brettschneider(
    o2_dry_pct: X | float,
    co2_dry_pct: X | float,
    fuel: Atoms[X],
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
    no_dry_ppm: X | float = 0.0,
) -> X:
    """Return lambda by the closed form of Brettschneider (1979) [-].

    It counts the CO2 of the air as burnt fuel: exact at lambda 1, 0.3 % low at 2, 0.8 to 0.93 % low at 4.

    Validity record ``brettschneider`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    o2_dry_pct, co2_dry_pct : float or array
        O2 and CO2 of lambda 1 to 4 [vol %, dry], 0 to 21 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array
        CO, HC as C1 and NO [ppm, dry], 0 or more (unchecked).

    Returns
    -------
    float or array
        lambda [-], in the broadcast shape.

    See Also
    --------
    combust.kernel.air_ratio.air_ratio_from_balance : the exact form.

    References
    ----------
    J. Brettschneider, Technische Berichte 6 (1979) no. 4, 177-186 (form from memory; HC as C1: factor 1e-4).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(air_ratio_brettschneider(3.692, 12.730, AtomsTuple(1.80, 0.0)), 2)  # exact balance of lambda 1.2
    1.2
    """
    co, hc, no = co_dry_ppm * 1e-4, hc_dry_ppm * 1e-4, no_dry_ppm * 1e-4
    water = fuel.h_c / 4.0 * WATER_GAS_CONSTANT / (WATER_GAS_CONSTANT + co / co2_dry_pct)
    oxygen = co2_dry_pct + co / 2.0 + o2_dry_pct + no / 2.0 + (water - fuel.o_c / 2.0) * (co2_dry_pct + co)
    need = (1.0 + fuel.h_c / 4.0 - fuel.o_c / 2.0) * (co2_dry_pct + co + hc)
    return oxygen / need


@elementwise
def air_ratio_spindt(
    o2_dry_pct: X | float,
    co2_dry_pct: X | float,
    fuel: Atoms[X],
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
) -> X:
    """Return lambda by Spindt's form over the oxygen-free stoichiometric ratio 138 (1 + h/4)/(12.01 + 1.008 h) [-].

    Between 0.1 % high and 0.9 % low over lambda 1 to 4 for fuels without oxygen. It knows no fuel oxygen: B7 reads up
    to 1.05 % low, B100 up to 3.6 %.

    Validity record ``spindt`` and ``spindt_oxygenated`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    o2_dry_pct, co2_dry_pct : float or array
        O2 and CO2 of lambda 1 to 4 [vol %, dry], 0 to 21 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, hc_dry_ppm : float or array
        CO and HC as C1 [ppm, dry], 0 or more (unchecked).

    Returns
    -------
    float or array
        lambda [-], in the broadcast shape.

    See Also
    --------
    combust.kernel.air_ratio.air_ratio_from_balance : the exact form.

    References
    ----------
    R. S. Spindt, SAE 650507 (1965).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(air_ratio_spindt(3.692, 12.730, AtomsTuple(1.80, 0.0)), 2)  # exact balance of lambda 1.2
    1.2
    """
    co, hc = co_dry_ppm * 1e-4, hc_dry_ppm * 1e-4
    return air_fuel_ratio_spindt(o2_dry_pct, co2_dry_pct, co, hc, fuel.h_c) / (
        138.0 * (1.0 + fuel.h_c / 4.0) / (12.011 + 1.00794 * fuel.h_c)
    )


@elementwise
def air_fuel_ratio_spindt(
    o2_pct: X | float, co2_pct: X | float, co_pct: X | float, hc_pct: X | float, h_c: X | float
) -> X:
    """Return Spindt's air/fuel ratio by mass [kg/kg].

    Parameters
    ----------
    o2_pct, co2_pct, co_pct, hc_pct : float or array
        Dry gases, HC as C1 [vol %], 0 to 21 (unchecked).
    h_c : float or array
        Hydrogen per carbon of the fuel [mol/mol], 0 or more (unchecked).

    Returns
    -------
    float or array
        Air/fuel ratio [kg/kg], in the broadcast shape.

    References
    ----------
    R. S. Spindt, SAE 650507 (1965).

    Examples
    --------
    >>> round(air_fuel_ratio_spindt(3.692, 12.730, 0.0, 0.0, 1.80), 1)  # 1.2 x 14.48
    17.4
    """
    q, r = o2_pct / co2_pct, co_pct / co2_pct
    f_b = (co2_pct + co_pct) / (co2_pct + co_pct + hc_pct)
    f_c = 12.01 / (12.01 + 1.008 * h_c)
    return f_b * (11.492 * f_c * (1.0 + r / 2.0 + q) / (1.0 + r) + 120.0 * (1.0 - f_c) / (3.5 + r))


@elementwise
def air_ratio_shortcut(o2_dry_pct: X | float) -> X:
    """Return 20.95/(20.95 - O2), kept only to show how far off it is [-].

    Liquid fuels without CO: 2.4 to 3 % high at lambda 1.6, 3.2 to 4 % at 2, up to 6 % at 4; CO makes it worse.

    Validity record ``shortcut`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    o2_dry_pct : float or array
        O2 of lambda 1 to 4 [vol %, dry], 0 to below 20.95 (unchecked).

    Returns
    -------
    float or array
        lambda [-], in the shape given.

    See Also
    --------
    combust.kernel.air_ratio.air_ratio_from_o2 : the exact form.

    References
    ----------
    Common practice, no source.

    Examples
    --------
    >>> round(air_ratio_shortcut(8.2), 3)  # 20.95/12.75
    1.643
    """
    return 20.95 / (20.95 - o2_dry_pct)


@elementwise
def fuel_factor(
    o2_dry_pct: X | float, co2_dry_pct: X | float, co_dry_ppm: X | float = 0.0, *, air: DryAir = DRY_AIR
) -> X:
    """Return the fuel factor of a pair of readings, (O2 of air - O2 + CO/2)/(CO2 + CO) [-].

    It hardly moves with lambda: a pair whose factor is not the fuel's own is not of one sample.

    Parameters
    ----------
    o2_dry_pct, co2_dry_pct : float or array
        O2 and CO2 [vol %, dry], 0 to 21 (unchecked).
    co_dry_ppm : float or array
        CO [ppm, dry], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Factor [-], in the broadcast shape.

    References
    ----------
    US EPA Method 3B, section on the fuel factor: 20.9 for O2 of air, CO counted as burnt (from memory).

    Examples
    --------
    >>> round(fuel_factor(7.54, 8.53), 2)
    1.57
    """
    co = 1e-4 * co_dry_ppm
    return (100.0 * air.o2 - o2_dry_pct + co / 2.0) / (co2_dry_pct + co)
