"""Who is at a phone: pairing by a code, a signed cookie with a role, and the token that every form of it carries."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

# From the least to the most: a role may do what those before it may. Nobody has no cookie yet.
ROLES = ("nobody", "learner", "trainer", "engineer")
TOKEN_HOURS = 24.0  # a form that lay open longer is sent again from a fresh one
SEAT_DAYS = 7.0  # then a phone pairs again
MOST_SEATS = 500  # beyond them the one that was idle longest leaves
MOST_TRIES, OF_ALL = 5, 30  # wrong codes a minute, of one address and of all together
MINUTE, DAY = 60.0, 86400.0
MOST_ADDRESSES = 1000
DIGITS = 8


@dataclass(frozen=True, slots=True)
class Seat:
    """One phone: the name that its cookie carries, and what it may do."""

    name: str
    role: str

    def may(self, role: str) -> bool:
        """Return whether it may do what that role may."""
        return ROLES.index(self.role) >= ROLES.index(role)


NOBODY = Seat("", "nobody")


class Seats:
    """Makes and reads cookies, tokens and pairing codes of one key, and knows which seats were here lately.

    A seat is what its cookie says; one that left because it was idle longest, or before a restart, is here again with
    its next request. So nothing that is written down depends on this memory.

    Parameters
    ----------
    key : bytes
    clock : callable
        Seconds; tests give their own.
    """

    def __init__(self, key: bytes, clock: Callable[[], float] = time.time) -> None:
        self._key, self._clock, self._lock = key, clock, Lock()
        self._here: OrderedDict[str, float] = OrderedDict()
        self._wrong: OrderedDict[str, deque[float]] = OrderedDict()
        self._wrong_of_all: deque[float] = deque(maxlen=OF_ALL)

    def _sign(self, use: str, text: str) -> str:
        return hmac.new(self._key, f"{use}:{text}".encode("utf-8", "backslashreplace"), hashlib.sha256).hexdigest()

    def derived(self, use: str) -> str:
        """Return a secret for another use, which follows from the key and tells nothing of it."""
        return self._sign("derived", use)

    def new(self, role: str) -> Seat:
        """Return a new seat."""
        return Seat(secrets.token_hex(8), role)

    def cookie_of(self, seat: Seat) -> str:
        """Return the value of the cookie of a seat; it holds for some days from now."""
        text = f"{seat.name}.{seat.role}.{self._clock():.0f}"
        return f"{text}.{self._sign('seat', text)[:32]}"

    def seat_of(self, cookie: str) -> Seat | None:
        """Return the seat of a cookie; None where it is not one of ours."""
        text, _, signature = cookie.rpartition(".")
        if not _same(signature, self._sign("seat", text)[:32]):
            return None
        name, role, given = text.split(".")
        if role not in ROLES or self._clock() - float(given) > SEAT_DAYS * DAY:
            return None
        with self._lock:
            self._here[name] = self._clock()
            self._here.move_to_end(name)
            while len(self._here) > MOST_SEATS:
                self._here.popitem(last=False)
        return Seat(name, role)

    def here(self, seconds: float = 600.0) -> int:
        """Return how many seats asked for something lately."""
        since = self._clock() - seconds
        with self._lock:
            return sum(last >= since for last in self._here.values())

    def token_of(self, seat: Seat) -> str:
        """Return a token for the forms of a seat."""
        issued = f"{self._clock():.0f}"
        return f"{issued}.{self._sign('form', f'{seat.name}.{issued}')[:32]}"

    def token_fits(self, seat: Seat, token: str) -> bool:
        """Return whether a token is of this seat and not too old."""
        issued, _, signature = token.partition(".")
        if not (issued.isascii() and issued.isdecimal() and len(issued) < 15):
            return False
        good = _same(signature, self._sign("form", f"{seat.name}.{issued}")[:32])
        return good and -MINUTE <= self._clock() - float(issued) <= TOKEN_HOURS * 3600.0

    def code_of(self, role: str) -> str:
        """Return the pairing code of a role: the same for ever with the same key."""
        number = int(self._sign("pair", role), 16) % 10**DIGITS
        return f"{number:0{DIGITS}d}"

    def pair(self, code: str, address: str, words: str = "") -> Seat | None:
        """Return the seat that a pairing code opens, or None for a wrong code.

        Parameters
        ----------
        code : str
            As it was typed; blanks and dashes do not count.
        address : str
            Where it comes from.
        words : str
            What opens a learner's seat besides, while a class is on ("" = nothing); case does not count.

        Raises
        ------
        TooManyTries
            Too many wrong codes within a minute: the right one is not looked at either.
        """
        digits = "".join(mark for mark in code[:40] if mark not in " -–")
        now = self._clock()
        with self._lock:
            of_this = self._wrong.setdefault(address, deque(maxlen=MOST_TRIES))
            self._wrong.move_to_end(address)
            while len(self._wrong) > MOST_ADDRESSES:
                self._wrong.popitem(last=False)
            for tries in (of_this, self._wrong_of_all):
                if len(tries) == tries.maxlen and now - tries[0] < MINUTE:
                    raise TooManyTries
            role = next((role for role in ROLES[:0:-1] if _same(digits, self.code_of(role))), None)
            if words and _same(_folded(code), words):
                role = "learner"
            if role is None:
                of_this.append(now)
                self._wrong_of_all.append(now)
                return None
        return self.new(role)


class TooManyTries(Exception):  # noqa: N818
    """Too many wrong pairing codes within a minute."""


def _folded(code: str) -> str:
    """Return words as they stand on the wall, however they were typed.

    Examples
    --------
    >>> _folded("  Brook, CEDAR ")
    'brook cedar'
    """
    return " ".join("".join(mark if mark.isalpha() else " " for mark in code[:40]).casefold().split())


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "backslashreplace"), other.encode())
