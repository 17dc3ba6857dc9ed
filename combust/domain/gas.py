"""The gas functions as notebooks use them: fuel by name, values checked, scalars, arrays and Series alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic

from numpy.typing import ArrayLike

from combust.data.fields import Field, need_fields
from combust.data.told import Told
from combust.domain.arrays import Numbers, takes_arrays
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.kernel import air_ratio, stoichiometry
from combust.kernel.constants import DRY_AIR, MOLAR_VOLUME_NORMAL, DryAir
from combust.kernel.flue_gas import flue_gas_moles

# ``takes_arrays`` hands plain numbers and arrays to what stands below it, whatever kind was given.
kernel: Any = air_ratio
_moles: Any = flue_gas_moles


def stoichiometric_air(fuel: Fuel | str, *, by: str = "mass", air: DryAir = DRY_AIR) -> float:
    """Return the dry air that burns a fuel completely.

    Parameters
    ----------
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.
    by : {"mass", "volume"}
        kg air per kg fuel, or m³ air (0 °C, 1013.25 hPa) per kg fuel.
    air
        Combustion air [mol/mol].

    Returns
    -------
    float
        Dry air [kg/kg] or [m³/kg].

    Raises
    ------
    CombustError
        Unknown fuel or basis.

    References
    ----------
    Element balance; atomic weights IUPAC 2021; air 20.946 % O2, 0.042 % CO2, 0.934 % Ar.

    Examples
    --------
    >>> round(stoichiometric_air("diesel_b7"), 2)
    14.44
    """
    burnt = get_fuel(fuel)
    need_fields({"by": by}, {"by": Field("by", "choice", choices=("mass", "volume"))}, what="an air requirement")
    volume, mass = stoichiometry.stoichiometric_air_volume, stoichiometry.stoichiometric_air_mass
    return float((volume if by == "volume" else mass)(burnt, air=air))


@dataclass(frozen=True, slots=True)
class FlueGas(Told, Generic[Numbers]):
    """Flue gas of a fuel at a lambda: dry composition, water, and volumes; floats or arrays."""

    o2_dry_pct: Numbers
    co2_dry_pct: Numbers
    co_dry_ppm: Numbers
    h2_dry_ppm: Numbers
    n2_dry_pct: Numbers
    so2_dry_ppm: Numbers
    h2o_wet_pct: Numbers
    o2_wet_pct: Numbers
    co2_wet_pct: Numbers
    dry_m3_per_kg: Numbers
    wet_m3_per_kg: Numbers


@takes_arrays
def flue_gas(
    fuel: Fuel | str,
    air_ratio: Numbers,
    *,
    co_share: ArrayLike = 0.0,
    hc_share: ArrayLike = 0.0,
    humidity_ratio: ArrayLike = 0.0,
    air: DryAir = DRY_AIR,
) -> FlueGas[Numbers]:
    """Return the flue gas of a fuel at a lambda.

    Below lambda 1 carbon monoxide and hydrogen appear by themselves (water-gas constant 3.5).

    Parameters
    ----------
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.
    air_ratio : float, array or Series
        lambda [-], above 0; 0, less and infinity are refused.
    co_share, hc_share : float or array
        Share of the fuel's carbon that leaves as CO, as unburnt fuel [mol/mol], 0 to 1 (others are refused).
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air], 0 to 1 (others are refused).
    air : DryAir
        Combustion air [mol/mol].

    Returns
    -------
    FlueGas
        Shares [vol %, ppm], volumes in m³ (0 °C, 1013.25 hPa) per kg fuel, each of the kind that was given.

    Raises
    ------
    CombustError
        Unknown fuel, lambda not above 0, a share outside 0 to 1.

    See Also
    --------
    air_ratio_from_o2 : the inverse, from O2.
    air_ratio_from_co2 : the inverse, from CO2.
    air_ratio_from_balance : the inverse, from both.

    References
    ----------
    40 CFR 1065.655 for the water-gas constant; balance of the elements.

    Examples
    --------
    >>> gas = flue_gas("diesel_b7", 1.6)
    >>> round(float(gas.o2_dry_pct), 1), round(float(gas.co2_dry_pct), 1)
    (8.2, 9.4)
    """
    burnt = get_fuel(fuel)
    moles = _moles(burnt, air_ratio, co_share=co_share, hc_share=hc_share, humidity_ratio=humidity_ratio, air=air)
    dry, wet = moles.dry, moles.wet
    per_kg = MOLAR_VOLUME_NORMAL / burnt.molar_mass_per_carbon
    return FlueGas(
        o2_dry_pct=100 * moles.o2 / dry,
        co2_dry_pct=100 * moles.co2 / dry,
        co_dry_ppm=1e6 * moles.co / dry,
        h2_dry_ppm=1e6 * moles.h2 / dry,
        n2_dry_pct=100 * moles.n2 / dry,
        so2_dry_ppm=1e6 * moles.so2 / dry,
        h2o_wet_pct=100 * moles.h2o / wet,
        o2_wet_pct=100 * moles.o2 / wet,
        co2_wet_pct=100 * moles.co2 / wet,
        dry_m3_per_kg=dry * per_kg,
        wet_m3_per_kg=wet * per_kg,
    )


@takes_arrays
def air_ratio_from_o2(
    o2_dry_pct: Numbers,
    fuel: Fuel | str,
    *,
    co_dry_ppm: ArrayLike = 0.0,
    hc_dry_ppm: ArrayLike = 0.0,
    no_dry_ppm: ArrayLike = 0.0,
    air: DryAir = DRY_AIR,
) -> Numbers:
    """Return lambda from O2 in the dry gas.

    Any number in the band is taken as per cent; that 0.082 looks like a share of 1 is told where a reading is judged
    (:func:`combust.interpret`, tables, visits): a rich flame can leave so little.

    Parameters
    ----------
    o2_dry_pct : float, array or Series
        O2 [vol %, dry], 0 to 21.5 (others are refused); NaN gives NaN.
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array, optional
        What came with it [ppm, dry], 0 or more; what cannot be is refused.
    air : DryAir
        Combustion air [mol/mol].

    Returns
    -------
    float, array or Series
        lambda [-], the kind that was given.

    Raises
    ------
    CombustError
        Unknown fuel; a value outside its band.

    See Also
    --------
    flue_gas : the inverse.

    References
    ----------
    40 CFR 1065.655, solved exactly.

    Examples
    --------
    >>> round(air_ratio_from_o2(8.2, "diesel_b7", co_dry_ppm=150), 2)
    1.6
    """
    found: Numbers = kernel.air_ratio_from_o2(
        o2_dry_pct, get_fuel(fuel), co_dry_ppm=co_dry_ppm, hc_dry_ppm=hc_dry_ppm, no_dry_ppm=no_dry_ppm, air=air
    )
    return found


@takes_arrays
def air_ratio_from_co2(
    co2_dry_pct: Numbers,
    fuel: Fuel | str,
    *,
    co_dry_ppm: ArrayLike = 0.0,
    hc_dry_ppm: ArrayLike = 0.0,
    air: DryAir = DRY_AIR,
) -> Numbers:
    """Return lambda from a measured CO2 in the dry gas, on the lean side.

    Parameters
    ----------
    co2_dry_pct : float, array or Series
        CO2 [vol %, dry], 0 or more; what cannot be is refused; NaN gives NaN.
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.
    co_dry_ppm, hc_dry_ppm : float or array, optional
        What came with it [ppm, dry], 0 or more; what cannot be is refused.
    air : DryAir
        Combustion air [mol/mol].

    Returns
    -------
    float, array or Series
        lambda [-], the kind that was given.

    Raises
    ------
    CombustError
        Unknown fuel; a value outside its band.

    See Also
    --------
    flue_gas : the inverse.

    References
    ----------
    40 CFR 1065.655, solved exactly.

    Examples
    --------
    >>> round(air_ratio_from_co2(9.38, "diesel_b7"), 2)
    1.6
    """
    found: Numbers = kernel.air_ratio_from_co2(
        co2_dry_pct, get_fuel(fuel), co_dry_ppm=co_dry_ppm, hc_dry_ppm=hc_dry_ppm, air=air
    )
    return found


@takes_arrays
def air_ratio_from_balance(
    o2_dry_pct: Numbers,
    co2_dry_pct: Numbers,
    fuel: Fuel | str,
    *,
    co_dry_ppm: ArrayLike = 0.0,
    hc_dry_ppm: ArrayLike = 0.0,
    no_dry_ppm: ArrayLike = 0.0,
    air: DryAir = DRY_AIR,
) -> Numbers:
    """Return lambda from the carbon and oxygen balance of O2 and a measured CO2 together, rich or lean.

    Parameters
    ----------
    o2_dry_pct, co2_dry_pct : float, array or Series
        O2 and CO2 [vol %, dry], 0 or more; what cannot be is refused; NaN gives NaN.
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array, optional
        What came with them [ppm, dry], 0 or more; what cannot be is refused.
    air : DryAir
        Combustion air [mol/mol].

    Returns
    -------
    float, array or Series
        lambda [-], the kind that was given.

    Raises
    ------
    CombustError
        Unknown fuel; a value outside its band.

    See Also
    --------
    flue_gas : the inverse.

    References
    ----------
    40 CFR 1065.655, solved exactly.

    Examples
    --------
    >>> round(air_ratio_from_balance(8.2, 9.38, "diesel_b7"), 2)
    1.6
    """
    gases = {"co_dry_ppm": co_dry_ppm, "hc_dry_ppm": hc_dry_ppm, "no_dry_ppm": no_dry_ppm}
    found: Numbers = kernel.air_ratio_from_balance(o2_dry_pct, co2_dry_pct, get_fuel(fuel), air=air, **gases)
    return found
