"""A class without a server: shared time, one vote a phone, causes with per cents, a log that plays again."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.trainer.class_heater import ClassHeater, class_causes, class_table, faults_of
from combust.application.trainer.class_people import FULL, People, spread
from combust.application.trainer.class_summary import brier_of, calibration_of, summary_of
from combust.application.trainer.classroom import BEAT, Classroom, live
from combust.application.trainer.inputs import input_fields
from combust.application.trainer.scenarios import scenario, scenarios
from combust.application.trainer.session import TrainingSession
from combust.data.errors import CombustError
from combust.data.tables import read_toml
from combust.domain.heater import Heater
from tests.source_rows import SourceRow, source_rows

PROFILE = read_toml(Path(__file__).parents[3] / "data" / "heaters" / "heater-0312.toml")
ANSWERS = ["It rises.", "It falls."]


class Class:
    """A class and its log, as the server keeps it."""

    def __init__(self, story: str = "", factor: float = 1.0) -> None:
        first = {"do": "start", "tick": 0, "heater": PROFILE, "words": "brook cedar", "story": story, "factor": factor}
        self.room, self.log = Classroom(first), [json.dumps(first, default=str)]

    def do(self, name: str, /, **facts: Any) -> None:
        self.log.append(json.dumps(self.room.do({"do": name, **facts})))

    def seconds(self, seconds: float) -> None:
        self.log += [json.dumps(beat) for beat in self.room.pass_time(round(4 * seconds))]

    def again(self) -> Classroom:
        return Classroom.replay([json.loads(line) for line in self.log])


def refused(held: Class, name: str, /, **facts: Any) -> str:
    with pytest.raises(CombustError) as caught:
        held.do(name, **facts)
    return str(caught.value)


@pytest.mark.independent
@pytest.mark.parametrize("key", ["bubbles", "power_cut"])
def test_a_story_by_the_clock_of_a_class_is_the_story_played_at_once(key: str) -> None:
    # independent: the story's own player, which advances in one piece from step to step
    played = TrainingSession(Heater.from_dict(PROFILE))
    scenario(key).run(played)
    held = ClassHeater(Heater.from_dict(PROFILE), key, 60.0)
    while held.session.time_s < scenario(key).lasts_s:
        held.advance(min(0.75, (scenario(key).lasts_s - held.session.time_s) / 60.0))
    held.session.time_factor = 1.0
    assert held.session.display() == played.display()
    assert held.session.events() == played.events()
    assert [one.time_s for one in held.strip] == [5.0 * n for n in range(1, 1 + len(held.strip))]


@pytest.mark.regression
def test_the_log_leads_to_the_same_class_also_after_another_heater() -> None:
    held = Class("exhaust_blocked", 20.0)
    held.do("join", seat="a", name="Wren")
    held.do("go_on")
    held.seconds(21.25)
    held.do("fresh", story="bubbles")
    held.do("go_on")
    held.seconds(13.0)
    held.do("knobs", set={"altitude_m": 1800.0})
    held.do("factor", factor=7.5)
    held.seconds(40.5)
    held.do("ask", text="What does the O2 do?", answers=ANSWERS)
    held.do("vote", seat="a", question=1, answer=1)
    held.do("state", seat="a", shares={"fuel_under": 80.0})
    again, room = held.again(), held.room
    assert again.heater.session.display() == room.heater.session.display()
    assert again.heater.strip == room.heater.strip
    assert (again.people.questions, again.people.by_seat) == (room.people.questions, room.people.by_seat)
    assert (again.tick, again.paused, again.truth) == (room.tick, room.paused, room.truth)
    assert again.heater.session.time_s == pytest.approx(13.0 * 20.0 + 40.5 * 7.5, abs=0.3)


@pytest.mark.hand
def test_how_often_somebody_looks_does_not_move_the_time() -> None:
    """A quarter second at ×7.5 is no whole number of the heater's steps: by hand, 100 s at ×7.5 are 750 s."""
    looked, played = Class("exhaust_blocked", 7.5), Class("exhaust_blocked", 7.5)
    for held in (looked, played):
        held.do("go_on")
    for _ in range(400):
        looked.seconds(0.25)
    played.seconds(100.0)
    assert looked.room.heater.session.time_s == played.room.heater.session.time_s == 750.0
    for other in (played.room, looked.again()):
        assert other.heater.session.display() == looked.room.heater.session.display()
        assert other.heater.strip == looked.room.heater.strip


@pytest.mark.regression
def test_time_stands_while_a_question_is_open_and_when_a_heater_is_old(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(class_table()["limits"], "heater_s", 500.0)
    held = Class(factor=60.0)
    held.seconds(10.0)
    assert held.room.tick == 0, "a class begins paused"
    held.do("go_on")
    held.seconds(5.0)
    held.do("ask", text="What does the O2 do?", answers=ANSWERS)
    held.seconds(50.0)
    assert (held.room.tick, held.room.paused) == (20, "asked")
    held.do("go_on")
    held.seconds(100.0)
    assert held.room.paused == "old"
    assert held.room.tick <= 20 + BEAT
    assert "driven for long enough" in refused(held, "go_on")
    held.do("fresh", story="")
    held.do("go_on")
    held.seconds(1.0)
    assert held.room.heater.session.time_s == 60.0


@pytest.mark.hand
def test_a_phone_has_one_vote_and_only_before_it_happens() -> None:
    held = Class()
    for seat in ("a", "b", "c"):
        held.do("join", seat=seat)
    assert "closed" in refused(held, "vote", seat="a", question=1, answer=0)
    held.do("ask", text="What does the O2 do?", answers=ANSWERS)
    assert "still open" in refused(held, "ask", text="And the CO?", answers=ANSWERS)
    held.do("vote", seat="a", question=1, answer=0)
    held.do("vote", seat="a", question=1, answer=1)
    held.do("vote", seat="b", question=1, answer=1)
    held.do("vote", seat="c", question=1, answer=0)
    question = held.room.people.question
    assert question is not None
    assert question.shares == (1 / 3, 2 / 3)  # by hand: a changed its mind, one of three against two of three
    for number, answer, seat in ((2, 0, "a"), (1, 2, "a"), (1, -1, "a"), (1, 0, "nobody")):
        assert refused(held, "vote", seat=seat, question=number, answer=answer)
    assert "not closed" in refused(held, "happened", question=1, answer=0)
    held.do("go_on")
    assert "closed" in refused(held, "vote", seat="a", question=1, answer=0)
    held.do("happened", question=1, answer=1)
    assert question.shares == (1 / 3, 2 / 3)
    assert [row["votes_that_came_true"] for row in summary_of(held.room).rows] == [1, 1, 0]


@pytest.mark.regression
@pytest.mark.parametrize(
    "answers", [[], ["one"], ["same", "same"], ["a", ""], [str(n) for n in range(6)], ["a", "b" * 161], ["a", "b\nc"]]
)
def test_a_question_that_is_no_choice_is_refused(answers: list[str]) -> None:
    assert refused(Class(), "ask", text="What next?", answers=answers)


@pytest.mark.hand
def test_sums_are_handled_in_words_and_nothing_is_certain() -> None:
    count = len(class_causes())
    sure, told = spread({"fuel_over": 100.0})
    assert told == (class_table()["say"]["floor"],)
    assert sure["fuel_over"] == pytest.approx(1.0 - 0.01 * (count - 1))  # by hand: what the floors leave
    assert sure["healthy"] == pytest.approx(0.01)
    over, told = spread({"fuel_over": 90.0, "healthy": 60.0})
    assert "150 %" in told[0]
    assert over["fuel_over"] == pytest.approx(0.6 * (1.0 - 0.01 * (count - 2)))  # by hand: 90 of 150 of what is left
    under, told = spread({"fuel_over": 60.0})
    assert "40 %" in told[0]
    assert len(told) == 1, "no floor was needed"
    assert under["fuel_over"] == pytest.approx(0.6)
    assert under["healthy"] == pytest.approx(0.4 / (count - 1))
    small, _ = spread({"fuel_over": 98.0, "healthy": 0.5})
    assert small["healthy"] == pytest.approx(0.01)
    assert small["fuel_over"] == pytest.approx(1.0 - 0.01 * (count - 1))
    every, _ = spread(dict.fromkeys(class_causes(), 1.0))
    assert every == pytest.approx(dict.fromkeys(class_causes(), 1.0 / count))
    for one in (sure, over, under, every):
        assert math.fsum(one.values()) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.regression
@pytest.mark.parametrize(
    "shares",
    [{}, {"fuel_over": 0.0}, {"fuel_over": -5.0}, {"fuel_over": 101.0}, {"witchcraft": 50.0},
     {"fuel_over": float("nan")}, {"fuel_over": float("inf")}, {"fuel_over": "many"}],
)  # fmt: skip
def test_what_is_no_statement_is_refused_and_takes_nothing_away(shares: dict[str, Any]) -> None:
    held = Class()
    held.do("join", seat="a")
    held.do("state", seat="a", shares={"fuel_over": 70.0})
    assert refused(held, "state", seat="a", shares=shares)
    assert held.room.people.by_seat["a"].stated == {"fuel_over": 70.0}


@pytest.mark.regression
def test_after_the_answer_was_shown_nothing_is_stated() -> None:
    held = Class()
    held.do("join", seat="a")
    held.do("knobs", set={"exhaust_resistance": 8.0})
    held.do("knobs", set={"exhaust_resistance": 1.0})
    held.do("show_answer")
    assert held.room.answer == ("exhaust_restricted",), "what it has had, also when the knob was moved back"
    assert "too late" in refused(held, "state", seat="a", shares={"fuel_over": 70.0})
    held.do("fresh", story="")
    assert held.room.answer == ()
    held.do("state", seat="a", shares={"fuel_over": 70.0})
    assert held.room.truth == ("healthy",)


@pytest.mark.regression
def test_every_knob_is_a_fault_or_is_none_and_every_story_hides_one() -> None:
    none = {"stage", "warm_enough", "altitude_m", "air_temp_c"}
    assert set(class_table()["fault"]) == set(input_fields()) - none
    usual = TrainingSession(Heater.from_dict(PROFILE)).heater.inputs
    for key in scenarios():
        held = ClassHeater(Heater.from_dict(PROFILE), key, 60.0)
        for step in held.story.steps if held.story else ():
            held.set_inputs(step.get("set", {}))
        assert held.faults or key == "power_cut", key
        assert held.faults <= set(class_causes())
        assert class_table()["note"][key]
    assert faults_of(usual, usual) == frozenset()
    assert set(class_table()["check"]) <= set(shipped_priors().checks)


@pytest.mark.regression
def test_a_class_keeps_no_more_than_its_limits() -> None:
    people, most = People(), class_table()["limits"]
    for number in range(int(most["learners"])):
        assert people.join(f"s{number}").number == number + 1
    with pytest.raises(CombustError, match="is full"):
        people.join("one more")
    assert people.join("s7").number == 8, "a phone that comes again has its place"
    for _ in range(int(most["deeds_of_a_learner"]) - 1):
        people.want("s7", "port_pressures")
    with pytest.raises(CombustError, match="enough from this phone"):
        people.want("s7", "port_pressures")
    assert people.wanted == {"port_pressures": {"s7"}}
    with pytest.raises(CombustError):
        people.join("s9", "x" * 25)


@pytest.mark.regression
@pytest.mark.parametrize("name", ["", "explode", "__init__", None, 7])
def test_what_a_class_does_not_do_is_refused(name: Any) -> None:
    held = Class()
    before = held.room.changed
    with pytest.raises(CombustError):
        held.room.do({"do": name})
    assert held.room.changed == before


# By hand: the answer 0.7, others 0.2 and 0.1: 0.3² + 0.2² + 0.1² = 0.14; sure and wrong: 1² + 1² = 2.
@source_rows(
    SourceRow("hand", "Brier 1950 (definition from memory): 0.3² + 0.2² + 0.1²", "Brier score [-]", "0.14",
              lambda: brier_of({"a": 0.7, "b": 0.2, "c": 0.1}, ["a"])),
    SourceRow("hand", "Brier 1950 (definition from memory): sure and wrong, 1² + 1²", "Brier score [-]", "2.0",
              lambda: brier_of({"a": 0.0, "b": 1.0, "c": 0.0}, ["a"])),
    SourceRow("hand", "two causes count as one answer: (1 - 0.8)² + 0.2²", "Brier score [-]", "0.08",
              lambda: brier_of({"a": 0.5, "b": 0.3, "c": 0.2}, ["a", "b"])),
)  # fmt: skip
def test_brier(row: SourceRow) -> None:
    row.check()


@pytest.mark.hand
def test_the_summary_of_a_class_of_three() -> None:
    held = Class()
    for seat in "abcd":
        held.do("join", seat=seat, name={"a": "=1+1"}.get(seat, ""))
    held.do("knobs", set={"fuel": 1.2})
    held.do("state", seat="a", shares={"fuel_over": 100.0})
    held.do("state", seat="b", shares={"exhaust_restricted": 70.0, "fuel_over": 30.0})
    held.do("state", seat="c", shares={"exhaust_restricted": 100.0})
    told = summary_of(held.room)
    count = len(class_causes())
    # by hand: 100 %, 30 % and 0 % of what the floors of the other causes leave, the last at its floor
    shares = (1.0 - 0.01 * (count - 1), 0.3 * (1.0 - 0.01 * (count - 2)), 0.01)
    assert told.mean_share == pytest.approx(sum(shares) / 3)
    assert (told.learners, told.statements, told.misled_by) == (4, 3, 2)
    assert told.misled == shipped_priors().causes["exhaust_restricted"].label
    # by hand: fuel_over 100 % right; exhaust 70 % and 100 % wrong; fuel_over 30 % right
    assert [(one.said, one.right) for one in told.calibration] == [(0, 0), (1, 1), (0, 0), (1, 0), (2, 1)]
    assert [row["share_on_the_answer"] for row in told.rows][3] is None
    assert told.lines()
    assert sum(one.said for one in calibration_of([{"a": FULL}], ["a"])) == 1


@pytest.mark.regression
def test_a_class_that_was_ended_is_over() -> None:
    assert live([{"do": "start"}, {"do": "beat"}])
    assert not live([{"do": "start"}, {"do": "end"}])
    assert not live([])
