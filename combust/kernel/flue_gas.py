"""Forward: from fuel, air ratio and incompleteness to the composition of the flue gas (exact element balance)."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.kernel.constants import DRY_AIR, WATER_GAS_CONSTANT, DryAir
from combust.kernel.stoichiometry import stoichiometric_air_moles, stoichiometric_oxygen
from combust.kernel.types import Atoms


class FlueGasMoles(NamedTuple):
    """Flue gas in mol per mol of fuel carbon; ``hc`` is unburnt fuel counted as C1."""

    co2: Any
    co: Any
    h2: Any
    h2o: Any
    o2: Any
    n2: Any
    ar: Any
    so2: Any
    hc: Any
    no: Any

    @property
    def dry(self) -> Any:
        """Dry gas [mol per mol C]."""
        return self.co2 + self.co + self.h2 + self.o2 + self.n2 + self.ar + self.so2 + self.hc + self.no

    @property
    def wet(self) -> Any:
        """Wet gas [mol per mol C]."""
        return self.dry + self.h2o

    @property
    def o2_dry_pct(self) -> Any:
        """O2 in the dry gas [vol %]."""
        return 100.0 * self.o2 / self.dry

    @property
    def co2_dry_pct(self) -> Any:
        """CO2 in the dry gas [vol %]."""
        return 100.0 * self.co2 / self.dry


def rich_co_share(fuel: Atoms, air_ratio: Any, *, hc_share: Any = 0.0, no_share: Any = 0.0) -> Any:
    """Return the share of fuel carbon that leaves as CO when no O2 is left [mol/mol]; 0 where air suffices.

    CO and H2 share the missing oxygen through CO·H2O/(CO2·H2) = K. NaN where even all carbon as CO and all hydrogen
    as H2 cannot make up for the missing air.
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


def flue_gas_moles(
    fuel: Atoms,
    air_ratio: Any,
    *,
    co_share: Any = 0.0,
    hc_share: Any = 0.0,
    no_share: Any = 0.0,
    humidity_ratio: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> FlueGasMoles:
    """Return the flue gas of one mol of fuel carbon.

    Assumes that unburnt fuel (``hc_share``) has the fuel's own composition, that H2 is tied to CO by the water-gas
    constant with the combustion's own CO2 and H2O (40 CFR 1065.655-4, which leaves the CO2 of the burnt air in: below
    2e-5 apart), and that fuel nitrogen leaves as N2.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom.
    air_ratio : float or array
        lambda [-]. Below the air that is needed, CO and H2 rise above ``co_share`` until no O2 is missing.
    co_share, hc_share, no_share : float or array
        Fuel carbon that leaves as CO, as unburnt fuel; NO formed [mol per mol C].
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air].

    Returns
    -------
    FlueGasMoles
        Shape of the broadcast arguments; NaN where the mixture is too rich to burn to CO and H2.
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
    oxygen = np.where((forced > 0.0) & (forced >= co_share), 0.0, oxygen)
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


def co_share_from_co(fuel: Atoms, air_ratio: Any, co_fraction_dry: Any, *, air: DryAir = DRY_AIR) -> Any:
    """Return the share of fuel carbon behind a dry CO fraction at a lambda (fixed point, four rounds) [mol/mol]."""
    share = np.zeros(np.broadcast(np.asarray(air_ratio), np.asarray(co_fraction_dry)).shape)
    for _ in range(4):
        share = co_fraction_dry * flue_gas_moles(fuel, air_ratio, co_share=share, air=air).dry
    return share
