"""Who says what he wants too slowly is ended, and it costs the others nothing. No time is waited for: an end is."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
import uvicorn

from combust.edge.web import point, protocol
from combust.edge.web.seats import Seats
from combust.edge.web.serve import make_app
from combust.edge.web.settings import Settings
from tests.edge.moments import PATIENCE
from tests.edge.web.served import free_port

pytestmark = pytest.mark.regression


def scope_of(settings: Settings, path: str) -> dict[str, Any]:
    """Return a POST of a seat of this server as uvicorn hands it on."""
    seats = Seats(settings.key)
    cookie = f"combust_{settings.port}={seats.cookie_of(seats.new('engineer'))}"
    origin = f"http://{settings.name}"
    headers = {"host": settings.name, "origin": origin, "cookie": cookie, "content-type": "application/json"}
    return {
        "type": "http", "method": "POST", "path": path, "raw_path": path.encode(), "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 5), "server": ("127.0.0.1", settings.port), "scheme": "http", "http_version": "1.1",
    }  # fmt: skip


@pytest.mark.parametrize("path", ["/reading", "/api/reading"])
def test_a_body_that_does_not_end_is_given_up(settings: Settings, monkeypatch: pytest.MonkeyPatch, path: str) -> None:
    monkeypatch.setattr(point, "BODY_SECONDS", 0.05)
    sent: list[Any] = []

    async def receive() -> Any:
        if not sent_first:
            sent_first.append(True)
            return {"type": "http.request", "body": b'{"o2_dry_pct": 8', "more_body": True}
        await asyncio.sleep(PATIENCE)

    async def send(message: Any) -> None:
        sent.append(message)

    sent_first: list[bool] = []
    scope = scope_of(settings, path)
    if path == "/reading":
        scope["headers"] = [one for one in scope["headers"] if one[0] != b"content-type"]
        scope["headers"].append((b"content-type", b"application/x-www-form-urlencoded"))
    asyncio.run(make_app(settings)(scope, receive, send))
    assert sent[0]["status"] == 408


@pytest.mark.parametrize(
    "said", [b"", b"GET / HTTP/1.1\r\nHost: 127", b"POST /reading HTTP/1.1\r\n" + b"x: y\r\n" * 20]
)
def test_a_head_that_does_not_end_is_cut_off(settings: Settings, monkeypatch: pytest.MonkeyPatch, said: bytes) -> None:
    monkeypatch.setattr(protocol, "HEADER_SECONDS", 0.05)
    port = free_port()

    async def talk() -> bytes:
        config = uvicorn.Config(make_app(settings), port=port, http=protocol.InTime, ws="none", log_level="error")
        server = uvicorn.Server(config)
        running = asyncio.create_task(server.serve())
        while not server.started:
            await asyncio.sleep(0)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(said)
        told = await reader.read()  # comes back when the server ends the connection
        writer.close()
        server.should_exit = True
        await running
        return told

    assert asyncio.run(talk()) == b""
