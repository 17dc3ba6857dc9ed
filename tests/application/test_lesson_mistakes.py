"""The wrong number of a misconception is recognised and named, by hand; never the right one."""

from __future__ import annotations

from typing import Any

import pytest

from combust.application.lessons import solutions
from combust.application.lessons.exercises import exercise, exercise_sheet
from combust.data.tables import load_table
from combust.domain.catalogue import get_fuel
from tests.application.test_lessons import WORKED_FUEL


# By hand, with the standard numbers: what a misconception makes of them, and a word of what is said then.
@pytest.mark.hand
@pytest.mark.parametrize(
    ("kind", "key", "wrong", "word"),
    [
        ("read_the_gas", "air_ratio", 20.95 / (20.95 - 8.2), "shortcut"),
        ("read_the_gas", "air_ratio", 0.60, "excess air"),
        ("read_the_gas", "co_air_free_ppm", 150, "CO as read"),
        ("read_the_gas", "co_air_free_ppm", 150 * 18 / 12.8, "3 % O2"),
        ("read_the_gas", "co_air_free_ppm", 150 * 12.75 / 20.95, "upside down"),
        ("wet_pair", "fuel_factor", 8.53 / 13.41, "upside down"),
        ("wet_pair", "heater_fault", "yes", "sample or cell"),
        ("stack_loss", "loss_pct", 300 * (0.68 / 12.8 + 0.007), "intake temperature is left out"),
        ("stack_loss", "loss_cold_pct", 290 * (0.68 / 12.8 + 0.007), "minus"),
        ("reading_at_a_pass", "expected_o2_pct", 8.2, "sea level"),
        # 2000 m: 0.842 of the density (79501/101325 · 293.15/273.15); 0.842 · 8.2
        ("reading_at_a_pass", "expected_o2_pct", 6.90, "multiplied by the density"),
        ("intake_duct_off", "air_gain_pct", 100 * (7.8 / 4.84 - 1), "O2 readings are divided"),
        ("intake_duct_off", "side", "exhaust", "pump, blower and voltage"),
        ("pump_delivery", "deviation_pct", 100 * (1 - 4.8 / 5.35), "what was delivered"),
        ("pump_delivery", "new_air_ratio", 1.6 * 5.35 / 4.8, "leaner"),
        ("analyser_fuel", "co2_right_pct", 11.8 * 12.75 / 20.95, "as it stands"),
        ("voltage_at_the_heater", "heater_v", 12.2, "battery volts"),
        ("voltage_at_the_heater", "heater_v", 12.2 - 10 * (0.015 + 5 * 0.0127 + 0.020), "one way"),
        ("who_acts_first", "cutout_at_battery_v", 10.5, "printed"),
        ("who_acts_first", "first", "heater", "protect"),
        ("failed_start", "fuel_ml", 75 * 1.5 * 0.024, "one attempt"),
        ("failed_start", "restart_s", 249, "cool-down"),
        ("night_at_a_hut", "fuel_trim_pct", 21.3, "more fuel"),
        ("night_at_a_hut", "cab_reached_c", -25 + 2000 / 50, "sea level"),
        ("recirculation", "share_pct", 1.0, "taken for the share"),
        ("two_stages", "first_cause", "restriction", "takes its share at both"),
        ("two_heaters", "first_free_ppm", 1000, "as read"),
    ],
)  # fmt: skip
def test_the_wrong_number_of_a_misconception_is_named(kind: str, key: str, wrong: Any, word: str) -> None:
    one = exercise(kind)
    said = {marked.label: marked.said for marked in one.marked(**{key: wrong})}
    label = next(asked.label for asked in one.asked if asked.key == key)
    assert said[label].startswith("not yet: this is what comes out when ")
    assert word in said[label]


def test_every_mistake_names_a_number_and_never_the_right_one() -> None:
    rows = {row["kind"]: row for row in load_table("exercises")["exercise"]}
    assert all(row["mistakes"] for row in rows.values())
    for seed in (None, *range(40)):
        for one in exercise_sheet(seed):
            right = one.key()["values"]
            asked = {each.key: each for each in one.asked}
            for each in one._mistakes:
                if not asked[each.key].choice:
                    assert not asked[each.key].is_right(each.value, right[each.key]), (one.kind, each)


@pytest.mark.hand
def test_a_change_below_the_analysers_limits_is_no_change() -> None:
    """0.3 % each way: 0.3 · 1.4142 = 0.42 % for a difference (EN 50379-2, from memory)."""
    n = {"before_o2_pct": 4.84}
    fuel = get_fuel(WORKED_FUEL)
    told = {after: solutions.intake_duct_off({**n, "after_o2_pct": after}, fuel) for after in (5.25, 5.27, 7.8)}
    assert [one["seen"] for one in told.values()] == ["no", "yes", "yes"]
    assert [one["side"] for one in told.values()] == ["not the intake duct", "cannot tell", "intake"]
