"""Air a fuel needs and flue gas it gives, from its atoms alone."""

from __future__ import annotations

from typing import Any

from combust.kernel.constants import ATOMIC_WEIGHT, DRY_AIR, MOLAR_VOLUME_NORMAL, DryAir
from combust.kernel.types import Atoms


def stoichiometric_oxygen(fuel: Atoms) -> Any:
    """Return the oxygen for complete combustion [mol O2 per mol C].

    C burns to CO2, H to H2O, S to SO2; fuel nitrogen leaves as N2. nu = 1 + h/4 - o/2 + s.
    """
    return 1.0 + fuel.h_c / 4.0 - fuel.o_c / 2.0 + fuel.s_c


def molar_mass_per_carbon(fuel: Atoms) -> Any:
    """Return the mass of fuel that holds one kmol of carbon [kg/kmol C]."""
    weight = ATOMIC_WEIGHT
    return (
        weight["C"] + weight["H"] * fuel.h_c + weight["O"] * fuel.o_c + weight["N"] * fuel.n_c + weight["S"] * fuel.s_c
    )


def stoichiometric_air_moles(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the dry air for complete combustion [mol air per mol C]."""
    return stoichiometric_oxygen(fuel) / air.o2


def stoichiometric_air_mass(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the dry air for complete combustion by mass [kg air per kg fuel]."""
    return stoichiometric_air_moles(fuel, air=air) * air.molar_mass / molar_mass_per_carbon(fuel)


def stoichiometric_air_volume(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the dry air for complete combustion [m³ at 0 °C and 1013.25 hPa per kg fuel]."""
    return stoichiometric_air_moles(fuel, air=air) * MOLAR_VOLUME_NORMAL / molar_mass_per_carbon(fuel)


def dry_flue_gas_moles(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the dry stoichiometric flue gas [mol per mol C]: CO2, SO2, N2 and Ar."""
    inert = stoichiometric_air_moles(fuel, air=air) * (1.0 - air.o2)
    return 1.0 + fuel.s_c + fuel.n_c / 2.0 + inert


def dry_flue_gas_volume(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the dry stoichiometric flue gas [m³ at 0 °C and 1013.25 hPa per kg fuel]."""
    return dry_flue_gas_moles(fuel, air=air) * MOLAR_VOLUME_NORMAL / molar_mass_per_carbon(fuel)


def wet_flue_gas_volume(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the wet stoichiometric flue gas, dry combustion air [m³ at 0 °C and 1013.25 hPa per kg fuel]."""
    moles = dry_flue_gas_moles(fuel, air=air) + fuel.h_c / 2.0
    return moles * MOLAR_VOLUME_NORMAL / molar_mass_per_carbon(fuel)


def flue_water_mass(fuel: Atoms) -> Any:
    """Return the water formed from the fuel's hydrogen [kg per kg fuel]."""
    water = 2.0 * ATOMIC_WEIGHT["H"] + ATOMIC_WEIGHT["O"]
    return fuel.h_c / 2.0 * water / molar_mass_per_carbon(fuel)


def co2_maximum(fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return CO2 in the dry gas of complete combustion without excess air [vol %]."""
    carbon_dioxide = 1.0 + stoichiometric_air_moles(fuel, air=air) * air.co2
    return 100.0 * carbon_dioxide / dry_flue_gas_moles(fuel, air=air)


# Latent heat of water at 25 °C: difference of the standard enthalpies of formation of liquid and vapour,
# -285.83 and -241.826 kJ/mol (CODATA key values 1989, from memory) [J/kmol].
LATENT_HEAT_WATER = 44.004e6


def gross_from_net_heating_value(net_mj_per_kg: Any, fuel: Atoms) -> Any:
    """Return the gross heating value at 25 °C [MJ/kg]: net plus the latent heat of the water formed."""
    return net_mj_per_kg + fuel.h_c / 2.0 * LATENT_HEAT_WATER * 1e-6 / molar_mass_per_carbon(fuel)


def net_heating_value_from_formation(formation_j_per_kmol: Any, carbon: Any, fuel: Atoms) -> Any:
    """Return the net heating value at 25 °C [MJ/kg] from the standard enthalpy of formation of one molecule.

    Products CO2 -393.51, H2O(g) -241.826 kJ/mol (CODATA key values 1989, from memory). Only for fuels of C, H, O.
    """
    products = -393.51e6 - fuel.h_c / 2.0 * 241.826e6
    return (formation_j_per_kmol / carbon - products) * 1e-6 / molar_mass_per_carbon(fuel)
