"""For other programs: the JSON of the command line, described by a file that is held to it, behind the same guard."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from combust.edge.web.openapi import description
from combust.edge.web.seats import Seats
from combust.edge.web.settings import Settings
from combust.edge.web.ways import WAYS
from tests.edge.runs import ROOT, call
from tests.edge.web.phone import Phone

pytestmark = pytest.mark.regression
READING = {"fuel": "diesel", "o2_dry_pct": 8.2, "co_dry_ppm": 150.0, "flue_temp_f": 572.0, "location": "outdoors"}


def fits(value: Any, name: str) -> None:
    """Hold a value against a schema of the description."""
    import jsonschema  # here: it takes two seconds to load, in each process that collects the tests

    schemas = description()["components"]["schemas"]
    jsonschema.validate(value, schemas[name], cls=jsonschema.Draft202012Validator)


def test_a_reading_is_answered_as_on_the_command_line(phone: Phone) -> None:
    options = [part for key, value in READING.items() for part in (f"--{key.replace('_', '-')}", str(value))]
    told = call("reading", *options, "--json").json
    answer = phone.send("/api/reading", READING).json()
    assert answer == told
    assert [*answer] == [*told]
    fits(READING, "Reading")
    fits(answer, "ReadingResult")


def test_repeats_are_a_list(phone: Phone) -> None:
    repeats = ("--o2-dry", "8.2", "--o2-dry", "8.4", "--o2-dry", "8.0")
    told = call("reading", *repeats, "--location", "outdoors", "--json").json
    given = {"o2_dry_pct": [8.2, 8.4, 8.0], "location": "outdoors"}
    fits(given, "Reading")
    assert phone.send("/api/reading", given).json() == told


def test_a_refusal_is_that_of_the_command_line(phone: Phone) -> None:
    given = {"o2_dry_pct": 82.0, "co_dry_ppm": 4000.0, "fuel": "deisel", "location": "outdoors"}
    told = call(
        "reading", "--o2-dry", "82.0", "--co-dry", "4000.0", "--fuel", "deisel", "--location", "outdoors", "--json"
    )
    answer = phone.send("/api/reading", given)
    assert answer.status_code == 422
    assert answer.json() == told.json
    assert [fault["quantity"] for fault in told.json["faults"]] == ["o2_dry_pct", "fuel"]
    fits(answer.json(), "Refusal")


@pytest.mark.parametrize(
    "body",
    [{"line": "high o2 4.84 flue 689 F co 120"}, {"words": ["high", "o2", "4.84", "flue", "689", "F", "co", "120"]},
     {"values": {"stage": "high", "o2_dry_pct": 4.84, "flue_temp_f": "689", "co_dry_ppm": 120}}],
    ids=["line", "words", "values"],
)  # fmt: skip
def test_an_entry_is_answered_as_at_the_keyboard(phone: Phone, settings: Settings, body: dict[str, Any]) -> None:
    profiles = ("--heaters", str(settings.heaters), "--visit-id", "V1", "outdoors")
    other = str(settings.book.with_name("other.book"))
    for book in (str(settings.book), other):
        assert call("visit", "open", book, "heater-0312", *profiles).code == 0
    told = call("visit", "enter", other, *["high", "o2", "4.84", "flue", "689", "F", "co", "120"], "--json").json
    fits(body, "Line")
    answer = phone.send("/api/visit/V1/entries", body).json()
    fits(answer, "Standing")
    assert answer["causes"]["causes"] == told["causes"]["causes"]
    assert answer["next_check"] == told["next_check"]
    assert [*answer] == [*told]
    again = phone.get("/api/visit/V1").json()
    assert again == answer


@pytest.mark.parametrize("path", ["/api/visit/V2", "/api/visit/..%2f..%2fetc%2fpasswd", "/api/visit/V1%00"])
def test_a_visit_that_is_not_there_is_told(phone: Phone, settings: Settings, path: str) -> None:
    call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1")
    answer = phone.get(path)
    assert answer.status_code in (404, 422)
    fits(answer.json(), "Refusal")
    assert phone.send(path + "/entries", {"line": "o2 8.2"}).status_code in (404, 422)


def test_without_a_logbook_it_is_said(settings: Settings) -> None:
    answer = Phone(replace(settings, book=None)).get("/api/visit/V1")
    assert answer.status_code == 422
    assert "Start the page with one" in answer.text


@pytest.mark.parametrize(
    ("text", "status"),
    [("", 400), ("[]", 400), ("{", 400), ("null", 400), ('{"o2_dry_pct": NaN}', 400), ("[" * 10_000, 400),
     ('{"o2_dry_pct": ' + "9" * 5000 + "}", 400), ("{}", 422), ('{"o2_dry_pct": {"a": [1]}}', 422),
     ('{"o2_dry_pct": [[8.2]]}', 422), ('{"o2_dry_pct": []}', 422), ('{"o2_dry_pct": true}', 422),
     ('{"o2_dry_pct": null}', 422), ('{"o2_dry_pct": 1e999}', 422), ('{"nothing": 1}', 422),
     ('{"o2_dry_pct": "\\ud800"}', 400), ('{"fuel": ["diesel"], "o2_dry_pct": 8.2}', 200)],
)  # fmt: skip
def test_odd_bodies_are_refused_in_words(phone: Phone, text: str, status: int) -> None:
    headers = {"origin": phone.origin, "x-combust-token": phone.token(), "content-type": "application/json"}
    answer = phone.client.post("/api/reading", content=text, headers=headers)
    assert answer.status_code == status, answer.text
    fits(answer.json(), "Refusal" if status != 200 else "ReadingResult")


@pytest.mark.parametrize("body", [{}, {"line": 5}, {"line": 'note "open'}, {"words": [1]}, {"values": {"o2": 8}},
                                  {"values": {"o2_dry_pct": [8]}}, {"line": ""}])  # fmt: skip
def test_a_line_that_is_none_adds_nothing(phone: Phone, settings: Settings, body: dict[str, Any]) -> None:
    call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1")
    before = phone.get("/api/visit/V1").json()
    answer = phone.send("/api/visit/V1/entries", body)
    assert answer.status_code == 422
    assert phone.get("/api/visit/V1").json() == before


# ---- the guard ---------------------------------------------------------------------------------------------------
def test_a_program_gives_the_code_and_needs_no_cookie(settings: Settings) -> None:
    there = Phone(replace(settings, host="192.168.7.20", shared=True))
    learner, engineer = (Seats(settings.key).code_of(role) for role in ("learner", "engineer"))
    reading = {"o2_dry_pct": 8.2, "location": "outdoors"}
    assert there.client.post("/api/reading", json=reading).status_code == 401
    assert there.client.post("/api/reading", json=reading, headers=bearer("12345678")).status_code == 401
    assert there.client.post("/api/reading", json=reading, headers=bearer(learner)).status_code == 200
    call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1")
    line, path = {"line": "o2 8.2"}, "/api/visit/V1/entries"
    assert there.client.post(path, json=line, headers=bearer(learner)).status_code == 403
    assert there.client.post(path, json=line, headers=bearer(engineer)).status_code == 200
    foreign = {**bearer(engineer), "origin": "http://larkfell.example"}
    assert there.client.post(path, json=line, headers=foreign).status_code == 403
    assert not there.client.cookies


def bearer(code: str) -> dict[str, str]:
    return {"authorization": f"Bearer {code}"}


def test_a_page_of_another_site_cannot_send_json(phones: Callable[[], Phone]) -> None:
    phone, reading = phones(), json.dumps(READING)
    token = phone.token()
    for kind in ("text/plain", "application/x-www-form-urlencoded", ""):  # what a form can send without being asked
        headers = {"origin": phone.origin, "x-combust-token": token, "content-type": kind}
        assert phone.client.post("/api/reading", content=reading, headers=headers).status_code == 415
    headers = {"x-combust-token": token, "content-type": "application/json"}
    for origin in ({}, {"origin": "null"}, {"origin": "http://larkfell.example"}):
        assert phone.client.post("/api/reading", content=reading, headers={**headers, **origin}).status_code == 403
    headers = {"origin": phone.origin, "content-type": "application/json"}
    assert phone.client.post("/api/reading", content=reading, headers=headers).status_code == 403


def test_the_description_names_every_way_and_is_the_file(phone: Phone) -> None:
    import jsonschema

    told = phone.get("/api/openapi.json").json()
    assert told == description() == json.loads((ROOT / "docs" / "openapi.json").read_text("utf-8"))
    named = {(method.upper(), path) for path, ways in told["paths"].items() for method in ways}
    assert named == {(way.method, way.path) for way in WAYS if way.json}
    for schema in told["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)
