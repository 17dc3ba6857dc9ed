"""Heat that leaves with the flue gas: enthalpy balance, Siegert form, unburnt loss."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from combust.data.tables import load_table
from combust.kernel.constants import GAS_CONSTANT, ZERO_CELSIUS_K
from combust.kernel.elementwise import elementwise
from combust.kernel.flue_gas import FlueGasMoles
from combust.kernel.stoichiometry import molar_mass_per_carbon
from combust.kernel.types import Atoms, Floats, X

SPECIES = ("co2", "co", "h2", "h2o", "o2", "n2", "ar", "so2", "no")
MIDDLE_K = 1000.0

# Siegert coefficients for heating oil, 1. BImSchV of 26 January 2010, Annex 2 (read).
SIEGERT_OIL = (0.68, 0.007)
# Net heat of combustion of CO at 25 °C: 393.51 - 110.53 kJ/mol (CODATA key values 1989, from memory) [J/kmol].
HEAT_OF_CO = 282.98e6


@cache
def _coefficients(high: bool) -> Floats:
    """Return the polynomial H/R [K] of each species as powers T, T²/2 … T⁵/5, constant."""
    table = load_table("gas_enthalpies")
    rows: Floats = np.array([table[name]["high" if high else "low"] for name in SPECIES], dtype=float)
    return rows / [1.0, 2.0, 3.0, 4.0, 5.0, 1.0]


@elementwise
def gas_enthalpy(moles: FlueGasMoles[X], temp_c: X | float) -> X:
    """Return the enthalpy of a gas mixture, water as vapour, unburnt HC left out [J per kmol fuel carbon].

    Absolute (heats of formation included): only differences at one composition are sensible heat.

    Parameters
    ----------
    moles : FlueGasMoles
        Amounts [mol per mol C], any.
    temp_c : float or array
        Temperature [°C], -73 to 5700 (unchecked).

    Returns
    -------
    float or array
        Enthalpy [J per kmol fuel carbon], in the broadcast shape.

    References
    ----------
    NASA polynomials (McBride, Gordon and Reno, NASA TM-4513, 1993), see ``combust/data/gas_enthalpies.toml``.

    Examples
    --------
    >>> from combust.kernel.flue_gas import flue_gas_moles
    >>> from combust.kernel.types import AtomsTuple
    >>> gas = flue_gas_moles(AtomsTuple(1.86, 0.0), 1.6)
    >>> bool(gas_enthalpy(gas, 300.0) > gas_enthalpy(gas, 20.0))
    True
    """
    return _enthalpies(moles, temp_c)[0]


def _enthalpies(moles: FlueGasMoles[Any], *temps_c: Any) -> list[Any]:
    """Return the enthalpy at each temperature; the polynomials of the mixture are made once."""
    kelvins = [np.asarray(temp, dtype=float) + ZERO_CELSIUS_K for temp in temps_c]
    low = _mixture_polynomial(moles, high=False)
    found = [_horner(low, kelvin) for kelvin in kelvins]
    if any(np.any(kelvin > MIDDLE_K) for kelvin in kelvins):
        high = _mixture_polynomial(moles, high=True)
        found = [np.where(k > MIDDLE_K, _horner(high, k), one) for k, one in zip(kelvins, found, strict=True)]
    return [GAS_CONSTANT * one for one in found]


def _mixture_polynomial(moles: FlueGasMoles[Any], *, high: bool) -> list[Any]:
    rows = _coefficients(high)
    parts = [(getattr(moles, name), row) for name, row in zip(SPECIES, rows, strict=True)]
    present = [(part, row) for part, row in parts if np.any(part)]
    return [sum(part * row[power] for part, row in present) for power in range(6)]


def _horner(polynomial: list[Any], kelvin: Any) -> Any:
    a1, a2, a3, a4, a5, a6 = polynomial
    return kelvin * (a1 + kelvin * (a2 + kelvin * (a3 + kelvin * (a4 + kelvin * a5)))) + a6


@elementwise
def sensible_heat(moles: FlueGasMoles[X], hot_temp_c: X | float, cold_temp_c: X | float) -> X:
    """Return the heat a gas gives off between two temperatures, water stays vapour [J per kmol fuel carbon].

    Parameters
    ----------
    moles : FlueGasMoles
        Amounts [mol per mol C], any.
    hot_temp_c, cold_temp_c : float or array
        Temperatures [°C], -73 to 5700 (unchecked).

    Returns
    -------
    float or array
        Heat [J per kmol fuel carbon], in the broadcast shape; below 0 where the gas is warmed.

    References
    ----------
    NASA polynomials (McBride, Gordon and Reno, NASA TM-4513, 1993).

    Examples
    --------
    >>> from combust.kernel.flue_gas import FlueGasMoles
    >>> nitrogen = FlueGasMoles(0, 0, 0, 0, 0, 1.0, 0, 0, 0, 0)
    >>> round(float(sensible_heat(nitrogen, 26.85, 16.85)) / 10.0 / 1000.0, 1)  # 29.1 kJ/(kmol K) in handbooks
    29.1
    """
    hot, cold = _enthalpies(moles, hot_temp_c, cold_temp_c)
    return hot - cold


@elementwise
def heat_input_per_carbon(fuel: Atoms[X], net_heating_value: X | float) -> X:
    """Return the net heat of the fuel that holds one kmol of carbon [J/kmol].

    Parameters
    ----------
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    net_heating_value : float or array
        Net heating value [MJ/kg], above 0 (unchecked).

    Returns
    -------
    float or array
        Heat [J/kmol], in the broadcast shape.

    References
    ----------
    Definition.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(heat_input_per_carbon(AtomsTuple(4.0, 0.0), 50.0) / 1e6, 2)  # 50 x 16.043
    802.15
    """
    return net_heating_value * 1e6 * molar_mass_per_carbon(fuel)


@elementwise
def stack_loss(
    moles: FlueGasMoles[X],
    flue_temp_c: X | float,
    intake_temp_c: X | float,
    fuel: Atoms[X],
    net_heating_value: X | float,
) -> X:
    """Return the net stack loss by enthalpy [% of net heat input].

    Products and intake moisture from flue to intake temperature, water as vapour, over the net heating value at 25 °C.

    Parameters
    ----------
    moles : FlueGasMoles
        Flue gas [mol per mol C], any.
    flue_temp_c, intake_temp_c : float or array
        Flue gas and combustion air [°C], -73 to 5700 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    net_heating_value : float or array
        Net heating value [MJ/kg], above 0 (unchecked).

    Returns
    -------
    float or array
        Loss [% of net heat input], in the broadcast shape.

    See Also
    --------
    stack_loss_siegert : a short form for heating oil.

    References
    ----------
    Enthalpy balance with the NASA polynomials (NASA TM-4513).

    Examples
    --------
    >>> from combust.kernel.flue_gas import flue_gas_moles
    >>> from combust.kernel.types import AtomsTuple
    >>> fuel = AtomsTuple(1.86, 0.007)
    >>> round(float(stack_loss(flue_gas_moles(fuel, 1.6), 300.0, 20.0, fuel, 42.6)))  # Siegert: 16.8
    17
    """
    heat = sensible_heat(moles, flue_temp_c, intake_temp_c)
    return 100.0 * heat / heat_input_per_carbon(fuel, net_heating_value)


@elementwise
def stack_loss_siegert(flue_temp_c: X | float, intake_temp_c: X | float, o2_dry_pct: X | float) -> X:
    """Return the net stack loss by the Siegert form for heating oil [% of net heat input].

    (t_flue - t_intake) (A/(21 - O2) + B) with A 0.68, B 0.007. Against the enthalpy balance of diesel and kerosene at
    lambda 1.2 to 2.5: within 0.13 point up to 200 °C, 0.1 to 0.8 low at 350 to 400 °C, up to 1.1 low at 450 °C.

    Validity record ``siegert`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    flue_temp_c : float or array
        Flue gas [°C], 60 to 450 (unchecked).
    intake_temp_c : float or array
        Combustion air [°C], any; the record is for 20.
    o2_dry_pct : float or array
        O2 [vol %, dry], 0 to below 21 (unchecked).

    Returns
    -------
    float or array
        Loss [% of net heat input], in the broadcast shape.

    See Also
    --------
    stack_loss : the enthalpy balance that it stands for.

    References
    ----------
    1. BImSchV of 26 January 2010, BGBl. I p. 38, Annex 2 (read).

    Examples
    --------
    >>> round(stack_loss_siegert(300.0, 20.0, 8.2), 1)  # 280 x (0.68/12.8 + 0.007)
    16.8
    """
    a, b = SIEGERT_OIL
    return (flue_temp_c - intake_temp_c) * (a / (21.0 - o2_dry_pct) + b)


@elementwise
def unburnt_loss(co_per_carbon: X | float, hc_share: X | float, fuel: Atoms[X], net_heating_value: X | float) -> X:
    """Return the loss by CO and unburnt fuel [% of net heat input]; H2 is not measured and not counted.

    Parameters
    ----------
    co_per_carbon, hc_share : float or array
        CO and unburnt fuel [mol per mol fuel carbon], 0 to 1 (unchecked).
    fuel : Atoms
        Atoms per carbon atom [mol/mol], any fuel.
    net_heating_value : float or array
        Net heating value [MJ/kg], above 0 (unchecked).

    Returns
    -------
    float or array
        Loss [% of net heat input], in the broadcast shape.

    References
    ----------
    Heat of CO 282.98 kJ/mol (CODATA key values 1989, from memory).

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> round(float(unburnt_loss(0.0, 0.01, AtomsTuple(1.86, 0.0), 42.8)), 2)  # 1 % of the fuel is 1 % of the heat
    1.0
    """
    return 100.0 * (co_per_carbon * HEAT_OF_CO / heat_input_per_carbon(fuel, net_heating_value) + hc_share)
