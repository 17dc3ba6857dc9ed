"""The gas functions as notebooks use them: fuel by name, values checked, scalars, arrays and Series alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.data.errors import CombustError, Fault
from combust.data.vocabulary import quantity
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.kernel import air_ratio, flue_gas, stoichiometry
from combust.kernel.constants import DRY_AIR, MOLAR_VOLUME_NORMAL, DryAir


def stoichiometric_air(fuel: Fuel | str, *, by: str = "mass", air: DryAir = DRY_AIR) -> float:
    """Return the dry air that burns a fuel completely.

    Parameters
    ----------
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.
    by : {"mass", "volume"}
        kg air per kg fuel, or m³ air (0 °C, 1013.25 hPa) per kg fuel.

    Returns
    -------
    float
        [kg/kg] or [m³/kg].

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
    if by not in ("mass", "volume"):
        raise CombustError(
            Fault("by", by, "unknown_name", why="is neither mass nor volume", hint="Say mass or volume.")
        )
    if by == "volume":
        return float(stoichiometry.stoichiometric_air_volume(burnt, air=air))
    return float(stoichiometry.stoichiometric_air_mass(burnt, air=air))


@dataclass(frozen=True, slots=True)
class FlueGas:
    """Flue gas of a fuel at a lambda: dry composition, water, and volumes; floats or arrays."""

    o2_dry_pct: Any
    co2_dry_pct: Any
    co_dry_ppm: Any
    h2_dry_ppm: Any
    n2_dry_pct: Any
    so2_dry_ppm: Any
    h2o_wet_pct: Any
    o2_wet_pct: Any
    co2_wet_pct: Any
    dry_m3_per_kg: Any
    wet_m3_per_kg: Any


def flue_gas_of(
    fuel: Fuel | str,
    air_ratio: Any,
    *,
    co_share: Any = 0.0,
    hc_share: Any = 0.0,
    humidity_ratio: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> FlueGas:
    """Return the flue gas of a fuel at a lambda.

    Below lambda 1 carbon monoxide and hydrogen appear by themselves (water-gas constant 3.5).

    Parameters
    ----------
    fuel : Fuel or str
    air_ratio : float, array or Series
        lambda [-], above 0.
    co_share, hc_share : float or array
        Share of the fuel's carbon that leaves as CO, as unburnt fuel [mol/mol].
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air].

    Returns
    -------
    FlueGas
        Volumes in m³ (0 °C, 1013.25 hPa) per kg fuel.

    Raises
    ------
    CombustError
        Unknown fuel, lambda not above 0.

    Examples
    --------
    >>> gas = flue_gas_of("diesel_b7", 1.6)
    >>> round(float(gas.o2_dry_pct), 1), round(float(gas.co2_dry_pct), 1)
    (8.2, 9.4)
    """
    _refuse("air_ratio", air_ratio, np.asarray(air_ratio) <= 0.0)
    burnt = get_fuel(fuel)
    moles = flue_gas.flue_gas_moles(
        burnt, air_ratio, co_share=co_share, hc_share=hc_share, humidity_ratio=humidity_ratio, air=air
    )
    dry, wet = moles.dry, moles.wet
    per_kg = MOLAR_VOLUME_NORMAL / burnt.molar_mass_per_carbon
    values = (
        100 * moles.o2 / dry,
        100 * moles.co2 / dry,
        1e6 * moles.co / dry,
        1e6 * moles.h2 / dry,
        100 * moles.n2 / dry,
        1e6 * moles.so2 / dry,
        100 * moles.h2o / wet,
        100 * moles.o2 / wet,
        100 * moles.co2 / wet,
        dry * per_kg,
        wet * per_kg,
    )
    return FlueGas(*(_as_given(value, air_ratio) for value in values))


def air_ratio_from_o2(o2_dry_pct: Any, fuel: Fuel | str, **gases: Any) -> Any:
    """Return lambda from O2 in the dry gas.

    Parameters
    ----------
    o2_dry_pct : float, array or Series
        [vol %], 0 to 20.5; NaN gives NaN.
    fuel : Fuel or str
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array, optional
        What came with it [ppm].

    Returns
    -------
    float, array or Series
        lambda [-], the kind that was given.

    Raises
    ------
    CombustError
        Unknown fuel; a value outside its band.

    Examples
    --------
    >>> round(air_ratio_from_o2(8.2, "diesel_b7", co_dry_ppm=150), 2)
    1.6

    See Also
    --------
    flue_gas_of : the other way round.
    """
    return _inverse(air_ratio.air_ratio_from_o2, fuel, {"o2_dry_pct": o2_dry_pct}, gases)


def air_ratio_from_co2(co2_dry_pct: Any, fuel: Fuel | str, **gases: Any) -> Any:
    """Return lambda from a measured CO2 in the dry gas, on the lean side.

    Parameters
    ----------
    co2_dry_pct : float, array or Series
        [vol %]; NaN gives NaN.
    fuel : Fuel or str
    co_dry_ppm, hc_dry_ppm : float or array, optional

    Returns
    -------
    float, array or Series
        lambda [-].

    Raises
    ------
    CombustError
        Unknown fuel; a value outside its band.

    Examples
    --------
    >>> round(air_ratio_from_co2(9.38, "diesel_b7"), 2)
    1.6
    """
    return _inverse(air_ratio.air_ratio_from_co2, fuel, {"co2_dry_pct": co2_dry_pct}, gases)


def air_ratio_from_balance(o2_dry_pct: Any, co2_dry_pct: Any, fuel: Fuel | str, **gases: Any) -> Any:
    """Return lambda from the carbon and oxygen balance of O2 and a measured CO2 together, rich or lean.

    Parameters
    ----------
    o2_dry_pct, co2_dry_pct : float, array or Series
        [vol %].
    fuel : Fuel or str
    co_dry_ppm, hc_dry_ppm, no_dry_ppm : float or array, optional

    Returns
    -------
    float, array or Series
        lambda [-].

    Raises
    ------
    CombustError
        Unknown fuel; a value outside its band.

    Examples
    --------
    >>> round(air_ratio_from_balance(8.2, 9.38, "diesel_b7"), 2)
    1.6
    """
    given = {"o2_dry_pct": o2_dry_pct, "co2_dry_pct": co2_dry_pct}
    return _inverse(air_ratio.air_ratio_from_balance, fuel, given, gases)


def _inverse(route: Callable[..., Any], fuel: Fuel | str, given: dict[str, Any], gases: dict[str, Any]) -> Any:
    for key, value in {**given, **gases}.items():
        if key in ("air", "water_gas"):
            continue
        band = quantity(key)
        array = np.asarray(value, dtype=float)
        _refuse(key, value, (array < band.low) | (array > band.high))
    arrays = [np.asarray(value, dtype=float)[()] for value in given.values()]
    found = route(*arrays, get_fuel(fuel), **{key: _bare(value) for key, value in gases.items()})
    return _as_given(found, next(iter(given.values())))


def _refuse(key: str, value: Any, wrong: Any) -> None:
    """Raise when a scalar, or any element of an array, cannot be."""
    wrong = np.asarray(wrong)
    if wrong.any():
        first = float(np.asarray(value, dtype=float).reshape(-1)[int(np.argmax(wrong.reshape(-1)))])
        fault = quantity(key).fault_of(first)
        raise CombustError(fault or Fault(key, first, "out_of_band", why="is 0 or less", hint="Give a number above 0."))


def _bare(value: Any) -> Any:
    return value if isinstance(value, float | int | tuple) else np.asarray(value, dtype=float)


def _as_given(value: Any, like: Any) -> Any:
    """Return a result as the kind that was given: float, array, or Series with its index."""
    if hasattr(like, "index") and hasattr(like, "to_numpy"):
        return type(like)(np.asarray(value), index=like.index)
    return float(value) if np.ndim(value) == 0 else np.asarray(value)
