"""Forward: from fuel, air ratio and incompleteness to the composition of the flue gas (exact element balance)."""

from __future__ import annotations

from typing import Any, Generic, NamedTuple

import numpy as np

from combust.kernel.constants import DRY_AIR, WATER_GAS_CONSTANT, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.stoichiometry import stoichiometric_air_moles, stoichiometric_oxygen
from combust.kernel.types import Atoms, X


class FlueGasMoles(NamedTuple, Generic[X]):
    """Flue gas per mol of fuel carbon; ``hc`` is unburnt fuel counted as C1.

    Attributes
    ----------
    co2, co, h2, h2o, o2, n2, ar, so2, hc, no : float or array
        Amounts [mol per mol C].
    """

    co2: X
    co: X
    h2: X
    h2o: X
    o2: X
    n2: X
    ar: X
    so2: X
    hc: X
    no: X

    @property
    def dry(self) -> X:
        """Dry gas [mol per mol C]."""
        return self.co2 + self.co + self.h2 + self.o2 + self.n2 + self.ar + self.so2 + self.hc + self.no

    @property
    def wet(self) -> X:
        """Wet gas [mol per mol C]."""
        return self.dry + self.h2o

    @property
    def o2_dry_pct(self) -> X:
        """O2 in the dry gas [vol %]."""
        return 100.0 * self.o2 / self.dry

    @property
    def co2_dry_pct(self) -> X:
        """CO2 in the dry gas [vol %]."""
        return 100.0 * self.co2 / self.dry


@elementwise
def rich_co_share(fuel: Atoms[X], air_ratio: X | float, *, hc_share: X | float = 0.0, no_share: X | float = 0.0) -> X:
    """Return the share of fuel carbon that leaves as CO when no O2 is left [mol/mol]; 0 where air suffices.

    CO and H2 share the missing oxygen through CO·H2O/(CO2·H2) = K.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air_ratio : float or array
        lambda [-], above 0 (unchecked).
    hc_share, no_share : float or array
        Carbon left unburnt, and NO formed [mol per mol C], 0 to 1 (unchecked).

    Returns
    -------
    float or array
        Share [mol/mol], 0 to 1, in the broadcast shape; NaN where even all carbon as CO and all hydrogen as H2
        cannot make up for the missing air.

    References
    ----------
    40 CFR 1065.655: K = 3.5.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> float(rich_co_share(AtomsTuple(1.86, 0.0), 1.2))
    0.0
    >>> bool(rich_co_share(AtomsTuple(1.86, 0.0), 0.8) > 0.3)
    True
    """
    burnt = 1.0 - np.asarray(hc_share, dtype=float)
    oxygen = stoichiometric_oxygen(fuel)
    missing = 2.0 * (burnt * oxygen + no_share / 2.0 - air_ratio * oxygen) / burnt
    hydrogen = fuel.h_c / 2.0
    linear = WATER_GAS_CONSTANT + hydrogen + (WATER_GAS_CONSTANT - 1.0) * missing
    root = np.sqrt(linear**2 + 4.0 * (1.0 - WATER_GAS_CONSTANT) * WATER_GAS_CONSTANT * missing)
    share = 2.0 * WATER_GAS_CONSTANT * missing / (linear + root)
    possible = missing <= (1.0 + hydrogen) * (1.0 + 1e-12)
    return np.where(missing <= 0.0, 0.0, np.where(possible, share * burnt, np.nan))


@elementwise
def flue_gas_moles(
    fuel: Atoms[X],
    air_ratio: X | float,
    *,
    co_share: X | float = 0.0,
    hc_share: X | float = 0.0,
    no_share: X | float = 0.0,
    humidity_ratio: X | float = 0.0,
    air: DryAir = DRY_AIR,
) -> FlueGasMoles[X]:
    """Return the flue gas of one mol of fuel carbon.

    Assumes that unburnt fuel (``hc_share``) has the fuel's own composition, that H2 is tied to CO by the water-gas
    constant with the combustion's own CO2 and H2O, and that fuel nitrogen leaves as N2.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air_ratio : float or array
        lambda [-], above 0 (unchecked). Below the air that is needed, CO and H2 rise above ``co_share`` until no O2
        is missing.
    co_share, hc_share, no_share : float or array
        Fuel carbon that leaves as CO, as unburnt fuel; NO formed [mol per mol C], 0 to 1 (unchecked).
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    FlueGasMoles
        Amounts [mol per mol C] in the broadcast shape; NaN where the mixture is too rich to burn to CO and H2.

    See Also
    --------
    combust.kernel.air_ratio.air_ratio_from_balance : the inverse.

    References
    ----------
    40 CFR 1065.655-4 for the water-gas constant; it leaves the CO2 of the burnt air in: below 2e-5 apart.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> gas = flue_gas_moles(AtomsTuple(1.86, 0.0), 1.6)
    >>> round(float(gas.o2_dry_pct), 1), round(float(gas.co2_dry_pct), 1)
    (8.2, 9.4)
    """
    forced = rich_co_share(fuel, air_ratio, hc_share=hc_share, no_share=no_share)
    carbon_monoxide = np.maximum(co_share, forced)
    burnt = 1.0 - np.asarray(hc_share, dtype=float)
    own_co2 = burnt - carbon_monoxide
    hydrogen = burnt * fuel.h_c / 2.0
    own_water = hydrogen * WATER_GAS_CONSTANT * own_co2 / (WATER_GAS_CONSTANT * own_co2 + carbon_monoxide)
    free_hydrogen = hydrogen - own_water
    dry_air = air_ratio * stoichiometric_air_moles(fuel, air=air)
    demand = own_co2 + carbon_monoxide / 2.0 + own_water / 2.0 + burnt * (fuel.s_c - fuel.o_c / 2.0) + no_share / 2.0
    oxygen = dry_air * air.o2 - demand
    # Where CO was forced by missing air the remainder is rounding, not oxygen.
    oxygen = np.where((forced > 0.0) & (forced >= co_share), 0.0, oxygen)[()]  # a number stays one: twice as fast
    zero = np.zeros_like(oxygen)
    return FlueGasMoles(
        co2=own_co2 + dry_air * air.co2,
        co=carbon_monoxide + zero,
        h2=free_hydrogen + zero,
        h2o=own_water + dry_air * humidity_ratio,
        o2=oxygen,
        n2=dry_air * air.n2 + burnt * fuel.n_c / 2.0 - no_share / 2.0,
        ar=dry_air * air.ar + zero,
        so2=burnt * fuel.s_c + zero,
        hc=hc_share + zero,
        no=no_share + zero,
    )


@elementwise
def co_share_from_co(fuel: Atoms[X], air_ratio: X | float, co_fraction_dry: X | float, *, air: DryAir = DRY_AIR) -> X:
    """Return the share of fuel carbon behind a dry CO fraction at a lambda [mol/mol]: fixed point, four rounds.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air_ratio : float or array
        lambda [-], above 0 (unchecked).
    co_fraction_dry : float or array
        CO in the dry gas [mol/mol], 0 to 1 (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Share [mol/mol], in the broadcast shape.

    See Also
    --------
    flue_gas_moles : the inverse.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> fuel = AtomsTuple(1.86, 0.0)
    >>> share = co_share_from_co(fuel, 1.6, 150e-6)
    >>> gas = flue_gas_moles(fuel, 1.6, co_share=share)
    >>> round(float(1e6 * gas.co / gas.dry), 3)
    150.0
    """
    share: Any = np.zeros(np.broadcast(np.asarray(air_ratio), np.asarray(co_fraction_dry)).shape)
    for _ in range(4):
        share = co_fraction_dry * flue_gas_moles(fuel, air_ratio, co_share=share, air=air).dry
    return share
