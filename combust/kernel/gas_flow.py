"""Hot gas in a pipe: viscosity, density, what flows at a duty, and the friction factor of every flow regime."""

from __future__ import annotations

from typing import Any, Generic, NamedTuple

import numpy as np

from combust.kernel.constants import DRY_AIR, GAS_CONSTANT, ZERO_CELSIUS_K, DryAir
from combust.kernel.elementwise import elementwise
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.stoichiometry import molar_mass_per_carbon, stoichiometric_air_mass, stoichiometric_air_moles
from combust.kernel.types import Atoms, X

# US Standard Atmosphere 1976: Sutherland's S 110.4 K (read), beta 1.458e-6 kg/(s m sqrt(K)) (from memory).
SUTHERLAND_K = 110.4
SUTHERLAND_BETA = 1.458e-6

# Laminar below, Colebrook above, blended between: the pipe's own transition is not repeatable there.
LAMINAR_BELOW = 2000.0
TURBULENT_ABOVE = 3000.0


@elementwise
def gas_viscosity(temp_c: X | float) -> X:
    """Return the dynamic viscosity of air, used for flue gas too [Pa s].

    It lies up to 3 % below a reference equation of air when hot; flue gas is 0 to 8 % less viscous than this (least
    when lean and hot). Turbulent friction answers with a quarter of that, laminar friction with all of it.

    Validity record ``gas_viscosity`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    temp_c : float or array
        Temperature [°C], -50 to 500 (unchecked).

    Returns
    -------
    float or array
        Viscosity [Pa s], in the shape given.

    References
    ----------
    US Standard Atmosphere 1976, eq. 51 (Sutherland).

    Examples
    --------
    >>> round(float(gas_viscosity(15.0)) * 1e5, 3)  # the standard's 1.789e-5 Pa s
    1.789
    """
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_CELSIUS_K
    return SUTHERLAND_BETA * kelvin**1.5 / (kelvin + SUTHERLAND_K)


@elementwise
def gas_density(pressure_hpa: X | float, temp_c: X | float, molar_mass: X | float = DRY_AIR.molar_mass) -> X:
    """Return the density of an ideal gas [kg/m³].

    Parameters
    ----------
    pressure_hpa : float or array
        Pressure [hPa], above 0 (unchecked).
    temp_c : float or array
        Temperature [°C], above -273.15 (unchecked).
    molar_mass : float or array
        Molar mass [kg/kmol], above 0 (unchecked); dry air where it is left out.

    Returns
    -------
    float or array
        Density [kg/m³], in the broadcast shape.

    See Also
    --------
    combust.kernel.air.air_density : of moist air.

    References
    ----------
    Ideal gas, gas constant of CODATA 2018.

    Examples
    --------
    >>> round(float(gas_density(1013.25, 15.0)), 3)  # the standard's 1.225
    1.225
    """
    return 100.0 * pressure_hpa * molar_mass / (GAS_CONSTANT * (temp_c + ZERO_CELSIUS_K))


@elementwise
def flue_molar_mass(
    fuel: Atoms[X], air_ratio: X | float, *, humidity_ratio: X | float = 0.0, air: DryAir = DRY_AIR
) -> X:
    """Return the molar mass of the wet flue gas of complete combustion [kg/kmol].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    air_ratio : float or array
        lambda [-], 1 or more (unchecked).
    humidity_ratio : float or array
        Water in the combustion air [mol per mol dry air], 0 or more (unchecked).
    air : DryAir
        Combustion air [mol/mol], any composition.

    Returns
    -------
    float or array
        Molar mass [kg/kmol], in the broadcast shape.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(flue_molar_mass(AtomsTuple(1.86, 0.0), 1.6)), 1)
    29.0
    """
    dry_air = air_ratio * stoichiometric_air_moles(fuel, air=air)
    mass = molar_mass_per_carbon(fuel) + dry_air * (air.molar_mass + humidity_ratio * 18.015)
    return mass / flue_gas_moles(fuel, air_ratio, humidity_ratio=humidity_ratio, air=air).wet


class Duty(NamedTuple, Generic[X]):
    """What flows in a duct: mass flow [kg/h], density [kg/m³], dynamic viscosity [Pa s]."""

    mass_flow_kg_per_h: X
    density_kg_per_m3: X
    viscosity_pa_s: X


@elementwise
def intake_duty(
    fuel: Atoms[X],
    fuel_kg_per_h: X | float,
    air_ratio: X | float,
    *,
    intake_temp_c: X | float = 15.0,
    pressure_hpa: X | float = 1013.25,
) -> Duty[X]:
    """Return the dry combustion air that a fuel flow draws at a lambda, in the intake duct.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    fuel_kg_per_h : float or array
        Fuel [kg/h], 0 or more (unchecked).
    air_ratio : float or array
        lambda [-], above 0 (unchecked).
    intake_temp_c : float or array
        Air in the duct [°C], -50 to 500 (unchecked).
    pressure_hpa : float or array
        Station pressure [hPa], above 0 (unchecked).

    Returns
    -------
    Duty
        Mass flow [kg/h], density [kg/m³], viscosity [Pa s], in the broadcast shape.

    See Also
    --------
    exhaust_duty : what leaves.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(intake_duty(AtomsTuple(1.86, 0.0), 0.4, 1.6).mass_flow_kg_per_h), 1)  # 0.4 x 1.6 x 14.5
    9.3
    """
    mass = fuel_kg_per_h * air_ratio * stoichiometric_air_mass(fuel)
    return Duty(mass, gas_density(pressure_hpa, intake_temp_c), gas_viscosity(intake_temp_c))


@elementwise
def exhaust_duty(
    fuel: Atoms[X],
    fuel_kg_per_h: X | float,
    air_ratio: X | float,
    *,
    flue_temp_c: X | float,
    pressure_hpa: X | float = 1013.25,
) -> Duty[X]:
    """Return the flue gas of a fuel flow at a lambda, in the exhaust duct at one temperature.

    Give the temperature at the port: gas cools along the duct, so the loss is at most this.

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    fuel_kg_per_h : float or array
        Fuel [kg/h], 0 or more (unchecked).
    air_ratio : float or array
        lambda [-], 1 or more (unchecked).
    flue_temp_c : float or array
        Gas in the duct [°C], -50 to 500 (unchecked).
    pressure_hpa : float or array
        Station pressure [hPa], above 0 (unchecked).

    Returns
    -------
    Duty
        Mass flow [kg/h], density [kg/m³], viscosity [Pa s], in the broadcast shape.

    See Also
    --------
    intake_duty : what comes in.

    References
    ----------
    Balance of mass and of the elements.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(exhaust_duty(AtomsTuple(1.86, 0.0), 0.4, 1.6, flue_temp_c=300.0).mass_flow_kg_per_h), 1)
    9.7
    """
    mass = fuel_kg_per_h * (1.0 + air_ratio * stoichiometric_air_mass(fuel))
    density = gas_density(pressure_hpa, flue_temp_c, flue_molar_mass(fuel, air_ratio))
    return Duty(mass, density, gas_viscosity(flue_temp_c))


@elementwise
def friction_factor(reynolds: X | float, relative_roughness: X | float = 0.0) -> X:
    """Return Darcy's friction factor of a round pipe [-].

    64/Re below 2000, Serghides' explicit form of Colebrook above 3000 (within 5e-5), and between the two a smooth
    blend of the logarithms.

    Validity records ``friction_laminar_to_turbulent`` and ``friction_turbulent``.

    Parameters
    ----------
    reynolds : float or array
        Reynolds number [-], above 0 to 1e8 (unchecked).
    relative_roughness : float or array
        Roughness over bore [-], 0 to 0.05 (unchecked).

    Returns
    -------
    float or array
        Friction factor [-], in the broadcast shape.

    References
    ----------
    T. K. Serghides, Chemical Engineering 91 (1984) no. 5, 63 (form from memory; the tests compare with an
    independent library). Blend: convention of this project, within 5 % of Churchill (1977) there.

    Examples
    --------
    >>> round(float(friction_factor(1500.0)), 5)  # 64/1500
    0.04267
    """
    re = np.asarray(reynolds, dtype=float)
    laminar = 64.0 / re
    share = np.clip(np.log(re / LAMINAR_BELOW) / np.log(TURBULENT_ABOVE / LAMINAR_BELOW), 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    turbulent = _serghides(np.maximum(re, LAMINAR_BELOW), relative_roughness)
    return laminar ** (1.0 - share) * turbulent**share


def _serghides(re: Any, roughness: Any) -> Any:
    rough = roughness / 3.7
    a = -2.0 * np.log10(rough + 12.0 / re)
    b = -2.0 * np.log10(rough + 2.51 * a / re)
    c = -2.0 * np.log10(rough + 2.51 * b / re)
    return (a - (b - a) ** 2 / (c - 2.0 * b + a)) ** -2.0


@elementwise
def contraction_k(ratio: X | float) -> X:
    """Return the loss of a sharp contraction on the velocity head of the narrow side [-].

    Parameters
    ----------
    ratio : float or array
        Narrow bore over wide bore [-], 0 to 1 (unchecked).

    Returns
    -------
    float or array
        Loss in velocity heads [-], in the shape given.

    See Also
    --------
    expansion_k : the other way.

    References
    ----------
    D. C. Rennels and H. M. Hudson, Pipe Flow (2012), sudden contraction (through an independent library).

    Examples
    --------
    >>> float(contraction_k(1.0))
    0.0
    """
    square = ratio**2
    jet = 1.0 + 0.622 * (1.0 - 0.215 * square - 0.785 * ratio**5)
    return 0.0696 * (1.0 - ratio**5) * jet**2 + (jet - 1.0) ** 2


@elementwise
def expansion_k(ratio: X | float) -> X:
    """Return the loss of a sharp expansion on the narrow side's velocity head [-], (1 - ratio²)².

    Parameters
    ----------
    ratio : float or array
        Narrow bore over wide bore [-], 0 to 1 (unchecked).

    Returns
    -------
    float or array
        Loss in velocity heads [-], in the shape given.

    See Also
    --------
    contraction_k : the other way.

    References
    ----------
    Borda-Carnot (any handbook).

    Examples
    --------
    >>> expansion_k(0.5)  # (1 - 1/4)²
    0.5625
    """
    return (1.0 - ratio**2) ** 2
