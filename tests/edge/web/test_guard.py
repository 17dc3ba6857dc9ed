"""What the server refuses: foreign names and origins, forms that are not its own, too much at once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from combust.edge.web.guard import HEADERS
from combust.edge.web.ways import FORM_BYTES, WAYS
from tests.edge.web.phone import Phone

pytestmark = pytest.mark.regression
POSTS = [way for way in WAYS if way.method == "POST"]


@pytest.mark.parametrize("host", ["larkfell.example", "127.0.0.1", "127.0.0.1:80", "larkfell.example:8432", ""])
def test_a_foreign_name_is_not_answered(phone: Phone, host: str) -> None:
    for path in ("/", "/static/page.css"):
        assert phone.get(path, headers={"host": host}).status_code == 421


def test_every_answer_carries_the_policy_and_no_page_needs_more(phone: Phone) -> None:
    for path in ("/", "/reading", "/nothing", "/static/page.css"):
        answer = phone.get(path)
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
        assert "style=" not in answer.text
        assert "onclick" not in answer.text
    assert "unsafe" not in HEADERS["content-security-policy"]


@pytest.mark.parametrize(
    "origin", [None, "null", "http://larkfell.example", "http://127.0.0.1:9999", "https://127.0.0.1:8432"]
)
@pytest.mark.parametrize("way", POSTS, ids=lambda way: way.path)
def test_a_form_from_elsewhere_is_refused(phone: Phone, way: object, origin: str | None) -> None:
    headers = {} if origin is None else {"origin": origin}
    answer = phone.client.post(way.path, data={"token": phone.token()}, headers=headers)
    assert answer.status_code == 403


@pytest.mark.parametrize("token", ["", "x", "1.x", "9" * 40 + ".x", "é.é"])
@pytest.mark.parametrize("way", POSTS, ids=lambda way: way.path)
def test_a_form_without_its_token_is_refused(phone: Phone, way: object, token: str) -> None:
    phone.get("/")
    answer = phone.client.post(way.path, data={"token": token}, headers={"origin": phone.origin})
    assert answer.status_code == 403


def test_the_token_of_another_phone_is_refused(phones: Callable[[], Phone]) -> None:
    mine, yours = phones(), phones()
    answer = mine.client.post("/reading", data={"token": yours.token()}, headers={"origin": mine.origin})
    assert answer.status_code == 403


def test_a_body_is_counted_as_it_comes(phone: Phone) -> None:
    taken = 0

    def endless():
        nonlocal taken
        for _ in range(1000):
            taken += 1
            yield b"o2_dry_pct=" + b"8" * 1000

    headers = {"origin": phone.origin, "content-type": "application/x-www-form-urlencoded"}
    assert phone.client.post("/reading", content=endless(), headers=headers).status_code == 413
    phone.get("/")
    assert phone.client.post("/reading", data={"x": "8" * (FORM_BYTES + 1)}, headers=headers).status_code == 413
