"""Causes of a start that failed, of CO in the cab and of the wrong fuel: what was told and seen, gas or none.

What leads is common practice, no source, except where a line says otherwise.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.draws import Drawer, Variant
from combust.application.causes.rank import rank_causes
from combust.application.causes.seen_answers import seen_answers, seen_table, seen_twice
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.pump import same_pulses
from combust.edge.cli.start import command

PLATE = {"fuel": "diesel_b7", "nominal_v": 12, "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}}
DIESEL = Heater.from_dict(PLATE)
GASOLINE = Heater.from_dict(PLATE | {"fuel": "gasoline_e10"})
HEALTHY_GAS = {"altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "flue_temp_c": 330, "co_dry_ppm": 40}
KNOWN = Heater.from_dict(PLATE | {"baseline": [{"stage": "high", **HEALTHY_GAS}], "limits": {"altitude_m": 1500}})
OUT = {"location": "outdoors"}
DIED = {"start_event": "lit_and_died", "died_after_s": 90, "failed_starts": 2, "allowed_failed_starts": 3}
CO_IN_CAB = {"cab_co_in_ppm": 45, "cab_co_out_ppm": 0}


def ranked(heater, **told):
    return rank_causes(heater, {**OUT, **told})[0]


def codes(visit):
    return {finding.code for finding in visit.safety.findings}


@pytest.mark.practice
@pytest.mark.parametrize(
    ("heater", "told", "leads"),
    [
        # waxing: worsens with the cold, tank near or below the filter plugging point (EN 590 class B: 0 °C)
        (DIESEL, {**DIED, "cold_soak_c": -22, "fuel_grade": "summer"}, "fuel_waxed"),
        # no start on battery, and less than 11.4 V of 12 at the plug while it glows
        (DIESEL, {"start_event": "never_lit", "supply_glow_v": 11.1}, "glow_voltage_low"),
        # weak glow element, late ignition: white at the start only
        (DIESEL, {"start_event": "never_lit", "start_smoke": "white", "supply_glow_v": 11.9}, "glow_weak"),
        # exchanger or joint: the gas is perfect and the cab is not
        (KNOWN, {**CO_IN_CAB, **HEALTHY_GAS, "stage": "high"}, "exhaust_leak"),
        (DIESEL, {"heating_air_smell": "exhaust"}, "exhaust_leak"),
        (GASOLINE, {"start_event": "never_lit", "start_smoke": "white", "fuel_sample": "diesel"}, "fuel_other"),
        (DIESEL, {**DIED, "fuel_sample": "water"}, "fuel_contaminated"),
        (DIESEL, {**DIED, "fuel_line": "bubbles"}, "fuel_under"),
        (DIESEL, {**DIED, "flame_sensor_test": "fail"}, "flame_sensor"),
        (DIESEL, {"start_event": "overheat_trip", "died_after_s": 500}, "heating_air_restricted"),
        (DIESEL, {**DIED, "start_smoke": "black", "terminals": "intake_blocked"}, "intake_restricted"),
    ],
)
def test_what_leads(heater, told, leads):
    assert ranked(heater, **told).top.cause == leads


@pytest.mark.practice
def test_lit_and_died_twice_is_ranked_with_checks_and_nothing_is_settled():
    found = ranked(DIESEL, **DIED)
    first = {one.cause for one in found.causes if one.probability > 0.03}
    assert {"fuel_under", "flame_sensor", "fuel_waxed", "intake_restricted", "exhaust_restricted"} <= first
    assert found.top.probability < 0.5
    names = {check.check for check in found.next_checks}
    assert {"look_at_terminals", "glow_voltage", "fuel_sample", "flame_sensor"} <= names
    # A flame that is lost after 90 s gives no reading at full stage.
    assert not names & {"supply_voltage", "second_stage", "intake_duct_off", "port_pressures", "ambient_air"}


def test_without_a_gas_reading_sample_instrument_and_baseline_are_not_in_question():
    for heater in (DIESEL, KNOWN):
        causes = shipped_priors().causes
        found = ranked(heater, **DIED)
        assert not [one.cause for one in found.causes if causes[one.cause].measurement or causes[one.cause].baseline]
        assert sum(found.marginal.values()) > 0.9
        assert not found.assumed


@pytest.mark.parametrize(
    "day",
    [
        {"ambient_o2_pct": 20.9, "ambient_co_ppm": 0},
        {"ambient_o2_pct": 18.0},
        {"span_o2_pct": 5.0, "span_o2_read_pct": 5.1},
        {"probe_leak_test": "pass", "sample_line": "dry", "analyser_fuel": "diesel_b7"},
        {"probe_leak_test": "fail"},
    ],
)
def test_zero_and_leak_test_of_the_day_change_nothing_about_a_start(day):
    """What says something of the analyser alone is no gas evidence: the ranking of the start stays as it is."""
    told = {"start_event": "never_lit", "supply_glow_v": 9.9}
    for heater in (DIESEL, KNOWN):
        alone, beside = ranked(heater, **told), ranked(heater, **told, **day)
        assert beside.ranked
        assert beside.valid
        assert beside.marginal == alone.marginal
        assert beside.top.cause == "glow_voltage_low"
        tiers = shipped_priors().checks
        assert tiers[beside.next_checks[0].check].tier != "validity"


def test_start_and_gas_join_in_one_list():
    """A perfect reading clears what a reading can show; what leaves no trace in it stays."""
    gas = {**HEALTHY_GAS, "stage": "high", "supply_v": 12.4}
    alone, joined = ranked(KNOWN, **DIED), ranked(KNOWN, **DIED, **gas)
    share = {one.cause: one.probability for one in joined.causes}
    before = {one.cause: one.probability for one in alone.causes}
    assert share["intake_restricted"] < 0.5 * before["intake_restricted"]
    assert share["flame_sensor"] > before["flame_sensor"]


def test_what_was_not_asked_is_not_weighed():
    found = ranked(KNOWN, **HEALTHY_GAS, stage="high")
    asked = {name for name, cause in shipped_priors().causes.items() if cause.asked_by}
    assert asked == {"exhaust_leak", "glow_voltage_low", "glow_weak", "flame_sensor", "fuel_waxed", "fuel_contaminated"}
    assert not asked & {one.cause for one in found.causes}
    assert not [one for one in found.next_checks if shipped_priors().checks[one.check].of_start]


@pytest.mark.parametrize(
    ("told", "stop", "state"),
    [
        (CO_IN_CAB, "cab_co_level", "everyone_out"),
        ({"heating_air_smell": "exhaust"}, "heating_air_exhaust", "everyone_out"),
        ({"joints": "leaking"}, "joints_leaking", "heater_off"),
        ({**DIED, "allowed_failed_starts": 2}, "starts_used_up", "heater_off"),
        ({**DIED, "allowed_failed_starts": None}, "starts_used_up", "heater_off"),
        ({"start_event": "good", "supply_glow_v": 24.4}, "system_voltage", "heater_off"),
    ],
)
def test_the_stop_comes_first_and_no_listed_check_runs_the_heater(told, stop, state):
    found = ranked(DIESEL, **told)
    assert stop in codes(found)
    assert found.safety.state == state
    needs = [need for one in found.next_checks for need in shipped_priors().checks[one.check].needs]
    assert "burning" not in needs
    if stop != "system_voltage":
        assert found.next_checks


def test_joints_and_terminals_come_first_for_co_in_the_cab():
    for told in (CO_IN_CAB, {"heating_air_smell": "exhaust"}):
        names = [one.check for one in ranked(KNOWN, **told, **HEALTHY_GAS, stage="high").next_checks]
        assert names[:2] == ["joints", "look_at_terminals"]


@pytest.mark.hand
@pytest.mark.parametrize(
    ("cold", "grade", "answer"),
    [(-22, "summer", "colder"), (-2, "summer", "near"), (6, "summer", "warmer"), (-22, "arctic", "warmer"),
     (-22, "winter", "near"), (-24, "winter", "colder"), (20, None, "warmer"), (-22, None, None)],
)  # fmt: skip
def test_grade_against_cold(cold, grade, answer):
    """EN 590: class B 0 °C, D -10, F -20, arctic class 2 -32; near is 5 K above to 3 K below."""
    reading = {"cold_soak_c": cold} | ({"fuel_grade": grade} if grade else {})
    assert dict(seen_answers(reading, DIESEL, shipped_priors())).get("cold_fuel") == answer
    assert "cold_fuel" not in dict(seen_answers(reading, GASOLINE, shipped_priors()))


@pytest.mark.hand
@pytest.mark.parametrize(
    ("heater", "volts", "answer"), [(DIESEL, 11.4, "good"), (DIESEL, 11.39, "weak"), (DIESEL, 10.5, "weak"),
                                    (DIESEL, 10.49, "low"), (Heater.from_dict(PLATE | {"nominal_v": 24}), 22.8, "good")]
)  # fmt: skip
def test_volts_under_glow_in_words(heater, volts, answer):
    assert dict(seen_answers({"supply_glow_v": volts}, heater, shipped_priors()))["glow_voltage"] == answer


def test_every_table_of_what_is_seen_adds_up_to_one():
    for column in shipped_priors().table["seen"]:
        for cause, row in seen_table(column, shipped_priors()).items():
            assert sum(row.values()) == pytest.approx(1.0), (column, cause)
            assert cause in shipped_priors().causes


@pytest.mark.hand
def test_two_causes_at_once_never_say_more_than_certainty():
    """Glow: 0.05 x 0.45/0.90 + 0.50 x 0.35/0.08 + 0.45 x 0.20/0.02 = 6.7125 would be the sum of all answers."""
    twice = seen_twice([("glow_voltage", "weak")], shipped_priors())
    assert twice[frozenset(("glow_voltage_low", "supply_low"))] == pytest.approx(np.log(6.7125), abs=1e-9)
    assert frozenset(("intake_restricted", "fuel_over")) not in twice


@pytest.mark.hand
def test_singles_follow_from_prior_and_tables_alone():
    """Prior x chance of lit-and-died x within 5 min x white smoke, for two causes of equal prior."""
    told = {"start_event": "lit_and_died", "died_after_s": 90, "start_smoke": "white"}
    found = rank_causes(DIESEL, {**OUT, **told}, pairs=False)[0]
    share = {one.cause: one.probability for one in found.causes}
    by_hand = (0.12 * 0.40 * 0.78) / (0.54 * 0.65 * 0.11)
    assert share["glow_weak"] / share["flame_sensor"] == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.independent
def test_physics_of_each_fuel():
    """Same pulses: water takes its share of the stroke, wax starves, diesel where gasoline belongs is rich."""
    drawer = Drawer(GASOLINE, shipped_priors())
    normals = np.zeros((1, 64))
    other = drawer.parameters(normals, Variant("fuel_other", "gasoline", 1.0))
    swap = same_pulses(get_fuel("gasoline_e10"), get_fuel("diesel_b7"))
    assert swap.air_ratio < 0.9
    half = 1.0 + (0.5 + 0.5 * 0.5) * (1.0 / swap.air_ratio - 1.0)
    assert float(other["air_need"][0]) == pytest.approx(half, rel=1e-9)
    water = Drawer(DIESEL, shipped_priors()).parameters(normals, Variant("fuel_contaminated", "", 1.0))
    assert float(water["stroke"][0]) == pytest.approx(1.0 - float(water["size_fuel_contaminated"][0]))
    wax = Drawer(DIESEL, shipped_priors()).parameters(normals, Variant("fuel_waxed", "", 1.0))
    assert float(wax["starving"][0]) > 0.25


@pytest.mark.memory
def test_diesel_where_gasoline_belongs_wins_when_the_pump_reads_right():
    """Air need by volume, textbook: diesel 835 kg/m3 x 14.5 over E10 745 x 14.1, so lambda 1.60 -> 1.39, O2 6.1 %.

    CO is three times as high, as diesel evaporates badly there; hotter by 12 % more heat in the same air.
    """
    assert pytest.approx(1.39, abs=0.005) == 1.60 * 745 * 14.1 / (835 * 14.5)
    base = {"stage": "high", **HEALTHY_GAS, "air_in_temp_c": 15, "air_out_temp_c": 85}
    heater = Heater.from_dict(PLATE | {"fuel": "gasoline_e10", "baseline": [base], "stroke_ul": 30})
    read = {**HEALTHY_GAS, "o2_dry_pct": 6.1, "co_dry_ppm": 130, "flue_temp_c": 370, **OUT}
    read |= {"air_in_temp_c": 15, "air_out_temp_c": 94, "strokes": 200, "delivered_ml": 6.0, "pump_hz": 3.3}
    found = rank_causes(heater, read)[0]
    share = {one.cause: one.probability for one in found.causes}
    assert found.top.cause == "fuel_other"
    assert share["fuel_other"] > 3.0 * share["fuel_over"]
    more = rank_causes(heater, {**read, "delivered_ml": 7.0})[0]
    assert more.top.cause == "fuel_over"


def test_start_and_cause_show_the_same_list():
    typed = ["--heater", "data/heaters/heater-0312.toml", "--start-event", "lit_and_died", "--died-after-s", "90"]
    typed += ["--failed-starts", "2", "--allowed-failed-starts", "3", "--location", "outdoors"]
    typed += ["--cold-soak", "-22", "--fuel-grade", "summer"]
    told = json.loads(CliRunner().invoke(command, [*typed, "--json"]).stdout)
    known = Heater.load("data/heaters/heater-0312.toml")
    same = ranked(known, **DIED, cold_soak_c=-22, fuel_grade="summer")
    assert [one["cause"] for one in told["visit"]["causes"]] == [one.cause for one in same.causes]
    text = CliRunner().invoke(command, typed).stdout
    assert text.index("fuel waxed in the cold") < text.index("earliest restart")
