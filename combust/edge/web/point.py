"""What every way in goes through: who asks, is it from a form of ours, how much is it; then the page answers."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable
from typing import Any, cast

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.types import Receive, Scope, Send

from combust.data.errors import CombustError
from combust.edge.web.asked import Asked, House
from combust.edge.web.guard import counted
from combust.edge.web.seats import NOBODY, Seat, TooManyTries
from combust.edge.web.texts import texts
from combust.edge.web.ways import FORM_BYTES, Way

MOST_FIELDS = 200
BODY_SECONDS = 20.0
TOKEN = "x-combust-token"
WEEK = 7 * 24 * 3600


class Point:
    """One way in, as Starlette runs it.

    Parameters
    ----------
    way : Way
    house : House
    """

    def __init__(self, way: Way, house: House) -> None:
        self.way, self.house = way, house

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        request = Request(scope, counted(receive, self.way.most))
        seat, cookie, by_code = self._seat_of(request)
        asked = Asked(request, self.house, seat)
        response = self._refusal(asked)
        if response is None:
            if self.way.method == "POST":
                await self._take_body(asked, by_code=by_code)
            response = await self._answer(asked)
        if cookie:
            give_cookie(response, self.house, cookie)
        await response(scope, receive, send)

    async def _answer(self, asked: Asked) -> Response:
        """Return what the page answers.

        Raises
        ------
        HTTPException
            500 where it failed: said here, behind the guard, so that its headers stand on this answer too.
        """
        try:
            return await run_in_threadpool(cast(Callable[[Asked], Response], self.way.load()), asked)
        except (HTTPException, CombustError):
            raise
        except Exception as error:
            logging.getLogger("combust.page").exception("%s failed", self.way.path)
            raise HTTPException(500, texts()["refused"]["fault"]) from error

    def _seat_of(self, request: Request) -> tuple[Seat, str, bool]:
        """Return the seat of who asks, the cookie that it has to be given ("" = none), and whether it gave the code."""
        seats, settings = self.house.seats, self.house.settings
        kind, _, code = request.headers.get("authorization", "").partition(" ")
        if self.way.json and kind.lower() == "bearer":
            return pair(self.house, request, code) or NOBODY, "", True
        seat = seats.seat_of(request.cookies.get(self.house.cookie, ""))
        if seat is not None:
            return seat, "", False
        if settings.shared:
            return NOBODY, "", False
        seat = seats.new("engineer")
        return seat, seats.cookie_of(seat), False

    def _refusal(self, asked: Asked) -> Response | None:
        """Return the way to the pairing page; None when the seat may ask.

        Raises
        ------
        HTTPException
            It may not.
        """
        if asked.seat.may(self.way.role):
            return None
        if asked.seat.role != "nobody":
            raise HTTPException(403, texts()["refused"]["role"])
        if self.way.method == "GET" and not self.way.json:
            return RedirectResponse("/pair", 303)
        raise HTTPException(401, texts()["refused"]["pair"])

    async def _take_body(self, asked: Asked, *, by_code: bool) -> None:
        """Read the body of a request from our own page, or of a program that gave the pairing code.

        Raises
        ------
        HTTPException
            From elsewhere, without its token, too much, too slow, or not to be read.
        """
        headers = asked.request.headers
        foreign = headers.get("origin") not in self.house.settings.origins
        if foreign and not (by_code and "origin" not in headers):
            raise HTTPException(403, texts()["refused"]["origin"])
        try:
            async with asyncio.timeout(BODY_SECONDS):
                await (self._take_json if self.way.json else self._take_form)(asked)
        except TimeoutError as error:
            raise HTTPException(408, texts()["refused"]["slow"]) from error
        except (MultiPartException, ValueError, RecursionError, ClientDisconnect) as error:
            raise HTTPException(400, texts()["refused"]["form"]) from error
        token = headers.get(TOKEN) or asked.form.pop("token", "")
        if not by_code and not self.house.seats.token_fits(asked.seat, token):
            raise HTTPException(403, texts()["refused"]["token"])

    async def _take_form(self, asked: Asked) -> None:
        """Keep the texts and the files of a form; of a name that comes twice the last counts."""
        form = await asked.request.form(max_files=self.way.files, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES)
        for name, value in form.multi_items():
            if isinstance(value, str):
                asked.form[name] = value
            else:
                asked.files[name] = value

    async def _take_json(self, asked: Asked) -> None:
        """Keep the object of a JSON request.

        Raises
        ------
        HTTPException
            It says that it is something else.
        """
        if asked.request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            raise HTTPException(415, texts()["refused"]["json"])
        body: Any = json.loads(await asked.request.body(), parse_constant=_no_number)
        if not isinstance(body, dict):
            raise ValueError
        json.dumps(body, ensure_ascii=False).encode("utf-8")  # half a character is a ValueError
        asked.body = body


def _no_number(word: str) -> None:
    raise ValueError(word)


def pair(house: House, request: Request, code: str) -> Seat | None:
    """Return the seat that a pairing code opens, None for a wrong one.

    Raises
    ------
    HTTPException
        429 after too many wrong ones.
    """
    try:
        return house.seats.pair(code, request.client.host if request.client else "", house.hall.words)
    except TooManyTries as error:
        raise HTTPException(429, texts()["refused"]["tries"], {"retry-after": "60"}) from error


def give_cookie(response: Response, house: House, cookie: str) -> None:
    """Give a browser the cookie of its seat."""
    response.set_cookie(house.cookie, cookie, max_age=WEEK, httponly=True, samesite="strict")
