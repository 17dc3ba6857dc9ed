"""Inverse: from measured gases to lambda.

Each route is a function of its own, solved in closed form.

Notation, all per mol of dry gas: ``z`` dry air, ``burnt`` carbon of CO2 and CO from the fuel, X and N the oxygen and
the CO2 of the air, nu the oxygen need of one carbon, K the water-gas constant. Oxygen and the sum of fractions give

    X z = O2 + NO/2 + nu burnt - CO/2 - H2/2
    1   = z (1 - X) + (1 + n/2 + s) burnt + O2 + H2 + HC + NO/2

and the water-gas relation H2 (K (burnt - CO) + CO) = h/2 CO burnt makes every route a quadratic.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.kernel.blocks import in_blocks
from combust.kernel.constants import DRY_AIR, WATER_GAS_CONSTANT, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.stoichiometry import molar_mass_per_carbon, stoichiometric_oxygen
from combust.kernel.types import Atoms, X

PPM = 1e-6
PCT = 1e-2
BLOCK = 32_768


@elementwise
def air_ratio_from_o2(
    o2_dry_pct: X | float,
    fuel: Atoms[X],
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
    no_dry_ppm: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> X:
    """Return lambda from O2, with the CO, HC and NO that came with it [-].

    Exact for the gases given; those not given are taken as absent.

    Parameters
    ----------
    o2_dry_pct : float or array
        O2 [vol %, dry], 0 to below that of the air (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array
        CO, HC as C1 and NO [ppm, dry], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        lambda [-], in the broadcast shape.

    See Also
    --------
    combust.kernel.flue_gas.flue_gas_moles : the inverse.

    References
    ----------
    Balance of the elements; water-gas constant of 40 CFR 1065.655.

    Examples
    --------
    >>> from combust.kernel.flue_gas import flue_gas_moles
    >>> from combust.kernel.types import AtomsTuple
    >>> fuel = AtomsTuple(1.86, 0.007)
    >>> round(float(air_ratio_from_o2(flue_gas_moles(fuel, 1.6).o2_dry_pct, fuel)), 9)
    1.6
    """
    oxygen, co, hc, no = o2_dry_pct * PCT, co_dry_ppm * PPM, hc_dry_ppm * PPM, no_dry_ppm * PPM
    nu = stoichiometric_oxygen(fuel)
    left = 1.0 - 3.0 * air.o2
    slope = (1.0 + fuel.n_c / 2.0 + fuel.s_c) + 2.0 * nu
    start = 1.0 - 3.0 * oxygen - hc - 1.5 * no + co
    hydrogen_0 = 2.0 * oxygen + no - co - 2.0 * air.o2 * start / left
    hydrogen_1 = 2.0 * nu + 2.0 * air.o2 * slope / left
    a = hydrogen_1 * WATER_GAS_CONSTANT
    b = hydrogen_0 * WATER_GAS_CONSTANT - (hydrogen_1 * (WATER_GAS_CONSTANT - 1.0) + fuel.h_c / 2.0) * co
    c = -hydrogen_0 * (WATER_GAS_CONSTANT - 1.0) * co
    burnt = (np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0)) - b) / (2.0 * a)
    dry_air = (start - slope * burnt) / left
    return dry_air * air.o2 / (nu * (burnt + hc))


@elementwise
def air_ratio_from_co2(
    co2_dry_pct: X | float,
    fuel: Atoms[X],
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> X:
    """Return lambda from CO2, with the CO and HC that came with it [-].

    Without CO the lean side is assumed: a CO2 below the maximum has a rich twin.

    Parameters
    ----------
    co2_dry_pct : float or array
        CO2 [vol %, dry], above that of the air to the fuel's maximum (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, hc_dry_ppm : float or array
        CO and HC as C1 [ppm, dry], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        lambda [-], in the broadcast shape.

    See Also
    --------
    combust.kernel.flue_gas.flue_gas_moles : the inverse.

    References
    ----------
    Balance of the elements; water-gas constant of 40 CFR 1065.655.

    Examples
    --------
    >>> from combust.kernel.flue_gas import flue_gas_moles
    >>> from combust.kernel.types import AtomsTuple
    >>> fuel = AtomsTuple(1.86, 0.007)
    >>> round(float(air_ratio_from_co2(flue_gas_moles(fuel, 1.6).co2_dry_pct, fuel)), 9)
    1.6
    """
    dry_air, burnt = _air_and_carbon(co2_dry_pct * PCT, co_dry_ppm * PPM, hc_dry_ppm * PPM, fuel, air)
    return dry_air * air.o2 / (stoichiometric_oxygen(fuel) * (burnt + hc_dry_ppm * PPM))


@elementwise
def o2_from_co2(
    co2_dry_pct: X | float,
    fuel: Atoms[X],
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
    no_dry_ppm: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> X:
    """Return the O2 that belongs to a CO2, with the CO, HC and NO that came with it [vol %, dry].

    Without CO a straight line from the CO2 maximum at no O2 to clean air: its errors stay Gaussian at any lambda. Exact
    for the gases given; the lean side is assumed as in :func:`air_ratio_from_co2`.

    Parameters
    ----------
    co2_dry_pct : float or array
        CO2 [vol %, dry], 0 to the fuel's maximum (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array
        CO, HC as C1 and NO [ppm, dry], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        O2 [vol %, dry], in the broadcast shape.

    References
    ----------
    Balance of the elements; water-gas constant of 40 CFR 1065.655.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(o2_from_co2(0.042, AtomsTuple(1.86, 0.007))), 2)  # clean air: 20.95
    20.95
    """
    co2, co, hc, no = co2_dry_pct * PCT, co_dry_ppm * PPM, hc_dry_ppm * PPM, no_dry_ppm * PPM
    dry_air, burnt = _air_and_carbon(co2, co, hc, fuel, air)
    water_gas = fuel.h_c / 2.0 * co * burnt / (WATER_GAS_CONSTANT * (burnt - co) + co)
    hydrogen = np.where(co > 0.0, water_gas, 0.0)
    grown = (1.0 + fuel.n_c / 2.0 + fuel.s_c) * burnt
    return (1.0 - dry_air * (1.0 - air.o2) - grown - hydrogen - hc - no / 2.0)[()] / PCT


def _air_and_carbon(co2: Any, co: Any, hc: Any, fuel: Atoms[Any], air: DryAir) -> tuple[Any, Any]:
    """Return dry air and burnt carbon per mol of dry gas, from fractions of CO2, CO and HC."""
    surplus = 1.0 + fuel.n_c / 2.0 + fuel.s_c - stoichiometric_oxygen(fuel)
    carbon = co2 + co
    hydrogen_0 = (1.0 - surplus * carbon - co / 2.0 - hc) / 1.5
    hydrogen_1 = (1.0 - surplus * air.co2) / 1.5
    h, j = WATER_GAS_CONSTANT * co2 + co, WATER_GAS_CONSTANT * air.co2
    a = hydrogen_1 * j
    of_co = fuel.h_c / 2.0 * co
    b = hydrogen_1 * h + hydrogen_0 * j - of_co * air.co2
    c = hydrogen_0 * h - of_co * carbon
    dry_air = 2.0 * c / (b + np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0)))
    # Near clean air the other root of the quadratic, gas without burnt carbon, comes first: there CO is left out.
    dry_air = np.where(co2 > 2.0 * air.co2, dry_air, (hydrogen_0 + surplus * co / 1.5) / hydrogen_1)
    return dry_air, co2 - air.co2 * dry_air + co


@elementwise
def air_ratio_from_balance(
    o2_dry_pct: X | float,
    co2_dry_pct: X | float,
    fuel: Atoms[X],
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
    no_dry_ppm: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> X:
    """Return lambda from the carbon and the oxygen balance of O2, CO2, CO, HC and NO together [-].

    Rich and lean. Long arrays are worked in blocks that stay in the processor's cache, on all cores.

    Parameters
    ----------
    o2_dry_pct, co2_dry_pct : float or array
        O2 and CO2 [vol %, dry], 0 to 21 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array
        CO, HC as C1 and NO [ppm, dry], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        lambda [-], in the broadcast shape.

    See Also
    --------
    combust.kernel.flue_gas.flue_gas_moles : the inverse.

    References
    ----------
    40 CFR 1065.655, chemical balances, here solved exactly.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(air_ratio_from_balance(3.692, 12.730, AtomsTuple(1.80, 0.0))), 2)
    1.2
    """
    gases: list[Any] = [o2_dry_pct, co2_dry_pct, co_dry_ppm, hc_dry_ppm, no_dry_ppm]
    return in_blocks(_balance, [*gases, *_balance_weights(fuel, air)], BLOCK, 1)[0]


def _balance_weights(fuel: Atoms[Any], air: DryAir) -> tuple[Any, ...]:
    """Return the constants of the quadratic in z, for O2 and CO2 in per cent and CO in ppm.

    (E z - G)(H - J z) = h K/4 (co2 - N z)(co2 + co - N z), with E = X + m N, G = O2 + NO/2 + m co2 + m' co,
    H = K co2 + co, J = K N, m = 1 + s - o/2, m' = m - 1/2. Sorted by powers of z: -A z² + B z - C = 0, with
    C = co2 U + co V, V = O2 + NO/2 + m' co, U = K V + (K m + h K/4) co2 + (m + h K/4) co.
    """
    k, m = WATER_GAS_CONSTANT, 1.0 + fuel.s_c - fuel.o_c / 2.0
    e, j, q = air.o2 + m * air.co2, k * air.co2, fuel.h_c * k / 4.0
    qn = q * air.co2
    b_of_gases = (j, e * k + j * m + 2.0 * qn, (e + j * (m - 0.5) + qn) * 1e-4)
    # C comes out times 1e4, because CO enters it in ppm: the weights of C carry 1e-4 instead.
    u_of_gases = (k * 1e4, (k * m + q) * 1e4, m + q)
    four_a = 4e-4 * (e * j + qn * air.co2)
    scale = 2e-4 * air.o2 / stoichiometric_oxygen(fuel)
    return ((m - 0.5) * 1e-4, *u_of_gases, *b_of_gases, four_a, 2e-4 * air.co2, scale)


def _balance(o2: Any, co2: Any, co: Any, hc: Any, no: Any, *weights: Any) -> tuple[Any]:
    """Return lambda of one block."""
    m_co, u_v, u_co2, u_co, b_o2, b_co2, b_co, four_a, two_n, scale = weights
    oxygen = o2 + no * 0.5e-4
    v = oxygen + co * m_co
    c = (v * u_v + co2 * u_co2 + co * u_co) * co2 + v * co
    b = co2 * b_co2 + oxygen * b_o2 + co * b_co
    b = b + np.sqrt(b * b - c * four_a)
    # lambda = (X/nu) z / (carbon - N z) with z = 2 C / (B + root)
    return (c * scale / ((co2 + co * 1e-4 + hc * 1e-4) * b - c * two_n),)


@elementwise
def air_fuel_ratio_from_air_ratio(air_ratio: X | float, fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the actual air/fuel ratio by mass, dry air [kg/kg].

    Parameters
    ----------
    air_ratio : float or array
        lambda [-], 0 or more (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Air/fuel ratio [kg/kg], in the broadcast shape.

    References
    ----------
    Definition of lambda.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(air_fuel_ratio_from_air_ratio(1.0, AtomsTuple(4.0, 0.0)), 1)  # methane: 17.2 in handbooks
    17.2
    """
    return air_ratio * stoichiometric_oxygen(fuel) / air.o2 * air.molar_mass / molar_mass_per_carbon(fuel)


@elementwise
def air_ratio_from_equivalence_ratio(equivalence_ratio: X | float) -> X:
    """Return lambda = 1/phi; phi, the fuel-based ratio of the engine trade, appears nowhere else [-].

    Parameters
    ----------
    equivalence_ratio : float or array
        phi [-], above 0 (unchecked).

    Returns
    -------
    float or array
        lambda [-], in the shape given.

    See Also
    --------
    equivalence_ratio_from_air_ratio : the inverse.

    References
    ----------
    Definition.

    Examples
    --------
    >>> air_ratio_from_equivalence_ratio(0.8)
    1.25
    """
    return 1.0 / equivalence_ratio


@elementwise
def equivalence_ratio_from_air_ratio(air_ratio: X | float) -> X:
    """Return phi = 1/lambda [-].

    Parameters
    ----------
    air_ratio : float or array
        lambda [-], above 0 (unchecked).

    Returns
    -------
    float or array
        phi [-], in the shape given.

    See Also
    --------
    air_ratio_from_equivalence_ratio : the inverse.

    References
    ----------
    Definition.

    Examples
    --------
    >>> equivalence_ratio_from_air_ratio(1.25)
    0.8
    """
    return 1.0 / air_ratio
