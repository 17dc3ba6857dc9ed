"""Worked examples for the ranking of causes: common practice, no source."""

from __future__ import annotations

import json
import math

import pytest

from combust.application.causes.rank import rank_causes
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from tests.application.conftest import PROFILE

pytestmark = pytest.mark.practice

HERE = {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "location": "outdoors"}
RICH = {**HERE, "o2_dry_pct": 4.84, "co2_dry_pct": 11.73, "co2_origin": "calculated"}
SET_R = {"intake_restricted", "exhaust_restricted", "exhaust_recirculated", "blower_weak", "supply_low", "fuel_over"}
VALID = {"ambient_o2_pct": 20.9, "probe_leak_test": "pass", "sample_line": "dry", "analyser_fuel": "heating oil"}
STEADY = {"o2_span_over_3min_pct": 0.1, "flue_drift_k_per_min": 0.5, "pump_hz": 3.0, "minutes_since_ignition": 20}


def probabilities(found):
    return {one.cause: one.probability for one in found.causes}


def present(found, *names):
    """Probability that at least one of some causes is there."""
    return sum(one.probability for one in found.explanations if set(names) & set(one.causes))


def test_a1_a_pair_that_cannot_be_one_gas_is_not_diagnosed(heater):
    """7.54/8.53 measured: fuel factor 1.57, withheld, wet sample or cell named."""
    wet = {**HERE, "o2_dry_pct": 7.54, "co2_dry_pct": 8.53, "co2_origin": "measured"}
    found = rank_causes(heater, wet)[0]
    assert not found.valid
    assert found.adjust is None
    assert {one.cause for one in found.causes} <= {
        "sample_air_leak", "sample_wet", "o2_cell_drift", "analyser_fuel_setting", "stage_mistaken", "not_steady",
    }  # fmt: skip
    assert {found.causes[0].cause, found.causes[1].cause} == {"sample_wet", "o2_cell_drift"}
    good = rank_causes(heater, {**HERE, "o2_dry_pct": 8.2, "co2_dry_pct": 9.28, "co2_origin": "measured"})[0]
    assert good.valid


def test_a3_gas_alone_does_not_separate(heater):
    found = rank_causes(heater, RICH)[0]
    assert found.causes[0].probability <= 0.5
    assert set(found.cannot_separate[0]) >= SET_R
    assert "not told apart yet" in str(found)


def test_a4_next_checks_keep_the_safety_order(heater):
    found = rank_causes(heater, RICH)[0]
    names = [check.check for check in found.next_checks]
    assert "exhaust_duct_off" not in names
    assert "strip_down" not in names[:-1]
    after = rank_causes(heater, {**RICH, **VALID, **STEADY, "supply_v": 12.6, "air_in_temp_c": 20, "flue_temp_c": 358})[
        0
    ]
    assert "exhaust_duct_off" not in [check.check for check in after.next_checks]
    for location in ({"location": "indoors"}, {"location": None}):
        inside = rank_causes(heater, {**RICH, **location})[0]
        assert inside.stop
        assert inside.causes[0].probability > 0.0
        assert inside.adjust is None
        assert {check.check for check in inside.next_checks} <= {
            "ambient_air", "probe_leak", "analyser_settings", "site_air", "look_at_terminals", "span_gas", "strip_down",
        }  # fmt: skip


def test_a5_a_duct_taken_off_tells(heater):
    """After the free validity checks: 4.84 -> 7.8 is the intake side, unchanged is not."""
    checked = {**RICH, **VALID, **STEADY}
    off = {**HERE, "arrangement": "intake_duct_off"}
    better = rank_causes(heater, [checked, {**off, "o2_dry_pct": 7.8}])[0]
    assert present(better, "intake_restricted", "exhaust_recirculated") > 0.80
    for o2 in (4.84, 5.1):
        same = rank_causes(heater, [checked, {**off, "o2_dry_pct": o2}])[0]
        assert present(same, "intake_restricted") < 0.05


def test_a6_as_expected_at_this_site(heater):
    """Base 1.60, 2000 m, 0 °C: O2 5.7 is what a healthy heater gives there."""
    there = {**HERE, "altitude_m": 2000, "intake_temp_c": 0, "o2_dry_pct": 5.7}
    found = rank_causes(heater, there)[0]
    assert found.top.cause == "healthy"
    full = rank_causes(heater, {**there, **VALID, **STEADY, "supply_v": 12.6, "blower_rpm": 4700})[0]
    assert full.top.cause == "healthy"
    assert full.top.probability > 0.5
    home = rank_causes(heater, {**HERE, "o2_dry_pct": 5.7, **VALID, **STEADY})[0]
    assert home.top.cause != "healthy"


def test_a7_two_stages(heater):
    """10.84/4.84: voltage or blower before a restriction; 8.98/5.83: restriction and pump alike."""
    only_high = rank_causes(heater, [{**HERE, "stage": "low", "o2_dry_pct": 10.84}, {**HERE, "o2_dry_pct": 4.84}])[0]
    share = probabilities(only_high)
    assert only_high.top.cause in ("supply_low", "blower_weak")
    assert share["intake_restricted"] + share["exhaust_restricted"] < 0.2 * share[only_high.top.cause]
    both = rank_causes(heater, [{**HERE, "stage": "low", "o2_dry_pct": 8.98}, {**HERE, "o2_dry_pct": 5.83}])[0]
    share = probabilities(both)
    assert {"intake_restricted", "exhaust_restricted", "fuel_over"} <= set(both.cannot_separate[0])
    assert 0.4 < share["fuel_over"] / share["intake_restricted"] < 2.5
    assert share["supply_low"] < share["intake_restricted"] / 3.0


@pytest.mark.parametrize(
    ("evidence", "code"),
    [
        ({"cab_co_in_ppm": 23.0, "cab_co_out_ppm": 1.0}, "cab_co_rise"),
        ({"co_dry_ppm": 1200.0}, "exhaust_co_high"),
        ({"fuel_sample": "gasoline"}, "gasoline_in_diesel_heater"),
    ],
)
def test_a8_stops_come_first(heater, evidence, code):
    found = rank_causes(heater, {**RICH, **evidence})[0]
    assert code in [finding.code for finding in found.stop]
    assert found.adjust is None
    running = {"cab_co", "stage_and_steadiness", "intake_duct_off", "exhaust_duct_off"}
    running |= {"supply_voltage", "port_pressures", "heating_air", "intake_air_co2", "second_stage", "blower_speed"}
    assert not running & {check.check for check in found.next_checks}
    assert "STOP" in str(found)
    assert "safe" not in str(found).lower().replace("unsafe", "")


def test_a14_recirculation_is_estimated(heater):
    """Intake CO2 1.0 % and O2 19.6 %: 9 to 10 % of the intake is exhaust."""
    reading = {**HERE, "o2_dry_pct": 6.72, "intake_co2_pct": 1.0, "intake_o2_pct": 19.6, **VALID, **STEADY}
    found = rank_causes(heater, reading)[0]
    assert found.top.cause == "exhaust_recirculated"
    assert found.top.severity is not None
    assert found.top.severity.median == pytest.approx(9.5, abs=1.0)
    assert found.top.severity.low < 9.5 < found.top.severity.high


def test_a15_another_fuel(heater):
    """B100 at the same pulses: lambda 1.60 -> 1.78, leaner and cooler; the sample settles it."""
    lean = {
        **HERE,
        "o2_dry_pct": 9.48,
        "flue_temp_c": 304,
        "air_in_temp_c": 20,
        "air_out_temp_c": 86,
        **VALID,
        **STEADY,
    }
    found = rank_causes(heater, {**lean, "strokes": 200, "delivered_ml": 4.8})[0]
    assert {found.causes[0].cause, found.causes[1].cause} >= {"fuel_other"}
    settled = rank_causes(heater, {**lean, "strokes": 200, "delivered_ml": 4.8, "fuel_sample": "other"})[0]
    assert settled.top.cause == "fuel_other"
    assert settled.top.probability > 0.9


@pytest.mark.memory
def test_a_reading_that_names_its_fuel_is_held_against_the_heater_on_that_fuel(heater):
    """B100 as above, known to be in the tank: textbook air need by volume, 835 kg/m3 x 14.5 over 883 x 12.5."""
    lean = {
        **HERE,
        "o2_dry_pct": 9.48,
        "flue_temp_c": 304,
        "air_in_temp_c": 20,
        "air_out_temp_c": 86,
        **VALID,
        **STEADY,
    }
    named = rank_causes(heater, {**lean, "fuel": "biodiesel_b100"})[0]
    assert named.top.cause == "healthy"
    usual = rank_causes(heater, {**HERE, "fuel": heater.fuel.name, **VALID})[0]
    stage = next(iter(usual.expected_healthy))
    ratio = named.expected_healthy[stage]["air_ratio"] / usual.expected_healthy[stage]["air_ratio"]
    assert ratio == pytest.approx(835 * 14.5 / (883 * 12.5), abs=0.02)
    several = rank_causes(heater, [{**lean, "visit_id": "A", "fuel": "biodiesel_b100"}, {**lean, "visit_id": "B"}])
    assert [visit.top.cause == "healthy" for visit in several] == [True, False]


@pytest.mark.regression
@pytest.mark.parametrize(
    ("fuels", "code"),
    [
        (("kerosene", "biodiesel_b100"), "conflict"),
        (("diesel_b7", "biodiesel_b100"), "conflict"),
        (("no such fuel",), "unknown_name"),
        (("CH1.86",), "missing"),
    ],
)
def test_a_visit_has_one_fuel_of_known_density(heater, fuels, code):
    rows = [{**HERE, "o2_dry_pct": 8.2, "fuel": name} for name in fuels]
    with pytest.raises(CombustError) as refused:
        rank_causes(heater, rows)
    assert [fault.code for fault in refused.value.faults] == [code]


def test_pump_over_delivery_gets_a_trim_and_a_restriction_does_not(heater):
    """200 strokes of 24 µl gave 5.7 ml (+18.8 %): trim back; the same O2 by a blocked intake is repaired."""
    over = {
        **HERE, "o2_dry_pct": 5.6, "co_dry_ppm": 60, "flue_temp_c": 383, "air_in_temp_c": 20, "air_out_temp_c": 106,
        "strokes": 200, "delivered_ml": 5.7, "supply_v": 12.6, "blower_rpm": 4700, **VALID, **STEADY,
    }  # fmt: skip
    found = rank_causes(heater, over)[0]
    assert found.top.cause == "fuel_over"
    assert found.adjust is not None
    assert found.adjust.fuel_trim_pct == pytest.approx(-15.0, abs=3.0)
    assert found.adjust.to_o2_dry_pct == pytest.approx(8.2, abs=0.3)
    assert 1.35 <= found.adjust.to_air_ratio <= 1.8
    assert any("both stages" in line for line in found.adjust.only_after)
    blocked = {**over, "flue_temp_c": 350, "air_out_temp_c": 96, "delivered_ml": 4.8, "intake_static_pa": -150.0}
    repaired = rank_causes(heater, {**blocked, "exhaust_static_pa": 105.0})[0]
    assert repaired.top.cause == "intake_restricted"
    assert repaired.adjust is None
    assert "repaired" in repaired.why_no_adjust


def test_no_richer_trim_without_co_and_none_upward_for_a_site(heater):
    under = {
        **HERE, "o2_dry_pct": 10.8, "flue_temp_c": 278, "air_in_temp_c": 20, "air_out_temp_c": 79, "strokes": 200,
        "delivered_ml": 3.84, "supply_v": 12.6, "fuel_sample": "as_stated", **VALID, **STEADY,
    }  # fmt: skip
    found = rank_causes(heater, under)[0]
    assert found.top.cause == "fuel_under"
    assert found.adjust is None
    assert "CO" in found.why_no_adjust
    cold = {**HERE, "intake_temp_c": -20, "o2_dry_pct": 9.8, **VALID, **STEADY, "supply_v": 12.6, "co_dry_ppm": 40}
    lean = rank_causes(heater, cold)[0]
    assert lean.adjust is None or (lean.adjust.fuel_trim_pct or 0.0) <= 0.0
    high = {**HERE, "altitude_m": 2600, "o2_dry_pct": 3.0, "co_dry_ppm": 120, "flue_temp_c": 352, **VALID, **STEADY}
    high["fuel_sample"] = "as_stated"
    allowed = Heater.from_dict(
        {**PROFILE, "limits": {"altitude_m": 3000}}
    )  # without a limit the heater stays off there
    thin = rank_causes(allowed, {**high, "supply_v": 12.6, "blower_rpm": 4700, "strokes": 200, "delivered_ml": 4.8})[0]
    assert thin.top.cause == "healthy"
    assert thin.adjust is not None
    assert thin.adjust.fuel_trim_pct is not None
    assert thin.adjust.fuel_trim_pct < -3.0


def test_no_trim_above_the_height_of_the_units_document(heater):
    """The same thin air as above, but the profile ends at 1400 m: off, unless that document allows more."""
    table = {**PROFILE, "limits": {"altitude_m": 1400, "source": "the unit's own document"}}
    high = {**HERE, "altitude_m": 2600, "o2_dry_pct": 3.0, "co_dry_ppm": 120, "flue_temp_c": 352, **VALID, **STEADY}
    high |= {"supply_v": 12.6, "blower_rpm": 4700, "strokes": 200, "delivered_ml": 4.8, "fuel_sample": "as_stated"}
    found = rank_causes(Heater.from_dict(table), high)[0]
    assert found.top.cause == "healthy"
    assert found.adjust is None
    assert "stays off" in found.stop[0].text
    assert found.safety.state == "heater_off"


def test_json_has_the_keys_of_the_contract_and_no_nan(heater):
    found = rank_causes(heater, [{**RICH, "visit_id": "a"}, {**RICH, "visit_id": "b", "o2_dry_pct": 8.2}])
    table = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert [visit["visit_id"] for visit in table["visits"]] == ["a", "b"]
    visit = table["visits"][0]
    keys = {
        "visit_id", "heater_id", "valid", "stop", "causes", "marginal", "explanations", "cannot_separate",
        "next_checks",
        "adjust", "fits", "effective_samples", "findings", "seed",
    }  # fmt: skip
    assert keys <= set(visit)
    assert sum(cause["probability"] for cause in visit["causes"]) == pytest.approx(1.0, abs=1e-9)
    assert {"quantity", "median", "low", "high", "level", "text"} <= set(visit["causes"][0]["severity"])
    assert {"check", "gain_bits", "minutes", "gain_bits_per_minute", "risk", "why"} <= set(visit["next_checks"][0])
    assert all(math.isfinite(check["gain_bits"]) for check in visit["next_checks"])
    assert table["prior"] == pytest.approx({"healthy": 0.2, "singles": 0.7, "pairs": 0.1})


def test_faults_are_told_at_once(heater):
    rows = [{**RICH, "stage": "turbo"}, {**RICH, "heater_id": "other"}, {**RICH, "strip_down": "gremlins"}]
    with pytest.raises(CombustError) as error:
        rank_causes(heater, [*rows, {**RICH, "o2_dry_pct": 40.0}])
    assert {fault.quantity for fault in error.value.faults} == {"stage", "heater_id", "strip_down", "o2_dry_pct"}


def test_nothing_fits(heater):
    """Half the flue temperature at twice the fuel heat cannot be explained: it says so."""
    absurd = {**HERE, "o2_dry_pct": 8.2, "flue_temp_c": 60, "air_in_temp_c": 20, "air_out_temp_c": 240}
    absurd |= {**VALID, **STEADY}
    found = rank_causes(heater, {**absurd, "supply_v": 12.6, "blower_rpm": 4700, "exhaust_static_pa": 900.0})[0]
    assert not found.fits
    assert found.findings[0].code == "nothing_fits"
