"""Demonstrations, exercises and cards against the project's independently worked numbers, and by hand."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from combust.application.lessons import gas as demo
from combust.application.lessons import solutions
from combust.application.lessons.exercises import Exercise, exercise, exercise_kinds, exercise_sheet
from combust.application.lessons.machine import STAGE_CAUSES, air_ratio_at_site, crushed_exhaust, stage_pattern
from combust.application.lessons.misconceptions import misconception_card, misconception_cards
from combust.data.errors import CombustError
from combust.data.tables import load_table
from combust.domain.catalogue import get_fuel
from combust.domain.pump import same_pulses
from combust.domain.site import Site
from combust.kernel.constants import DryAir
from tests.source_rows import SourceRow, source_rows

# Worked apart with diesel of 86.3 % C and 13.7 % H: H/C = (13.7/1.008)/(86.3/12.011) = 1.8916.
WORKED_FUEL = "CH1.8916"
WORKED = "worked independently with an element balance of 86.3 % C, 13.7 % H"
O2, CO2, PPM, LAMBDA = 0.05, 0.05, 1.0, 0.01  # tolerances stated with the worked examples


def worked(quantity: str, printed: str, compute: Any, tolerance: float | None = None) -> SourceRow:
    return SourceRow("independent", WORKED, quantity, printed, compute, tolerance, status="COMP")


def pattern(cause: str, stage: str, size: float = 15.0) -> float:
    return float(getattr(stage_pattern(cause, size, fuel=WORKED_FUEL), stage).o2_dry_pct)


def leaky(share: float) -> demo.SampledGas:
    return demo.with_false_air(demo.heater_gas(WORKED_FUEL, 1.6), share)


def wet() -> demo.SampledGas:
    return demo.read_wet(demo.heater_gas(WORKED_FUEL, 1.6), WORKED_FUEL, 1.6)


# The worked examples leave the CO2 of the air out and write 20.95 % O2, which moves the fuel factor by 0.006.
WORKED_AIR = DryAir(o2=0.2095, co2=0.0, ar=0.0)


def offset_factor(offset: float) -> float:
    true = demo.heater_gas(WORKED_FUEL, 1.6, air=WORKED_AIR)
    return float(demo.fuel_factor(true._replace(o2_dry_pct=true.o2_dry_pct + offset), air=WORKED_AIR))


def wet_factor() -> float:
    true = demo.heater_gas(WORKED_FUEL, 1.6, air=WORKED_AIR)
    return float(demo.fuel_factor(demo.read_wet(true, WORKED_FUEL, 1.6), air=WORKED_AIR))


def swap(name: str) -> Any:
    return same_pulses(get_fuel("diesel_b0"), get_fuel(name))


@source_rows(
    worked("5 % air in the sample, O2 [vol %]", "8.84", lambda: leaky(0.05).o2_dry_pct, O2),
    worked("10 % air in the sample, CO2 [vol %]", "8.35", lambda: leaky(0.10).co2_dry_pct, CO2),
    worked("20 % air in the sample, O2 [vol %]", "10.75", lambda: leaky(0.20).o2_dry_pct, O2),
    worked("fully wet sample, O2 [vol %]", "7.54", lambda: wet().o2_dry_pct, O2),
    worked("fully wet sample, CO2 [vol %]", "8.53", lambda: wet().co2_dry_pct, CO2),
    worked("fully wet sample, fuel factor [-]", "1.572", wet_factor, 0.002),
    worked("O2 cell -0.5, CO2 measured, fuel factor [-]", "1.428", lambda: offset_factor(-0.5), 0.002),
    worked("O2 cell +0.5, CO2 measured, fuel factor [-]", "1.320", lambda: offset_factor(0.5), 0.002),
    worked("O2 cell -1.0, CO2 measured, fuel factor [-]", "1.482", lambda: offset_factor(-1.0), 0.002),
    worked("restriction 15 %, low stage O2 [vol %]", "8.98", lambda: pattern("restriction", "low"), O2),
    worked("restriction 15 %, high stage O2 [vol %]", "5.83", lambda: pattern("restriction", "high"), O2),
    worked("pump +15 %, low stage O2 [vol %]", "9.26", lambda: pattern("fuel_over", "low"), O2),
    worked("pump +15 %, high stage O2 [vol %]", "6.19", lambda: pattern("fuel_over", "high"), O2),
    worked("15 % line leak, low stage O2 [vol %]", "12.36", lambda: pattern("hose_leak", "low"), O2),
    worked("15 % line leak, high stage O2 [vol %]", "10.11", lambda: pattern("hose_leak", "high"), O2),
    worked("voltage, air -20 % at high stage, O2 [vol %]", "4.84", lambda: pattern("supply_low", "high", 20.0), O2),
    worked("voltage, low stage O2 [vol %]", "10.84", lambda: pattern("supply_low", "low", 20.0), O2),
    worked("kerosene for diesel, lambda factor [-]", "1.037", lambda: swap("kerosene").air_ratio, 0.01),
    worked("paraffinic for diesel, lambda factor [-]", "1.046", lambda: swap("paraffinic").air_ratio, 0.01),
    worked("B100 for diesel, lambda factor [-]", "1.11", lambda: swap("biodiesel_b100").air_ratio, 0.01),
    worked("B100 for diesel, heat factor [-]", "0.92", lambda: swap("biodiesel_b100").heat, 0.01),
    worked("E10 for diesel, lambda factor [-]", "1.165", lambda: swap("gasoline_e10").air_ratio, 0.01),
)  # fmt: skip
def test_numeric_signatures(row: SourceRow) -> None:
    row.check()


def answer(kind: str, key: str) -> float:
    return float(exercise(kind, fuel=WORKED_FUEL).key()["values"][key])


# 42.8 MJ/kg and 42.653 MJ/kg give 270 to 272 mg/kWh.
@source_rows(
    worked("1 lambda [-]", "1.60", lambda: answer("read_the_gas", "air_ratio"), LAMBDA),
    worked("1 CO air-free [ppm]", "246.5", lambda: answer("read_the_gas", "co_air_free_ppm"), PPM),
    SourceRow("independent", "method document, worked number 1", "1 CO [mg/kWh]", "271",
              lambda: exercise("read_the_gas").key()["values"]["co_mg_per_kwh"], 1.5, status="COMP"),
    SourceRow("hand", "20.95/(20.95 - 8.2) = 1.6431", "1 shortcut [-]", "1.6431",
              lambda: answer("read_the_gas", "shortcut")),
    worked("2 fuel factor [-]", "1.572", lambda: answer("wet_pair", "fuel_factor"), 0.005),
    worked("3 loss, 20 °C [%]", "16.8", lambda: answer("stack_loss", "loss_pct"), 0.1),
    worked("3 loss, -10 °C [%]", "18.6", lambda: answer("stack_loss", "loss_cold_pct"), 0.1),
    worked("4 O2 to expect [vol %]", "5.68", lambda: answer("reading_at_a_pass", "expected_o2_pct"), O2),
    worked("5 air gained [%]", "21", lambda: answer("intake_duct_off", "air_gain_pct")),
    worked("6 deviation [%]", "11.5", lambda: answer("pump_delivery", "deviation_pct")),
    worked("6 lambda [-]", "1.44", lambda: answer("pump_delivery", "new_air_ratio"), LAMBDA),
    worked("7 CO2 shown [vol %]", "7.18", lambda: answer("analyser_fuel", "co2_shown_pct"), CO2),
    worked("7 CO2 with the right fuel [vol %]", "9.28", lambda: answer("analyser_fuel", "co2_right_pct"), CO2),
    worked("8 voltage [V]", "10.58", lambda: answer("voltage_at_the_heater", "heater_v")),
    worked("9 cut-out at the battery [V]", "10.74", lambda: answer("who_acts_first", "cutout_at_battery_v")),
    worked("10 fuel [ml]", "5.4", lambda: answer("failed_start", "fuel_ml")),
    worked("10 restart [s]", "449", lambda: answer("failed_start", "restart_s")),
    worked("11 density ratio [-]", "0.787", lambda: answer("night_at_a_hut", "density_ratio"), 0.003),
    worked("11 lambda [-]", "1.26", lambda: answer("night_at_a_hut", "site_air_ratio"), LAMBDA),
    worked("11 fuel trim [%]", "-21", lambda: answer("night_at_a_hut", "fuel_trim_pct")),
    worked("11 heat [kW]", "1.57", lambda: answer("night_at_a_hut", "trimmed_kw")),
    worked("11 heat needed [kW]", "2.25", lambda: answer("night_at_a_hut", "needed_kw")),
    worked("11 cab [°C]", "6.5", lambda: answer("night_at_a_hut", "cab_reached_c"), 0.1),
    worked("12 recirculated [%]", "9.5", lambda: answer("recirculation", "share_pct"), 0.6),
    worked("12 exhaust O2 [vol %]", "6.75", lambda: answer("recirculation", "o2_dry_pct"), 0.1),
    worked("14 air-free at lambda 2.2 [ppm]", "2287", lambda: answer("two_heaters", "first_free_ppm"), 6.0),
    worked("14 air-free at lambda 1.6 [ppm]", "1643", lambda: answer("two_heaters", "second_free_ppm"), 2.0),
)  # fmt: skip
def test_the_fourteen_exercises_with_their_standard_numbers(row: SourceRow) -> None:
    row.check()


@pytest.mark.independent
@pytest.mark.parametrize(
    ("kind", "key", "word"),
    [
        ("wet_pair", "heater_fault", "no"),
        ("reading_at_a_pass", "fault_needed", "no"),
        ("intake_duct_off", "side", "intake"),
        ("pump_delivery", "passes", "no"),
        ("analyser_fuel", "lean", "no"),
        ("who_acts_first", "first", "disconnect"),
        ("two_stages", "first_cause", "supply_low"),
        ("two_heaters", "worse", "first"),
    ],
)
def test_words_of_the_standard_answers(kind: str, key: str, word: str) -> None:
    assert exercise(kind, fuel=WORKED_FUEL).key()["values"][key] == word


def test_there_are_fourteen_and_each_has_a_solution() -> None:
    assert len(exercise_kinds()) == 14
    assert all(callable(getattr(solutions, kind)) for kind in exercise_kinds())
    assert [one.number for one in exercise_sheet()] == list(range(1, 15))


@pytest.mark.parametrize("seed", [0, 1, 7, 2**32 - 1])
def test_same_seed_same_sheet_other_seed_other_sheet(seed: int) -> None:
    first, again = exercise_sheet(seed), exercise_sheet(seed)
    assert [one.question for one in first] == [one.question for one in again]
    other = exercise_sheet((seed + 1) % 2**32)
    assert sum(a.question != b.question for a, b in zip(first, other, strict=True)) >= 10


def test_random_numbers_stay_in_their_bands_and_every_answer_is_finite() -> None:
    rows = {row["kind"]: row for row in load_table("exercises")["exercise"]}
    for seed in range(60):
        for one in exercise_sheet(seed):
            values = one.key()["values"]
            for key, (low, high, _) in rows[one.kind]["draw"].items():
                assert low - 1e-9 <= values[key] <= high + 1e-9, (one.kind, key)
            for asked in one.asked:
                value = values[asked.key]
                assert value in asked.choice if asked.choice else np.isfinite(value), (one.kind, asked.key)


@pytest.mark.parametrize("kind", exercise_kinds())
def test_words_that_can_be_answers_all_occur(kind: str) -> None:
    """A word that is always the answer teaches guessing; the two whose lesson is "never" are named here."""
    never = {"wet_pair": {"no"}, "analyser_fuel": {"no"}, "two_heaters": {"first"}}
    found: dict[str, set[str]] = {}
    choices = {asked.key: set(asked.choice) for asked in exercise(kind).asked if asked.choice}
    for seed in range(80):
        values = exercise(kind, seed=seed).key()["values"]
        for key in choices:
            found.setdefault(key, set()).add(values[key])
    if kind == "intake_duct_off":  # one side is never accused because the other is cleared
        choices["side"].remove("exhaust")
    for key, words in choices.items():
        assert found[key] == never.get(kind, words)


def right_answers(one: Exercise) -> dict[str, Any]:
    return {asked.key: one.key()["values"][asked.key] for asked in one.asked}


@pytest.mark.parametrize("kind", exercise_kinds())
def test_the_check_tells_right_and_wrong_and_gives_nothing_away(kind: str) -> None:
    one = exercise(kind, seed=3)
    right = right_answers(one)
    assert one.check(**right) == ", ".join(f"{asked.label}: right" for asked in one.asked)
    assert one.check() == ", ".join(f"{asked.label}: not yet" for asked in one.asked)
    for asked in one.asked:
        off = right[asked.key]
        wrong = "?" if asked.choice else off + 1.01 * asked.tolerance + 1e-9
        told = one.check(**{**right, asked.key: wrong})
        words = [f"{other.label}: {'not yet' if other is asked else 'right'}" for other in one.asked]
        assert told == ", ".join(words)
    assert "_answers" not in repr(one)
    assert not any(step in f"{one!r}{one}{one._repr_html_()}" for step in one.key()["steps"])


def test_a_typed_answer_is_read_like_a_number() -> None:
    one = exercise("pump_delivery")
    assert "deviation: right" in one.check(deviation_pct="11.5")
    assert "deviation: not yet" in one.check(deviation_pct="eleven")
    assert "passes ±10 %: right" in one.check(passes=" NO ")


@pytest.mark.parametrize("call", [
    lambda: exercise("tea"),
    lambda: exercise("two_stages", seed=-1),
    lambda: exercise("two_stages", seed=2**32),
    lambda: exercise("two_stages", seed=True),
    lambda: exercise("two_stages", fuel="coal"),
    lambda: exercise("two_stages").check(colour="blue"),
    lambda: stage_pattern("tea", 10.0),
    lambda: stage_pattern("restriction", 40.1),
    lambda: stage_pattern("restriction", -0.1),
    lambda: same_pulses(get_fuel("diesel_b7"), get_fuel("CH2")),
    lambda: misconception_card("tea"),
])  # fmt: skip
def test_what_cannot_be_is_refused(call: Any) -> None:
    with pytest.raises(CombustError):
        call()


# ---- demonstrations as properties -------------------------------------------------------------------------------
@pytest.mark.parametrize("share", [0.0, 0.05, 0.3])
def test_false_air_slides_along_the_fuel_line_and_air_free_co_stays(share: float) -> None:
    from combust.kernel.carbon_monoxide import co_air_free

    true = demo.heater_gas("diesel_b7", 1.6, co_dry_ppm=150.0)
    read = demo.with_false_air(true, share)
    assert float(co_air_free(read.co_dry_ppm, read.o2_dry_pct)) == pytest.approx(
        float(co_air_free(true.co_dry_ppm, true.o2_dry_pct)), rel=1e-12
    )
    on_line = demo.heater_gas("diesel_b7", float(np.interp(read.o2_dry_pct, *line())), co_dry_ppm=read.co_dry_ppm)
    assert read.co2_dry_pct == pytest.approx(float(on_line.co2_dry_pct), abs=0.02)


def line() -> tuple[Any, Any]:
    ratios = np.linspace(1.0, 4.0, 3001)
    return demo.heater_gas("diesel_b7", ratios).o2_dry_pct, ratios


def test_calculated_co2_always_agrees_with_a_sound_cell_of_the_right_fuel() -> None:
    for ratio in (1.1, 1.6, 2.5):
        gas = demo.heater_gas("diesel_b7", ratio)
        # The formula of the instruments forgets the CO2 of the air: at most 0.04 %.
        assert float(demo.co2_by_calculation(gas.o2_dry_pct, "diesel_b7")) == pytest.approx(gas.co2_dry_pct, abs=0.04)


@pytest.mark.parametrize("intake", [0.05, 0.5, 1.0, 2.5])
def test_recirculated_share_closes_its_own_balance(intake: float) -> None:
    share = float(demo.recirculated_share(intake, "diesel_b7", 1.6))
    flue = demo.heater_gas("diesel_b7", 1.6 * (1.0 - share)).co2_dry_pct
    assert (1.0 - share) * 0.042 + share * flue == pytest.approx(intake, abs=1e-9)


def test_no_size_no_change_and_more_size_more_change() -> None:
    for name in STAGE_CAUSES:
        none, some, more = (stage_pattern(name, size) for size in (0.0, 10.0, 20.0))
        assert none.high.o2_dry_pct == pytest.approx(none.healthy_high.o2_dry_pct)
        assert abs(more.high.o2_dry_pct - none.high.o2_dry_pct) > abs(some.high.o2_dry_pct - none.high.o2_dry_pct)


def test_a_crushed_duct_costs_more_on_a_flat_curve_and_nothing_when_sound() -> None:
    sound = crushed_exhaust(24.0, crushed_bore_mm=24.0)
    assert sound.multiplier == pytest.approx(1.0, abs=1e-9)
    crushed = crushed_exhaust(24.0, crushed_bore_mm=16.0)
    assert crushed.multiplier_low < crushed.multiplier < crushed.multiplier_high < (24.0 / 16.0) ** 5
    assert crushed.air_flat < crushed.air_steep < 1.0
    # hand: R = 0.7 + 0.3 r; R^(-1/2) and R^(-1/4)
    whole = 0.7 + 0.3 * crushed.multiplier
    assert crushed.air_flat == pytest.approx(whole**-0.5)
    assert crushed.air_steep == pytest.approx(whole**-0.25)


# ---- cards ------------------------------------------------------------------------------------------------------
def card(name: str, key: str) -> float:
    return float(misconception_card(name).values[key])


# By hand with k = 0.9342 (dry gas per air, CH1.86O0.007): O2 = 20.946 x/(x + k), x = lambda - 1.
@source_rows(
    SourceRow("hand", "O2 8.193 at lambda 1.6; 20.946/12.753 = 1.642", "shortcut at 1.6 [-]", "1.642",
              lambda: card("shortcut_is_exact", "at_16"), 0.002),
    SourceRow("hand", "O2 10.830 at lambda 2.0; 20.946/10.116 = 2.071", "shortcut at 2.0 [-]", "2.071",
              lambda: card("shortcut_is_exact", "at_20"), 0.002),
    worked("shortcut error at 1.6, 20.9 there [%]", "2.9",
          lambda: card("shortcut_is_exact", "error_16_pct"), 0.35),
    worked("CO2 at lambda 1.2 [vol %]", "12.6", lambda: card("high_co2_is_good", "co2_soot_pct"), 0.2),
    worked("1000 ppm at lambda 2.2, air-free [ppm]", "2287", lambda: card("co_compares_as_read", "lean_free_ppm"), 6.0),
    worked("1000 ppm at lambda 1.6, air-free [ppm]", "1643", lambda: card("co_compares_as_read", "rich_free_ppm"), 2.0),
    worked("calculated CO2, fuel factor unchanged [-]", "1.37",
          lambda: card("agreeing_pair_proves_the_analyser", "blind"), 0.015),
    worked("measured CO2, fuel factor [-]", "1.428", lambda: card("agreeing_pair_proves_the_analyser", "honest"), 0.02),
    worked("lambda with the cell 0.5 low: 1.54 for 1.60 [% off]", "3.75",
          lambda: card("agreeing_pair_proves_the_analyser", "off_pct"), 0.35),
    SourceRow("published", "ISO 2533: 79501 Pa at 2000 m over 101325 Pa", "density at one temperature [%]", "78.46",
              lambda: card("thin_air_has_less_oxygen_percent", "density_pct"), status="READ"),
    worked("2600 m, -18 °C, density ratio [-]", "0.84", lambda: card("cold_makes_altitude_worse", "cold_ratio")),
    worked("2600 m, +15 °C, density ratio [-]", "0.74", lambda: card("cold_makes_altitude_worse", "mild_ratio")),
    worked("voltage at the heater [V]", "10.58", lambda: card("battery_volts_are_heater_volts", "heater_v")),
    worked("cut-out at the battery [V]", "10.74",
          lambda: card("disconnect_protects_the_heater", "cutout_at_battery_v")),
    worked("fuel -10 %, O2 [vol %]", "9.53", lambda: card("lean_reading_is_a_leaking_intake", "fuel_o2_pct"), O2),
    worked("10 % air in the hose, O2 [vol %]", "9.48",
          lambda: card("lean_reading_is_a_leaking_intake", "hose_o2_pct"), O2),
    worked("dew point at lambda 2.0 [°C]", "37.7", lambda: card("white_smoke_is_water", "dew_c"), 0.1),
    worked("fuel of two attempts [ml]", "5.4", lambda: card("white_smoke_is_water", "fuel_ml")),
    worked("water at lambda 1.0, CH1.86 [vol %]", "12.47", lambda: card("tables_are_dry", "water_pct"), 0.03),
    SourceRow("hand", "1 − 0.1247 of the dry 15.4", "wet CO2 at lambda 1.0 [vol %]", "13.5",
              lambda: card("tables_are_dry", "wet_pct")),
)  # fmt: skip
def test_numbers_of_the_cards(row: SourceRow) -> None:
    row.check()


def test_numbers_of_the_cards_that_lean_on_the_reactor_model() -> None:
    """Recomputed, not read from the table; the reactor itself is checked in test_chemistry.py."""
    from combust.application.chemistry.equilibrium import solid_carbon_at_equilibrium
    from combust.application.chemistry.stirred_reactor import burn_out, stirred_reactor

    floor = burn_out(stirred_reactor(1.7, 10.0), [100.0], cooling_ms=30.0)[0].gas
    assert floor is not None
    assert card("more_air_is_cleaner", "floor_ppm") == pytest.approx(floor.dry_ppm("CO"), rel=1e-3)
    assert stirred_reactor(2.5, 10.0).status == "blown_out"
    assert card("more_air_is_cleaner", "lost_air_ratio") == 2.5
    lean = stirred_reactor(2.2, 10.0).gas
    assert lean is not None
    assert card("no_smoke_no_co", "co_ppm") == pytest.approx(lean.dry_ppm("CO"), rel=1e-3)
    assert solid_carbon_at_equilibrium("n_dodecane", 2.2) == card("no_smoke_no_co", "soot_pct") == 0.0
    assert card("air_free_is_the_truth", "at_10_ppm") > 20.0 * card("air_free_is_the_truth", "at_16_ppm")


def test_the_exhaust_stands_above_the_air_around_it() -> None:
    values = misconception_card("exhaust_leak_dilutes").values
    assert 0.0 < values["low_pa"] < values["port_pa"] < values["high_pa"]
    # worked apart: 113 Pa per metre corrugated ± 40 %, a bend 11 to 43 Pa, less one velocity head at the open end
    assert 0.8 * 113 * 0.6 < values["port_pa"] < 0.8 * 113 * 1.4 + 2 * 43 + 40


def test_every_card_shows_its_numbers_and_names_a_lesson() -> None:
    cards = misconception_cards()
    assert len({one.name for one in cards}) == len(cards) == 16
    for one in cards:
        assert re.search(r"\d", one.show)
        assert "nan" not in one.show
        assert "safe" not in f"{one.truth} {one.show}".lower().split()
        assert one.lesson in {"01", *(str(number) for number in range(10, 20))}


@pytest.mark.hand
def test_lambda_at_another_site_counts_air_fuel_and_hot_gas() -> None:
    """From 20 to -10 °C at one pressure air is 293.15/263.15 denser, diesel 30 K x 0.083 %; the flame does not cool."""
    sea, cold = Site(0.0, intake_temp_c=20.0), Site(0.0, intake_temp_c=-10.0)
    there = air_ratio_at_site(1.6, sea, cold)
    by_density = 1.6 * 293.15 / 263.15
    assert there.air_ratio[0] == pytest.approx(by_density, rel=1e-6)
    assert there.air_ratio_with_fuel_density[0] == pytest.approx(by_density / (1.0 + 30.0 * 0.00083), rel=1e-3)
    # Colder, denser air meets the same hot burner: its resistance, by volume, rises with 293/263 at the most.
    lowest = (293.15 / 263.15) ** -0.5
    assert lowest < there.air_ratio_full[0] / there.air_ratio_with_fuel_density[0] < 1.0
    assert air_ratio_at_site(1.6, sea, sea).air_ratio_full[0] == pytest.approx(1.6, rel=1e-9)
