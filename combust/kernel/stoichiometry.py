"""Air a fuel needs and flue gas it gives, from its atoms alone."""

from __future__ import annotations

from combust.kernel.constants import ATOMIC_WEIGHT, DRY_AIR, MOLAR_VOLUME_NORMAL, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.types import Atoms, X


@elementwise
def stoichiometric_oxygen(fuel: Atoms[X]) -> X:
    """Return the oxygen for complete combustion [mol O2 per mol C], nu = 1 + h/4 - o/2 + s.

    C burns to CO2, H to H2O, S to SO2; fuel nitrogen leaves as N2.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.

    Returns
    -------
    float or array
        Oxygen [mol O2 per mol C], in the shape of the atoms.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> stoichiometric_oxygen(AtomsTuple(4.0, 0.0))  # CH4 + 2 O2
    2.0
    """
    return 1.0 + fuel.h_c / 4.0 - fuel.o_c / 2.0 + fuel.s_c


@elementwise
def molar_mass_per_carbon(fuel: Atoms[X]) -> X:
    """Return the mass of fuel that holds one kmol of carbon [kg/kmol C].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.

    Returns
    -------
    float or array
        Mass [kg/kmol C], in the shape of the atoms.

    References
    ----------
    Atomic weights of IUPAC 2021.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(molar_mass_per_carbon(AtomsTuple(4.0, 0.0)), 3)  # methane 16.043
    16.043
    """
    weight = ATOMIC_WEIGHT
    return (
        weight["C"] + weight["H"] * fuel.h_c + weight["O"] * fuel.o_c + weight["N"] * fuel.n_c + weight["S"] * fuel.s_c
    )


@elementwise
def stoichiometric_air_moles(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the dry air for complete combustion [mol air per mol C].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Dry air [mol air per mol C], in the shape of the atoms.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(stoichiometric_air_moles(AtomsTuple(4.0, 0.0)), 2)  # 2/0.20946
    9.55
    """
    return stoichiometric_oxygen(fuel) / air.o2


@elementwise
def stoichiometric_air_mass(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the dry air for complete combustion by mass [kg air per kg fuel].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Dry air [kg/kg], in the shape of the atoms.

    See Also
    --------
    combust.kernel.air_ratio.air_fuel_ratio_from_air_ratio : the same at any lambda.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(stoichiometric_air_mass(AtomsTuple(4.0, 0.0)), 1)  # methane: 17.2 in handbooks
    17.2
    """
    return stoichiometric_air_moles(fuel, air=air) * air.molar_mass / molar_mass_per_carbon(fuel)


@elementwise
def stoichiometric_air_volume(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the dry air for complete combustion [m³ at 0 °C and 1013.25 hPa per kg fuel].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Dry air [m³/kg at 0 °C and 1013.25 hPa], in the shape of the atoms.

    References
    ----------
    Balance of the elements; molar volume of an ideal gas (CODATA 2018).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(stoichiometric_air_volume(AtomsTuple(1.86, 0.0)), 1)
    11.3
    """
    return stoichiometric_air_moles(fuel, air=air) * MOLAR_VOLUME_NORMAL / molar_mass_per_carbon(fuel)


@elementwise
def dry_flue_gas_moles(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the dry stoichiometric flue gas [mol per mol C]: CO2, SO2, N2 and Ar.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Dry gas [mol per mol C], in the shape of the atoms.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(dry_flue_gas_moles(AtomsTuple(4.0, 0.0)), 2)  # 1 + 2 x 0.79054/0.20946
    8.55
    """
    inert = stoichiometric_air_moles(fuel, air=air) * (1.0 - air.o2)
    return 1.0 + fuel.s_c + fuel.n_c / 2.0 + inert


@elementwise
def dry_flue_gas_volume(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the dry stoichiometric flue gas [m³ at 0 °C and 1013.25 hPa per kg fuel].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Dry gas [m³/kg at 0 °C and 1013.25 hPa], in the shape of the atoms.

    References
    ----------
    Balance of the elements; molar volume of an ideal gas (CODATA 2018).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(dry_flue_gas_volume(AtomsTuple(1.86, 0.0)), 1)
    10.5
    """
    return dry_flue_gas_moles(fuel, air=air) * MOLAR_VOLUME_NORMAL / molar_mass_per_carbon(fuel)


@elementwise
def wet_flue_gas_volume(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return the wet stoichiometric flue gas, dry combustion air [m³ at 0 °C and 1013.25 hPa per kg fuel].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Wet gas [m³/kg at 0 °C and 1013.25 hPa], in the shape of the atoms.

    References
    ----------
    Balance of the elements; molar volume of an ideal gas (CODATA 2018).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(wet_flue_gas_volume(AtomsTuple(1.86, 0.0)), 1)
    12.0
    """
    moles = dry_flue_gas_moles(fuel, air=air) + fuel.h_c / 2.0
    return moles * MOLAR_VOLUME_NORMAL / molar_mass_per_carbon(fuel)


@elementwise
def flue_water_mass(fuel: Atoms[X]) -> X:
    """Return the water formed from the fuel's hydrogen [kg per kg fuel].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.

    Returns
    -------
    float or array
        Water [kg/kg], in the shape of the atoms.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(flue_water_mass(AtomsTuple(4.0, 0.0)), 2)  # 36.03/16.043
    2.25
    """
    water = 2.0 * ATOMIC_WEIGHT["H"] + ATOMIC_WEIGHT["O"]
    return fuel.h_c / 2.0 * water / molar_mass_per_carbon(fuel)


@elementwise
def co2_maximum(fuel: Atoms[X], *, air: DryAir = DRY_AIR) -> X:
    """Return CO2 in the dry gas of complete combustion without excess air [vol %].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        CO2 [vol %, dry], in the shape of the atoms.

    References
    ----------
    Balance of the elements; the CO2 of the air is counted.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(co2_maximum(AtomsTuple(4.0, 0.0)), 1)  # handbooks print 11.7 for methane
    11.7
    """
    carbon_dioxide = 1.0 + stoichiometric_air_moles(fuel, air=air) * air.co2
    return 100.0 * carbon_dioxide / dry_flue_gas_moles(fuel, air=air)


# Latent heat of water at 25 °C: difference of the standard enthalpies of formation of liquid and vapour,
# -285.83 and -241.826 kJ/mol (CODATA key values 1989, from memory) [J/kmol].
LATENT_HEAT_WATER = 44.004e6


@elementwise
def gross_from_net_heating_value(net_mj_per_kg: X | float, fuel: Atoms[X]) -> X:
    """Return the gross heating value at 25 °C [MJ/kg]: net plus the latent heat of the water formed.

    Parameters
    ----------
    net_mj_per_kg : float or array
        Net heating value [MJ/kg], above 0 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.

    Returns
    -------
    float or array
        Gross heating value [MJ/kg], in the broadcast shape.

    References
    ----------
    Latent heat from the CODATA key values 1989 (from memory).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(gross_from_net_heating_value(50.03, AtomsTuple(4.0, 0.0)), 1)  # methane: 55.5
    55.5
    """
    return net_mj_per_kg + fuel.h_c / 2.0 * LATENT_HEAT_WATER * 1e-6 / molar_mass_per_carbon(fuel)


@elementwise
def net_heating_value_from_formation(formation_j_per_kmol: X | float, carbon: X | float, fuel: Atoms[X]) -> X:
    """Return the net heating value at 25 °C [MJ/kg] from the standard enthalpy of formation of one molecule.

    Parameters
    ----------
    formation_j_per_kmol : float or array
        Standard enthalpy of formation [J/kmol], any.
    carbon : float or array
        Carbon atoms of the molecule [-], above 0 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol]; C, H and O only (unchecked).

    Returns
    -------
    float or array
        Net heating value [MJ/kg], in the broadcast shape.

    References
    ----------
    Products CO2 -393.51, H2O(g) -241.826 kJ/mol (CODATA key values 1989, from memory).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(net_heating_value_from_formation(-74.6e6, 1.0, AtomsTuple(4.0, 0.0)), 1)  # methane: 50.0
    50.0
    """
    products = -393.51e6 - fuel.h_c / 2.0 * 241.826e6
    return (formation_j_per_kmol / carbon - products) * 1e-6 / molar_mass_per_carbon(fuel)
