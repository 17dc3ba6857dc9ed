"""What the tests hold instead of a phone: it takes a form from a page, fills it in and sends it as a browser would."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import html5lib
import httpx2 as httpx
from starlette.applications import Starlette
from starlette.testclient import TestClient

from combust.edge.web.pool import Pool
from combust.edge.web.seats import Seats
from combust.edge.web.serve import make_app
from combust.edge.web.settings import Settings

XHTML = "{http://www.w3.org/1999/xhtml}"


class Phone:
    """A client with a cookie of its own.

    Parameters
    ----------
    settings : Settings
    seats : Seats, optional
        With a clock of the test.
    pool : Pool, optional
        Default without processes.
    app : Starlette, optional
        Of a server at which other phones are too.
    """

    def __init__(
        self, settings: Settings, seats: Seats | None = None, pool: Pool | None = None, app: Starlette | None = None
    ) -> None:
        self.origin = f"http://{settings.name}"
        app = app or make_app(settings, seats, pool)
        self.client = TestClient(app, base_url=self.origin, raise_server_exceptions=False, follow_redirects=False)

    def get(self, path: str, **more: Any) -> httpx.Response:
        """Ask for a page."""
        answer: httpx.Response = self.client.get(path, **more)
        return answer

    def token(self, path: str = "/") -> str:
        """Return the token that the forms of a page carry."""
        return form_of(self.get(path).text)["token"]

    def post(self, path: str, typed: Mapping[str, str], *, page: str | None = None, **more: Any) -> httpx.Response:
        """Send a form: what its page holds already, and what was typed into it."""
        held = form_of(self.get(page or path).text, path, "post")
        more.setdefault("headers", {"origin": self.origin})
        answer: httpx.Response = self.client.post(path, data={**held, **typed}, **more)
        return answer

    def send(self, path: str, facts: Mapping[str, Any], **more: Any) -> httpx.Response:
        """Send a JSON object as the script of a page does."""
        headers = {"origin": self.origin, "x-combust-token": self.token(), **more.pop("headers", {})}
        answer: httpx.Response = self.client.post(path, json=dict(facts), headers=headers, **more)
        return answer


def form_of(html: str, action: str | None = None, method: str | None = None) -> dict[str, str]:
    """Return the fields of a form of a page with what they hold, the first form where none is named."""
    tree = html5lib.parse(html)
    found = [one for one in tree.iter(f"{XHTML}form") if action is None or one.get("action") == action]
    found = [one for one in found if method is None or (one.get("method") or "get").lower() == method]
    assert found, f"no form to {action}"
    ticked = [one for one in found[0].iter(f"{XHTML}input") if _is_sent(one)]
    held = {one.get("name"): one.get("value") or "" for one in ticked}
    held |= {one.get("name"): one.text or "" for one in found[0].iter(f"{XHTML}textarea")}
    for one in found[0].iter(f"{XHTML}select"):
        chosen = [option.get("value") for option in one.iter(f"{XHTML}option") if option.get("selected") is not None]
        held[one.get("name")] = chosen[0] if chosen else ""
    return {name: value for name, value in held.items() if name}


def _is_sent(one: Any) -> bool:
    kind = one.get("type")
    return kind != "file" and (kind not in ("checkbox", "radio") or one.get("checked") is not None)


def banner_of(html: str) -> str:
    """Return the words of the banner, "" when the page has none."""
    for one in html5lib.parse(html).iter(f"{XHTML}section"):
        if one.get("id") == "banner":
            return " ".join("".join(one.itertext()).split())
    return ""
