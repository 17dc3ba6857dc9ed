"""The line of a fuel's gas in the plane of O2 and CO2, and what an analyser that hides its O2 still says."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from combust.application.reading.result import interpret
from combust.domain.catalogue import get_fuel, setting_co2_maximum
from combust.kernel.air_ratio import air_ratio_from_o2, o2_from_co2
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.types import AtomsTuple
from tests.source_rows import SourceRow, source_rows

B7 = AtomsTuple(1.86, 0.007)
METHANE = AtomsTuple(4.0, 0.0)


@source_rows(
    SourceRow(
        "hand",
        "CH4 + 2 O2: 2/0.20946 = 9.5484 mol air, 7.5484 mol dry beside 1 mol CO2 and the air's 0.0038: CO2 11.74 vol %",
        "O2 that belongs to the CO2 maximum of methane [vol %]",
        "0.00",
        lambda: abs(o2_from_co2(100.0 * (1.0 + 9.5484 * 4e-4) / 8.5484, METHANE)),
        tolerance=0.01,
    ),
    SourceRow(
        "memory",
        "CO2 maximum of light oil as makers of analysers print it, 15.4 vol %",
        "CO2 maximum behind the setting fuel oil [vol %]",
        "15.4",
        lambda: setting_co2_maximum("fuel oil"),
    ),
    SourceRow(
        "hand",
        "CH4 in air: 1 mol CO2 and 0.0038 of the air in 8.5484 mol of dry gas; displays are set to about that",
        "CO2 maximum behind the setting natural gas [vol %]",
        "11.74",
        lambda: setting_co2_maximum("natural gas"),
        tolerance=0.1,
    ),
    SourceRow(
        "hand",
        "a straight line: half stoichiometric gas, half dry air of 20.946 vol % O2",
        "O2 half way between CO2 maximum and clean air [vol %]",
        "10.473",
        lambda: o2_from_co2(50.0 * ((1.0 + 9.5484 * 4e-4) / 8.5484 + 4e-4), METHANE),
        tolerance=0.01,
    ),
)
def test_line_of_a_fuel(row: SourceRow) -> None:
    row.check()


@pytest.mark.independent
@pytest.mark.parametrize("share", [0.0, 0.003, 0.05])
def test_the_forward_gas_lies_on_its_own_line(share: float) -> None:
    """Element balance: the O2 of the gas from its CO2, CO and HC, lambda 1.01 to 12."""
    gas = flue_gas_moles(B7, np.geomspace(1.01, 12.0, 60), co_share=share, hc_share=share / 3.0)
    o2, co2 = 100.0 * gas.o2 / gas.dry, 100.0 * gas.co2 / gas.dry
    found = o2_from_co2(co2, B7, co_dry_ppm=1e6 * gas.co / gas.dry, hc_dry_ppm=1e6 * gas.hc / gas.dry)
    assert np.max(np.abs(found - o2)) < 1e-9


def test_clean_air_lies_on_every_line() -> None:
    assert o2_from_co2(0.04, B7) == pytest.approx(20.946, abs=0.01)
    assert o2_from_co2(0.0, B7) > 20.946
    assert o2_from_co2(0.0, B7, co_dry_ppm=20.0) == pytest.approx(o2_from_co2(0.0, B7), abs=0.02)


def read(**values: Any) -> Any:
    return interpret({"fuel": "diesel_b7", "location": "outdoors", "probe_leak_test": "pass", **values})


@pytest.mark.parametrize(("o2", "co2"), [(18.0, 1.4), (20.9, 1.3), (19.0, 3.0)])
def test_a_pair_that_lies_off_the_line_near_air_disagrees(o2: float, co2: float) -> None:
    """Hand: 1.4 % CO2 of 15.4 at most is 9 % flue gas, so 19.0 % O2; 18.0 is 1.0 off, 2.6 times sqrt(0.15² + 0.35²)."""
    found = read(o2_dry_pct=o2, co2_dry_pct=co2, co2_origin="measured", co_dry_ppm=30)
    assert found.agreement["verdict"] == "disagree"
    assert {"pair_disagrees", "pair_impossible"} & {one.code for one in found.findings}


def test_little_oxygen_without_co_is_at_most() -> None:
    found = read(o2_dry_pct=0.0)
    assert found.air_ratio is found.air_ratio_low is None
    assert found.air_ratio_text.startswith("at most 1.0")
    assert found.safety.state == "outdoors_only"
    assert read(o2_dry_pct=0.0, co_dry_ppm=20).air_ratio == pytest.approx(1.0, abs=0.002)


def test_far_from_lambda_one_the_interval_is_not_symmetric() -> None:
    """Exact without CO: lambda at O2 less and plus 1.96 u, u = sqrt(0.15² + 0.1²/12)."""
    found = read(o2_dry_pct=18.0, co_dry_ppm=0)
    u = math.hypot(0.15, 0.1 / math.sqrt(12.0))
    ends = [float(air_ratio_from_o2(18.0 + step * u, get_fuel("diesel_b7"))) for step in (-1.96, 1.96)]
    assert (found.air_ratio_low, found.air_ratio_high) == pytest.approx(ends, rel=5e-3)  # the fuel's H/C adds a little
    assert found.air_ratio_high - found.air_ratio > 1.15 * (found.air_ratio - found.air_ratio_low)
    assert " to " in found.air_ratio_text


@pytest.mark.parametrize("fuel", ["natural gas", "liquefied gas", "heating oil", "11.8", "CH1.86"])
def test_a_calculated_co2_is_understood_through_its_own_setting(fuel: str) -> None:
    """An analyser works CO2 = maximum · (20.95 - O2)/20.95 (common practice, no source): lambda as from that O2."""
    maximum = {"natural gas": 11.8, "11.8": 11.8, "liquefied gas": 13.8, "heating oil": 15.4}.get(fuel)
    if maximum is None:
        gas = flue_gas_moles(AtomsTuple(1.86, 0.0), 1.0)
        maximum = float(100.0 * gas.co2 / gas.dry)
    o2 = 8.2
    shown = read(co2_dry_pct=maximum * (20.95 - o2) / 20.95, analyser_fuel=fuel, co_dry_ppm=40)
    direct = read(o2_dry_pct=o2, co_dry_ppm=40)
    assert shown.air_ratio == pytest.approx(direct.air_ratio, abs=0.002)
    assert shown.air_ratio_u > direct.air_ratio_u
    assert "o2_from_analyser" in {one.code for one in shown.findings}


def test_excess_air_shown_is_not_lambda() -> None:
    """60 % shown: O2 = 20.95 (1 - 1/1.6) = 7.86 %, of which this fuel's lambda is 1.56, not 1.60."""
    found = read(analyser_excess_air_pct=60.0, co_dry_ppm=40)
    assert found.air_ratio == pytest.approx(read(o2_dry_pct=7.855, co_dry_ppm=40).air_ratio, abs=0.002)
    both = read(analyser_excess_air_pct=60.0, co2_dry_pct=7.375, co_dry_ppm=40)  # 11.8/1.6: set to natural gas
    assert "analyser_fuel_other" in {one.code for one in both.findings}


def test_a_setting_nobody_knows_gives_no_lambda() -> None:
    found = read(co2_dry_pct=7.0, analyser_fuel="wood shavings", co_dry_ppm=40)
    assert found.air_ratio is None
    assert "co2_alone" in {one.code for one in found.findings}
    assert not math.isnan(read(co2_dry_pct=7.0, analyser_fuel="heating oil").air_ratio_high)
