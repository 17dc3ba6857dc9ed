"""The gas functions as ``combust`` offers them: the same outside numbers as the kernel, asked for by fuel name."""

from __future__ import annotations

import cantera
import numpy as np
import pandas as pd
import pytest

import combust
from combust.data.errors import CombustError
from combust.kernel.constants import DRY_AIR, DryAir
from combust.kernel.types import AtomsTuple
from tests.kernel.test_cantera import phase_with
from tests.source_rows import SourceRow, source_rows

# Worked apart: exact balance, air of 20.95 % O2 and the rest inert, water-gas constant 3.5.
AIR = DryAir(0.2095, 0.0, 0.0)
POINTS = "exact element balance with air of 20.95 % O2, water-gas constant 3.5"
B7 = "CH1.86O0.007"


def mass_ratio_by_cantera() -> float:
    """Air per fuel by mass of n-heptane with our dry air; Cantera counts the atoms and knows the masses."""
    air = {"O2": DRY_AIR.o2, "N2": DRY_AIR.n2, "AR": DRY_AIR.ar, "CO2": DRY_AIR.co2}
    return float(phase_with(AtomsTuple(16.0 / 7.0, 0.0)).stoich_air_fuel_ratio("FUEL", air))


def gas(ratio: float, key: str, formula: str = B7, **more: float) -> float:
    return float(getattr(combust.flue_gas(formula, ratio, air=AIR, **more), key))


@source_rows(
    SourceRow("published", "US DOE Alternative Fuels Data Center, fuel properties table, ethanol: air/fuel 9.0",
              "combust.stoichiometric_air, ethanol [kg/kg]", "9.0", lambda: combust.stoichiometric_air("ethanol"),
              status="READ"),
    SourceRow("independent", f"Cantera {cantera.__version__}, stoich_air_fuel_ratio, less ours",
              "combust.stoichiometric_air, n-heptane [kg/kg]", "0",
              lambda: combust.stoichiometric_air("n_heptane") - mass_ratio_by_cantera(), tolerance=2e-3),
    SourceRow("independent", POINTS, "combust.flue_gas, B7 at lambda 1.5: CO2 [vol %]", "9.997",
              lambda: gas(1.5, "co2_dry_pct"), status="COMP"),
    SourceRow("independent", POINTS, "combust.flue_gas, B7 at lambda 1.5: O2 [vol %]", "7.306",
              lambda: gas(1.5, "o2_dry_pct"), status="COMP"),
    SourceRow("independent", POINTS, "combust.flue_gas, B7 at lambda 1.5: water [vol % of wet gas]", "8.507",
              lambda: gas(1.5, "h2o_wet_pct"), status="COMP"),
    # Half a unit of the printed gases, 0.0005 vol %, is 5e-5 in lambda by O2 and 8e-5 by CO2.
    SourceRow("independent", POINTS, "combust.air_ratio_from_o2, B7 at 7.306 vol %", "1.5",
              lambda: combust.air_ratio_from_o2(7.306, B7, air=AIR), tolerance=6e-5, status="COMP"),
    SourceRow("independent", POINTS, "combust.air_ratio_from_co2, B7 at 9.997 vol %", "1.5",
              lambda: combust.air_ratio_from_co2(9.997, B7, air=AIR), tolerance=9e-5, status="COMP"),
    SourceRow("independent", POINTS, "combust.air_ratio_from_balance, CH1.80: CO2 9.960, O2 7.356, CO 0.1", "1.5",
              lambda: combust.air_ratio_from_balance(7.356, 9.960, "CH1.80", co_dry_ppm=1000.0, air=AIR),
              tolerance=1e-4, status="COMP"),
    SourceRow("independent", POINTS, "combust.air_ratio_from_o2, CH1.85 at 2.335 % O2 with 0.5 % CO", "1.1",
              lambda: combust.air_ratio_from_o2(2.335, "CH1.85", co_dry_ppm=5000.0, air=AIR),
              tolerance=6e-5, status="COMP"),
)  # fmt: skip
def test_gas_rows(row: SourceRow) -> None:
    row.check()


@pytest.mark.independent
def test_a_table_of_readings_says_what_the_points_say() -> None:
    """interpret_table on the gases of the reference points: lambda within what 20.946 instead of 20.95 % O2 does."""
    points = [(1.5, 7.306, 9.997)]
    frame = pd.DataFrame(
        [{"fuel": B7, "o2_dry_pct": o2, "co2_dry_pct": co2, "co2_origin": "measured", "location": "outdoors"}
         for _, o2, co2 in points]
    )  # fmt: skip
    told = combust.interpret_table(frame)
    # d lambda / d X: 0.004 points of oxygen move lambda by about 0.0002, the CO2 of real air (0.042 %) by 0.001.
    assert told["air_ratio"].to_numpy() == pytest.approx([1.5], abs=2e-3)


def test_series_arrays_and_numbers_come_back_as_they_came() -> None:
    series = pd.Series([8.2, np.nan], index=["a", "b"])
    told = combust.air_ratio_from_o2(series, "diesel_b7")
    assert list(told.index) == ["a", "b"]
    assert np.isnan(told["b"])
    assert told["a"] == combust.air_ratio_from_o2(8.2, "diesel_b7")


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CombustError, match="o2_dry_pct"):
        combust.air_ratio_from_o2(23.1, "diesel_b7")
    with pytest.raises(CombustError, match="air_ratio"):
        combust.flue_gas("diesel_b7", 0.0)
    with pytest.raises(CombustError, match="mass"):
        combust.stoichiometric_air("diesel_b7", by="mole")
