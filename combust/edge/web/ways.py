"""The ways in: every path with its method, the function that answers it and who may ask. There is no other way in.

A page is imported when it is first asked for, so that the first screen is there at once.
"""

from __future__ import annotations

import asyncio
import importlib
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from combust.edge.web.asked import Asked, House
from combust.edge.web.guard import counted
from combust.edge.web.seats import Seat
from combust.edge.web.texts import texts

FORM_BYTES = 64_000
MOST_FIELDS = 200
BODY_SECONDS = 20.0


@dataclass(frozen=True, slots=True)
class Way:
    """One way in.

    Attributes
    ----------
    method, path : str
    answer : str
        ``module:function`` in ``routes/``; the function takes an :class:`Asked` and returns a response.
    role : str
        The least role that may ask.
    most, files : int
        Most bytes of its body, most files in it.
    """

    method: str
    path: str
    answer: str
    role: str = "learner"
    most: int = FORM_BYTES
    files: int = 0


WAYS = (
    Way("GET", "/", "home:show"),
    Way("POST", "/units", "home:set_units"),
    Way("GET", "/reading", "reading:show"),
    Way("POST", "/reading", "reading:judge"),
    Way("GET", "/word", "word:show"),
)


class Point:
    """One way in, as Starlette runs it: who asks, is it from our own form, how much is it, then the answer."""

    def __init__(self, way: Way, house: House) -> None:
        self.way, self.house = way, house

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        request = Request(scope, counted(receive, self.way.most))
        seat, cookie = self._seat_of(request)
        asked = Asked(request, self.house, seat)
        if not seat.may(self.way.role):
            raise HTTPException(403, texts()["refused"]["role"])
        if self.way.method == "POST":
            self._need_own_origin(request)
            asked.form, asked.files = await self._form_of(request)
            if not self.house.seats.token_fits(seat, asked.form.pop("token", "")):
                raise HTTPException(403, texts()["refused"]["token"])
        module, _, name = self.way.answer.partition(":")
        answer = getattr(importlib.import_module(f"combust.edge.web.routes.{module}"), name)
        response: Response = await run_in_threadpool(answer, asked)
        if cookie:
            response.set_cookie(self.house.cookie, cookie, httponly=True, samesite="strict")
        await response(scope, receive, send)

    def _seat_of(self, request: Request) -> tuple[Seat, str]:
        """Return the seat of who asks, and the cookie that it has to be given ("" when it has one)."""
        seats = self.house.seats
        seat = seats.seat_of(request.cookies.get(self.house.cookie, ""))
        if seat is not None:
            return seat, ""
        seat = seats.new("engineer")
        return seat, seats.cookie_of(seat)

    def _need_own_origin(self, request: Request) -> None:
        if request.headers.get("origin") not in self.house.settings.origins:
            raise HTTPException(403, texts()["refused"]["origin"])

    async def _form_of(self, request: Request) -> tuple[dict[str, str], dict[str, object]]:
        """Return the texts and the files of a form; of a name that comes twice the last counts."""
        try:
            async with asyncio.timeout(BODY_SECONDS):
                form = await request.form(max_files=self.way.files, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES)
        except TimeoutError as error:
            raise HTTPException(408, texts()["refused"]["slow"]) from error
        except (MultiPartException, UnicodeError, ClientDisconnect) as error:
            raise HTTPException(400, texts()["refused"]["form"]) from error
        said = {name: value for name, value in form.multi_items() if isinstance(value, str)}
        files: dict[str, object] = {name: value for name, value in form.multi_items() if not isinstance(value, str)}
        return said, files
