"""Every way in asks for its role, and says so to whoever has less; no name in a path leads anywhere else."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import httpx2 as httpx
import pytest

from combust.edge.logbook.photos import folder_of
from combust.edge.web.seats import ROLES, Seats
from combust.edge.web.settings import Settings
from combust.edge.web.ways import WAYS, Way
from tests.edge.runs import call
from tests.edge.test_html_injection import MARK
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone
from tests.edge.web.test_visit_photo import photo

pytestmark = pytest.mark.regression
LEAST = [(way, role) for way in WAYS for role in ROLES if ROLES.index(role) < ROLES.index(way.role)]
TRICKS = ("%2e%2e", "%2e%2e%2f%2e%2e", "..%2f..%2fetc%2fpasswd", "....//", "%2e%2e%2f", "V1%00", "V1/../V2", "~", "~~s",
          "~d~d", "V1%0d%0aset-cookie:%20x=1", "file:///etc/passwd", "a" * 5000, "\u202eV1")  # fmt: skip


def seated(settings: Settings, role: str) -> Phone:
    """Return a phone of the network with the cookie of a role."""
    phone = Phone(replace(settings, host="192.168.7.20", shared=True))
    if role != "nobody":
        seats = Seats(settings.key)
        phone.client.cookies.set(f"combust_{settings.port}", seats.cookie_of(seats.new(role)))
    return phone


def ask(phone: Phone, way: Way, part: str = "V1") -> httpx.Response:
    path = re.sub(r"\{\w+\}", lambda _: part, way.path)
    token = "" if "combust" not in str(phone.client.cookies) else phone.get("/token").json()["token"]
    headers = {"origin": phone.origin, "x-combust-token": token}
    if way.method == "GET":
        return phone.get(path)
    body = {"json": {"line": "note x"}} if way.json else {"data": {"text": "x", "kind": "note"}}
    answer: httpx.Response = phone.client.post(path, headers=headers, **body)
    return answer


@pytest.mark.parametrize(("way", "role"), LEAST, ids=lambda one: one if isinstance(one, str) else one.path)
def test_a_role_that_is_too_small_does_nothing(settings: Settings, way: Way, role: str) -> None:
    assert call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1").code == 0
    before = settings.book.read_bytes()
    answer = ask(seated(settings, role), way)
    if role == "nobody" and way.method == "GET" and not way.json:
        assert answer.headers["location"] == "/pair"
    else:
        assert answer.status_code == (401 if role == "nobody" else 403)
    assert settings.book.read_bytes() == before


@pytest.mark.parametrize("trick", TRICKS, ids=lambda text: text[:12])
def test_a_name_in_a_path_leads_nowhere_else(phone: Phone, settings: Settings, tmp_path: Path, trick: str) -> None:
    assert call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1").code == 0
    before = sorted(path.name for path in tmp_path.rglob("*"))
    held, _ = settings.book.read_bytes(), phone.get("/")
    for way in WAYS:
        if "{" in way.path:
            answer = ask(phone, way, trick)
            assert answer.status_code in (303, 404, 405, 422), (way.path, answer.status_code)
            assert "root:" not in answer.text
            assert "set-cookie" not in answer.headers or "x=1" not in answer.headers["set-cookie"]
    assert settings.book.read_bytes() == held
    assert sorted({*(path.name for path in tmp_path.rglob("*"))} - {"winter.book.page-key"}) == before


@pytest.mark.parametrize("text", HOSTILE)
def test_the_name_of_a_photograph_is_never_used(phone: Phone, settings: Settings, text: str) -> None:
    assert call("visit", "open", str(settings.book), "heater-1", "--visit-id", "V1").code == 0
    files = {"photo": (text.replace("\r\n", " "), photo(), "image/jpeg")}
    answer = phone.post("/visit/V1/photo", {"shows": text}, files=files)
    assert answer.status_code in (303, 422)
    shown = phone.get("/visit/V1/photo").text
    check_page(re.sub(r"<img [^>]*src=\"/visit/V1/photo/[0-9a-f]{64}\.jpg\"[^>]*>", "", shown))
    names = [path.name for path in folder_of(settings.book).glob("*")] if folder_of(settings.book).exists() else []
    assert all(re.fullmatch(r"[0-9a-f]{64}\.jpg", name) for name in names)
    assert MARK not in "".join(names)
    assert phone.get(f"/visit/V1/photo/{quote(text, safe='')}").status_code in (404, 422)
