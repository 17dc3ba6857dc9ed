"""Who is at a phone: a signed cookie with a role, and the token that every form of it carries."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass

# From the least to the most: a role may do what those before it may.
ROLES = ("learner", "trainer", "engineer")
TOKEN_HOURS = 24.0  # a form that lay open longer is sent again from a fresh one


@dataclass(frozen=True, slots=True)
class Seat:
    """One phone: the name that its cookie carries, and what it may do."""

    name: str
    role: str

    def may(self, role: str) -> bool:
        """Return whether it may do what that role may."""
        return ROLES.index(self.role) >= ROLES.index(role)


class Seats:
    """Makes and reads the cookies and tokens of one key; it keeps nothing, so a restart loses nobody.

    Parameters
    ----------
    key : bytes
    clock : callable
        Seconds; tests give their own.
    """

    def __init__(self, key: bytes, clock: Callable[[], float] = time.time) -> None:
        self._key, self._clock = key, clock

    def _sign(self, use: str, text: str) -> str:
        return hmac.new(self._key, f"{use}:{text}".encode(), hashlib.sha256).hexdigest()[:32]

    def new(self, role: str) -> Seat:
        """Return a new seat."""
        return Seat(secrets.token_hex(8), role)

    def cookie_of(self, seat: Seat) -> str:
        """Return the value of the cookie of a seat."""
        text = f"{seat.name}.{seat.role}"
        return f"{text}.{self._sign('seat', text)}"

    def seat_of(self, cookie: str) -> Seat | None:
        """Return the seat of a cookie; None where it is not one of ours."""
        text, _, signature = cookie.rpartition(".")
        name, _, role = text.partition(".")
        good = hmac.compare_digest(signature.encode(), self._sign("seat", text).encode())
        return Seat(name, role) if good and role in ROLES else None

    def token_of(self, seat: Seat) -> str:
        """Return a token for the forms of a seat."""
        issued = f"{self._clock():.0f}"
        return f"{issued}.{self._sign('form', f'{seat.name}.{issued}')}"

    def token_fits(self, seat: Seat, token: str) -> bool:
        """Return whether a token is of this seat and not too old."""
        issued, _, signature = token.partition(".")
        if not (issued.isascii() and issued.isdecimal() and len(issued) < 15):
            return False
        good = hmac.compare_digest(signature.encode(), self._sign("form", f"{seat.name}.{issued}").encode())
        return good and -60.0 <= self._clock() - float(issued) <= TOKEN_HOURS * 3600.0
