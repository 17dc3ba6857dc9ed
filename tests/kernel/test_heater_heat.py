"""Heat in the heater, function by function, against Cantera's gases and against hand-worked exchangers."""

from __future__ import annotations

import cantera as ct

from combust.domain.catalogue import get_fuel
from combust.kernel import hot_gas
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles
from tests.kernel.test_cantera import nasa
from tests.source_rows import SourceRow, source_rows

B7 = get_fuel("diesel_b7")
HEAT = hot_gas.fuel_heat(B7, B7.net_heating_value_mj_per_kg)
CANTERA = f"Cantera {ct.__version__}, nasa_gas.yaml"


def products(ratio: float) -> dict[str, float]:
    """Return the gas of B7 (CH1.86O0.007) burnt completely at a lambda, by element count [mol per mol C]."""
    need = 1.0 + 1.86 / 4.0 - 0.007 / 2.0
    air = ratio * need / DRY_AIR.o2
    return {
        "CO2": 1.0 + air * DRY_AIR.co2, "H2O": 0.93, "O2": (ratio - 1.0) * need, "N2": air * DRY_AIR.n2,
        "AR": air * DRY_AIR.ar,
    }  # fmt: skip


def mixture(ratio: float, celsius: float) -> ct.Solution:
    gas = ct.Solution(thermo="ideal-gas", species=[nasa()[name] for name in products(ratio)])
    gas.TPX = celsius + 273.15, ct.one_atm, products(ratio)
    return gas


def heat_above_25(ratio: float, celsius: float) -> float:
    """Return what the gas of one kmol of carbon gives off down to 25 °C [J]."""
    per_mol = mixture(ratio, celsius).enthalpy_mole - mixture(ratio, 25.0).enthalpy_mole
    return float(per_mol * sum(products(ratio).values()))


def adiabatic(ratio: float) -> float:
    """Return the temperature at which Cantera's gas holds the heat of the fuel, air and fuel at 25 °C [°C]."""
    gas = mixture(ratio, 25.0)
    per_carbon = 12.011 + 1.86 * 1.008 + 0.007 * 15.999
    heat = B7.net_heating_value_mj_per_kg * 1e6 * per_carbon / sum(products(ratio).values())
    gas.HP = (gas.enthalpy_mole + heat) / gas.mean_molecular_weight, ct.one_atm
    return float(gas.T - 273.15)


def ours_flame(ratio: float) -> float:
    return 25.0 + float(hot_gas.flame_temperature(HEAT, ratio, 0.0))


@source_rows(
    *(
        SourceRow("independent", CANTERA, f"mass of flue gas at lambda {ratio}, ours over theirs [-]", "1",
                  lambda ratio=ratio: hot_gas.gas_mass(HEAT, ratio)
                  / (mixture(ratio, 25.0).mean_molecular_weight * sum(products(ratio).values())), tolerance=2e-4)
        for ratio in (1.0, 1.6, 3.0)
    ),
    *(
        # The cubic follows the polynomials within 0.4 % from 200 °C on (docstring of fuel_heat).
        SourceRow("independent", CANTERA, f"heat of the gas, lambda {ratio}, {temp:g} °C, ours over theirs [-]", "1",
                  lambda ratio=ratio, temp=temp: hot_gas.enthalpy(HEAT, ratio, temp - 25.0)
                  / heat_above_25(ratio, temp), tolerance=0.004)
        for ratio, temp in ((1.2, 900.0), (1.6, 350.0), (2.0, 200.0), (3.0, 1200.0), (1.0, 1900.0), (1.4, 500.0),
                            (1.8, 250.0), (2.4, 1500.0))
    ),
    *(
        SourceRow("independent", f"{CANTERA}, complete products, fuel and air at 25 °C",
                  f"flame at lambda {ratio}, ours less theirs [K]", "0",
                  lambda ratio=ratio: ours_flame(ratio) - adiabatic(ratio), tolerance=1.1)
        for ratio in (1.0, 1.2, 1.6, 2.4, 4.0)
    ),
    *(
        SourceRow("independent", f"{CANTERA}, mole fraction over the dry share", f"{name} of B7 at 1.6, less theirs",
                  "0", lambda name=name, key=key: getattr(flue_gas_moles(B7, 1.6), key)
                  - 100.0 * mixture(1.6, 25.0)[name].X[0] / (1.0 - mixture(1.6, 25.0)["H2O"].X[0]), tolerance=1e-6)
        for name, key in (("CO2", "co2_dry_pct"), ("O2", "o2_dry_pct"))
    ),
)  # fmt: skip
def test_heater_heat(row: SourceRow) -> None:
    row.check()
