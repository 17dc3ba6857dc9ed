"""A class that is played again after a restart: nobody waits for it who wants something else, and nobody ends it."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from combust.application.trainer.classroom import Classroom
from combust.edge.web import class_hall
from combust.edge.web.class_hall import Hall
from combust.edge.web.settings import Settings
from tests.edge.web.school import School, said

pytestmark = pytest.mark.regression


def test_while_a_long_class_is_played_again_its_pages_say_so_and_others_go_on(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    school = School(settings).start()
    phone, words = school.joined("Wren"), school.hall.words
    gate, real = threading.Event(), Classroom.replay

    def slow(deeds: Any) -> Classroom:
        gate.wait()
        return real(deeds)

    monkeypatch.setattr(class_hall.Classroom, "replay", slow)
    monkeypatch.setattr("tests.edge.web.school.Hall", lambda book, clock, patience_s: Hall(book, clock, 0.0))
    path = settings.book.with_name("winter.book.class.jsonl")
    before = path.read_bytes()
    school.begin()
    school.trainer, phone = school.back(school.trainer), school.back(phone)
    of_phone = [(phone, where) for where in ("/class", "/class/say", "/lesson/11?seen=1")]
    of_trainer = [(school.trainer, where) for where in ("/class/desk", "/class/wall", "/class/summary.csv")]
    for who, where in of_phone + of_trainer:
        answer = who.get(where)
        assert answer.status_code == 503, where
        assert "is being played again after a restart" in said(answer)
    assert phone.get("/reading").status_code == 200
    typed = {"heater": "heater-0312", "story": "", "factor": "5", "token": school.trainer.token("/reading")}
    again = school.trainer.client.post("/class/start", data=typed, headers={"origin": school.trainer.origin})
    assert again.status_code == 422
    ended = school.trainer.client.post("/class/desk", data={**typed, "do": "end"}, headers={"origin": phone.origin})
    assert ended.status_code == 503
    assert path.read_bytes() == before, "nothing of the class was written over"
    assert school.hall.words == words
    gate.set()
    assert school.hall._again is not None
    school.hall._again.join()
    assert "You are learner 1, Wren." in said(phone.get("/class"))
    assert "the server was started again" in said(phone.get("/class"))


@pytest.mark.hand
def test_one_look_works_out_so_much_and_no_more(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(class_hall, "AT_ONCE_S", 900.0)
    school = School(settings).start("", "60", whose="own")
    for number in range(29):
        school.hall.do({"do": "join", "seat": f"s{number}"})
    school.act("go_on")
    school.now += 25.0
    school.trainer.get("/class/wall")
    # by hand: 30 heaters at 60 s a second, 900 s of all of them together: half a second of the trainer, 30 s of each
    assert school.time_s == 30.0
