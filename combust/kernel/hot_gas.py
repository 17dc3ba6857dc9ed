"""The hot gas of a fuel as cubic polynomials: enthalpy, mass, flame temperature.

Temperatures are kelvin above 25 °C unless the name ends in ``_c``; enthalpies are J per kmol of fuel carbon.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from combust.kernel.constants import DRY_AIR, ZERO_CELSIUS_K
from combust.kernel.elementwise import elementwise
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.heat import heat_input_per_carbon, sensible_heat
from combust.kernel.stoichiometry import molar_mass_per_carbon, stoichiometric_air_mass
from combust.kernel.types import Atoms, AtomsTuple, X

REFERENCE_C = 25.0
REFERENCE_K = ZERO_CELSIUS_K + REFERENCE_C
FIT_C = (60.0, 2000.0)
FIT_INTAKE_C = (-60.0, 60.0)


class FuelHeat(NamedTuple):
    """What the heat balance needs of a fuel, per kmol of its carbon.

    Enthalpy above 25 °C of the gas of air ratio lambda: products + (lambda - 1) air, each a·t + b·t² + c·t³;
    ``intake_air`` [J/K] is the heat capacity of stoichiometric air at intake temperatures.
    """

    products: tuple[float, float, float]
    air: tuple[float, float, float]
    intake_air: float
    net_heat: float
    fuel_mass: float
    air_mass: float


@elementwise
def fuel_heat(fuel: Atoms[X], net_heating_value: float) -> FuelHeat:
    """Return the cubic enthalpies of stoichiometric products and of air for a fuel.

    Least squares on the NASA polynomials from 60 to 2000 °C, which they follow within 0.4 % from 200 °C on. Validity
    record ``cubic_enthalpy`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    net_heating_value : float
        Net heating value [MJ/kg], above 0 (unchecked).

    Returns
    -------
    FuelHeat
        Polynomials and net heat [J per kmol of fuel carbon], masses [kg per kmol].

    References
    ----------
    NASA polynomials (McBride, Gordon and Reno, NASA TM-4513, 1993).

    Examples
    --------
    >>> round(fuel_heat(AtomsTuple(4.0, 0.0), 50.0).net_heat / 1e6)  # methane: 50 x 16.04
    802
    """
    atoms = AtomsTuple(float(fuel.h_c), float(fuel.o_c), float(fuel.n_c), float(fuel.s_c))
    return _fuel_heat(atoms, float(net_heating_value))


@lru_cache(maxsize=64)
def _fuel_heat(fuel: AtomsTuple[Any], net_heating_value: float) -> FuelHeat:
    stoichiometric, lean = flue_gas_moles(fuel, 1.0), flue_gas_moles(fuel, 2.0)
    celsius, cold = np.linspace(*FIT_C, 200), np.linspace(*FIT_INTAKE_C, 50)

    def fitted(at: Any, heat: Any, degree: int) -> list[float]:
        above = at - REFERENCE_C
        basis = np.stack([above**power for power in range(1, degree + 1)], axis=1)
        weight = np.abs(above) ** -0.5  # errors in proportion to the heat itself
        solved, *_ = np.linalg.lstsq(basis * weight[:, None], heat * weight, rcond=None)
        return [float(number) for number in solved]

    def heats(at: Any) -> tuple[Any, Any]:
        products = sensible_heat(stoichiometric, at, REFERENCE_C)
        return products, sensible_heat(lean, at, REFERENCE_C) - products

    products, air = (fitted(celsius, heat, 3) for heat in heats(celsius))
    mass = float(molar_mass_per_carbon(fuel))
    return FuelHeat(
        products=(products[0], products[1], products[2]),
        air=(air[0], air[1], air[2]),
        intake_air=fitted(cold, heats(cold)[1], 1)[0],
        net_heat=float(heat_input_per_carbon(fuel, net_heating_value)),
        fuel_mass=mass,
        air_mass=float(stoichiometric_air_mass(fuel, air=DRY_AIR)) * mass,
    )


@elementwise
def gas_mass(heat: FuelHeat, air_ratio: X | float) -> X:
    """Return the mass of flue gas [kg per kmol of fuel carbon].

    Parameters
    ----------
    heat : FuelHeat
        Of the fuel [J, kg per kmol].
    air_ratio : float or array
        lambda [-], 0 or more (unchecked).

    Returns
    -------
    float or array
        Mass [kg per kmol of fuel carbon], in the shape given.

    References
    ----------
    Balance of mass.

    Examples
    --------
    >>> round(gas_mass(fuel_heat(AtomsTuple(4.0, 0.0), 50.0), 0.0), 2)  # methane alone: 16.04
    16.04
    """
    return heat.fuel_mass + air_ratio * heat.air_mass


@elementwise
def enthalpy(heat: FuelHeat, air_ratio: X | float, above_k: X | float) -> X:
    """Return the enthalpy of the flue gas above 25 °C [J per kmol of fuel carbon].

    Parameters
    ----------
    heat : FuelHeat
        Of the fuel [J per kmol].
    air_ratio : float or array
        lambda [-], 0 or more (unchecked).
    above_k : float or array
        Temperature [K above 25 °C], 35 to 1975 (unchecked).

    Returns
    -------
    float or array
        Enthalpy [J per kmol of fuel carbon], in the broadcast shape.

    References
    ----------
    Validity record ``cubic_enthalpy`` (``combust/data/approximate_forms.toml``).

    Examples
    --------
    >>> enthalpy(fuel_heat(AtomsTuple(1.86, 0.007), 42.6), 1.6, 0.0)
    0.0
    """
    a, b, c = gas_coefficients(heat, air_ratio)
    return above_k * (a + above_k * (b + above_k * c))


@elementwise
def gas_coefficients(heat: FuelHeat, air_ratio: X | float) -> tuple[X, X, X]:
    """Return a, b, c of the gas's enthalpy a·t + b·t² + c·t³.

    Parameters
    ----------
    heat : FuelHeat
        Of the fuel [J per kmol].
    air_ratio : float or array
        lambda [-], 0 or more (unchecked).

    Returns
    -------
    tuple of float or array
        a, b, c [J per kmol of fuel carbon and K, K², K³], each in the shape given.

    References
    ----------
    Validity record ``cubic_enthalpy`` (``combust/data/approximate_forms.toml``).

    Examples
    --------
    >>> heat = fuel_heat(AtomsTuple(1.86, 0.007), 42.6)
    >>> gas_coefficients(heat, 1.0) == heat.products
    True
    """
    (a, b, c), (air_a, air_b, air_c) = heat.products, heat.air
    return (a - air_a) + air_ratio * air_a, (b - air_b) + air_ratio * air_b, (c - air_c) + air_ratio * air_c


@elementwise
def flame_temperature(heat: FuelHeat, air_ratio: X | float, intake_above_k: X | float, radiated: X | float = 0.0) -> X:
    """Return the flame temperature of complete combustion, fuel at 25 °C, no dissociation [K above 25 °C].

    Below lambda 1 only the fuel that finds air burns. Validity record ``flame_without_dissociation``.

    Parameters
    ----------
    heat : FuelHeat
        Of the fuel [J per kmol].
    air_ratio : float or array
        lambda [-], above 0 (unchecked).
    intake_above_k : float or array
        Air that enters [K above 25 °C], -85 to 35 (unchecked).
    radiated : float or array
        Heat that the flame gives off by radiation [J per kmol of fuel carbon], 0 or more (unchecked); 0 is the
        adiabatic flame.

    Returns
    -------
    float or array
        Temperature [K above 25 °C], in the broadcast shape.

    See Also
    --------
    heat_supplied : the heat that the gas of this temperature holds.

    References
    ----------
    Energy balance.

    Examples
    --------
    >>> heat = fuel_heat(AtomsTuple(1.86, 0.007), 42.6)
    >>> flame = flame_temperature(heat, 1.6, 0.0)
    >>> round(float(enthalpy(heat, 1.6, flame) / heat.net_heat), 9)  # all the heat is in the gas
    1.0
    """
    total = heat_supplied(heat, air_ratio, intake_above_k) - radiated
    a, b, c = gas_coefficients(heat, air_ratio)
    flame = 500.0 + 1200.0 / np.maximum(1.0, air_ratio)
    for _ in range(4):
        flame = flame - (flame * (a + flame * (b + flame * c)) - total) / (a + flame * (2.0 * b + 3.0 * c * flame))
    return flame


@elementwise
def heat_supplied(heat: FuelHeat, air_ratio: X | float, intake_above_k: X | float) -> X:
    """Return the heat of the fuel that finds air and of the air that enters [J per kmol of fuel carbon].

    Parameters
    ----------
    heat : FuelHeat
        Of the fuel [J per kmol].
    air_ratio : float or array
        lambda [-], 0 or more (unchecked).
    intake_above_k : float or array
        Air that enters [K above 25 °C], -85 to 35 (unchecked).

    Returns
    -------
    float or array
        Heat [J per kmol of fuel carbon], in the broadcast shape.

    See Also
    --------
    flame_temperature : the temperature that this heat gives.

    References
    ----------
    Energy balance.

    Examples
    --------
    >>> heat = fuel_heat(AtomsTuple(1.86, 0.007), 42.6)
    >>> float(heat_supplied(heat, 0.5, 0.0) / heat.net_heat)  # half the fuel finds air
    0.5
    """
    return heat.net_heat * np.minimum(1.0, air_ratio) + air_ratio * heat.intake_air * intake_above_k
