"""Heat in the heater, function by function, against Cantera's gases and against hand-worked exchangers."""

from __future__ import annotations

import math

import cantera as ct
import pytest

from combust.domain.catalogue import get_fuel
from combust.kernel import heater_heat
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles
from tests.kernel.test_cantera import nasa
from tests.source_rows import SourceRow, source_rows

B7 = get_fuel("diesel_b7")
HEAT = heater_heat.fuel_heat(B7, B7.net_heating_value_mj_per_kg)
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
    return 25.0 + float(heater_heat.flame_temperature(HEAT, ratio, 0.0, 1.0, 0.0))


@source_rows(
    *(
        SourceRow("independent", CANTERA, f"mass of flue gas at lambda {ratio}, ours over theirs [-]", "1",
                  lambda ratio=ratio: heater_heat.gas_mass(HEAT, ratio)
                  / (mixture(ratio, 25.0).mean_molecular_weight * sum(products(ratio).values())), tolerance=2e-4)
        for ratio in (1.0, 1.6, 3.0)
    ),
    *(
        # The quadratic follows the polynomials within 3 % (docstring of fuel_heat).
        SourceRow("independent", CANTERA, f"heat of the gas, lambda {ratio}, {temp:g} °C, ours over theirs [-]", "1",
                  lambda ratio=ratio, temp=temp: heater_heat.enthalpy(HEAT, ratio, temp - 25.0)
                  / heat_above_25(ratio, temp), tolerance=0.03)
        for ratio, temp in ((1.2, 900.0), (1.6, 350.0), (2.0, 200.0), (3.0, 1200.0))
    ),
    *(
        # The quadratic follows the polynomials within 1 % from 700 °C on (docstring of fuel_heat).
        SourceRow("independent", f"{CANTERA}, complete products, fuel and air at 25 °C",
                  f"flame at lambda {ratio}, ours over theirs, above 25 °C [-]", "1",
                  lambda ratio=ratio: (ours_flame(ratio) - 25.0) / (adiabatic(ratio) - 25.0), tolerance=0.01)
        for ratio in (1.2, 1.6, 2.4)
    ),
    SourceRow("hand", "effectiveness 1 - exp(-NTU): half of 1000 K above the sink at NTU ln 2",
              "flue behind an exchanger [K]", "500",
              lambda: heater_heat.flue_temperature(1000.0, 0.0, math.log(2.0)), tolerance=1e-9),
    SourceRow("hand", "1600 K falls to 200 K above a sink of 0: ln 8 = 2.0794", "transfer units", "2.0794",
              lambda: heater_heat.transfer_units_from_temperatures(1600.0, 0.0, 200.0)),
    SourceRow("hand", "30 t + 0.01 t² = 40 000 has the root t = 1000", "temperature of an enthalpy [K]", "1000",
              lambda: heater_heat.temperature_of_enthalpy(30.0, 0.01, 40_000.0), tolerance=1e-6),
    *(
        SourceRow("independent", f"{CANTERA}, mole fraction over the dry share", f"{name} of B7 at 1.6, less theirs",
                  "0", lambda name=name, key=key: getattr(flue_gas_moles(B7, 1.6), key)
                  - 100.0 * mixture(1.6, 25.0)[name].X[0] / (1.0 - mixture(1.6, 25.0)["H2O"].X[0]), tolerance=1e-6)
        for name, key in (("CO2", "co2_dry_pct"), ("O2", "o2_dry_pct"))
    ),
)  # fmt: skip
def test_heater_heat(row: SourceRow) -> None:
    row.check()


@pytest.mark.independent
def test_coefficients_are_those_of_the_enthalpy() -> None:
    """a·t + b·t² at two temperatures gives Cantera's heats within the 3 % of the fit."""
    a, b = heater_heat.enthalpy_coefficients(HEAT, 1.6)
    for celsius in (350.0, 1400.0):
        above = celsius - 25.0
        assert a * above + b * above**2 == pytest.approx(heat_above_25(1.6, celsius), rel=0.03)
