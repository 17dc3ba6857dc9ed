"""The class of a server: one lock, one clock, one file beside the logbook from which a restart plays it again."""

from __future__ import annotations

import json
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import RLock
from typing import Any

from combust.application.trainer.class_heater import class_table
from combust.application.trainer.classroom import TICK_S, Classroom, live
from combust.data.errors import CombustError, Fault
from combust.domain.result import plain

IDLE_S = 30.0  # without a look at any page of the class it pauses
MOST_BYTES = 8_000_000


class Hall:
    """Holds the class that is on, lets its time pass whenever somebody looks, and writes down what is done.

    Parameters
    ----------
    book : Path, optional
        The logbook beside which the class is written down; without one a restart ends it.
    clock : callable
        Seconds; tests give their own.
    """

    def __init__(self, book: Path | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = book.with_name(f"{book.name}.class.jsonl") if book else None
        self._clock, self._lock = clock, RLock()
        self._room: Classroom | None = None
        self._looked = clock()
        self._owed, self._loaded = 0.0, False
        self.lost = False  # a class was on, and its record could not be played again
        self.written = self._path is not None

    @contextmanager
    def open(self) -> Iterator[Classroom]:
        """Give the class as it stands at this moment, to nobody else meanwhile.

        Raises
        ------
        CombustError
            No class is on.
        """
        with self._lock:
            room = self._here()
            if room is None:
                raise CombustError(Fault("class", None, "missing", why="is not on", hint="A trainer starts one."))
            self._pass(room)
            yield room

    @property
    def words(self) -> str:
        """The two words that let a phone in, "" = no class is on."""
        with self._lock:
            room = self._here()
            return room.words if room else ""

    def do(self, deed: Mapping[str, Any]) -> None:
        """Do one thing in the class now, and write it down.

        Raises
        ------
        CombustError
            No class is on; it cannot be done.
        """
        with self.open() as room:
            self._write(room.do(deed))

    def start(self, profile: Mapping[str, Any], told: Mapping[str, Any], factor: float) -> None:
        """Start a class; its two words are drawn here.

        Parameters
        ----------
        profile : mapping
        told : mapping
            Which story, or which for each place, and whether everybody drives one's own (``story``, ``deal``, ``own``).
        factor : float

        Raises
        ------
        CombustError
            One is on already; the profile cannot be driven; no such story.
        """
        with self._lock:
            if self._here() is not None:
                hint = "End it first, at the foot of its page."
                raise CombustError(Fault("class", None, "conflict", why="is on already", hint=hint))
            words = " ".join(secrets.SystemRandom().sample(class_table()["join"]["words"], 2))
            first = {"do": "start", "tick": 0, "heater": plain(profile), "words": words, **told}
            first["factor"] = factor
            self._room, self.lost = Classroom(first), False
            self._looked, self._owed = self._clock(), 0.0
            self._write(first, anew=True)

    def end(self) -> None:
        """End the class, if one is on; nothing of it is kept."""
        with self._lock:
            if self._here() is not None and self._path is not None:
                try:
                    self._path.unlink(missing_ok=True)
                except OSError:
                    self._write({"do": "end"})
            self._room = None

    def _pass(self, room: Classroom) -> None:
        now = self._clock()
        gone = max(0.0, now - self._looked)
        self._looked = now
        if room.paused:
            return
        self._owed += min(gone, IDLE_S)
        ticks = int(self._owed / TICK_S)
        self._owed -= ticks * TICK_S
        for beat in room.pass_time(ticks):
            self._write(beat)
        if gone > IDLE_S and not room.paused:
            self._write(room.do({"do": "pause", "why": "nobody"}))

    def _here(self) -> Classroom | None:
        """Return the class that is on: after a restart that of the file, paused."""
        if not self._loaded:
            self._loaded = True
            deeds = self._read()
            if live(deeds):
                try:
                    room = Classroom.replay(deeds)
                    paused = room.do({"do": "pause", "why": "server"})
                except (CombustError, LookupError, TypeError, ValueError, AttributeError):
                    self.lost = True
                else:
                    self._room = room
                    self._write(paused)
            self._looked = self._clock()
        return self._room

    def _read(self) -> list[dict[str, Any]]:
        """Return the deeds of the file; a line that a kill cut short was answered to nobody, and is left out."""
        deeds: list[dict[str, Any]] = []
        with suppress(OSError, UnicodeDecodeError):
            if self._path is None or self._path.stat().st_size > MOST_BYTES:
                return []
            for line in self._path.read_text(encoding="utf-8").splitlines():
                with suppress(ValueError, RecursionError):
                    deed = json.loads(line)
                    deeds += [deed] if isinstance(deed, dict) else []
        return deeds

    def _write(self, deed: Mapping[str, Any], *, anew: bool = False) -> None:
        """Write one deed down; where that fails the class goes on, and its pages say that a restart would end it."""
        if self._path is None:
            return
        way = os.O_WRONLY | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | (os.O_TRUNC if anew else os.O_APPEND)
        try:
            with os.fdopen(os.open(self._path, way, 0o600), "ab") as file:
                file.write(b"\n" + json.dumps(deed, ensure_ascii=True, allow_nan=False).encode() + b"\n")
            self.written = True if anew else self.written
        except OSError:
            self.written = False
