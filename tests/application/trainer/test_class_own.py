"""A class in which everybody drives one's own heater: whose deeds move what, pairs, another story for each, the log."""

from __future__ import annotations

import json
from typing import Any

import pytest

from combust.application.trainer.class_heater import class_causes, class_table
from combust.application.trainer.class_summary import summary_of
from combust.application.trainer.classroom import Classroom
from combust.application.trainer.session import TrainingSession
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from tests.application.trainer.test_classroom import PROFILE, Class, refused

KNOBS = class_table()["own"]["knobs"]


class Own(Class):
    """A class in which everybody drives one's own heater, and its log."""

    def __init__(self, story: str = "", factor: float = 10.0, **more: Any) -> None:
        first = {"do": "start", "tick": 0, "heater": PROFILE, "words": "brook cedar", "story": story, "factor": factor}
        first |= {"own": True, **more}
        self.room, self.log = Classroom(first), [json.dumps(first, default=str)]

    def joined(self, *seats: str) -> Own:
        for seat in seats:
            self.do("join", seat=seat)
        return self


@pytest.mark.independent
def test_each_heater_is_driven_by_its_own_seat_only() -> None:
    held = Own().joined("a", "b", "c")
    held.do("go_on")
    held.do("drive", seat="a", what="heat", learner=2, place=2, at=2)  # whatever else is said, it is a's own
    held.do("drive", seat="b", what="heat")
    held.do("move", seat="b", set={"altitude_m": 1800.0}, at=1)
    held.seconds(40.0)
    # independent: the same heaters driven by hand, each alone
    for place, height in ((1, 0.0), (2, 1800.0)):
        alone = TrainingSession(Heater.from_dict(PROFILE))
        alone.request_heat()
        alone.set_inputs({"altitude_m": height} if height else {})
        alone.advance(400.0)
        alone.time_factor = 10.0
        assert held.room.heaters[place].session.display() == alone.display()
    assert held.room.heaters[3].session.display().phase == "off"
    assert held.room.heaters[0].session.display().phase == "off"


@pytest.mark.regression
def test_a_learner_moves_what_anybody_may_and_no_fault() -> None:
    held = Own().joined("a")
    for key, value in (("exhaust_resistance", 8.0), ("fuel", 1.2), ("battery_v", 0.0), ("hose_leak", 0.5), ("x", 1.0)):
        assert refused(held, "move", seat="a", set={key: value})
        assert refused(held, "move", seat="a", set={"altitude_m": 500.0, key: value})
    assert refused(held, "move", seat="a", set={"altitude_m": 9e9})
    assert refused(held, "drive", seat="a", what="explode")
    assert refused(held, "drive", seat="nobody", what="heat")
    assert held.room.heaters[1].session.heater.inputs == held.room.heaters[0].session.heater.inputs
    assert set(KNOBS).isdisjoint(class_table()["fault"]), "what a learner may move is no fault"
    common = Class()
    common.do("join", seat="a")
    for name, said in (("drive", {"what": "heat"}), ("move", {"set": {"altitude_m": 500.0}})):
        assert "driven by the trainer" in refused(common, name, seat="a", **said)


@pytest.mark.regression
def test_the_log_leads_to_the_same_thirty_heaters() -> None:
    held = Own(deal=["exhaust_blocked", "bubbles", "thin_wire"]).joined("a", "b")
    held.do("go_on")
    held.seconds(5.25)
    held.do("fresh", story="", deal=["bubbles", "exhaust_blocked"])
    held.do("go_on")
    held.seconds(20.0)
    held.joined("late")
    held.do("drive", seat="late", what="heat")
    held.do("want", seat="b", check="port_pressures")
    held.do("knobs", at=2, set={"exhaust_resistance": 5.0})
    held.do("knobs", at="all", set={"air_temp_c": -5.0})
    held.do("factor", factor=7.5)
    for _ in range(100):
        held.seconds(0.25)
    held.do("front", at=3)
    again, room = held.again(), held.room
    assert list(again.heaters) == [0, 1, 2, 3]
    for place, one in room.heaters.items():
        other = again.heaters[place]
        assert other.session.display() == one.session.display()
        assert (other.faults, other.strip, other.story) == (one.faults, one.strip, one.story)
    assert (again.front, again.people.wanted, again.tick) == (3, {"port_pressures": {"b"}}, room.tick)
    stories = [one.story.key if one.story else "" for one in room.heaters.values()]
    assert stories == ["", "bubbles", "exhaust_blocked", "bubbles"], "neighbours have another one"
    assert room.heaters[3].session.time_s < room.heaters[1].session.time_s, "who comes late begins with a cold one"


@pytest.mark.hand
def test_sixty_phones_sit_at_thirty_heaters_and_a_door_and_a_number_keep_out_who_is_here_twice() -> None:
    held, most = Own(), int(class_table()["limits"]["own_heaters"])
    held.joined(*(f"s{number}" for number in range(2 * most)))
    assert len(held.room.heaters) == 1 + most
    places = [one.place for one in held.room.people.by_seat.values()]
    assert [places.count(place) for place in range(1, most + 1)] == [2] * most
    for _ in range(40):
        held.do("join", seat="s3", name="another name")
    assert len(held.room.people.by_seat) == 2 * most, "forty names of one phone are one learner"
    held.do("ask", text="What next?", answers=["This.", "That."])
    held.do("vote", seat="s4", question=1, answer=0)
    held.do("send_out", learner=5)
    held.do("send_out", learner=5 + most)
    assert held.room.people.questions[0].votes == {}
    assert 5 not in held.room.heaters, "nobody sits there"
    held.do("door", open=False)
    assert "lets nobody in" in refused(held, "join", seat="new")
    held.do("join", seat="s9")
    held.do("door", open=True)
    held.do("join", seat="new")
    assert held.room.people.by_seat["new"].place == 5, "a free place comes first"
    assert held.room.heaters[5].session.time_s == 0.0
    assert "is not here" in refused(held, "send_out", learner=5)
    assert held.again().people.by_seat == held.room.people.by_seat


@pytest.mark.hand
def test_each_is_held_against_its_own_answer() -> None:
    held = Own().joined("a", "b", "c")
    held.do("knobs", at=1, set={"fuel": 1.2})
    held.do("knobs", at=2, set={"exhaust_resistance": 8.0})
    for seat in "abc":
        held.do("state", seat=seat, shares={"fuel_over": 100.0})
    told = summary_of(held.room)
    sure, floor = 1.0 - 0.01 * (len(class_causes()) - 1), 0.01
    # by hand: a is right; b and c gave their own answers the floor
    assert told.mean_share == pytest.approx((sure + 2 * floor) / 3)
    assert [row["share_on_the_answer"] for row in told.rows] == pytest.approx([sure, floor, floor])
    assert (told.misled_by, told.calibration[-1].said, told.calibration[-1].right) == (2, 3, 1)
    assert told.answer.count("(1)") == 3
    assert held.room.answers == {}
    held.do("show_answer")
    assert held.room.answers[1] == ("fuel_over",)
    assert held.room.answers[2] == ("exhaust_restricted",)
    assert held.room.answers[3] == held.room.answers[0] == ("healthy",)


@pytest.mark.regression
def test_what_cannot_be_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    held = Own("bubbles").joined("a")
    before = (held.room.changed, dict(held.room.heaters), held.room.front)
    wrong: tuple[tuple[str, dict[str, Any]], ...] = (
        ("front", {"at": 7}),
        ("front", {"at": "all"}),
        ("heat", {"at": 9, "on": True}),
        ("knobs", {"at": "all", "set": {"fuel": 99.0}}),
        ("fresh", {"deal": ["bubbles", "none"]}),
        ("fresh", {"story": "none"}),
    )
    for name, facts in wrong:
        assert refused(held, name, **facts), name
    assert (held.room.changed, held.room.heaters, held.room.front) == before
    with pytest.raises(CombustError, match="another one for each"):
        Own(deal=["bubbles"], own=False)
    monkeypatch.setitem(class_table()["limits"], "own_heater_s", 100.0)
    held.do("go_on")
    held.seconds(60.0)
    assert held.room.paused == "old"
    assert held.room.tick < 4 * 60


@pytest.mark.regression
def test_a_prediction_of_a_lesson_is_closed_without_letting_the_heater_go_on() -> None:
    held = Class()
    held.do("join", seat="a")
    held.do("ask", text="Lesson 11: O2 as read", answers=["falls", "rises"], lesson="11", guess="o2")
    held.do("vote", seat="a", question=1, answer=0)
    held.do("close")
    held.seconds(10.0)
    assert (held.room.tick, held.room.paused) == (0, "trainer")
    assert refused(held, "vote", seat="a", question=1, answer=1)
    held.do("happened", question=1, answer=1)
    told = summary_of(held.room)
    assert told.columns[-1] == "vote 1: Lesson 11: O2 as read"
    assert [row[told.columns[-1]] for row in told.rows] == ["falls"]
    assert [row["votes_that_came_true"] for row in told.rows] == [0]
    assert held.again().people.questions == held.room.people.questions
