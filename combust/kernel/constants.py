"""Constants of nature and convention, each with its source."""

from __future__ import annotations

from typing import NamedTuple

from combust.data.arguments import names_keywords
from combust.data.told import tells

# Standard atomic weights, abridged to five digits: IUPAC 2021, Pure Appl. Chem. 94 (2022) 573 (from memory; the
# independent library the tests compare with ships the same numbers). [kg/kmol]
ATOMIC_WEIGHT = {"C": 12.011, "H": 1.008, "O": 15.999, "N": 14.007, "S": 32.06, "Ar": 39.95}

# Volume of one kmol of ideal gas at 0 °C and 1013.25 hPa [m³/kmol]: CODATA 2018 R = 8.314462618 J/(mol K).
MOLAR_VOLUME_NORMAL = 22.413969545
GAS_CONSTANT = 8314.462618  # [J/(kmol K)], CODATA 2018

# Water-gas constant CO·H2O/(CO2·H2): 40 CFR 1065.655 and Spindt (SAE 650507) use 3.5.
WATER_GAS_CONSTANT = 3.5

ZERO_CELSIUS_K = 273.15


@names_keywords
@tells(derived=("n2", "molar_mass"), o2="mol/mol", co2="mol/mol", ar="mol/mol", n2="mol/mol", molar_mass="kg/kmol")
class DryAir(NamedTuple):
    """Composition of dry combustion air; nitrogen is the remainder.

    The default is the standard atmosphere's oxygen and argon with present-day CO2, and sums to 1.

    Attributes
    ----------
    o2, co2, ar : float
        Oxygen, carbon dioxide, argon [mol/mol], 0 to 1, together 1 at most (unchecked).

    References
    ----------
    US Standard Atmosphere 1976, table 3, for O2 and Ar (from memory); CO2 of about 2020.

    Examples
    --------
    >>> round(DryAir().molar_mass, 3)
    28.967
    """

    o2: float = 0.20946
    co2: float = 0.00042
    ar: float = 0.00934

    @property
    def n2(self) -> float:
        """Nitrogen [mol/mol]."""
        return 1.0 - self.o2 - self.co2 - self.ar

    @property
    def molar_mass(self) -> float:
        """Molar mass [kg/kmol]."""
        weight = ATOMIC_WEIGHT
        oxygen, carbon_dioxide = 2.0 * weight["O"] * self.o2, (weight["C"] + 2.0 * weight["O"]) * self.co2
        return oxygen + carbon_dioxide + weight["Ar"] * self.ar + 2.0 * weight["N"] * self.n2


DRY_AIR = DryAir()
