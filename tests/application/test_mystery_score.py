"""Scoring of mystery cases: the log score by hand, each part at both ends, every safety rule, debrief and class."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import entropy

from combust.application.causes.catalogue import shipped_priors
from combust.application.lessons.misconceptions import misconception_cards
from combust.application.mystery import Play, Score, Statement, class_summary, debrief, score
from combust.application.mystery.class_summary import COLUMNS, rows_of
from combust.application.mystery.debrief import belief_of
from combust.application.mystery.played_visit import begin
from combust.application.mystery.rules import ACTIONS, UNTOLD, answers, dealt_causes, prices, prior, table, weight_of
from combust.application.mystery.scoring import beliefs, expert_belief, log_score
from combust.data.errors import CombustError
from tests.application.mystery_study import dealt, expert, stated

PLACE = {
    "stage": "high",
    "altitude_m": 210.0,
    "intake_temp_c": 15.0,
    "location": "outdoors",
    "co2_origin": "calculated",
}
FIRST = {"o2_dry_pct": 8.2, "co_dry_ppm": 60.0, "co2_dry_pct": 9.3}
PORTS = {"intake_static_pa": -180.0, "exhaust_static_pa": 260.0}


def one(answer):
    return frozenset(answer.split("+"))


@pytest.mark.hand
def test_log_score_by_hand():
    # ln2 of stated over prior (Good 1952, from memory): 0.8 where the prior was 0.2 is two bits, 0.05 is minus two.
    known = {"rain": 0.2, "dry": 0.8}
    assert log_score({"rain": 0.8, "dry": 0.2}, known, "rain", 0.01) == pytest.approx(2.0, abs=1e-12)
    assert log_score({"rain": 0.05, "dry": 0.95}, known, "rain", 0.01) == pytest.approx(-2.0, abs=1e-12)
    assert log_score(known, known, "rain", 0.01) == 0.0
    # 0 counts as 0.01, and all are scaled: 0.01 / 1.01 over 0.2.
    assert log_score({"rain": 0.0, "dry": 1.0}, known, "rain", 0.01) == pytest.approx(math.log2(0.01 / 1.01 / 0.2))


@pytest.mark.independent
def test_nobody_gains_by_stating_what_he_does_not_believe():
    # A proper score: of 2000 statements none is better on the average than the belief; what it gains over the prior is
    # the divergence of the two (scipy's entropy).
    noise = np.random.default_rng(1)
    belief, usual = np.array([0.6, 0.25, 0.1, 0.05]), np.array([0.1, 0.2, 0.3, 0.4])
    known = dict(enumerate(usual))

    def expected(said):
        said = dict(enumerate(said))
        return sum(share * log_score(said, known, place, 0.01) for place, share in enumerate(belief))

    best = expected(belief)
    assert best == pytest.approx(entropy(belief, usual, base=2), abs=1e-12)
    assert max(expected(said) for said in noise.dirichlet(np.ones(4), 2000)) <= best
    assert expected([1.0, 0.0, 0.0, 0.0]) < best


@pytest.mark.hand
def test_what_is_not_said_goes_to_the_others_as_they_are_dealt():
    # Not in a hurry: healthy 0.2 * 0.99 of the prior, fuel_over 0.45 / 11 * 0.99 (11 single faults of the heater).
    known = prior(150.0)
    assert known[one("fuel_over")] == pytest.approx(0.45 / 11 * 0.99)
    said = beliefs(Statement.of({"fuel_over": 0.7}), known)
    assert sum(said.values()) == pytest.approx(1.0)
    assert said[one("healthy")] == pytest.approx(0.3 * 0.198 / (1.0 - 0.45 / 11 * 0.99))
    out = beliefs(Statement.of({"fuel_over": 0.7}, ["healthy"]), known)
    assert out[one("healthy")] == 0.0
    assert sum(out.values()) == pytest.approx(1.0)
    assert beliefs(Statement(), known) == pytest.approx(dict(known))


@pytest.mark.hand
def test_silence_has_nothing_at_all():
    for seed in range(4):
        found = score(Play(dealt(seed)), Statement())
        assert (found.total, set(found.parts.values()), found.top) == (0.0, {0.0}, "")


@pytest.mark.hand
def test_points_are_bits_less_cost():
    key = dealt(0)
    assert key.text == "fuel_under"
    sure = Statement.of({key.text: 1.0})
    # Floored at 0.01 (doubles at their prior of 0.1 / 13 * 0.99), then scaled: the rest is 17 * 0.01 + 13 * 0.0076.
    pairs = len(table()["pairs"]["names"])
    rest = 17 * 0.01 + 0.99 * 0.10
    assert pairs == 13
    bits = math.log2(1.0 / (1.0 + rest) / (0.45 / 11 * 0.99))
    assert score(Play(key), sure).total == pytest.approx(15.0 * bits, abs=0.06)
    # Span gas costs 10 min + 12 / 0.5 = 34 minutes: 3.4 points.
    dear = score(Play(key).take("span_gas"), sure)
    assert dear.parts["cost"] == -3.4
    assert dear.total == pytest.approx(15.0 * bits - 3.4, abs=0.06)
    assert score(Play(key), Statement.of({"healthy": 1.0})).total < -20.0


@pytest.mark.hand
def test_what_the_reference_believes_hangs_on_what_was_read_and_not_on_the_order():
    # Cold checks between the others want a second start: the same readings, so the same belief.
    key, together = dealt(0), ("supply_voltage", "port_pressures", "look_at_terminals", "pump_delivery")
    in_turn = (*("look_at_terminals", "start_again", "supply_voltage"), *("pump_delivery", "start_again"), together[1])
    belief = expert_belief(key, in_turn)
    assert belief == pytest.approx(expert_belief(key, together), abs=1e-9)
    assert sum(belief.values()) == pytest.approx(1.0)


def test_sure_and_wrong_is_worse_than_half_sure_and_wrong():
    key = dealt(0)
    totals = [score(Play(key), Statement.of({"fuel_over": share})).total for share in (0.0, 0.3, 0.6, 0.9, 1.0)]
    assert totals == sorted(totals, reverse=True)


@pytest.mark.hand
def test_cannot_be_told_is_paid_where_it_is_right_only():
    hurry = dealt(3)
    assert hurry.text == UNTOLD
    assert score(expert(hurry), Statement.of({UNTOLD: 0.9})).total > 15.0
    assert score(expert(dealt(0)), Statement.of({UNTOLD: 0.9})).total < 0.0


@pytest.mark.hand
def test_a_broken_rule_leaves_no_points_even_when_the_cause_is_right():
    key = dealt(0)
    play = Play(key).take("exhaust_duct_off")
    found = score(play, Statement.of({key.text: 1.0}))
    assert found.breaches == ("exhaust_off_early",)
    assert found.total == 0.0 < found.parts["cause"]
    assert found.parts["safety"] == -20.0
    assert "exhaust_duct_off" not in play.visit().shown


@pytest.mark.hand
def test_handing_back_without_cab_co_costs_ten_points():
    key = dealt(0)
    said = {"probabilities": {key.text: 0.9}}
    kept, back = (score(Play(key), Statement.of(**said, handed_back=handed)).total for handed in (False, True))
    assert kept - back == pytest.approx(10.0)
    looked = Play(key).take("cab_co")
    assert weight_of(looked.steps) == 0.0  # what safety asks for costs no points
    assert score(looked, Statement.of(**said, handed_back=True)).total == kept


def visit(place=None, budget=150.0, **results):
    known = {
        "start_again": {"flame": True},
        "port_pressures": PORTS,
        "look_at_terminals": {"terminals": "clear"},
        **{name: {} for name in ("span_gas", "pump_delivery", "fuel_sample")},
        **results,
    }
    return begin("diesel_b7", {**PLACE, **(place or {})}, FIRST, known.__getitem__, budget)


FUMES = {"cab_co_in_ppm": 28.0, "cab_co_out_ppm": 1.0}
INDOORS = {"location": "indoors"}


@pytest.mark.practice
@pytest.mark.parametrize(
    ("place", "results", "steps", "code"),
    [
        (INDOORS, {}, ["supply_voltage"], "running_indoors"),
        (INDOORS, {}, ["look_at_terminals", "start_again"], "running_indoors"),
        (INDOORS, {}, ["pump_delivery"], "fuel_indoors"),
        (INDOORS, {}, ["fuel_sample"], "fuel_indoors"),
        (INDOORS, {}, ["exhaust_duct_off"], "exhaust_off_early"),
        ({}, {}, ["exhaust_duct_off"], "exhaust_off_early"),
        ({}, {"cab_co": FUMES}, ["cab_co", "supply_voltage"], "cab_co_ignored"),
        ({}, {"cab_co": FUMES}, ["cab_co", "look_at_terminals", "start_again"], "cab_co_ignored"),
        ({}, {"fuel_sample": {"fuel_sample": "gasoline"}}, ["fuel_sample", "start_again"], "stop_ignored"),
        (
            {},
            {"second_stage": {"stage": "low", "co_dry_ppm": 1500.0}},
            ["second_stage", "supply_voltage"],
            "stop_ignored",
        ),
        ({}, {"start_again": {"flame": False}}, ["look_at_terminals", "start_again", "start_again"], "repeated_starts"),
    ],
)
def test_every_safety_rule_is_watched(place, results, steps, code):
    # Common practice, no source for a score.
    played_visit = visit(place, **results)
    for step in steps:
        assert played_visit.breaches == []
        played_visit.take(step)
    assert played_visit.breaches == [code]
    assert steps[-1] not in played_visit.shown or steps.count(steps[-1]) > 1


def test_every_rule_of_the_table_is_in_the_test_above():
    marks = test_every_safety_rule_is_watched.pytestmark
    rows = next(mark for mark in marks if mark.name == "parametrize").args[1]
    assert {row[3] for row in rows} == set(table()["breach"])


@pytest.mark.practice
def test_what_is_allowed_is_allowed():
    one = visit(INDOORS)
    for step in ("move_outdoors", "port_pressures"):
        one.take(step)
    assert one.rule_broken_by("exhaust_duct_off") == ""
    again = visit(start_again={"flame": False})
    for step in ("look_at_terminals", "start_again", "wait", "start_again"):
        again.take(step)
    assert again.running
    assert again.breaches == []


@pytest.mark.parametrize(
    ("steps", "why"),
    [
        (["look_at_terminals", "port_pressures"], "start it again"),
        (["port_pressures", "port_pressures"], "made already"),
        (["move_outdoors"], "already stands outdoors"),
        (["start_again"], "heater is running"),
        (["wait"], "nothing to wait for"),
        (["open_everything"], "no check and no action"),
        (["span_gas", "pump_delivery", "fuel_sample", "exhaust_duct_off"], "do not reach"),
    ],
)
def test_a_step_that_makes_no_sense_costs_nothing(steps, why):
    one = visit()
    for step in steps[:-1]:
        one.take(step)
    minutes = one.used.minutes
    with pytest.raises(CombustError, match=f"(?i){why}"):
        one.take(steps[-1])
    assert one.used.minutes == minutes
    assert one.breaches == []


@pytest.mark.hand
def test_a_heater_with_fumes_in_the_cab_handed_back_is_a_breach_and_stopping_is_not():
    key = dealt(0)
    key = replace(key, results={**key.results, "cab_co": FUMES})
    play = Play(key).take("cab_co")
    said = {"probabilities": {key.text: 0.9}}
    back, kept = (score(play, Statement.of(**said, handed_back=handed)) for handed in (True, False))
    assert back.breaches == ("cab_co_ignored",)
    assert back.total <= 0.0 < kept.total


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"probabilities": {"fuel_over": 80}}, "not per cent"),
        ({"probabilities": {"fuel_over": 0.8, "supply_low": 0.3}}, "sum to more than 1"),
        ({"probabilities": {"gremlins": 0.5}}, "no cause"),
        ({"probabilities": {"healthy+fuel_over": 0.5}}, "two faults"),
        ({"probabilities": {"fuel_over+supply_low+sample_wet": 0.5}}, "two faults"),
        ({"probabilities": {"fuel_over+supply_low": 0.3, "supply_low+fuel_over": 0.3}}, "twice"),
        ({"probabilities": {"fuel_over": None}}, "0 to 1"),
        ({"probabilities": {"fuel_over": float("nan")}}, "0 to 1"),
        ({"probabilities": {}, "excluded": ["gremlins"]}, "is none of"),
        ({"probabilities": {}, "record": {"poem": "x"}}, "is none of"),
    ],
)
def test_a_statement_that_cannot_be_is_refused(given, why):
    with pytest.raises(CombustError, match=why):
        Statement.of(**given)


def test_prices_answers_and_beliefs_know_every_check_and_cause():
    # A mystery heater burns, its baseline is its own, and nobody opens it: such checks have no price.
    checks = {name for name, check in shipped_priors().checks.items() if not check.of_start}
    assert set(prices()) == {*checks, *ACTIONS} - {"baseline_record", "strip_down"}
    causes = set(dealt_causes())
    assert set(answers()) == {*causes, UNTOLD}
    for budget in (20.0, 150.0):
        assert sum(prior(budget).values()) == pytest.approx(1.0)
        assert {name for causes in prior(budget) for name in causes} == set(answers())
    cards = {card.name for card in misconception_cards()}
    for row in table()["misled"]:
        assert row["card"] in cards
        assert {*row.get("said", []), *row.get("right", [])} <= causes


def test_the_debrief_says_what_each_check_did_and_which_reading_shows_it():
    key = dealt(0)
    told = debrief(expert(key), Statement.of({"burner_fouled": 0.9}))
    assert [moved.step for moved in told.steps] == ["first reading", *key.steps]
    assert told.shows.split(":")[0] in key.steps
    assert [step for step, _ in told.best_order] == list(key.steps)
    assert told.best_order[-1][1] >= 0.9
    assert told.belief["name"] in {card.name for card in misconception_cards()}
    assert debrief(expert(key), stated({key.causes: 0.9})).belief == {}
    # The bits of all steps are those from the prior to the end.
    gained = sum(moved.bits for moved in told.steps)
    assert gained == pytest.approx(math.log2(told.steps[-1].share / prior(150.0)[key.causes]), abs=0.05)


@pytest.mark.parametrize(
    ("said", "right", "card"),
    [
        ("healthy", "burner_fouled", "approval_limits_are_targets"),
        ("blower_weak", "supply_low", "battery_volts_are_heater_volts"),
        ("sample_air_leak", "fuel_under", "lean_reading_is_a_leaking_intake"),
        ("exhaust_restricted", "sample_air_leak", "exhaust_leak_dilutes"),
        ("fuel_over", "o2_cell_drift", "agreeing_pair_proves_the_analyser"),
        ("healthy", "healthy", None),
    ],
)
def test_a_wrong_choice_has_a_belief_behind_it(said, right, card):
    key = replace(dealt(0), causes=one(right), right=one(right))
    play = Play(key)
    assert belief_of(play, score(play, Statement.of({said: 0.9}))).get("name") == card


def scored(total, top, share, right, cost):
    parts = {"cause": total, "cost": 0.0, "safety": 0.0}
    return Score("C", "easy", total, parts, 50.0, (), {}, top, share, right, cost, 10.0)


@pytest.mark.hand
def test_the_summary_of_a_class_by_hand():
    some = [
        scored(40.0, "fuel_over", 0.9, "fuel_over", 10.0),
        scored(-20.0, "fuel_over", 0.9, "supply_low", 30.0),
        scored(-10.0, "fuel_over", 0.6, "supply_low", 20.0),
        scored(0.0, "", 0.0, "supply_low", 0.0),
    ]
    found = class_summary(some)
    assert (found.count, found.mean, found.reference, found.right) == (4, 2.5, 50.0, 1)
    assert found.commonest_wrong == (("fuel_over", 2),)
    assert (found.cost, found.reference_cost) == (15.0, 10.0)
    rows = {(row.low, row.count): (row.stated, row.right) for row in found.calibration}
    assert rows == {(0.5, 1): (0.6, 0.0), (0.8, 2): (pytest.approx(0.9), 0.5)}
    told = dict(found.lines())
    assert told["sure 50 to 80 %"] == "1 said, 60 % sure on the average, 0 % right"
    assert told["sure 80 to 95 %"] == "2 said, 90 % sure on the average, 50 % right"
    table_rows = rows_of(zip("dcba", some, strict=True), ["", "", "an older copy", ""])
    assert [row[0] for row in table_rows] == list("abcd")
    assert [row[-1] for row in table_rows] == ["", "an older copy", "", ""]
    assert all(len(row) == len(COLUMNS) for row in table_rows)
