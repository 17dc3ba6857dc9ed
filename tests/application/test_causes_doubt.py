"""What the engine says where it does not know: misfit, an unwatched reading, a baseline at fault, what was seen.

The heaters are simulated apart from the model (``tests/simulator``); the rest is common practice, no source.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.rank import rank_causes
from combust.domain.heater import Heater
from tests.application.conftest import PROFILE
from tests.simulator.conditions import CONDITIONS
from tests.simulator.foreign import group_of
from tests.simulator.table import seen

DOUBTS = {"baseline_not_healthy", "baseline_of_another_heater"}
HERE = {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "location": "outdoors"}
USUAL = {**HERE, "o2_dry_pct": 8.2, "co_dry_ppm": 45, "flue_temp_c": 331, "air_in_temp_c": 20, "air_out_temp_c": 93}
STEADY = {"o2_span_over_3min_pct": 0.1, "flue_drift_k_per_min": 0.5, "minutes_since_ignition": 20}


def shares(found):
    return {one.cause: one.probability for one in found.causes}


def judged(condition, evidence, heaters=3, visits=10):
    """Healthy visits of simulated heaters of one condition."""
    knobs, found = CONDITIONS[condition], []
    for index in range(heaters):
        group = group_of(knobs, 31, index, 1, visits)
        heater = Heater.from_dict(group["profile"])
        cases = [seen(case, evidence, knobs.repeats) for case in group["healthy"]]
        found += [rank_causes(heater, case, next_checks=False)[0] for case in cases]
    return found


@pytest.mark.practice
def test_a_misfit_is_told_first_with_the_channels_at_odds(heater):
    """A usual gas, a flue 130 K and heating air 53 K too cool, usual voltage and speed: no cause does that."""
    cold = {**USUAL, "flue_temp_c": 200, "air_out_temp_c": 40, "supply_v": 12.6, "blower_rpm": 4700, **STEADY}
    found = rank_causes(heater, cold)[0]
    assert not found.fits
    assert {"flue temperature", "rise of the heating air"} & set(found.disagree)
    assert found.findings[0].code == "nothing_fits"
    assert found.adjust is None
    told = [label for label, _ in found.lines()]
    assert told[1] == "not explained"
    assert rank_causes(heater, USUAL)[0].fits


@pytest.mark.practice
def test_a_stop_is_told_before_a_misfit(heater):
    absurd = {**USUAL, "flue_temp_c": 200, "air_out_temp_c": 40, "co_dry_ppm": 1500, "supply_v": 12.6, **STEADY}
    found = rank_causes(heater, absurd)[0]
    text = str(found)
    assert found.stop
    assert not found.fits
    assert text.index("STOP") < text.index("not explained")


@pytest.mark.practice
@pytest.mark.parametrize("flue", [331, 300, 250, 200])
def test_a_reading_proven_steady_is_never_called_unsteady(heater, flue):
    found = rank_causes(heater, {**USUAL, "flue_temp_c": flue, **STEADY})[0]
    assert shares(found).get("not_steady", 0.0) == 0.0


@pytest.mark.practice
@pytest.mark.parametrize("flue", [300, 250, 200])
def test_nobody_watched_so_unsteady_is_never_a_confident_answer(heater, flue):
    found = rank_causes(heater, {**USUAL, "o2_dry_pct": 9.3, "flue_temp_c": flue, "co_dry_ppm": 400})[0]
    assert shares(found).get("not_steady", 0.0) < 0.9
    early = rank_causes(heater, {**USUAL, "o2_dry_pct": 9.3, "flue_temp_c": 250, "minutes_since_ignition": 3})[0]
    assert not early.valid
    assert early.top.cause == "not_steady"


@pytest.mark.independent
@pytest.mark.parametrize("evidence", ["temperatures", "full"])
def test_a_baseline_taken_with_a_dirty_intake_accuses_no_healthy_heater(evidence):
    """Healthy heaters, 15 to 40 % less air when the baseline was taken: the baseline is doubted, not the heater."""
    found = judged("dirty_baseline", evidence)
    named = [one for one in found if one.fits and one.top.cause not in {"healthy", *DOUBTS}]
    accused = [one for one in named if one.top.probability >= 0.5]
    assert len(accused) <= 0.1 * len(found)
    assert np.mean([one.top.cause in DOUBTS for one in found]) >= 0.5


@pytest.mark.independent
@pytest.mark.parametrize("condition", ["baseline_fuel_12", "anothers_baseline"])
def test_an_aliased_baseline_stands_in_the_set(condition):
    found = judged(condition, "temperatures")
    beside = [one.top.cause in DOUBTS or any(DOUBTS & set(names) for names in one.cannot_separate) for one in found]
    assert np.mean([bool(one) for one in beside]) >= 0.9


@pytest.mark.practice
def test_a_baseline_outside_the_band_of_the_document_is_doubted():
    """Lambda of both baselines a quarter below what the document calls healthy, the reading in the middle of it."""
    poor = {**PROFILE, "baseline": [dict(one) for one in PROFILE["baseline"]]}
    for one, o2 in zip(poor["baseline"], (4.0, 7.2), strict=True):
        one["o2_dry_pct"] = o2
    found = rank_causes(Heater.from_dict(poor), {**USUAL, "flue_temp_c": 320, **STEADY})[0]
    assert found.top.cause == "baseline_not_healthy"


@pytest.mark.practice
def test_without_a_baseline_none_is_doubted():
    bare = {key: value for key, value in PROFILE.items() if key != "baseline"}
    found = rank_causes(Heater.from_dict(bare), USUAL)[0]
    assert not DOUBTS & set(shares(found))


@pytest.mark.practice
def test_a_flame_without_enough_air_is_the_heaters_fault(heater):
    """O2 0.1 %, CO 5.4 % and only 9.8 % CO2: carbon is missing as soot and HC, the sample is not blamed."""
    rich = {
        **USUAL,
        "o2_dry_pct": 0.1,
        "co2_dry_pct": 9.8,
        "co2_origin": "measured",
        "co_dry_ppm": 54_000,
        "flue_temp_c": 395,
    }
    found = rank_causes(heater, rich)[0]
    assert found.valid
    assert found.stop
    lean = rank_causes(heater, {**rich, "o2_dry_pct": 7.5, "co2_dry_pct": 8.5, "co_dry_ppm": 40})[0]
    assert not lean.valid


@pytest.mark.practice
def test_repeats_are_not_independent_models(heater):
    """Ten readings of one state share what the model gets wrong: a moderately hot flue is no surer than told once."""
    hot = {**USUAL, "flue_temp_c": 352}
    once, often = rank_causes(heater, hot)[0], rank_causes(heater, [hot] * 10)[0]
    assert often.top.probability <= once.top.probability + 0.25
    assert often.fits


@pytest.mark.practice
def test_a_height_carries_the_weather(heater):
    """30 hPa of weather is 3 % of lambda: less is known from a height than from the barometer."""
    lean = {**USUAL, "o2_dry_pct": 8.7}
    by_height = rank_causes(heater, lean, pairs=False)[0]
    del lean["altitude_m"]
    by_barometer = rank_causes(heater, {**lean, "pressure_hpa": 1013.25}, pairs=False)[0]
    assert shares(by_height)["healthy"] >= shares(by_barometer)["healthy"]


@pytest.mark.practice
@pytest.mark.parametrize(
    ("reading", "symptom", "first"),
    [
        ({"o2_dry_pct": 3.0}, "richer than its band (lambda 1.1", "look_at_terminals"),
        ({"o2_dry_pct": 14.5}, "leaner than its band (lambda 3.", "fuel_sample"),
        ({"o2_dry_pct": 8.2, "co_dry_ppm": 700.0}, "out: CO 700 ppm.", "look_at_terminals"),
        ({"o2_dry_pct": 8.2, "co_dry_ppm": 40.0, "smoke_number": 5.0}, "out: smoke number 5.", "look_at_terminals"),
        ({"o2_dry_pct": 8.2, "flue_temp_c": 460.0}, "hot flue (460 °C)", "heating_air"),
        ({"o2_dry_pct": 8.2, "air_in_temp_c": 20.0, "air_out_temp_c": 45.0}, "warmed by 25 K", "fuel_sample"),
        ({"o2_dry_pct": 8.2}, "nothing", "second_stage"),
    ],
)
def test_without_a_baseline_the_order_is_fixed_by_symptom(reading, symptom, first):
    bare = Heater.from_dict({key: value for key, value in PROFILE.items() if key != "baseline"})
    checked = {"ambient_o2_pct": 20.9, "probe_leak_test": "pass", "sample_line": "dry", "analyser_fuel": "heating oil"}
    found = rank_causes(bare, {**HERE, **checked, **STEADY, "pump_hz": 3.0, **reading})[0]
    text = str(found)
    assert not found.ranked
    assert symptom in found.findings[0].text
    assert found.next_checks[0].check == first
    assert found.adjust is None
    assert "own baseline" not in text
    assert "%" not in "".join(value for label, value in found.lines() if label in shares(found))


@pytest.mark.hand
@pytest.mark.parametrize(
    ("band", "told"),
    [
        ((1.2, 1.5), "out: nothing."),
        ((1.27, 1.5), "out: nothing."),
        ((1.32, 1.5), "richer than its band (lambda 1.2"),
        (None, "below 1.35"),
    ],
)
def test_what_stands_out_follows_from_the_band_of_the_heater(band, told):
    """Hand: 4.6 % O2 is lambda 1 + 4.6/16.3 · 0.935 = 1.26 of diesel at the air of the band, 1.27 within its 95 %."""
    stages = {"high": {"air_ratio_band": list(band)} if band else {}, "low": {"air_ratio_band": [1.8, 2.4]}}
    bare = Heater.from_dict({"heater_id": "heater-1", "fuel": "diesel_b7", "stages": stages})
    reading = {**HERE, "pressure_hpa": 1013.25, "intake_temp_c": 15.0, "humidity_pct": 0.0, "o2_dry_pct": 4.6}
    reading.pop("altitude_m", None)
    found = rank_causes(bare, {**reading, "co_dry_ppm": 40.0, "stage": "high"})[0]
    assert told in found.findings[0].text


@pytest.mark.hand
def test_no_sentence_of_a_cause_tells_what_was_not_read(heater):
    """At lambda 1.22 nobody says that O2 is normal; the size of a fault alone is told with numbers of the reading."""
    rich = rank_causes(heater, {**USUAL, "o2_dry_pct": 3.95, "co_dry_ppm": 900.0, "smoke_number": 5.0})[0]
    assert "normal" not in str(rich)
    for cause in shipped_priors().causes.values():
        said = " ".join((cause.sentence, cause.sentence_without_baseline, *cause.rest.values()))
        assert not re.search(r"\bnormal\b|\b(O2|CO|smoke|flue|lambda|heating air) (is|are) |stands out", said), (
            cause.name
        )


@pytest.mark.practice
def test_the_fixed_order_knows_the_class_of_the_heater():
    """A side-channel blower hardly feels a restriction, a centrifugal one does: voltage and speed before terminals."""
    orders = {}
    for blower in ("centrifugal", "side_channel"):
        bare = {key: value for key, value in PROFILE.items() if key != "baseline"}
        found = rank_causes(Heater.from_dict({**bare, "blower": blower}), {**HERE, "o2_dry_pct": 3.0})[0]
        orders[blower] = [one.check for one in found.next_checks]
    assert orders["centrifugal"].index("look_at_terminals") < orders["centrifugal"].index("supply_voltage")
    assert orders["side_channel"].index("supply_voltage") < orders["side_channel"].index("look_at_terminals")


@pytest.mark.practice
@pytest.mark.parametrize(
    ("answer", "names"),
    [
        ("intake_blocked", {"intake_restricted"}),
        ("exhaust_blocked", {"exhaust_restricted"}),
        ("both", {"intake_restricted", "exhaust_restricted"}),
    ],
)
def test_a_terminal_seen_blocked_nearly_settles_it(heater, answer, names):
    """CO and soot at little air may not speak for the burner against what was seen with one's own eyes."""
    reading = {
        **USUAL,
        "o2_dry_pct": 5.0,
        "co_dry_ppm": 900,
        "smoke_number": 5,
        "flue_temp_c": 352,
        "terminals": answer,
    }
    found = rank_causes(heater, {**reading, "air_out_temp_c": 95})[0]
    there = sum(one.probability for one in found.explanations if names & set(one.causes))
    assert there >= 0.9
    assert shares(found).get("burner_fouled", 0.0) < 0.1


@pytest.mark.practice
def test_a_fouled_exchanger_seen_nearly_settles_it(heater):
    reading = {**USUAL, "flue_temp_c": 350, "air_out_temp_c": 90, "strip_down": "exchanger_fouled"}
    found = rank_causes(heater, reading)[0]
    assert found.top.cause == "exchanger_fouled"
    assert sum(one.probability for one in found.explanations if "exchanger_fouled" in one.causes) >= 0.9


# A little leaner, hotter, and more heat at usual voltage: no one thing does that to a heater.
OF_ANOTHER = {**USUAL, "o2_dry_pct": 8.9, "flue_temp_c": 372, "air_out_temp_c": 99, "supply_v": 12.6, **STEADY}


@pytest.mark.hand
@pytest.mark.parametrize(("told", "times"), [("differs", 0.95 / 0.02), ("agrees", 0.05 / 0.98)])
def test_the_plate_multiplies_the_odds_of_another_heaters_baseline(heater, told, times):
    """Its table by hand: nineteen in twenty plates differ then, one in fifty of the others."""
    looked = {**HERE, "probe_leak_test": "pass"}
    without = shares(rank_causes(heater, looked, pairs=False)[0])
    found = shares(rank_causes(heater, {**looked, "plate_number": told}, pairs=False)[0])
    odds = [one["baseline_of_another_heater"] / one["healthy"] for one in (without, found)]
    assert odds[1] / odds[0] == pytest.approx(times, rel=1e-6)


@pytest.mark.hand
@pytest.mark.parametrize(("low", "certain"), [((-20.3, 21.5), True), ((-9.7, 41.9), False)])
def test_the_ducts_of_another_heater_are_the_same_ones_at_both_stages(heater, low, certain):
    """Suction 1.45 times and back pressure 0.717 of the baseline's at full stage: so at the low one, or the inverse.

    The inverse (1/1.45 and 1/0.717) would need other ducts at each stage. Heat and gas are the baseline's.
    """
    high = {**USUAL, "intake_static_pa": -87.0, "exhaust_static_pa": 107.5, "supply_v": 12.6, **STEADY}
    usual_low = {"stage": "low", "o2_dry_pct": 10.84, "flue_temp_c": 200, "co_dry_ppm": 50, "air_out_temp_c": 65}
    other = {**high, **usual_low, "intake_static_pa": low[0], "exhaust_static_pa": low[1]}
    found = rank_causes(heater, [high, other], pairs=False)[0]
    assert (found.top.cause == "baseline_of_another_heater" and found.top.probability > 0.9 and found.fits) == certain


@pytest.mark.practice
def test_a_look_at_the_plate_is_proposed_where_the_baseline_is_doubted_and_settles_it(heater):
    doubted = rank_causes(heater, OF_ANOTHER)[0]
    proposed = {check.check: check for check in doubted.next_checks}
    assert "baseline_record" in proposed
    assert not proposed["baseline_record"].why.startswith("STOP")
    told = rank_causes(heater, {**OF_ANOTHER, "plate_number": "differs"})[0]
    assert told.top.cause == "baseline_of_another_heater"
    assert "Compare the number" not in told.top.text
    assert "baseline_record" not in {check.check for check in told.next_checks}
