"""Who comes into a class: many at once, a phone that comes back, wrong words, a server that is started again."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from combust.application.trainer.class_heater import class_table
from combust.edge.web.seats import TooManyTries
from combust.edge.web.settings import Settings
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import form_of
from tests.edge.web.school import School, said

pytestmark = pytest.mark.regression


@pytest.fixture
def school(settings: Settings) -> School:
    return School(settings)


def test_the_first_screen_leads_each_to_a_door(school: School) -> None:
    learner = school.person("learner")
    assert 'href="/class"' in learner.get("/").text
    assert learner.get("/class").headers["location"] == "/class/join"
    assert school.trainer.get("/class").headers["location"] == "/class/start"
    assert "No class is on now" in said(learner.get("/class/join"))
    school.start()
    assert school.trainer.get("/class").headers["location"] == "/class/desk"
    assert 'href="/class/join"' in school.person().get("/pair").text


def test_thirty_join_at_once_and_the_sixty_first_is_told(school: School) -> None:
    words, most = school.start().hall.words, int(class_table()["limits"]["learners"])
    phones = [school.person() for _ in range(30)]
    held = [form_of(phone.get("/class/join").text, "/class/join") for phone in phones]
    answers: list[Any] = [None] * 30
    gate = threading.Barrier(30)

    def join(index: int) -> None:
        sent = {**held[index], "words": words, "name": ""}
        gate.wait()
        answers[index] = phones[index].client.post("/class/join", data=sent, headers={"origin": phones[index].origin})

    people = [threading.Thread(target=join, args=(index,)) for index in range(30)]
    for one in people:
        one.start()
    for one in people:
        one.join()
    assert [one.status_code for one in answers] == [303] * 30
    with school.hall.open() as room:
        assert sorted(one.number for one in room.people.by_seat.values()) == list(range(1, 31))
    for number in range(30, most):
        school.hall.do({"do": "join", "seat": f"seat {number}"})
    full = school.person().post("/class/join", {"words": words})
    assert full.status_code == 422
    assert "is full" in said(full)


def test_a_phone_that_dropped_comes_back_to_its_seat(school: School) -> None:
    phone = school.start().joined("Wren")
    school.joined()
    school.act("ask", ready="o2")
    phone.post("/class/vote", {"answer": "1"}, page="/class")
    back = school.back(phone)
    assert "You said: It falls." in said(back.get("/class"))
    assert "You are learner 1, Wren." in said(back.get("/class"))
    assert "gave this name" not in said(back.get("/class"))
    other = school.joined("wren")
    for who, number in ((back, 1), (other, 3)):
        assert f"You are learner {number}, {'W' if who is back else 'w'}ren. Another phone gave this name too" in said(
            who.get("/class")
        )
    assert "Learners 1, 3 gave the same name." in said(school.trainer.get("/class/desk"))
    school.act("send_out", learner="3")
    assert "gave the same name" not in said(school.trainer.get("/class/desk"))
    assert back.post("/class/join", {"words": school.hall.words}).status_code == 303
    with school.hall.open() as room:
        assert len(room.people.by_seat) == 2
        assert next(iter(room.people.by_seat.values())).name == "Wren"


@pytest.mark.parametrize("change", [str.upper, str.title, lambda text: f"  {text.replace(' ', ' , ')}. "])
def test_the_words_are_blind_to_case(school: School, change: Callable[[str], str]) -> None:
    words = change(school.start().hall.words)
    assert school.person().post("/class/join", {"words": words}).status_code == 303


def test_wrong_words_a_thousand_times_let_nobody_in(school: School) -> None:
    stranger = school.start().person()
    held = form_of(stranger.get("/class/join").text, "/class/join")
    codes = []
    for number in range(1000):
        with pytest.raises(TooManyTries) if number >= 5 else nullcontext():
            assert school.seats.pair(f"acorn wrong{number}", "192.168.7.99", school.hall.words) is None
    for number in range(25):
        sent = {**held, "words": f"acorn wrong{'x' * (number % 7)}"}
        codes.append(stranger.client.post("/class/join", data=sent, headers={"origin": stranger.origin}).status_code)
    assert (codes[:5], set(codes[5:])) == ([403] * 5, {429})
    sent = {**held, "words": school.hall.words}
    assert stranger.client.post("/class/join", data=sent, headers={"origin": stranger.origin}).status_code == 429
    assert stranger.get("/class").headers["location"] == "/pair"
    with school.hall.open() as room:
        assert room.people.by_seat == {}


@pytest.mark.parametrize("words", ["", " ", "acorn", "acorn acorn acorn", "00000000", *HOSTILE[:4]])
def test_words_that_are_none_are_refused_in_words(school: School, words: str) -> None:
    answer = school.start().person().post("/class/join", {"words": words})
    assert answer.status_code == 403
    check_page(answer.text)
    school.act("end")
    answer = school.person().get("/class/join")
    assert "No class is on now" in said(answer)


def test_what_was_typed_into_the_wrong_field_is_understood_or_told_where_it_goes(school: School) -> None:
    early = school.person().post("/pair", {"code": "brook cedar"})
    assert early.status_code == 403
    assert "no class is on whose two words would let you in" in said(early)
    phone = school.start().person()
    wrong = phone.post("/pair", {"code": "brook zebra"})
    assert wrong.status_code == 403
    assert "These are not the two words on the wall. They stand there after “Join with”" in said(wrong)
    check_page(wrong.text)
    assert form_of(wrong.text, "/class/join")["words"] == "brook zebra"
    assert 'href="/pair"' in wrong.text
    into = phone.post("/pair", {"code": school.hall.words.upper()})
    assert into.headers["location"] == "/class"
    assert "You are learner 1." in said(phone.get("/class"))
    other = school.person()
    digits = other.post("/class/join", {"words": "0000 0000"})
    assert "This code is wrong. It has 8 digits" in said(digits)
    assert other.post("/class/join", {"words": school.seats.code_of("learner")}).headers["location"] == "/class"
    assert "It has 8 digits and stands where" in said(school.person().post("/pair", {"code": "1234 5678"}))


def test_a_class_that_is_over_lets_nobody_in_by_its_words(school: School) -> None:
    words = school.start().hall.words
    path = school.settings.book.with_name("winter.book.class.jsonl")
    assert path.exists()
    school.act("end")
    assert not path.exists(), "names are not kept"
    school.begin()
    school.trainer = school.back(school.trainer)
    assert school.hall.words == ""
    school.start()
    assert school.hall.words != words
    assert school.person().post("/class/join", {"words": words}).status_code == 403


def test_a_restart_of_the_server_goes_on_where_it_was(school: School) -> None:
    phone = school.start("exhaust_blocked", "60").joined("Wren")
    words = school.hall.words
    school.act("go_on")
    school.pass_time(20.0)
    school.act("ask", ready="outlet")
    phone.post("/class/vote", {"answer": "2"}, page="/class")
    phone.post("/class/say", {"cause_0": "healthy", "share_0": "50"})
    with school.hall.open() as room:
        before = (room.heater.session.display(), tuple(room.heater.strip), room.people.questions, room.truth)
    path = school.settings.book.with_name("winter.book.class.jsonl")
    assert path.stat().st_mode & 0o077 == 0
    with path.open("a") as file:
        file.write('{"do": "vote", "seat": "x", "quest')  # killed in the middle of a line
    school.begin()
    school.trainer, phone = school.back(school.trainer), school.back(phone)
    assert "the server was started again" in said(phone.get("/class"))
    assert "You said: It grows hotter, and nothing trips" not in said(phone.get("/class"))
    assert "You said: It grows colder." in said(phone.get("/class"))
    with school.hall.open() as room:
        assert (room.heater.session.display(), tuple(room.heater.strip), room.people.questions, room.truth) == before
    assert school.hall.words == words
    school.act("go_on")
    school.begin()
    assert school.hall.words == words, "what was written after a line that was cut short is read too"
    with school.hall.open() as room:
        assert not room.people.questions[-1].open


@pytest.mark.parametrize(
    "record",
    ['{"do": "start"}', '{"do": "start", "tick": 0, "heater": 3, "words": "a b", "factor": 1}', "[1, 2]", "\x00\xff",
     '{"do": "fresh", "tick": 4}\n{"do": "beat", "tick": 1e999}', '{"do": "beat", "tick": 1}', "[" * 100_000],
)  # fmt: skip
def test_a_record_that_cannot_be_played_ends_the_class_in_words(school: School, record: str) -> None:
    path = school.settings.book.with_name("winter.book.class.jsonl")
    path.write_text(record, encoding="latin-1")
    page = said(school.trainer.get("/class/start"))
    assert school.hall.words == ""
    assert ("The class has ended" in page) == school.hall.lost
    school.start()
    assert school.hall.words
    assert not school.hall.lost


def test_without_a_logbook_or_with_a_full_disk_it_goes_on_and_says_so(settings: Settings, tmp_path: Path) -> None:
    for book in (None, tmp_path / "gone" / "winter.book"):
        school = School(replace(settings, book=None))
        school.hall._path = book and book.with_name("winter.book.class.jsonl")
        school.start()
        assert "not written down" in said(school.trainer.get("/class/desk"))


def test_the_log_holds_no_cookie(school: School) -> None:
    phone = school.start().joined()
    text = school.settings.book.with_name("winter.book.class.jsonl").read_text()
    cookie = phone.client.cookies[f"combust_{school.settings.port}"]
    assert cookie not in text
    assert cookie.rpartition(".")[2] not in text
    assert {json.loads(line)["do"] for line in text.split("\n") if line} == {"start", "join"}
