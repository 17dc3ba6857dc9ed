"""From a hot, wet reading to the dry one, with the water of the balance."""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.kernel.air_ratio import PPM, air_ratio_from_co2, air_ratio_from_o2
from combust.kernel.constants import DRY_AIR, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.types import Atoms, X

WET_ROUNDS = 40


@elementwise
def flue_water_fraction(
    fuel: Atoms[X],
    air_ratio: X | float,
    *,
    co_dry_ppm: X | float = 0.0,
    hc_dry_ppm: X | float = 0.0,
    humidity_ratio: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> X:
    """Return water in the wet flue gas of a lambda and the dry CO and HC found in it [mol/mol].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air_ratio : float or array
        lambda [-], above 0 (unchecked).
    co_dry_ppm, hc_dry_ppm : float or array
        CO and HC as C1 [ppm, dry], 0 or more (unchecked).
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Water [mol/mol], in the broadcast shape.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(flue_water_fraction(AtomsTuple(1.80, 0.0), 1.5)), 4)  # worked apart: 8.309 % (air without CO2)
    0.0831
    """
    dry = flue_gas_moles(fuel, air_ratio, air=air).dry
    for _ in range(3):
        shares = {"co_share": co_dry_ppm * PPM * dry, "hc_share": hc_dry_ppm * PPM * dry}
        gas = flue_gas_moles(fuel, air_ratio, humidity_ratio=humidity_ratio, air=air, **shares)
        dry = gas.dry
    return gas.h2o / gas.wet


@elementwise
def dry_fraction_of_wet_reading(
    fuel: Atoms[X],
    *,
    o2_wet_pct: X | float = np.nan,
    co2_wet_pct: X | float = np.nan,
    co_wet_ppm: X | float = 0.0,
    hc_wet_ppm: X | float = 0.0,
    humidity_ratio: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> X:
    """Return dry over wet gas [mol/mol]: a wet reading divided by it is the dry reading.

    The water follows from O2 where there is one, else from CO2. Solved by fixed point (the map contracts to a tenth
    a round).

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    o2_wet_pct, co2_wet_pct : float or array
        O2 and CO2 [vol %, wet], 0 to 21 (unchecked); NaN = not measured.
    co_wet_ppm, hc_wet_ppm : float or array
        CO and HC as C1 [ppm, wet], 0 or more (unchecked).
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Dry over wet [mol/mol], in the broadcast shape; NaN where neither O2 nor CO2 is given.

    See Also
    --------
    flue_water_fraction : 1 less this, from lambda.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> fuel = AtomsTuple(1.80, 0.0)
    >>> dry = dry_fraction_of_wet_reading(fuel, o2_wet_pct=7.0)
    >>> ratio = air_ratio_from_o2(7.0 / dry, fuel)
    >>> round(float(dry + flue_water_fraction(fuel, ratio)), 9)
    1.0
    """
    o2_wet, co2_wet = np.asarray(o2_wet_pct, dtype=float), np.asarray(co2_wet_pct, dtype=float)
    share = np.full(np.broadcast(o2_wet, co2_wet, np.asarray(co_wet_ppm, dtype=float)).shape, 0.9)
    for _ in range(WET_ROUNDS):
        gases: dict[str, Any] = {"co_dry_ppm": co_wet_ppm / share, "hc_dry_ppm": hc_wet_ppm / share, "air": air}
        from_o2 = air_ratio_from_o2(o2_wet / share, fuel, **gases)
        from_co2 = air_ratio_from_co2(co2_wet / share, fuel, **gases)
        air_ratio = np.where(np.isnan(o2_wet), from_co2, from_o2)
        water = flue_water_fraction(fuel, air_ratio, humidity_ratio=humidity_ratio, **gases)
        last, share = share, 1.0 - water
        if not np.any(np.abs(share - last) >= 1e-14):
            break
    return share
