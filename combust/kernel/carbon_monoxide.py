"""CO on every basis the trade and the law use."""

from __future__ import annotations

from typing import Any

from combust.kernel.constants import ATOMIC_WEIGHT, DRY_AIR, MOLAR_VOLUME_NORMAL, DryAir
from combust.kernel.stoichiometry import molar_mass_per_carbon
from combust.kernel.types import Atoms

MOLAR_MASS_CO = ATOMIC_WEIGHT["C"] + ATOMIC_WEIGHT["O"]
MEGAJOULE_PER_KWH = 3.6


def co_air_free(co_dry_ppm: Any, o2_dry_pct: Any, *, air: DryAir = DRY_AIR) -> Any:
    """Return CO brought to 0 % O2 [ppm]: CO X/(X - O2) with the oxygen X of the combustion air.

    Notes
    -----
    The trade writes 20.9 for X (common practice, no source); X = 20.946 changes 150 ppm at 8.2 % O2 by 0.5 ppm.
    """
    oxygen = 100.0 * air.o2
    return co_dry_ppm * oxygen / (oxygen - o2_dry_pct)


def co_at_reference_o2(co_dry_ppm: Any, o2_dry_pct: Any, reference_o2_pct: float = 3.0) -> Any:
    """Return CO brought to a reference O2 [ppm]: CO (21 - reference)/(21 - O2).

    References
    ----------
    1. BImSchV of 26 January 2010, reference oxygen with 21 % (read).
    """
    return co_dry_ppm * (21.0 - reference_o2_pct) / (21.0 - o2_dry_pct)


def co_mass_concentration(co_dry_ppm: Any) -> Any:
    """Return CO per cubic metre of dry gas at 0 °C and 1013.25 hPa [mg/m³]: 1.2497 mg/m³ per ppm."""
    return co_dry_ppm * MOLAR_MASS_CO / MOLAR_VOLUME_NORMAL


def co_mass_per_heat(co_per_carbon: Any, fuel: Atoms, net_heating_value: Any) -> Any:
    """Return CO per net heat input [mg/kWh] from CO in mol per mol fuel carbon and the heating value in MJ/kg."""
    per_fuel = co_per_carbon * MOLAR_MASS_CO / molar_mass_per_carbon(fuel)
    return per_fuel * 1e6 * MEGAJOULE_PER_KWH / net_heating_value
