"""The formulas that a handout prints, read from the text of the lessons and worked out, against the library.

The library goes other ways: exact balances instead of the one constant k, property records instead of printed numbers.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from combust.application.lessons import gas, solutions
from combust.application.lessons.gas import SampledGas, heater_gas
from combust.application.lessons.predictions import lesson_numbers
from combust.domain.catalogue import get_fuel
from combust.domain.pump import same_pulses
from combust.domain.site import Site
from combust.edge.lesson_source import read_lesson, words_of
from combust.kernel import heat
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.carbon_monoxide import co_air_free, co_at_reference_o2
from combust.kernel.ducts import air_after_change, friction_multiplier_of_bore
from combust.kernel.fuel_delivery import delivered_while_attempting, delivery_test
from combust.kernel.wiring import conductor_resistance, source_voltage_for, voltage_under_load

pytestmark = pytest.mark.independent
FUEL = get_fuel("diesel_b7")
DRY = heater_gas(FUEL, 1.6, co_dry_ppm=150.0)
LEAKY = gas.with_false_air(DRY, 0.1)
SEA, PASS = Site(0.0, intake_temp_c=20.0), Site(2600.0, intake_temp_c=-10.0)
START = {"check_s": 4, "preheat_1_s": 50, "attempt_s": 75, "preheat_2_s": 45, "cool_down_s": 200}
NEEDS = {"density": 832.5, "need": 14.44, "otherdensity": 880.0, "otherneed": 12.51}


def ratio_of(o2: float) -> float:
    return float(air_ratio_from_o2(o2, FUEL))


LAMBDA: tuple[dict[str, Any], Callable[[], Any], float] = ({"O2": 8.2}, lambda: ratio_of(8.2), 2e-3)
FACTOR = ({"O2": 8.2, "CO2": 9.36}, lambda: gas.fuel_factor(SampledGas(8.2, 9.36, 0.0)), 1e-3)
# lesson, name of the formula: what is put in, what the library says, relative tolerance
CASES: dict[tuple[str, str], tuple[dict[str, Any], Callable[[], Any], float]] = {
    ("10", "lambda"): LAMBDA,
    ("10", "stack loss in %"): (
        {"flue": 300, "intake": 20, "O2": 8.2}, lambda: heat.stack_loss_siegert(300.0, 20.0, 8.2), 1e-9
    ),
    ("11", "CO air-free"): ({"CO": 150, "O2": 8.2}, lambda: co_air_free(150.0, 8.2), 1e-3),
    ("11", "CO at 3 % O2"): ({"CO": 150, "O2": 8.2}, lambda: co_at_reference_o2(150.0, 8.2, 3.0), 4e-3),
    ("11", "O2 as read"): ({"O2": DRY.o2_dry_pct, "share": 0.1}, lambda: LEAKY.o2_dry_pct, 1e-3),
    ("11", "CO as read"): ({"CO": 150, "share": 0.1}, lambda: LEAKY.co_dry_ppm, 1e-9),
    ("12", "fuel factor"): FACTOR,
    ("12", "read wet"): (
        {"dry": DRY.o2_dry_pct, "water": 0.08}, lambda: gas.read_wet(DRY, FUEL, 1.6).o2_dry_pct, 3e-3
    ),
    ("12", "lambda"): LAMBDA,
    ("13", "CO2 calculated"): ({"maximum": 15.4, "O2": 8.2}, lambda: gas.co2_by_calculation(8.2, FUEL), 4e-3),
    ("13", "fuel factor"): FACTOR,
    ("13", "lambda"): LAMBDA,
    # the printed form takes the height above the sea for the geopotential one: 0.1 hPa at 2600 m
    ("14", "pressure in hPa"): ({"height": 2600}, lambda: PASS.pressure, 2e-4),
    ("14", "density ratio"): (
        {"pressure": PASS.pressure, "intake": -10},
        lambda: PASS.dry_air_density_ratio / SEA.dry_air_density_ratio, 5e-3
    ),
    ("14", "lambda there"): (
        {"lambda": 1.6, "ratio": 0.818},
        lambda: solutions.night_at_a_hut(
            {"altitude_m": 1800, "intake_temp_c": 15, "air_ratio": 1.6, "ua_w_per_k": 9, "cab_c": 9, "heat_kw": 2}, FUEL
        )["site_air_ratio"], 2e-3
    ),
    ("14", "O2 to expect in %"): ({"lambda": 1.31}, lambda: heater_gas(FUEL, 1.31).o2_dry_pct, 3e-3),
    ("15", "friction then"): ({"bore": 24, "crushed": 18}, lambda: friction_multiplier_of_bore(24.0, 18.0), 1e-9),
    ("15", "air left"): ({"resistance": 1.2, "steepness": 2}, lambda: air_after_change(2.0, 0.2, 2.0), 1e-9),
    ("15", "whole resistance then"): (
        {"share": 0.2, "times": 2}, lambda: air_after_change(2.0, 0.2, 0.0) ** -2.0, 1e-9
    ),
    ("15", "lambda"): LAMBDA,
    ("16", "lambda"): LAMBDA,
    ("16", "change of a stage in %"): (
        {"now": ratio_of(7.85), "before": ratio_of(10.83)},
        lambda: solutions.two_stages(
            {"low_before_pct": 10.83, "low_after_pct": 7.85, "high_before_pct": 8.19, "high_after_pct": 4.4}, FUEL
        )["low_change_pct"], 1e-9
    ),
    ("17", "lambda then"): (
        {"lambda": 1.6, **NEEDS}, lambda: 1.6 * same_pulses(FUEL, get_fuel("biodiesel_b100")).air_ratio, 1e-3
    ),
    ("17", "nominal in ml"): ({"strokes": 250, "stroke": 30}, lambda: delivery_test(250, 8.4, 30.0).nominal_ml, 1e-9),
    ("17", "deviation in %"): (
        {"delivered": 8.4, "nominal": 7.5}, lambda: delivery_test(250, 8.4, 30.0).deviation_pct, 1e-9
    ),
    ("17", "lambda of that pump"): (
        {"lambda": 1.7, "nominal": 7.5, "delivered": 8.4},
        lambda: 1.7 * delivery_test(250, 8.4, 30.0).air_ratio_factor, 1e-9
    ),
    ("18", "fuel dosed in ml"): (
        {"seconds": 150, "hertz": 1.5, "stroke": 24}, lambda: delivered_while_attempting(24.0, 1.5, 150.0), 1e-9
    ),
    ("18", "restart not before"): (
        {"check": 4, "preheat": 50, "attempt": 75, "preheat2": 45, "cooldown": 200},
        lambda: solutions.failed_start({**START, "stroke_ul": 24, "pump_hz": 1.5}, FUEL)["restart_s"], 1e-9
    ),
    ("19", "resistance in mΩ"): (
        {"battery": 15, "length": 5, "permetre": 12.7, "contacts": 20},
        lambda: 15 + 2 * 5 * 1e3 * conductor_resistance(1.5) + 20, 1e-9
    ),
    ("19", "voltage at the heater"): (
        {"rest": 12.2, "current": 10, "resistance": 162}, lambda: voltage_under_load(12.2, 10.0, 0.162), 1e-9
    ),
    ("19", "its cut-out, seen at the battery"): (
        {"cutout": 10.5, "current": 2.5, "loop": 96}, lambda: source_voltage_for(10.5, 2.5, 0.096), 1e-9
    ),
}  # fmt: skip
SIGNS = {"·": "*", "−": "-", "^": "**", "lambda": "air_ratio"}


def printed(number: str) -> dict[str, str]:
    """The formulas of a lesson as its handout prints them: name -> what stands between = and the colon."""
    lines = [
        words_of(type(block)("p", (item,))) for block in read_lesson(number).section("Formulas") for item in block.items
    ]
    pairs = [re.fullmatch(r"(.+?) = (.+?): .+", line) for line in lines]
    return {one[1]: one[2] for one in pairs if one}


@pytest.mark.parametrize("number", lesson_numbers())
def test_every_formula_of_a_handout_is_worked_out(number: str) -> None:
    found = printed(number)
    assert found
    assert {name for lesson, name in CASES if lesson == number} == set(found)
    for name, formula in found.items():
        given, truth, near = CASES[number, name]
        for sign, word in SIGNS.items():
            formula = formula.replace(sign, word)
        value = eval(formula, {"__builtins__": {}}, {SIGNS.get(key, key): float(one) for key, one in given.items()})
        assert value == pytest.approx(float(truth()), rel=near), name


def test_numbers_of_the_box_are_those_of_the_catalogue() -> None:
    for name, density, need in (("diesel_b7", 832.5, 14.44), ("biodiesel_b100", 880.0, 12.51)):
        told = " ".join(words_of(block) for block in read_lesson("17").section("Formulas"))
        assert f"{name} {density:g} and {need}" in told
    told = " ".join(words_of(block) for block in read_lesson("19").section("Formulas"))
    shown = [f"{1e3 * float(conductor_resistance(area)):.3g}" for area in (1.5, 2.5, 4.0)]
    assert f"{shown[0]}, {shown[1]} and {shown[2]} mΩ a metre at 1.5, 2.5 and 4 mm²" in told
