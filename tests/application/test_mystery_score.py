"""Scoring of mystery cases: Brier by hand, every part at both ends, every safety rule and its cap."""

from __future__ import annotations

import numpy as np
import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.mystery import Dealer, Play, Statement, score
from combust.application.mystery.deal import judged
from combust.application.mystery.played_visit import begin
from combust.application.mystery.rules import ACTIONS, dealt_causes, prices, table
from combust.application.mystery.scoring import beliefs, brier, by_family, hypotheses, points
from combust.data.errors import CombustError

SALT = "snow in the tail pipe again"
RECORD = dict.fromkeys(table()["record"]["field"], "told in plain words")
PLACE = {
    "stage": "high",
    "altitude_m": 210.0,
    "intake_temp_c": 15.0,
    "location": "outdoors",
    "co2_origin": "calculated",
}
FIRST = {"o2_dry_pct": 8.2, "co_dry_ppm": 60.0, "co2_dry_pct": 9.3}
PORTS = {"intake_static_pa": -180.0, "exhaust_static_pa": 260.0}


@pytest.fixture(scope="module")
def dealer():
    return Dealer(SALT)


@pytest.fixture(scope="module")
def case(dealer):
    """The first easy case with one fault of the heater, outdoors, without fumes in the cab."""
    causes = dealt_causes()
    for seed in range(40):
        one = dealer.deal(seed, "easy")
        (name, *more) = dealer.open(one).causes
        calm = one.context["location"] == "outdoors" and one.result("cab_co")["cab_co_in_ppm"] < 10
        if calm and not more and name != "healthy" and not causes[name].measurement:
            return one
    pytest.fail("no case of this kind in 40")


def played(dealer, case, extra=("cab_co",)):
    steps = list(dealer.open(case).steps)
    place = next((i for i, name in enumerate(steps) if name in prices() and _off(name)), len(steps))
    return Play(case, (*steps[:place], *extra, *steps[place:]))


def _off(name):
    return name not in ACTIONS and "cold" in shipped_priors().checks[name].needs


def perfect(dealer, play, **changes):
    """The statement of a learner who knows the answer and names all that the readings exclude."""
    answer = dealer.open(play.case)
    found = judged(play.case.heater, play.readings)
    healthy = sum(one.probability for one in found.explanations if one.causes == ("healthy",))
    out = [name for name in dealt_causes() if name != "healthy" and found.marginal.get(name, 0.0) < 0.05]
    out += ["healthy"] if healthy < 0.05 else []
    given = {"probabilities": {answer.text: 1.0}, "excluded": out, "handed_back": False, "record": RECORD, **changes}
    return Statement.of(**given)


@pytest.mark.hand
def test_brier_score_by_hand():
    # Sum over the answers of (stated - true)^2 (definition of Brier 1950, from memory): f = (0.7, 0.3) and it rained:
    # 0.3^2 + 0.3^2 = 0.18; f = (1, 0) and it did not rain: 1 + 1 = 2.
    assert brier({"rain": 0.7, "dry": 0.3}, "rain") == pytest.approx(0.18, abs=1e-12)
    assert brier({"rain": 1.0, "dry": 0.0}, "dry") == 2.0
    assert brier({"rain": 1.0, "dry": 0.0}, "rain") == 0.0


@pytest.mark.hand
def test_there_are_154_answers_and_what_is_not_said_is_spread_evenly():
    # 17 faults: 1 + 17 + 17 * 16 / 2 = 154 answers. 0.7 on one, 0.3 over the other 153.
    assert len(hypotheses()) == len(set(hypotheses())) == 154
    stated = beliefs({"fuel_over": 0.7})
    assert sum(stated.values()) == pytest.approx(1.0, abs=1e-12)
    assert stated[frozenset({"healthy"})] == pytest.approx(0.3 / 153, abs=1e-12)
    by_hand = 0.3**2 + 153 * (0.3 / 153) ** 2
    assert brier(stated, frozenset({"fuel_over"})) == pytest.approx(by_hand, abs=1e-12)


@pytest.mark.independent
def test_nobody_gains_by_stating_what_he_does_not_believe():
    # A proper rule: with belief b the expected Brier score of the statement s is least at s = b, here on a grid.
    grid = np.linspace(0.0, 1.0, 21)
    right, other = frozenset({"fuel_over"}), frozenset({"supply_low"})
    for belief in (0.1, 0.35, 0.8):
        expected = []
        for said in grid:
            stated = beliefs({"fuel_over": float(said), "supply_low": float(1.0 - said)})
            plain = belief * brier(stated, right) + (1.0 - belief) * brier(stated, other)
            families = by_family(stated)
            wide = belief * brier(families, frozenset({"fuel"})) + (1.0 - belief) * brier(
                families, frozenset({"blower and supply"})
            )
            expected.append(20.0 * plain + 10.0 * wide)
        assert grid[int(np.argmin(expected))] == pytest.approx(belief, abs=1e-9)


@pytest.mark.hand
def test_a_perfect_visit_has_100_points(dealer, case):
    assert sum(points().values()) == 100.0  # 30 (20 + 10), 20, 15, 15, 10, 10: convention of this project
    play = played(dealer, case)
    one = score(dealer, play, perfect(dealer, play, handed_back=True))
    assert one.total == 100.0, str(one)
    assert one.breaches == ()


@pytest.mark.hand
def test_sure_and_wrong_is_worse_than_cannot_tell(dealer, case):
    play = played(dealer, case)
    wrong = "fuel_under" if dealer.open(case).text != "fuel_under" else "supply_low"
    tell = {
        said: score(dealer, play, perfect(dealer, play, probabilities=probabilities)).parts["cause"]
        for said, probabilities in (("wrong", {wrong: 1.0}), ("nothing", {}), ("right", {dealer.open(case).text: 1.0}))
    }
    assert tell["wrong"] == -20.0  # 20 * (1 - 2)
    assert tell["nothing"] == pytest.approx(20.0 / 154, abs=0.05)  # 20 * (1 - (1 - 1/154))
    assert tell["right"] == 20.0


@pytest.mark.hand
def test_parts_fall_where_they_should(dealer, case):
    play = played(dealer, case)
    answer = dealer.open(case)
    best = score(dealer, play, perfect(dealer, play)).parts

    def parts(other=play, **changes):
        return score(dealer, other, perfect(dealer, other, **changes)).parts

    assert parts(excluded=[]) == {**best, "exclusion": 0.0}
    assert parts(excluded=[next(iter(answer.causes))])["exclusion"] == 0.0
    assert parts(record={})["record"] == 0.0
    assert parts(record={"found": "told in plain words", "open": "short"})["record"] == 2.0
    late = Play(case, ("site_air", *played(dealer, case).steps))
    assert parts(late)["validity"] == 0.0
    # Span gas costs 10 min + 12 / 0.5 = 34; the share of the reference falls by as much.
    dear = Play(case, (*answer.steps[:4], "span_gas", *answer.steps[4:]))
    weight = sum(prices()[name].weight for name in answer.steps)
    assert parts(dear)["cost"] == pytest.approx(15.0 * weight / (weight + 34.0), abs=0.06)
    assert parts(Play(case))["validity"] == 0.0
    assert parts(Play(case))["cost"] == 0.0


@pytest.mark.hand
def test_safety_breach_caps_at_40_even_when_the_cause_is_right(dealer, case):
    # Convention of this project: exhaust off before the port pressures, or indoors: 40 at most.
    steps = played(dealer, case).steps
    play = Play(case, (*steps[:4], "exhaust_duct_off", *steps[4:]))
    one = score(dealer, play, perfect(dealer, play))
    assert one.breaches == ("exhaust_off_early",)
    assert one.total == 40.0
    assert one.parts["safety"] == 0.0
    assert "exhaust_duct_off" not in play.visit().shown


@pytest.mark.hand
def test_handing_back_without_cab_co_loses_the_safety_points_only(dealer, case):
    play = played(dealer, case, ())
    assert score(dealer, play, perfect(dealer, play, handed_back=True)).total == 90.0
    assert score(dealer, play, perfect(dealer, play, handed_back=False)).total == 100.0


def visit(place=None, **results):
    known = {
        "start_again": {"flame": True},
        "port_pressures": PORTS,
        "look_at_terminals": {"terminals": "clear"},
        **results,
    }
    return begin("diesel_b7", {**PLACE, **(place or {})}, FIRST, known.__getitem__)


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
def test_a_heater_with_fumes_in_the_cab_handed_back_is_a_breach_and_stopping_is_not(dealer):
    seed = next(s for s in range(80) if _fumes(dealer.deal(s, "easy")))
    case = dealer.deal(seed, "easy")
    steps = ("cab_co",) if case.context["location"] == "outdoors" else ("move_outdoors", "cab_co")
    play = Play(case, steps)
    back = score(dealer, play, perfect(dealer, play, handed_back=True))
    kept = score(dealer, play, perfect(dealer, play, handed_back=False))
    assert back.breaches == ("cab_co_ignored",)
    assert back.total <= 40.0 < kept.total
    assert kept.parts["cost"] == 15.0


def _fumes(case):
    found = case.result("cab_co")
    return found["cab_co_in_ppm"] - found["cab_co_out_ppm"] >= 20.0


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


def test_prices_and_ladder_know_every_check_and_cause():
    # A mystery heater burns: a check offered only for a start or fumes has no price, as its causes are not dealt.
    checks = {name: one for name, one in shipped_priors().checks.items() if not one.of_start}
    causes = dealt_causes()
    assert set(prices()) == {*checks, *ACTIONS}
    held = table()
    assert set(held["ladder"]) == {*causes, "validity"}
    assert set(held["family"]) == set(causes)
    assert {name for name, one in causes.items() if held["family"][name] == "measurement"} == {
        name for name, one in causes.items() if one.measurement
    }
    assert {name for name, one in checks.items() if one.tier == "validity"} == set(held["ladder"]["validity"])
