"""Flame chemistry at equilibrium (Cantera, loaded only when used): flame temperature, composition, solid carbon."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np

from combust.data.errors import CombustError, need_module
from combust.data.fields import Field
from combust.data.told import Rows, Told, rows_of
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.reading import check_values
from combust.kernel.constants import DRY_AIR, ZERO_CELSIUS_K, DryAir
from combust.kernel.stoichiometry import molar_mass_per_carbon, stoichiometric_air_moles

PRODUCTS = ("O2", "N2", "Ar", "CO2", "H2O", "CO", "H2", "OH", "O", "H", "NO", "NO2", "SO2", "CH4")
ELEMENTS = ("C", "H", "O", "N")
# Where the flame functions are checked against Cantera's own mechanisms and published values.
INSIDE = "The chemistry was not checked outside this band: give one number inside it."
AIR_RATIO = Field("air_ratio", low=0.5, high=6.0, hint=INSIDE)
AIR_RATIO_OF_SOOT = Field("air_ratio", low=0.05, high=6.0, hint=INSIDE)
LEAST_SHOWN = 1e-6
STANDARD_K, SOOT_K = 298.15, 1000.0
# Heat capacity of a liquid hydrocarbon (textbook value, from memory): matters only away from 25 °C [J/(kg K)].
LIQUID_HEAT_CAPACITY = 2000.0


@dataclass(frozen=True)
class GasState(Told):
    """A computed gas: temperature and mole fractions.

    Attributes
    ----------
    air_ratio : float
        lambda of what went in [-].
    temp_k : float
        [K].
    fractions : mapping
        Species in capitals -> mole fraction of the wet gas [mol/mol].
    element_residual : float
        Largest relative error of the C, H, O and N balance between what went in and what came out [-].
    """

    air_ratio: float
    temp_k: float
    fractions: Mapping[str, float] = field(repr=False)
    element_residual: float

    def lines(self) -> Rows:
        """Return lambda, temperature and the species of the wet gas from a millionth."""
        species = [(name, f"{share:.4g} mol/mol") for name, share in self.fractions.items() if share >= LEAST_SHOWN]
        return [*rows_of(self), *species]

    def wet(self, species: str) -> float:
        """Return a mole fraction of the wet gas [mol/mol]; 0 for a species that is not in the model."""
        return self.fractions.get(species.upper(), 0.0)

    def dry_ppm(self, species: str) -> float:
        """Return a share of the dry gas [ppm]."""
        return 1e6 * self.wet(species) / (1.0 - self.wet("H2O"))


def cantera() -> Any:
    """Return the module Cantera.

    Raises
    ------
    CombustError
        It is not installed; the remedy is told.
    """
    return need_module("cantera", "chem")


def flame_equilibrium(
    fuel: Fuel | str,
    air_ratio: float,
    *,
    intake_temp_c: float = 25.0,
    pressure_hpa: float = 1013.25,
    air: DryAir = DRY_AIR,
    net_heating_value_mj_per_kg: float | None = None,
) -> GasState:
    """Return the adiabatic flame temperature and the equilibrium gas of a fuel burnt at constant pressure.

    No heat is lost and there is unlimited time: the upper limit of temperature, and far below any real flame in CO.

    Parameters
    ----------
    fuel : Fuel or str
        Name, alias or formula; it enters as the liquid its heating value belongs to, at the intake temperature.
    air_ratio : float
        lambda [-], 0.5 to 6 (others are refused).
    intake_temp_c, pressure_hpa : float
        Of air and fuel [°C], [hPa]; what cannot be is refused.
    air : DryAir
        Composition of the dry air.
    net_heating_value_mj_per_kg : float, optional
        Instead of the catalogue's, for example of the vaporised fuel [MJ/kg], above 0 (unchecked).

    Returns
    -------
    GasState
        Temperature [K] and shares [mol/mol, ppm].

    Raises
    ------
    CombustError
        Unknown fuel, lambda outside its band, Cantera not installed.

    References
    ----------
    NASA polynomials (TM-4513) as shipped with Cantera, ``nasa_gas.yaml``; Cantera's Gibbs minimisation.

    Examples
    --------
    >>> state = flame_equilibrium("n_dodecane", 1.5)
    >>> round(state.temp_k, -1)
    1820.0
    """
    burnt, ratio = get_fuel(fuel), AIR_RATIO.checked(air_ratio)
    place, faults = check_values({"intake_temp_c": intake_temp_c, "pressure_hpa": pressure_hpa})
    if faults:
        raise CombustError(faults)
    net = burnt.net_heating_value_mj_per_kg if net_heating_value_mj_per_kg is None else net_heating_value_mj_per_kg
    gas = _phase(burnt, net)
    moles = ratio * float(stoichiometric_air_moles(burnt, air=air))
    temp_c, hpa = float(place["intake_temp_c"]), float(place["pressure_hpa"])
    fill(gas, "FUEL", moles, temp_c + ZERO_CELSIUS_K, hpa * 100.0, air)
    before = elements_per_kg(gas)
    gas.equilibrate("HP", rtol=1e-10)
    return state_of(gas, ratio, before)


def fill(gas: Any, fuel: str, air_moles: float, temp_k: float, pascal: float, air: DryAir = DRY_AIR) -> None:
    """Set a gas of Cantera to one mole of a fuel species with so many moles of air."""
    parts = {name: air_moles * getattr(air, name) for name in ("o2", "n2", "ar", "co2")}
    gas.TPX = temp_k, pascal, {fuel: 1.0, **parts}


def elements_per_kg(gas: Any) -> Any:
    """Return the C, H, O and N of a gas of Cantera [kmol/kg]."""
    return np.array([gas.elemental_mass_fraction(name) / gas.atomic_weight(name) for name in ELEMENTS])


def state_of(gas: Any, air_ratio: float, before: Any) -> GasState:
    """Return the state of a gas of Cantera; ``before`` is :func:`elements_per_kg` of what went in."""
    residual = float(np.abs(elements_per_kg(gas) / before - 1.0).max())
    names = [name.upper() for name in gas.species_names]
    return GasState(air_ratio, float(gas.T), dict(zip(names, map(float, gas.X), strict=True)), residual)


@cache
def _nasa() -> dict[str, Any]:
    return {species.name: species for species in cantera().Species.list_from_file("nasa_gas.yaml")}


def _phase(fuel: Fuel, net: float) -> Any:
    """Return an ideal gas of products and of the fuel per carbon atom with the enthalpy its heating value asks for."""
    ct = cantera()
    atoms = {"C": 1.0, "H": fuel.h_c, "O": fuel.o_c, "N": fuel.n_c, "S": fuel.s_c}
    species = ct.Species("FUEL", {name: count for name, count in atoms.items() if count})
    burnt = (("CO2", 1.0), ("H2O", fuel.h_c / 2.0), ("SO2", fuel.s_c))
    mass = float(molar_mass_per_carbon(fuel))
    enthalpy = net * 1e6 * mass + sum(count * _nasa()[name].thermo.h(STANDARD_K) for name, count in burnt)
    # The entropy of the fuel decides nothing: at any flame temperature none of it is left.
    species.thermo = ct.ConstantCp(200.0, 6000.0, ct.one_atm, [STANDARD_K, enthalpy, 5e4, LIQUID_HEAT_CAPACITY * mass])
    return ct.Solution(thermo="ideal-gas", species=[_nasa()[name] for name in PRODUCTS] + [species])


def solid_carbon_at_equilibrium(fuel: Fuel | str, air_ratio: float) -> float:
    """Return the share of the fuel's carbon that equilibrium leaves as graphite at 1000 K [mol/mol].

    It is 0 at every lambda a heater runs at: equilibrium says nothing about a smoking burner. Soot comes from rich
    pockets that never mix, long before the whole gas is rich.

    Parameters
    ----------
    fuel : Fuel or str
    air_ratio : float
        lambda of the whole gas [-], 0.05 to 6.

    Raises
    ------
    CombustError
        lambda outside the range that was checked.

    References
    ----------
    Cantera's Gibbs minimisation with ``graphite.yaml``.

    Examples
    --------
    >>> solid_carbon_at_equilibrium("n_dodecane", 1.2)
    0.0
    """
    ct, burnt, ratio = cantera(), get_fuel(fuel), AIR_RATIO_OF_SOOT.checked(air_ratio)
    gas = _phase(burnt, burnt.net_heating_value_mj_per_kg)
    solid = ct.Solution("graphite.yaml", "graphite")
    moles = ratio * float(stoichiometric_air_moles(burnt))
    fill(gas, "FUEL", moles, SOOT_K, ct.one_atm)
    solid.TP = SOOT_K, ct.one_atm
    mixture = ct.Mixture([(gas, 1.0 + moles), (solid, 1e-6)])
    mixture.T, mixture.P = SOOT_K, ct.one_atm
    # The other solver, vcs, fails on hand-made phases (libraries tried: vcs never, gibbs always).
    mixture.equilibrate("TP", solver="gibbs")
    carbon = float(mixture.species_moles[mixture.n_species - 1])
    return carbon if carbon > 1e-5 else 0.0
