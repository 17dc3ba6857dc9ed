"""A class on the page: who cheats, many at once, a phone that comes back, two desks, a restart, wrong words."""

from __future__ import annotations

import csv
import io
import re
from typing import Any

import pytest

from combust.application.trainer.session import HIDDEN, TrainingSession
from combust.domain.heater import Heater
from combust.domain.limits import finding, finding_kinds
from combust.domain.safety import Safety
from combust.edge.web import class_view as view
from combust.edge.web.class_hall import IDLE_S
from combust.edge.web.class_knobs import KNOBS
from combust.edge.web.settings import Settings
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone, form_of
from tests.edge.web.school import DEMO, TRAINER_PAGES, School, said

pytestmark = pytest.mark.regression
LEARNER_PAGES = ("/class", "/class/say")


@pytest.fixture
def school(settings: Settings) -> School:
    return School(settings)


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
    assert f"at {school.settings.name} ·" in said(school.trainer.get("/class/wall"))
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


def test_a_stop_stands_before_what_the_analyser_shows_on_every_page(school: School) -> None:
    """A rich flame, CO over the range: Directive 2001/56/EC Annex VI has 0.1 vol %. Of height only who looked at it."""
    learner = school.start(factor="60").joined()
    school.act("go_on")
    school.act("heat_on")
    pages = ((learner, "/class"), (school.trainer, "/class/wall"), (school.trainer, "/class/desk"))
    school.pass_time(10.0)
    for who, path in pages:
        assert "STOP" not in said(who.get(path)), path
    rich, high = {"knob_intake_resistance": "30"}, {"knob_altitude_m": "3000"}
    school.act("knobs", **rich, was_intake_resistance="1", **high, was_altitude_m="0")
    school.pass_time(10.0)
    for who, path in pages:
        page = who.get(path)
        check_page(page.text)
        text = said(page)
        stop = "STOP. CO in the exhaust (as read: over range) is above 1000 ppm"
        assert 0 <= text.index(stop) < text.index("vol %"), path
        assert not set(re.findall(r"([\d.]+) ppm", text)) - {"1000"}, f"{path}: CO of the exhaust stands in bands"
        assert ("3000 m is above" in text) is (path == "/class/desk"), path
    school.act("show_check", check="site_air")
    assert "3000 m is above" in said(learner.get("/class"))


def test_a_stop_of_the_class_has_the_words_of_the_sheet() -> None:
    kinds = finding_kinds("reading")
    stops = [one for one in kinds.values() if one.severity == "stop" and re.search(r"\{co_", one.text)]
    assert {one.code for one in stops} == {"exhaust_co_high", "exhaust_co_air_free_high"}
    for one in stops:
        sheet = finding(one.code, {"co_dry_ppm": 1500.0, "co_air_free_ppm": 1500.0})
        wall = view.in_bands([sheet], "very high")
        assert wall is not None
        assert wall.stops[0].text == sheet.text.replace("1500 ppm", "as read: very high")
    other = finding("indoors")
    assert view.in_bands([other], "high") == Safety((other,))


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
        text = said(who.get(path))
        assert "50 %" not in text, "no shares before it happened"
        assert path == "/class/desk" or text.index("O2 at the analyser do next?") < text.index("Heater time"), path
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


def test_a_check_is_asked_for_shown_by_the_trainer_and_seen_by_all(school: School) -> None:
    one, two = school.start().joined(), school.joined()
    for phone in (one, one, two):
        phone.post("/class/check", {"check": "port_pressures"}, page="/class")
    bad = one.post("/class/check", {"check": "trace"}, page="/class")
    assert bad.status_code == 422
    assert "Asked for by 2: Pressures at intake and exhaust" in said(school.trainer.get("/class/desk"))
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
    for text in (said(phone.get("/class")), said(school.trainer.get("/class/wall"))):
        assert text.index("It was: no fault.") < text.index("Heater time"), "the answer is seen first"
    assert phone.post("/class/say", typed).status_code == 422


def test_the_table_runs_no_formula_and_names_are_optional(school: School) -> None:
    bad, none = school.start().joined("=HYPERLINK(1)"), school.joined()
    bad.post("/class/say", {"cause_0": "healthy", "share_0": "100"})
    none.get("/class")
    answer = school.trainer.get("/class/summary.csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["name"] for row in rows] == ["'=HYPERLINK(1)", ""]
    assert [row["most_likely"] for row in rows] == ["no fault", ""]
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


def test_where_the_page_is_not_shared_the_wall_says_that_phones_cannot_join(settings: Settings) -> None:
    here = Phone(settings)
    assert here.post("/class/start", {"heater": "heater-0312", "story": "", "factor": "10"}, page="/class/start")
    for path in ("/class/wall", "/lesson/11?wall=1"):
        text = said(here.get(path))
        assert "Phones can join only where the page was started with --share." in text, path
        assert settings.name not in text
