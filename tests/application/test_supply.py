"""Supply as a whole: order of the cut-outs, remedies, energy, refusals; and the command with its example."""

from __future__ import annotations

import json
import math

import pytest
from click.testing import CliRunner

from combust.application.visit.supply import supply_check
from combust.application.visit.supply_said import supply_said
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.result import Assumed
from combust.edge.cli.supply import command

CIRCUIT = {"open_circuit_v": 12.2, "battery_mohm": 15, "length_m": 5, "area_mm2": 1.5, "contacts_mohm": 20}
DEMO = {
    "fuel": "diesel_b7", "nominal_v": 12, "power_run_w": 40, "glow_a": 9.0, "cutout_v": 10.5,
    "stages": {"high": {"air_ratio_band": [1.35, 1.8]}},
    "start": {"check_s": 4, "preheat_s": [50, 45], "attempt_s": [75, 75], "attempt_pump_hz": 1.5, "cool_down_s": 200},
}  # fmt: skip


def told_of(result):
    return " ".join(finding.text for finding in result.findings)


def codes(result):
    return [finding.code for finding in result.findings]


@pytest.mark.hand
def test_voltage_and_conflict_of_one_loop():
    """12.2 - 10 x 0.162 = 10.58 V; 10.5 + 2.5 x 0.147 = 10.87 V at the battery, below the disconnect at 11.5 V."""
    told = supply_check(**CIRCUIT, glow_a=10, run_a=2.5, cutout_v=10.5, disconnect_v=11.5)
    assert told.heater_v_glow == pytest.approx(10.58, abs=0.005)
    assert told.cutouts_at_battery_v["heater cut-out, running"] == pytest.approx(10.87, abs=0.005)
    assert (told.verdict, told.first_to_act) == ("conflict", "vehicle disconnect")
    assert "11.8 V" in told.remedies[0]  # disconnect + 0.3 V, common practice


@pytest.mark.hand
@pytest.mark.parametrize(
    ("disconnect", "verdict"),
    [(10.8675, "conflict"), (10.8674, "close"), (10.5676, "close"), (10.5675, "orderly_first")],
)
def test_both_ends_of_the_margin(disconnect, verdict):
    """The heater acts at 10.5 + 2.5 x 0.147 = 10.8675 V; 0.3 V below that is 10.5675 V."""
    told = supply_check(
        **CIRCUIT, run_a=2.5, cutout_v=10.5, disconnect_v=disconnect, disconnect_delay_s=300, cool_down_s=240
    )
    assert told.verdict == verdict
    assert bool(told.remedies) == (verdict != "orderly_first")


def test_controller_at_the_battery_cures_the_conflict_and_the_delay_still_counts():
    told = supply_check(
        **CIRCUIT, run_a=2.5, cutout_v=10.5, controller_cutout_v=11.8, disconnect_v=11.5, cool_down_s=200
    )
    assert (told.verdict, told.first_to_act) == ("orderly_first", "controller cut-out")
    assert "disconnect_too_soon" in codes(told)
    patient = supply_check(
        **CIRCUIT, controller_cutout_v=11.8, disconnect_v=11.5, cool_down_s=200, disconnect_delay_s=200
    )
    assert "disconnect_too_soon" not in codes(patient)


@pytest.mark.parametrize("given", [{"disconnect_v": 11.5}, {"cutout_v": 10.5, "run_a": 2.5}, {}])
def test_what_was_not_entered_is_not_judged(given):
    told = supply_check(**CIRCUIT, **given)
    assert told.verdict == "unknown"
    assert told.first_to_act is None
    assert "order_unknown" in codes(told)


def test_fed_before_the_disconnect_is_no_conflict_but_is_told():
    told = supply_check(**CIRCUIT, run_a=2.5, cutout_v=10.5, disconnect_v=11.5, fed="before_disconnect")
    assert told.verdict == "fed_before_disconnect"
    assert "no_disconnect" in codes(told)


@pytest.mark.hand
def test_night_of_a_small_heater():
    """160.4 Wh = 13.4 Ah of 12 V; full (12.7 V), 100 Ah, -20 °C, half usable: 100 x 0.6 x 0.5 = 30 Ah. 35 W: 30.03."""
    full = CIRCUIT | {"open_circuit_v": 12.7}
    night = {"hours": 10, "starts": 2, "glow_a": 110 / 12, "glow_s": 125, "cool_down_s": 200, "battery_v": 12}
    small = supply_check(**full, **night, mean_power_w=15, battery_ah=100, battery_temp_c=-20)
    assert small.energy_wh == pytest.approx(160.4, abs=0.05)
    assert small.energy_ah == pytest.approx(13.37, abs=0.005)
    assert small.usable_ah == pytest.approx(30.0)
    assert "energy_large" not in codes(small)
    assert small.run_time_h == pytest.approx((30 * 12 - 10.417) / 15, abs=0.01)
    large = supply_check(**full, **night, mean_power_w=35, battery_ah=100, battery_temp_c=-20)
    assert large.energy_ah == pytest.approx(30.03, abs=0.005)
    assert "energy_large" in codes(large)
    assert large.run_time_h < 10


@pytest.mark.hand
def test_the_charge_at_rest_is_what_a_night_has():
    """12.24 V is half full: 100 x (0.5 - 0.2) = 30 Ah with four fifths usable, none with half; 11.6 V holds nothing."""
    night = {"hours": 10, "mean_power_w": 15, "battery_v": 12, "battery_ah": 100}
    half = supply_check(**CIRCUIT | {"open_circuit_v": 12.24}, **night, usable_share=0.8)
    assert half.charge_at_rest == pytest.approx(0.5)
    assert half.usable_ah == pytest.approx(30.0)
    assert supply_check(**CIRCUIT | {"open_circuit_v": 12.24}, **night).run_time_h == 0.0
    flat = supply_check(**CIRCUIT | {"open_circuit_v": 11.6}, **night, usable_share=1.0)
    assert (flat.usable_ah, flat.run_time_h) == (0.0, 0.0)
    # A cut-out that acts at the voltage of a quarter ends the night there: 100 x (0.5 - 0.25).
    ends = supply_check(
        **CIRCUIT | {"open_circuit_v": 12.24, "battery_mohm": 0}, **night, usable_share=1.0, controller_cutout_v=12.06
    )
    assert ends.usable_ah == pytest.approx(25.0)


@pytest.mark.parametrize(("rest", "stops"), [(11.49, True), (11.51, False)])
def test_a_cut_out_above_the_battery_at_rest_never_runs(rest, stops):
    told = supply_check(
        **CIRCUIT | {"open_circuit_v": rest, "battery_mohm": 0},
        disconnect_v=11.5,
        battery_ah=100,
        mean_power_w=15,
        hours=8,
    )
    assert ("never_runs" in codes(told)) is stops
    assert told.run_time_h == 0.0  # both hold nothing
    fed = supply_check(**CIRCUIT | {"open_circuit_v": rest}, disconnect_v=11.5, fed="before_disconnect")
    assert "never_runs" not in codes(fed)


@pytest.mark.parametrize(
    ("given", "stops"),
    [({"open_circuit_v": 24.6}, True), ({"open_circuit_v": 12.6, "battery_v": 24}, True),
     ({"open_circuit_v": 12.6}, False), ({"open_circuit_v": 14.4}, False),
     ({"open_circuit_v": 12.6, "plug_glow_v": 22.0}, True), ({"open_circuit_v": 12.6, "plug_glow_v": 6.0}, False)],
)  # fmt: skip
def test_another_system_voltage_is_kept_and_stops(given, stops):
    told = supply_check(Heater.from_dict(DEMO), **CIRCUIT | given)
    assert ("system_voltage" in codes(told)) is stops
    assert told.inputs["open_circuit_v"] == given["open_circuit_v"]
    small = supply_check(Heater.from_dict(DEMO | {"nominal_v": 24}), **CIRCUIT)
    assert "system_voltage" in codes(small)


@pytest.mark.hand
def test_the_voltage_at_the_plug_goes_before_the_table():
    """(12.4 - 11.1) / 10 A = 130 mohm, less 15 of the battery: 115; 5 m of 1.5 mm² and 20 mohm: 147, of 6 mm² 51.4."""
    alone = supply_check(open_circuit_v=12.4, plug_glow_v=11.1, glow_a=10, battery_mohm=15)
    assert alone.heater_v_glow == 11.1
    assert alone.loop_ohm == pytest.approx(0.115)
    assert (alone.cable_drop_glow_v, alone.heater_v_glow_band) == (None, None)
    thick = {**CIRCUIT, "open_circuit_v": 12.4, "plug_glow_v": 11.1, "glow_a": 10}
    assert "plug_drop" in codes(supply_check(**thick))
    told = supply_check(**thick | {"area_mm2": 6})
    assert "plug_drop_unexplained" in codes(told)
    assert "115 mohm in cable and contacts where the cable and contacts entered have 51" in told_of(told)
    assert "below_cutout_glow" in codes(supply_check(**thick, cutout_v=11.2))
    assert "plug_above_rest" in codes(supply_check(**thick | {"plug_glow_v": 13.8}))


def test_volts_at_the_plug_without_a_current_lack_the_current_and_nothing_else():
    with pytest.raises(CombustError) as refused:
        supply_check(open_circuit_v=11.4, plug_glow_v=9.9)
    assert [one.quantity for one in refused.value.faults] == ["glow_a"]
    assert "1.5 V fall under glow" in str(refused.value)
    assert "measure the voltage at the plug" not in str(refused.value)
    with pytest.raises(CombustError, match="Or measure the voltage at the plug"):
        supply_check(open_circuit_v=11.4)
    said = supply_said(None, {"open_circuit_v": 11.4, "plug_glow_v": 9.9})
    assert said is not None
    assert "add glow current" in said.text
    assert "plug glow" not in said.text


@pytest.mark.hand
def test_a_battery_of_unknown_resistance_is_part_of_what_falls():
    """(12.4 - 11.1) V / 10 A = 130 mohm from the battery's poles inwards and outwards, 115 without its own 15."""
    alone = {"open_circuit_v": 12.4, "plug_glow_v": 11.1, "glow_a": 10}
    assert "130 mohm in battery, cable and contacts" in told_of(supply_check(**alone))
    assert "115 mohm in cable and contacts" in told_of(supply_check(**alone, battery_mohm=15))
    assert dict(supply_check(**alone).lines())["battery, feed, return and contacts"] == "130 mohm"
    assert dict(supply_check(**alone, battery_mohm=15).lines())["feed, return and contacts"] == "115 mohm"


@pytest.mark.memory
@pytest.mark.parametrize(("rest", "empty"), [(11.4, True), (11.95, True), (12.06, False), (12.65, False)])
def test_a_battery_that_is_nearly_empty_is_charged_or_tested_first(rest, empty):
    """11.89 V is empty, 12.06 V a quarter full: table of the battery trade, from memory, beside the kernel."""
    told = supply_check(open_circuit_v=rest, plug_glow_v=rest - 1.5, glow_a=8)
    assert ("battery_nearly_empty" in codes(told)) is empty
    if empty:
        assert "Charge or test the battery first" in told_of(told)


@pytest.mark.hand
def test_feet_and_wire_gauge():
    """16 ft are 4.8768 m; number 14 has 2.08 mm² (ASTM B258, handbook)."""
    told = supply_check(open_circuit_v=12.4, length_ft=16, area_awg=14, glow_a=10)
    assert told.inputs["length_m"] == pytest.approx(4.8768)
    assert told.inputs["area_mm2"] == pytest.approx(2.08, abs=0.005)
    typed = ["--battery", "12.4", "--length-ft", "16", "--area-awg", "14", "--glow-current", "10", "--json"]
    assert json.loads(CliRunner().invoke(command, typed).stdout)["loop_ohm"] == pytest.approx(told.loop_ohm)
    with pytest.raises(CombustError, match="second time"):
        supply_check(open_circuit_v=12.4, length_ft=16, length_m=5, area_awg=14)


def test_a_profile_fills_and_what_was_filled_is_told():
    told = supply_check(Heater.from_dict(DEMO), **CIRCUIT, hours=8)
    assert Assumed("glow_a", 9.0, "A", "heater profile") in told.assumed
    assert told.heater_v_glow == pytest.approx(12.2 - 9 * 0.162, abs=1e-9)
    # 40 W behind 162 mohm: (12.2 - 0.162 I) I = 40
    assert (12.2 - 0.162 * told.run_a) * told.run_a == pytest.approx(40.0)


def test_every_fault_at_once():
    with pytest.raises(CombustError) as caught:
        supply_check(open_circuit_v=120, length_m=-1, area_mm2="thick", fed="roof", glow_a=math.inf)
    assert {fault.quantity for fault in caught.value.faults} == {
        "open_circuit_v", "length_m", "area_mm2", "fed", "glow_a",
    }  # fmt: skip
    with pytest.raises(CombustError, match="is missing"):
        supply_check()


def test_a_load_that_cannot_be_carried_is_told():
    told = supply_check(open_circuit_v=12, length_m=50, area_mm2=0.5, mean_power_w=100)
    assert told.heater_v_run is None
    assert "power_too_much" in codes(told)


TYPED = (
    "--battery 12.2 --battery-resistance 15 --length 5 --area 1.5 --contacts 20 --glow-current 10 --run-current 2.5 "
    "--cutout 10.5 --disconnect 11.5"
)
EXAMPLE = TYPED.split()


def test_command():
    done = CliRunner().invoke(command, EXAMPLE)
    assert done.exit_code == 0
    assert "10.58 V" in done.stdout
    assert "CONFLICT" in done.stderr
    assert "caution" in done.stderr
    as_json = json.loads(CliRunner().invoke(command, [*EXAMPLE, "--json"]).stdout)
    assert as_json["verdict"] == "conflict"
    assert CliRunner().invoke(command, [*EXAMPLE, "--strict"]).exit_code == 4
    assert all(word in command.help for word in ("--battery 12.2", "--glow-current 10", "--disconnect 11.5"))
