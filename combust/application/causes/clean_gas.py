"""The dry gas of a fuel that burns without CO: lambda, O2 and CO2 from one another, for draws by the thousand.

The forms of :mod:`combust.kernel.air_ratio` with CO, HC and NO at 0, where they are fractions of first degree.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.domain.fuel import Fuel
from combust.kernel import stoichiometry
from combust.kernel.constants import DRY_AIR

O2_AIR = 100.0 * DRY_AIR.o2
CO2_AIR = 100.0 * DRY_AIR.co2


class CleanGas(NamedTuple):
    """Air need, dry stoichiometric gas and water of a fuel [mol per mol C]."""

    air_need: float
    dry_gas: float
    water: float

    @classmethod
    def of(cls, fuel: Fuel) -> CleanGas:
        """Return the gas of a fuel."""
        air, gas = stoichiometry.stoichiometric_air_moles(fuel), stoichiometry.dry_flue_gas_moles(fuel)
        return cls(float(air), float(gas), fuel.h_c / 2.0)

    def air_ratio_of_o2(self, o2_pct: Any) -> Any:
        """Return lambda from dry O2, at least 1 [-]."""
        o2 = np.maximum(o2_pct, 0.0) * 0.01
        return 1.0 + o2 * self.dry_gas / (self.air_need * (DRY_AIR.o2 - o2))

    def air_ratio_of_co2(self, co2_pct: Any) -> Any:
        """Return lambda from dry CO2 [-]."""
        co2 = np.maximum(co2_pct, 0.3) * 0.01
        return (1.0 + co2 * (self.air_need - self.dry_gas)) / (self.air_need * (co2 - DRY_AIR.co2))

    def o2_pct(self, air_ratio: Any) -> Any:
        """Return dry O2 of a lambda [%]; 0 below lambda 1."""
        excess = self.air_need * np.maximum(air_ratio - 1.0, 0.0)
        return O2_AIR * excess / (self.dry_gas + excess)

    def co2_pct(self, air_ratio: Any, maximum: Any = 1.0) -> Any:
        """Return dry CO2 [%] for a CO2 maximum over the fuel's; below lambda 1 it falls as carbon turns to CO."""
        excess = self.air_need * np.maximum(air_ratio - 1.0, 0.0)
        as_co2 = np.minimum(1.0, 1.0 - 1.9 * (1.0 - np.minimum(air_ratio, 1.0)))
        return 100.0 * (maximum * as_co2 + (self.air_need + excess) * DRY_AIR.co2) / (self.dry_gas + excess)

    def water_share(self, air_ratio: Any) -> Any:
        """Return the water in the wet gas of a lambda [-]."""
        dry = self.dry_gas + self.air_need * np.maximum(air_ratio - 1.0, 0.0)
        return self.water / (dry + self.water)


def kept_in_sample(dilution: Any, water: Any) -> Any:
    """Return the share of a dry gas in what a cell gets: water that is left and air that leaks in take their room."""
    return (1.0 - water) * (1.0 - dilution)
