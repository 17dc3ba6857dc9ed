"""What the server refuses: foreign names and origins, forms that are not its own, too much at once, text as markup."""

from __future__ import annotations

import re
import tracemalloc
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import quote

import httpx2 as httpx
import pytest

from combust.data.vocabulary import input_keys, quantities
from combust.edge.logbook.book import Logbook
from combust.edge.web.guard import HEADERS
from combust.edge.web.settings import Settings
from combust.edge.web.ways import WAYS, Way
from tests.edge.runs import call
from tests.edge.test_html_injection import MARK
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone

pytestmark = pytest.mark.regression
POSTS = [way for way in WAYS if way.method == "POST"]
EACH_POST = pytest.mark.parametrize("way", POSTS, ids=lambda way: way.path)
FORM = "application/x-www-form-urlencoded"
FOREIGN = (None, "null", "", "http://larkfell.example", "http://127.0.0.1:9999", "https://127.0.0.1:8432",
           "http://127.0.0.1:8432.larkfell.example", "http://127.0.0.1:8432/")  # fmt: skip


def send(phone: Phone, way: Way, token: str, headers: dict[str, str]) -> httpx.Response:
    """Send what a way takes, with a token where it belongs."""
    path = re.sub(r"\{\w+\}", "V1", way.path)
    body: dict[str, Any] = {"json": {"line": "o2 8.2"}} if way.json else {"data": {"token": token, "o2_dry_pct": "8.2"}}
    more = {"x-combust-token": token} if way.json else {}
    answer: httpx.Response = phone.client.post(path, **body, headers={**more, **headers})
    return answer


# ---- whose name, whose form --------------------------------------------------------------------------------------
@pytest.mark.parametrize("host", ["larkfell.example", "127.0.0.1", "127.0.0.1:80", "larkfell.example:8432", "",
                                  "127.0.0.1:8432@larkfell.example", "127.0.0.1:8432, larkfell.example"])  # fmt: skip
def test_a_foreign_name_is_not_answered(phone: Phone, host: str) -> None:
    """Rebinding: a page of another site whose name was made to lead to this machine asks under that name."""
    for path in ("/", "/static/page.css", "/api/openapi.json"):
        assert phone.get(path, headers={"host": host}).status_code == 421


def test_every_answer_carries_the_policy_and_no_page_needs_more(phone: Phone) -> None:
    for path in ("/", "/reading", "/nothing", "/static/page.css", "/static/../serve.py", "/api/nothing"):
        answer = phone.get(path)
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
        assert "style=" not in answer.text
        assert not re.search(r"<script(?! src=)|\son\w+=|javascript:", answer.text)
    assert "unsafe" not in HEADERS["content-security-policy"]
    assert "access-control-allow-origin" not in phone.get("/", headers={"origin": "http://larkfell.example"}).headers


def test_the_files_of_a_page_are_asked_for_once(phone: Phone) -> None:
    """Their script is at hand when the network drops after the page; another script has another address."""
    named = re.findall(r'(?:src|href)="(/static/([\w.]+)\?v=\w+)"', phone.get("/reading").text)
    assert {name for _, name in named} == {"page.js", "offline.js", "page.css", "icon.svg"}
    for address, _ in named:
        assert phone.get(address).headers["cache-control"] == "max-age=31536000, immutable"
    assert "cache-control" not in phone.get("/static/page.js").headers
    assert "cache-control" not in phone.get("/static/nothing.js?v=1").headers
    assert phone.get("/word?v=1").headers["cache-control"] == "no-store"


@pytest.mark.parametrize("origin", FOREIGN)
@EACH_POST
def test_a_form_from_elsewhere_is_refused(phone: Phone, way: Way, origin: str | None) -> None:
    token = phone.token()
    headers = {} if origin is None else {"origin": origin}
    assert send(phone, way, token, headers).status_code == 403


@pytest.mark.parametrize("token", ["", "x", "1.x", "9" * 40 + ".x", "-1.x", "0.", "1800000000.\u00e9"])
@EACH_POST
def test_a_form_without_its_token_is_refused(phone: Phone, way: Way, token: str) -> None:
    phone.get("/")
    if way.json:
        token = token.encode("ascii", "ignore").decode()
    assert send(phone, way, token, {"origin": phone.origin}).status_code == 403


def test_the_token_of_another_phone_is_refused(phones: Callable[[], Phone]) -> None:
    mine, yours = phones(), phones()
    mine.get("/")
    for way in POSTS:
        assert send(mine, way, yours.token(), {"origin": mine.origin}).status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "POST", "LARK"])
def test_another_method_does_nothing(phone: Phone, method: str) -> None:
    assert phone.client.request(method, "/word", headers={"origin": phone.origin}).status_code in (404, 405)


# ---- how much ----------------------------------------------------------------------------------------------------
@EACH_POST
def test_a_body_is_counted_as_it_comes(phone: Phone, way: Way) -> None:
    """Ten times what may be, in pieces, its length announced or not: refused, and little of it was ever held."""
    phone.get("/")

    def pieces() -> Iterator[bytes]:
        for _ in range(10):
            yield b"o2_dry_pct=" + b"8" * way.most

    kind = "application/json" if way.json else FORM
    headers = {"origin": phone.origin, "content-type": kind}
    path = re.sub(r"\{\w+\}", "V1", way.path)
    assert phone.client.post(path, content=pieces(), headers=headers).status_code == 413
    assert phone.client.post(path, content=b"x" * (way.most + 1), headers=headers).status_code == 413


A_FILE = b'--b\r\nContent-Disposition: form-data; name="x"; filename="y"\r\n\r\nz\r\n--b--\r\n'


@pytest.mark.parametrize(
    ("kind", "body"),
    [("multipart/form-data", b"x"), ("multipart/form-data; boundary=b", b"--b\r\nno head\r\n"),
     ("multipart/form-data; boundary=b", A_FILE),
     ("multipart/form-data; boundary=" + "b" * 5000, b"--b"),
     (FORM, b"%ZZ%=&&&==&%00=%00"), ("text/plain", b"o2_dry_pct=8.2"), ("", b"\xff\xfe\x00")],
)  # fmt: skip
def test_a_form_that_cannot_be_read_is_refused(phone: Phone, kind: str, body: bytes) -> None:
    phone.get("/")
    answer = phone.client.post("/reading", content=body, headers={"origin": phone.origin, "content-type": kind})
    assert answer.status_code in (400, 403)


def test_many_fields_take_bounded_memory(phone: Phone) -> None:
    body = b"&".join(b"k%d=v" % number for number in range(8000))[:60_000]
    headers = {"origin": phone.origin, "content-type": FORM}
    phone.client.post("/reading", content=body, headers=headers)
    tracemalloc.start()
    for _ in range(20):
        assert phone.client.post("/reading", content=body, headers=headers).status_code in (400, 403)
    grown, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert grown < 3_000_000, grown


# ---- text stays text ---------------------------------------------------------------------------------------------
TYPED = [key for key in input_keys() if quantities()[key].role != "identity"]


@pytest.mark.parametrize("text", HOSTILE)
def test_what_is_typed_into_any_field_comes_back_as_text(phone: Phone, text: str) -> None:
    """All fields at once, each refused in words; nothing of it becomes markup."""
    answer = phone.post("/reading", dict.fromkeys(TYPED, text))
    assert answer.status_code in (200, 422)
    assert MARK in answer.text
    check_page(answer.text)
    check_page(phone.post("/pair", {"code": text}).text)
    for path in ("/word", "/reading", "/nothing"):
        check_page(phone.get(path, params={"word": text}).text)


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_name_of_a_field_a_file_or_a_path_is_only_text(phone: Phone, text: str) -> None:
    headers = {"origin": phone.origin}
    data = {"token": phone.token(), "o2_dry_pct": "8.2", text: text}
    answer = phone.client.post("/reading", data=data, headers=headers)
    assert answer.status_code == 200
    check_page(answer.text)
    name = text.replace("\x00", "").replace("\r\n", "")
    answer = phone.client.post("/reading", data=data, files={"photo": (name, b"x")}, headers=headers)
    assert answer.status_code == 400, "no file is taken where none is asked for"
    answer = phone.get(f"/{quote(text)}")
    assert answer.status_code == 404
    check_page(answer.text)
    answer = phone.get(f"/api/visit/{quote(text, safe='')}")
    assert answer.status_code in (404, 422)
    assert answer.headers["content-type"] == "application/json"
    assert MARK not in answer.headers.get("set-cookie", "")


# ---- what fails --------------------------------------------------------------------------------------------------
def test_what_fails_tells_nothing_of_the_inside_and_keeps_the_policy(
    phone: Phone, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(_asked: object) -> None:
        raise RuntimeError(f"secret {MARK}")

    monkeypatch.setattr("combust.edge.web.routes.word.show", fails)
    answer = phone.get("/word?word=lambda")
    assert answer.status_code == 500
    assert MARK not in answer.text
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert f"secret {MARK}" in caplog.text, "whoever started the server is told"


def test_a_busy_logbook_is_asked_again_and_not_called_wrong(
    phone: Phone, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("combust.edge.logbook.book.WAIT_S", 0.05)
    assert call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1").code == 0
    with Logbook(settings.book) as book, book.writing():
        answer = phone.send("/api/visit/V1/entries", {"line": "note written while another program writes"})
    assert answer.status_code == 503
    assert "is being written by another program" in answer.text
