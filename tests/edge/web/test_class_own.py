"""Everybody's own heater on the page: a neighbour's is out of reach, nothing hidden is told, two desks, a restart."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from combust.application.trainer.class_heater import class_table
from combust.application.trainer.scenarios import scenarios
from combust.application.trainer.session import HIDDEN
from combust.edge.web.class_knobs import KNOBS
from combust.edge.web.settings import Settings
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone, form_of
from tests.edge.web.school import School, said

pytestmark = pytest.mark.regression


@pytest.fixture
def school(settings: Settings) -> School:
    return School(settings)


def drive(phone: Phone, what: str, **more: str) -> Any:
    """Press a button of one's own heater."""
    sent = {"token": phone.get("/token").json()["token"], "drive": what, **more}
    return phone.client.post("/class/drive", data=sent, headers={"origin": phone.origin})


def inputs_of(school: School, place: int) -> Any:
    with school.hall.open() as room:
        return room.heaters[place].session.heater.inputs


def row(school: School, place: int) -> list[str]:
    """Return a row of the trainer's table."""
    page = school.trainer.get("/class/desk").text
    (found,) = re.findall(rf'<tr><th scope="row">{place}</th>(.*?)</tr>', page)
    return [re.sub("<[^>]*>", "", cell) for cell in re.findall("<td>(.*?)</td>", found)]


def test_each_phone_drives_its_own_and_the_desk_sees_all(school: School) -> None:
    one, two = school.start(whose="own").joined("Wren"), school.joined()
    school.act("go_on")
    assert drive(one, "heat").headers["location"] == "/class"
    school.pass_time(90.0)
    assert "Your heater, number 1" in said(one.get("/class"))
    assert "8.2 vol %" in said(one.get("/class"))
    assert "20.9 vol %" in said(two.get("/class"))
    assert row(school, 1)[0] == "1"
    assert row(school, 1)[2:6] == ["8.2", "as healthy", "", "0"]
    assert row(school, 2)[1:4] == ["off: no heat is asked for", "20.9", "no flue gas at the cell"]
    assert "Wren" not in school.trainer.get("/class/desk").text, "names stand in the table to save only"
    school.act("knobs", at="1", knob_exhaust_resistance="8", was_exhaust_resistance="1")
    school.pass_time(60.0)
    assert row(school, 1)[4] == "CO in the exhaust"
    assert school.act("front", at="1").status_code == 303
    wall = said(school.trainer.get("/class/wall"))
    assert "Heater 1: burning" in wall or "Heater 1:" in wall
    assert "Wren" not in wall


def test_a_check_at_ones_own_heater_is_shown_at_once_and_to_nobody_else(school: School) -> None:
    one, two = school.start(whose="own").joined(), school.joined()
    one.post("/class/check", {"check": "port_pressures"}, page="/class")
    assert "Pressures at intake and exhaust 0 Pa, 0 Pa" in said(one.get("/class"))
    assert "0 Pa, 0 Pa" not in said(two.get("/class"))
    assert row(school, 1)[5] == "1"
    assert "ask for" not in said(school.trainer.get("/class/desk")).partition("Drive it")[0]


def test_a_neighbours_heater_is_out_of_reach_by_any_number(school: School) -> None:
    cheat, victim = school.start(whose="own").joined(), school.joined()
    school.act("go_on")
    with school.hall.open() as room:
        seats = list(room.people.by_seat)
    for more in (
        {"at": "2"},
        {"place": "2"},
        {"learner": "2"},
        {"heater": "2"},
        {"seat": seats[1]},
        {"everywhere": "yes"},
    ):
        assert drive(cheat, "heat", **more).status_code == 303
        assert drive(cheat, "move", knob_altitude_m="900", was_altitude_m="0", **more).status_code == 303
    assert inputs_of(school, 1).altitude_m == 900.0
    assert inputs_of(school, 2).altitude_m == inputs_of(school, 0).altitude_m == 210.0
    school.pass_time(10.0)
    assert row(school, 2)[1] == "off: no heat is asked for"
    for query in ("?at=2", "?place=2", "?learner=2", "?seat=" + seats[1]):
        assert "Your heater, number 1" in said(cheat.get(f"/class{query}"))
    for path in ("/class/2", "/class/drive/2", "/class/heater/2", "/class/drive", "/api/class/2"):
        assert cheat.get(path).status_code in (404, 405), path
    stranger = school.person("learner")
    assert drive(stranger, "heat").headers["location"] == "/class/join"
    assert drive(school.trainer, "heat").headers["location"] == "/class/desk"
    forged = {"token": victim.get("/token").json()["token"], "drive": "heat"}
    assert cheat.client.post("/class/drive", data=forged, headers={"origin": cheat.origin}).status_code == 403


def test_knobs_of_the_trainer_are_refused_from_a_phone(school: School) -> None:
    cheat = school.start(whose="own").joined()
    before = inputs_of(school, 1)
    for key in {key for keys in KNOBS.values() for key in keys} - set(class_table()["own"]["knobs"]):
        answer = drive(
            cheat, "move", **{f"knob_{key}": "0.5", f"was_{key}": "9", "knob_altitude_m": "7", "was_altitude_m": "0"}
        )
        assert answer.status_code == 422, key
    assert drive(cheat, "move", knob_altitude_m="much", was_altitude_m="0").status_code == 422
    assert drive(cheat, "explode").status_code == 422
    assert inputs_of(school, 1) == before
    for do in ("front", "door_shut", "send_out", "close", "knobs", "tell"):
        sent = {"token": cheat.get("/token").json()["token"], "do": do, "at": "1", "learner": "1"}
        assert cheat.client.post("/class/desk", data=sent, headers={"origin": cheat.origin}).status_code == 403
    common = School(school.settings)
    school.act("end")
    phone = common.start().joined()
    assert "driven by the trainer" in said(drive(phone, "heat"))


def test_the_source_of_a_phones_page_tells_nothing_hidden(school: School) -> None:
    phones = [school.start("dealt", "60", whose="own").joined(), *(school.joined() for _ in range(5))]
    school.act("go_on")
    for _ in range(2):
        school.now += 6.0
        school.trainer.get("/class/wall")
    with school.hall.open() as room:
        assert sorted(one.story.key for one in room.heaters.values() if one.story) == sorted(scenarios())
        faults = {place: one.faults for place, one in room.heaters.items()}
    assert sum(bool(found) for found in faults.values()) >= 3
    for phone in phones:
        text = phone.get("/class").text
        check_page(text)
        main = text[text.index('<main id="content">') : text.index("<footer>")].lower()
        for word in (
            *HIDDEN,
            *scenarios(),
            "resistance",
            "bubble",
            "loop_mohm",
            "restricted",
            "battery_v",
            "glow_weak",
        ):
            assert word not in main, word
        for one in scenarios().values():
            assert one.title.lower() not in main
    for path in ("/class/desk", "/class/wall", "/class/summary.csv"):
        assert phones[0].get(path).status_code == 403


def test_two_desks_move_the_heater_that_each_has_before_it(school: School) -> None:
    school.start(whose="own").joined()
    school.joined()
    school.act("front", at="1")
    page = school.trainer.get("/class/desk").text
    held = form_of(page[page.index("<h2>Knobs") :])
    assert held["at"] == "1"
    school.act("front", at="2")  # another desk looks at another heater meanwhile
    assert school.act("knobs", **{**held, "knob_exhaust_resistance": "8"}).status_code == 303
    assert [inputs_of(school, place).exhaust_resistance for place in (0, 1, 2)] == [1.0, 8.0, 1.0]
    assert school.act("knobs", at="2", everywhere="yes", knob_altitude_m="900", was_altitude_m="0").status_code == 303
    assert [inputs_of(school, place).altitude_m for place in (0, 1, 2)] == [900.0] * 3
    for at in ("7", "x", "-1", "1e9", *HOSTILE[:3]):
        for do in ("front", "heat_on"):
            answer = school.act(do, at=at)
            assert answer.status_code == 422
            check_page(answer.text)


def test_a_phone_that_left_comes_back_to_its_heater_also_after_a_restart(school: School) -> None:
    phone = school.start("exhaust_blocked", "20", whose="own").joined()
    school.joined()
    school.act("go_on")
    drive(phone, "move", knob_altitude_m="1200", was_altitude_m="0")
    school.pass_time(10.0)
    school.act("pause")  # else it goes on from the last beat, twenty seconds ago at most
    seen = re.findall(r"<dd>.*?</dd>", phone.get("/class").text)
    school.begin()
    school.trainer, back = school.back(school.trainer), school.back(phone)
    assert re.findall(r"<dd>.*?</dd>", back.get("/class").text) == seen
    assert inputs_of(school, 1).altitude_m == 1200.0
    assert "the server was started again" in said(back.get("/class"))
    deeds = school.settings.book.with_name("winter.book.class.jsonl").read_text().split("\n")
    assert {"drive", "move"} & {json.loads(line)["do"] for line in deeds if line} == {"move"}


def test_forty_phones_of_one_person_are_shut_out_and_sent_out(school: School) -> None:
    school.start(whose="own").joined("Wren")
    ghosts = [school.joined(f"Wren {number}") for number in range(3)]
    school.act("ask", ready="o2")
    for one in ghosts:
        one.post("/class/vote", {"answer": "0"}, page="/class")
    assert school.act("send_out", learner="3").status_code == 303
    assert "Votes: 2" in said(school.trainer.get("/class/desk"))
    assert ghosts[1].get("/class").headers["location"] == "/class/join"
    school.act("door_shut")
    again = ghosts[1].post("/class/join", {"words": school.hall.words})
    assert again.status_code == 422
    assert "lets nobody in now" in said(again)
    assert ghosts[0].post("/class/join", {"words": school.hall.words}).status_code == 303, "who is here stays"
    school.act("door_open")
    assert ghosts[1].post("/class/join", {"words": school.hall.words}).status_code == 303
    for number in ("", "99", "x", "-1"):
        assert school.act("send_out", learner=number).status_code == 422


def test_another_story_for_each_needs_a_heater_for_each(school: School) -> None:
    typed = {"heater": "heater-0312", "story": "dealt", "factor": "5", "whose": "one"}
    answer = school.trainer.post("/class/start", typed)
    assert answer.status_code == 422
    assert "another one for each" in said(answer)
    assert school.hall.words == ""
