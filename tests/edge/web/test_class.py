"""A class on the page: who cheats, many at once, a phone that comes back, two desks, a restart, wrong words."""

from __future__ import annotations

import csv
import io
import json
import re
import threading
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.applications import Starlette

from combust.application.trainer.class_heater import class_table
from combust.application.trainer.session import HIDDEN, TrainingSession
from combust.domain.heater import Heater
from combust.edge.web.class_hall import IDLE_S, Hall
from combust.edge.web.class_view import KNOBS
from combust.edge.web.seats import Seats, TooManyTries
from combust.edge.web.serve import make_app
from combust.edge.web.settings import Settings
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone, form_of

pytestmark = pytest.mark.regression
DEMO = Path(__file__).parents[3] / "data" / "heaters"
LEARNER_PAGES = ("/class", "/class/say")
TRAINER_PAGES = ("/class/desk", "/class/wall", "/class/summary", "/class/summary.csv")


class School:
    """One shared server with a class that is on, a clock of the test, and whoever comes in.

    Parameters
    ----------
    settings : Settings
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = replace(settings, host="192.168.7.20", shared=True)
        self.now = 1000.0
        self.begin()
        self.trainer = self.person("trainer")

    def begin(self) -> None:
        """Start the server, again too."""
        self.hall, self.seats = Hall(self.settings.book, lambda: self.now), Seats(self.settings.key)
        self.app: Starlette = make_app(self.settings, self.seats, None, self.hall)

    def person(self, role: str = "") -> Phone:
        phone = Phone(self.settings, app=self.app)
        if role:
            phone.client.cookies.set(f"combust_{self.settings.port}", self.seats.cookie_of(self.seats.new(role)))
        return phone

    def back(self, phone: Phone) -> Phone:
        """Return the same phone at the server as it runs now."""
        again = Phone(self.settings, app=self.app)
        again.client.cookies = phone.client.cookies
        return again

    def start(self, story: str = "", factor: str = "10") -> School:
        typed = {"heater": "heater-0312", "story": story, "factor": factor}
        assert self.trainer.post("/class/start", typed).headers["location"] == "/class/desk"
        return self

    def joined(self, name: str = "") -> Phone:
        phone = self.person()
        assert phone.post("/class/join", {"words": self.hall.words, "name": name}).headers["location"] == "/class"
        return phone

    def act(self, do: str, *, desk: str = "", **typed: str) -> Any:
        """Press a button of the desk, as it stands now or as it stood."""
        held: dict[str, str] = {}
        if do == "go_on":
            page = desk or self.trainer.get("/class/desk").text
            held = {"seen": re.findall(r'name="seen" value="(\d+)"', page)[0]}
        sent = {**held, "token": self.trainer.get("/token").json()["token"], "do": do, **typed}
        return self.trainer.client.post("/class/desk", data=sent, headers={"origin": self.trainer.origin})

    def pass_time(self, seconds: float) -> None:
        """Let time pass while the wall looks on."""
        for _ in range(int(seconds / 10.0)):
            self.now += 10.0
            self.trainer.get("/class/wall")

    @property
    def time_s(self) -> float:
        with self.hall.open() as room:
            return room.heater.session.time_s


@pytest.fixture
def school(settings: Settings) -> School:
    return School(settings)


def said(answer: Any) -> str:
    """Return the words of a page."""
    return " ".join(re.sub(r"<[^>]*>", " ", answer.text).split())


def test_the_first_screen_leads_each_to_a_door(school: School) -> None:
    learner = school.person("learner")
    assert 'href="/class"' in learner.get("/").text
    assert learner.get("/class").headers["location"] == "/class/join"
    assert school.trainer.get("/class").headers["location"] == "/class/start"
    assert "No class is on now" in said(learner.get("/class/join"))
    school.start()
    assert school.trainer.get("/class").headers["location"] == "/class/desk"
    assert 'href="/class/join"' in school.person().get("/pair").text


def test_the_note_stands_first_on_every_page_and_the_factor_always(school: School) -> None:
    learner = school.start("power_cut").joined()
    for who, paths in ((learner, LEARNER_PAGES), (school.trainer, TRAINER_PAGES[:3])):
        for path in paths:
            page = who.get(path)
            check_page(page.text)
            text = said(page)
            assert text.index("Simulated. Resting values follow") < text.index("×10"), path
            first = page.text[page.text.index('<main id="content">') :]
            assert re.match(r'<main id="content">\s*<p class="note">', first), path
    for who, path in ((learner, "/class"), (school.trainer, "/class/desk"), (school.trainer, "/class/wall")):
        assert "Never do this on a real heater; its own document rules." in said(who.get(path))


def test_time_is_that_of_the_server_for_all_and_stands_when_nobody_looks(school: School) -> None:
    learner = school.start().joined()
    school.act("go_on")
    school.act("heat_on")
    school.pass_time(60.0)
    assert school.time_s == 600.0
    # independent: the same heater driven by hand for as long
    alone = TrainingSession(Heater.load(DEMO / "heater-0312.toml"))
    alone.request_heat()
    alone.advance(600.0)
    shown = alone.display()
    for page in (learner.get("/class"), school.trainer.get("/class/wall")):
        assert f"{shown.o2_dry_pct:.1f} vol %" in said(page)
        assert f"{shown.flue_temp_c:.0f} °C" in said(page)
    school.now += 3600.0
    assert "nobody looked for a while" in said(learner.get("/class"))
    assert school.time_s == 600.0 + 10.0 * IDLE_S
    school.now += 5.0
    assert school.time_s == 600.0 + 10.0 * IDLE_S
    school.act("factor", factor="60")
    school.act("go_on")
    school.now += 1.0
    assert "×60" in said(learner.get("/class"))
    assert school.time_s == 660.0 + 10.0 * IDLE_S


def test_a_learner_sees_the_analyser_only_and_nothing_hidden_by_any_way(school: School) -> None:
    learner = school.start("exhaust_blocked", "60").joined()
    school.act("go_on")
    school.act("heat_on")
    school.pass_time(30.0)
    text = learner.get("/class").text
    main = text[text.index('<main id="content">') : text.index("<footer>")]
    assert "O2, dry" in main
    for word in (*HIDDEN, "chamber", "restricted", "closes", "lambda", "blower_rpm", "outlet", "burning", "resistance"):
        assert word not in main.lower(), word
    for path in ("/class/trace", "/api/class", "/api/class/trace", "/class/trace.json", "/class/log", "/class.jsonl",
                 "/static/winter.book.class.jsonl", "/class/wall.json"):  # fmt: skip
        assert learner.get(path).status_code == 404, path
    for path in (*TRAINER_PAGES, "/class/start"):
        assert learner.get(path).status_code == 403, path
    hidden = learner.get("/class?hidden=1&trace=1&role=trainer")
    assert re.sub(r'value="[^"]*"', "", hidden.text) == re.sub(r'value="[^"]*"', "", learner.get("/class").text)
    wall = school.trainer.get("/class/wall").text
    assert "restricted" not in wall, "the wall does not tell the answer before it is shown"


def test_a_learner_cannot_drive(school: School) -> None:
    learner = school.start().joined()
    held = {"token": learner.token("/class"), "do": "heat_on", "seat": "other", "role": "trainer"}
    before = (school.hall.words, school.settings.book.with_name("winter.book.class.jsonl").read_bytes())
    for path in ("/class/desk", "/class/start"):
        answer = learner.client.post(path, data=held, headers={"origin": learner.origin})
        assert answer.status_code == 403
    for other in ("http://elsewhere.example", ""):
        answer = learner.client.post("/class/vote", data=held, headers={"origin": other})
        assert answer.status_code == 403
    forged = {**held, "token": school.trainer.token("/class/desk")}
    assert learner.client.post("/class/check", data=forged, headers={"origin": learner.origin}).status_code == 403
    after = (school.hall.words, school.settings.book.with_name("winter.book.class.jsonl").read_bytes())
    assert before == after


def test_a_vote_is_one_a_phone_closes_when_the_trainer_goes_on_and_shares_come_after(school: School) -> None:
    one, two, late = school.start().joined(), school.joined(), school.joined()
    school.act("ask", ready="o2")
    assert "Paused" in said(one.get("/class"))
    for answer in ("0", "1", "1"):
        assert one.post("/class/vote", {"answer": answer}, page="/class").status_code == 303
    assert two.post("/class/vote", {"answer": "0"}, page="/class").status_code == 303
    form = form_of(late.get("/class").text, "/class/vote")
    for who, path in ((one, "/class"), (school.trainer, "/class/wall"), (school.trainer, "/class/desk")):
        assert "50 %" not in said(who.get(path)), "no shares before it happened"
    for forged in ({"answer": "3"}, {"answer": "99999"}, {"question": "2", "answer": "0"}):
        sent = {**form, **forged}
        assert late.client.post("/class/vote", data=sent, headers={"origin": late.origin}).status_code == 422
    for forged in ({"answer": "-1"}, {"answer": "x"}, {"answer": "0", "question": "²"}, {}):
        sent = {**form, **forged}
        assert late.client.post("/class/vote", data=sent, headers={"origin": late.origin}).status_code == 400
    stranger = school.person("learner")
    sent = {"token": stranger.token(), "question": "1", "answer": "0"}
    answer = stranger.client.post("/class/vote", data=sent, headers={"origin": stranger.origin})
    assert answer.headers["location"] == "/class/join", "who has not joined has no vote"
    school.act("go_on")
    answer = late.client.post("/class/vote", data={**form, "answer": "0"}, headers={"origin": late.origin})
    assert answer.status_code == 422
    assert "is closed" in said(answer)
    for who, path in ((one, "/class"), (school.trainer, "/class/wall")):
        text = said(who.get(path))
        assert "50 %" in text
        assert "0 %" in text
    assert school.act("happened", question="1", answer="1").status_code == 303
    assert "This happened." in said(one.get("/class"))


def test_two_desks_move_only_what_each_moved_and_nothing_twice(school: School) -> None:
    school.start()
    page = school.trainer.get("/class/desk").text
    knobs = form_of(page[: page.index('<div class="knobs">')][-300:] + page[page.index('<div class="knobs">') :])
    assert {name.removeprefix("knob_") for name in knobs if name.startswith("knob_")} == {
        key for keys in KNOBS.values() for key in keys
    }
    school.act("knobs", **{**knobs, "knob_exhaust_resistance": "8"})
    school.act("knobs", **{**knobs, "knob_battery_v": "12,1", "knob_warm_enough": "yes"})  # a desk that is behind
    with school.hall.open() as room:
        inputs = room.heater.session.heater.inputs
    assert (inputs.exhaust_resistance, inputs.battery_v, inputs.warm_enough) == (8.0, 12.1, True)
    refused = school.act("knobs", **{**knobs, "knob_battery_v": "1200", "knob_wax": "many"})
    assert refused.status_code == 422
    refused = school.act("knobs", **{**knobs, "knob_battery_v": "1200", "knob_altitude_m": "9000"})
    assert refused.text.count("is above what can be") == 2
    assert 'value="1200"' in refused.text
    assert school.act("knobs", **knobs).status_code == 303

    desk = school.trainer.get("/class/desk").text
    school.act("ask", ready="co")
    answer = school.act("go_on", desk=desk)
    assert answer.status_code == 422
    assert "moved on at another desk" in said(answer)
    assert school.act("ask", ready="o2").status_code == 422
    assert school.act("go_on").status_code == 303
    typed = {"own": "What now?", "answer_0": "This.", "answer_2": "That."}
    assert school.act("ask", **typed).status_code == 303
    assert "What now?" in said(school.trainer.get("/class/wall"))
    typed = {"heater": "heater-0312", "factor": "5", "token": school.trainer.token()}
    second = school.trainer.client.post("/class/start", data=typed, headers={"origin": school.trainer.origin})
    assert second.status_code == 422
    assert "is on already" in said(second)


@pytest.mark.parametrize("do", ["", "explode", "start", "join", "beat", "end; fresh"])
def test_a_button_that_is_none_does_nothing(school: School, do: str) -> None:
    assert school.start().act(do).status_code == 422


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
    assert "You are learner 1." in said(back.get("/class"))
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


def test_a_class_that_is_over_lets_nobody_in_by_its_words(school: School) -> None:
    words = school.start().hall.words
    school.act("end")
    school.start()
    assert school.hall.words != words
    assert school.person().post("/class/join", {"words": words}).status_code == 403


def test_a_check_is_asked_for_shown_by_the_trainer_and_seen_by_all(school: School) -> None:
    one, two = school.start().joined(), school.joined()
    for phone in (one, one, two):
        phone.post("/class/check", {"check": "port_pressures"}, page="/class")
    bad = one.post("/class/check", {"check": "trace"}, page="/class")
    assert bad.status_code == 422
    assert "2 ask for: Pressures at intake and exhaust" in said(school.trainer.get("/class/desk"))
    assert "0 Pa," not in said(two.get("/class"))
    school.act("show_check", check="port_pressures")
    for who, path in ((one, "/class"), (two, "/class"), (school.trainer, "/class/wall")):
        assert re.search(r"Pressures at intake and exhaust 0 Pa, 0 Pa", said(who.get(path)))


def test_causes_are_stated_with_comma_and_per_cent_and_sums_are_told(school: School) -> None:
    phone = school.start().joined()
    typed = {"cause_0": "exhaust_restricted", "share_0": "90 %", "cause_1": "fuel_over", "share_1": "60,0"}
    assert phone.post("/class/say", typed).headers["location"] == "/class"
    assert "adds up to 150 %. It was scaled down" in said(phone.get("/class"))
    assert form_of(phone.get("/class/say").text, "/class/say")["cause_1"] == "fuel_over"
    for wrong in ({"share_0": "much"}, {"share_0": "1,000"}, {"cause_0": ""}, {"cause_1": "exhaust_restricted"},
                  {"share_1": "101"}, {"cause_0": "witchcraft"}, {"share_0": "-3"}, {"share_0": "nan"}):  # fmt: skip
        answer = phone.post("/class/say", {**typed, **wrong})
        assert answer.status_code == 422, wrong
        check_page(answer.text)
    assert phone.post("/class/say", {"cause_0": "", "share_0": "", "cause_1": "", "share_1": ""}).status_code == 422
    school.act("show_answer", seen="0")
    assert "It was: nothing stands out." in said(phone.get("/class"))
    assert phone.post("/class/say", typed).status_code == 422


def test_the_table_runs_no_formula_and_names_are_optional(school: School) -> None:
    bad, none = school.start().joined("=HYPERLINK(1)"), school.joined()
    bad.post("/class/say", {"cause_0": "healthy", "share_0": "100"})
    none.get("/class")
    answer = school.trainer.get("/class/summary.csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["name"] for row in rows] == ["'=HYPERLINK(1)", ""]
    assert [row["most_likely"] for row in rows] == ["nothing stands out", ""]
    assert float(rows[0]["share_on_the_answer"]) > 0.7
    assert "=HYPERLINK(1)" not in said(school.trainer.get("/class/wall")), "no names at the wall"


@pytest.fixture(scope="module")
def hostile_school(tmp_path_factory: pytest.TempPathFactory) -> School:
    folder = tmp_path_factory.mktemp("hostile")
    return School(Settings(bytes(range(32)), folder / "winter.book", DEMO)).start()


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_stay_texts(hostile_school: School, text: str) -> None:
    school, phone = hostile_school, hostile_school.joined()
    papers = {"token": phone.get("/token").json()["token"]}

    def send(path: str, **typed: str) -> Any:
        return phone.client.post(path, data={**papers, **typed}, headers={"origin": phone.origin})

    for answer in (
        send("/class/join", words=school.hall.words, name=text),
        send("/class/check", check=text),
        send("/class/say", cause_0=text, share_0=text),
        school.act("ask", own=text[:150], answer_0=text[:150], answer_1="b"),
        school.act("knobs", knob_fuel_kind=text, was_fuel_kind="x", knob_battery_v=text, was_battery_v=text[1:]),
        school.act("fresh", story=text),
        school.act("factor", factor=text),
    ):
        assert answer.status_code in (303, 422)
        if answer.status_code == 422:
            check_page(answer.text)
    for path in TRAINER_PAGES[:3]:
        check_page(school.trainer.get(path).text)
    school.act("go_on")


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


def test_the_wall_asks_again_by_itself_without_script(school: School) -> None:
    school.start()
    assert "refresh" not in school.trainer.get("/class/wall").headers
    assert school.trainer.get("/class/wall?again=5").headers["refresh"] == "5"
    assert "refresh" not in school.trainer.get("/class/wall?again=0;url=http://x").headers


def test_another_heater_forgets_what_was_stated(school: School) -> None:
    phone = school.start("bubbles").joined()
    phone.post("/class/say", {"cause_0": "healthy", "share_0": "50"})
    school.act("show_answer", seen="0")
    assert school.act("fresh", story="thin_wire").status_code == 303
    text = said(phone.get("/class"))
    assert "It was" not in text
    assert "as it is counted" not in text
    assert "A thin wire" not in text
    assert "It glows, it doses, it never lights" in said(school.trainer.get("/class/desk"))
