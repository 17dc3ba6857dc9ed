"""What a page is given: who asks, for what, in which units; and how it answers with a template."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse

from combust.data.errors import CombustError, Fault
from combust.data.units import SYSTEMS
from combust.domain.limits import cautions
from combust.edge.logbook.profiles import profiles_in
from combust.edge.reports.html import page
from combust.edge.tables.cells import read_cell
from combust.edge.web.class_hall import Hall
from combust.edge.web.pool import Pool
from combust.edge.web.seats import Seat, Seats
from combust.edge.web.settings import Settings
from combust.edge.web.texts import static, texts

if TYPE_CHECKING:
    from combust.domain.safety import Safety
    from combust.edge.logbook.book import Logbook

UNITS = (*SYSTEMS,)
ONCE = re.compile(r"[A-Za-z0-9_-]{8,64}")


def status_of(error: CombustError) -> int:
    """Return the status of a refusal: 422, or 503 where the same request may be taken in a moment, as it stands."""
    return 503 if error.code in ("busy", "disk_full") else 422


def whole(text: str, digits: int = 5) -> int | None:
    """Return a whole number of a form or an address that has at most so many digits, None where it is none."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= digits else None


def shares_typed(rows: Iterable[tuple[str, str]], hint: str) -> dict[str, float]:
    """Return cause -> per cent as they were typed, 80 or 80 %; a cause without a per cent is one nobody can count.

    Raises
    ------
    CombustError
        No number from 0 to 100, a cause twice, a number without its cause.
    """
    shares: dict[str, float] = {}
    for cause, typed in rows:
        text = typed.strip().removesuffix("%").strip()
        if not cause and not text:
            continue
        cell = read_cell(text, "?")
        if cell.why or cell.bound or not 0.0 <= cell.number <= 100.0:
            raise CombustError(Fault("share", text, "not_a_number", why="is no number of per cent", hint=hint))
        if not cause or cause in shares:
            why = "stands without its cause" if not cause else "is stated twice"
            raise CombustError(Fault("cause", cause or text, "conflict", why=why, hint=hint))
        shares[cause] = cell.number
    return shares


@dataclass(slots=True)
class House:
    """What all requests of one server share."""

    settings: Settings
    seats: Seats
    pool: Pool
    hall: Hall

    def book(self, *, read_only: bool = False) -> Logbook:
        """Return the logbook of this server, opened for one request; close it with ``with``.

        Raises
        ------
        CombustError
            The server was started without one; it cannot be opened.
        """
        from combust.edge.logbook.book import Logbook

        path = self.settings.book
        if path is None:
            hint = "Start the page with one: combust page --book winter.book."
            raise CombustError(Fault("book", None, "missing", why="is not there: no visits are kept", hint=hint))
        return Logbook(path, create=not read_only, read_only=read_only)

    @property
    def salt(self) -> str:
        """What the mystery heaters are dealt with that are played alone."""
        return self.seats.derived("mystery")

    @property
    def cookie(self) -> str:
        """The name of the cookie; browsers keep no cookies apart by port, so that it holds the port."""
        return f"combust_{self.settings.port}"


@dataclass(slots=True)
class Asked:
    """One request as a page sees it.

    Attributes
    ----------
    request : Request
    house : House
    seat : Seat
        Who asks.
    form : dict of str
        What was typed, checked to come from a form of this seat.
    files : dict
        Files of the form, name -> upload.
    body : mapping
        The object of a JSON request.
    """

    request: Request
    house: House
    seat: Seat
    form: dict[str, str] = field(default_factory=dict)
    files: dict[str, Any] = field(default_factory=dict)
    body: Mapping[str, Any] = field(default_factory=dict)

    @property
    def units(self) -> str:
        """The units of the person, ``metric`` or ``us``."""
        said = self.request.cookies.get(f"{self.house.cookie}_units", "")
        return said if said in UNITS else UNITS[0]

    @property
    def heaters(self) -> tuple[list[str], str]:
        """The heaters of the folder of profiles, and what is wrong with it ("" = nothing)."""
        folder = self.house.settings.heaters
        try:
            found, told = profiles_in(folder) if folder else ({}, [])
        except CombustError as error:
            return [], str(error)
        return [str(one["heater_id"]) for one in found.values()], " ".join(told)

    @property
    def key(self) -> str:
        """The key under which the logbook keeps what this request says: the same one sent again adds nothing.

        It holds a digest of what was said: a form that was gone back to and changed says something new.
        """
        once = self.form.get("once") or self.request.headers.get("idempotency-key", "")
        if not ONCE.fullmatch(once):
            return secrets.token_urlsafe(16)
        said = repr((self.request.url.path, sorted(self.form.items()), sorted(self.body.items())))
        return f"{once}.{hashlib.sha256(said.encode('utf-8', 'backslashreplace')).hexdigest()[:16]}"

    def show(self, name: str, status: int = 200, *, safety: Safety | None = None, **facts: Any) -> HTMLResponse:
        """Return a page from its template.

        Parameters
        ----------
        name : str
            Of the template in ``templates/``, without its endings.
        status : int
        safety : Safety, optional
            What the banner tells; without one there is no banner.
        **facts
            What the template shows; it has the texts as ``t`` besides.
        """
        alarm = {"state": safety.state, "lines": safety.lines(), "stops": len(safety.stops)} if safety else None
        every = {
            "t": texts(),
            "static": static,
            "asked": self,
            "token": self.house.seats.token_of(self.seat),
            "once": secrets.token_urlsafe(16),
            "banner": alarm,
            "cautions": cautions(in_full=bool(safety and safety.stops)),
            "path": self.request.url.path,
        }
        return HTMLResponse(page(f"web/{name}", **{**every, **facts}), status)

    def say(self, facts: Mapping[str, Any], status: int = 200) -> JSONResponse:
        """Return a JSON object for another program, or for the script of the page."""
        return JSONResponse(facts, status)

    def go(self, path: str) -> RedirectResponse:
        """Return the answer that sends the browser to another page after a form."""
        return RedirectResponse(path, 303)
