"""The record of a visit on the page: corrected, completed, declared missing, closed, opened again, printed."""

from __future__ import annotations

import base64
import hashlib
import re
import threading
from collections.abc import Callable
from dataclasses import replace

import pytest

from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import names
from combust.edge.web.seats import Seats
from combust.edge.web.settings import Settings
from tests.edge.runs import call
from tests.edge.web.phone import Phone, banner_of
from tests.edge.web.test_visit import RESTRICTED, opened, read

pytestmark = pytest.mark.regression


def number_of(page: str, text: str) -> str:
    """Return the number of the entry that holds a text, as the page of all entries tells it."""
    found = re.search(rf"<strong>(\d+)\. [^<]*</strong>(?:(?!<strong>).)*{re.escape(text)}", page, re.DOTALL)
    assert found, page
    return found[1]


def test_a_correction_stands_beside_what_it_corrects(phone: Phone) -> None:
    here = opened(phone)
    read(phone, here, stage="high", o2_dry_pct="8.2", co_dry_ppm="4500")
    number = number_of(phone.get(f"{here}/entries").text, "co dry 4500 ppm")
    way = f"{here}/entries/{number}"
    assert 'name="co_dry_ppm" value="4500"' in phone.get(way).text
    assert phone.post(way, {"co_dry_ppm": "45", "reason": "misread"}).status_code == 303
    page = phone.get(f"{here}/entries").text
    assert re.search(r"<td>co dry 4500 ppm</td><td>co dry 45 ppm</td><td>[^<]*\(misread\)</td>", page)
    assert "STOP" not in banner_of(phone.get(here).text)
    unchanged = phone.post(way, {})
    assert unchanged.status_code == 422
    assert "Change a field" in unchanged.text
    assert phone.post(way, {"withdraw": "1", "reason": "wrong heater"}).status_code == 303
    assert "Nothing was read yet" in phone.get(here).text


def test_the_text_of_a_repair_can_be_corrected(phone: Phone) -> None:
    here = opened(phone)
    phone.post(f"{here}/say", {"kind": "repair", "text": "hose clened"}, page=here.replace(here, f"{here}/say"))
    number = number_of(phone.get(f"{here}/entries").text, "hose clened")
    assert phone.post(f"{here}/entries/{number}", {"text": "hose cleaned"}).status_code == 303
    assert "hose cleaned" in phone.get(f"{here}/sheet").text


def test_which_cause_it_was_is_chosen_on_the_page(phone: Phone) -> None:
    here = opened(phone)
    page = phone.get(f"{here}/record").text
    assert re.search(r'<select id="f-found".*<option value="healthy"[^>]*>nothing was wrong</option>', page, re.DOTALL)
    asked = "Not said: which cause it was"
    assert asked not in phone.get(f"{here}/record").text
    assert phone.post(f"{here}/say", {"kind": "repair", "text": "hose"}, page=f"{here}/say").status_code == 303
    assert asked in phone.get(f"{here}/record").text
    assert phone.post(f"{here}/complete", {"found": "intake_restricted"}, page=f"{here}/record").status_code == 303
    assert asked not in phone.get(f"{here}/record").text
    assert "cause: intake restricted" in phone.get(f"{here}/sheet").text
    lacks = "it does not count in what is learnt, nor in how often the ranking was right: {}."
    assert lacks.format("nothing read before the work") in phone.get(f"{here}/record").text
    for typed in ({"field": "reading_after", "reason": "r"}, {"field": "cab_co", "reason": "r"}):
        assert phone.post(f"{here}/missing", typed, page=f"{here}/record").status_code == 303
    assert phone.post(f"{here}/complete", {"handed_back": "no"}, page=f"{here}/record").status_code == 303
    assert phone.post(f"{here}/close", {"incomplete": "1"}, page=f"{here}/record").status_code == 303
    for path in (here, f"{here}/record"):
        assert lacks.format("nothing read before the work") in phone.get(path).text


@pytest.mark.parametrize("entry", ["1", "99", "0", "x", "1@zz"])
def test_what_is_no_entry_to_be_corrected_is_refused_in_words(phone: Phone, entry: str) -> None:
    answer = phone.get(f"{opened(phone)}/entries/{entry}")
    assert answer.status_code == 422
    assert "is no entry to be corrected" in answer.text


def test_what_is_missing_is_added_or_declared_with_a_reason(phone: Phone) -> None:
    here = opened(phone)
    read(phone, here, **RESTRICTED)
    record = f"{here}/record"
    assert "smoke number" in phone.get(record).text
    complete = {"page": record}
    assert phone.post(f"{here}/complete", {"smoke_number": "1"}, **complete).status_code == 303
    assert "<summary>smoke number" not in phone.get(record).text
    empty = phone.post(f"{here}/missing", {"field": "supply_v", "reason": " "}, page=record)
    assert empty.status_code == 422
    answer = phone.post(f"{here}/missing", {"field": "supply_v", "reason": "plug cannot be reached"}, page=record)
    assert answer.status_code == 303
    page = phone.get(record).text
    assert "<summary>voltage at the heater" not in page
    assert "plug cannot be reached" in page


def test_all_that_cannot_be_read_is_declared_in_one_form(phone: Phone) -> None:
    """A heater that never lit: one reason for every reading, and what is to be said is still asked for."""
    here = opened(phone)
    read(phone, here, start_event="never_lit", supply_v="12.1")
    record = f"{here}/record"
    assert '<input type="hidden" name="field" value="rest">' in phone.get(record).text
    answer = phone.post(f"{here}/missing", {"field": "rest", "reason": "it never lit"}, page=record)
    assert answer.status_code == 303
    page = phone.get(record).text
    assert "<summary>O2<" not in page
    assert "<summary>smoke number<" not in page
    assert "<summary>whether it is given back or kept off<" in page
    assert 'value="rest"' not in page
    assert phone.post(f"{here}/missing", {"field": "rest", "reason": "again"}, page=record).status_code == 422


def test_what_is_sent_twice_is_told_with_a_way_to_correct_it(phone: Phone) -> None:
    here = opened(phone)
    for _ in range(2):
        phone.post(f"{here}/say", {"kind": "note", "text": "soot at the end"}, page=f"{here}/say")
    page = phone.get(here).text
    number = re.search(r"Entry (\d+) says the same as entry (\d+)", page)
    assert number
    assert int(number[1]) == int(number[2]) + 1
    assert f'href="{here}/entries/{number[1]}"' in page
    assert phone.post(f"{here}/entries/{number[1]}", {"withdraw": "1"}).status_code == 303
    assert "says the same" not in phone.get(here).text


def test_the_record_shows_what_was_said_and_sends_it_once(phone: Phone) -> None:
    here = opened(phone)
    assert phone.post(f"{here}/complete", {"vehicle": "truck-14"}, page=f"{here}/record").status_code == 303
    page = phone.get(f"{here}/record").text
    assert re.search(r'name="vehicle" value="" [^>]*placeholder="truck-14"', page)


def test_closing_opening_again_and_what_a_closed_visit_refuses(phone: Phone) -> None:
    here = opened(phone)
    read(phone, here, **RESTRICTED)
    record = f"{here}/record"
    refused = phone.post(f"{here}/close", {}, page=record)
    assert refused.status_code == 422
    assert "is incomplete" in refused.text
    never = phone.post(f"{here}/close", {"incomplete": "1"}, page=record)
    assert never.status_code == 422
    assert "CO inside and outside the cab" in never.text
    declared = {"field": "cab_co", "reason": "no second instrument"}
    assert phone.post(f"{here}/missing", declared, page=record).status_code == 303
    assert phone.post(f"{here}/complete", {"handed_back": "no"}, page=record).status_code == 303
    ended = phone.post(f"{here}/close", {"incomplete": "1"}, page=record)
    assert ended.status_code == 303, ended.text
    page = phone.get(here).text
    assert "· closed" in page
    assert "Save check" not in page
    late = phone.post(f"{here}/reading", RESTRICTED)
    assert late.status_code == 422
    assert "is closed" in late.text
    assert phone.post(f"{here}/reopen", {"reason": ""}, page=record).status_code == 422
    assert phone.post(f"{here}/reopen", {"reason": "hours forgotten"}, page=record).status_code == 303
    assert "· closed" not in phone.get(here).text


def test_it_is_not_handed_back_while_a_stop_stands(phone: Phone) -> None:
    here = opened(phone)
    read(phone, here, stage="high", o2_dry_pct="4.8", co_dry_ppm="4000")
    answer = phone.post(f"{here}/complete", {"handed_back": "yes"}, page=f"{here}/record")
    assert answer.status_code == 422
    assert "contradicts a stop condition" in answer.text
    assert banner_of(answer.text).startswith("STOP")


def test_the_sheet_is_that_of_the_command_line_and_lets_nothing_run(
    phone: Phone, settings: Settings, tmp_path: object
) -> None:
    here = opened(phone)
    read(phone, here, **RESTRICTED)
    answer = phone.get(f"{here}/sheet?numbers=1")
    out = f"{tmp_path}/sheet.html"
    assert call("visit", "print", str(settings.book), "--visit-id", "V001", "--numbers", "--out", out).code == 0
    with open(out, encoding="utf-8") as file:
        assert answer.text == file.read()
    policy = answer.headers["content-security-policy"]
    style = re.search(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    assert style
    # https://www.w3.org/TR/CSP3/: the hash of an inline style is over the text between its tags.
    assert f"'sha256-{base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()}'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "script" not in policy
    saved = phone.get(f"{here}/sheet?save=1")
    assert saved.headers["content-disposition"].startswith("attachment; ")
    assert phone.get(f"{here}/sheet?revision=2").status_code == 422


def test_the_sheet_of_the_day_tells_stops_first(phone: Phone) -> None:
    read(phone, opened(phone), **RESTRICTED)
    read(phone, opened(phone), stage="high", o2_dry_pct="4.8", co_dry_ppm="4000")
    page = phone.get("/day/sheet").text
    assert banner_of(page).startswith("STOP")
    assert page.index("V002") < page.index("V001")
    assert "No visit on this day" in phone.get("/day/sheet?day=1999-01-01").text


@pytest.mark.parametrize(
    ("role", "reads", "writes"), [("learner", 403, 403), ("trainer", 200, 403), ("engineer", 200, 303)]
)
def test_who_may_read_and_write_visits(phone: Phone, settings: Settings, role: str, reads: int, writes: int) -> None:
    here = opened(phone)
    shared = replace(settings, host="192.168.7.20", shared=True)
    other = Phone(shared)
    assert other.get(here).headers["location"] == "/pair"
    assert other.post("/pair", {"code": Seats(settings.key).code_of(role)}).status_code == 303
    for way in ("/visit", "/day", "/day/sheet", here, f"{here}/record", f"{here}/entries", f"{here}/sheet"):
        assert other.get(way).status_code == reads, way
    sent = {"token": other.token(), "o2_dry_pct": "8.2", "stage": "high"}
    assert other.client.post(f"{here}/reading", data=sent, headers={"origin": other.origin}).status_code == writes


def test_a_visit_is_found_by_name_or_heater_among_many(phone: Phone) -> None:
    for n in range(3):
        opened(phone, visit_id=f"W30{n}", heater="", heater_id=f"LF-{n}")
    assert 'id="find"' not in phone.get("/visit").text, "three visits need no search"
    for word in ("w302", "lf-2"):
        page = phone.get(f"/visit?find={word}").text
        assert "/visit/W302" in page
        assert "/visit/W301" not in page


def test_many_visits_opened_in_one_moment_are_as_many_visits(
    phone: Phone, phones: Callable[[], Phone], settings: Settings
) -> None:
    opened(phone)
    others = [phones() for _ in range(4)]
    went: list[str] = []
    start = threading.Barrier(len(others))

    def one(other: Phone) -> None:
        page = other.get("/visit").text
        start.wait()
        went.append(opened(other) if page else "")

    threads = [threading.Thread(target=one, args=[other]) for other in others]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert settings.book
    with Logbook(settings.book, read_only=True) as book:
        assert len(names(book)) == 5
    assert len(set(went)) == 4
