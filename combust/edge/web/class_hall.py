"""The class of a server: one lock, one clock, one file beside the logbook from which a restart plays it again."""

from __future__ import annotations

import json
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import RLock, Thread
from typing import Any

from combust.application.trainer.class_heater import class_table
from combust.application.trainer.classroom import TICK_S, Classroom, live
from combust.data.errors import CombustError, Fault
from combust.domain.result import plain

IDLE_S = 30.0  # without a look at any page of the class it pauses
AT_ONCE_S = 9000.0  # of all heaters together: more is not worked out in one look, the time of the class waits
PATIENCE_S = 2.0  # so long a page waits for a class that is played again after a restart
MOST_BYTES = 8_000_000


class Hall:
    """Holds the class that is on, lets its time pass whenever somebody looks, and writes down what is done.

    Parameters
    ----------
    book : Path, optional
        The logbook beside which the class is written down; without one a restart ends it.
    clock : callable
        Seconds; tests give their own.
    patience_s : float
        How long a page waits for a class that is being played again.
    """

    def __init__(
        self, book: Path | None = None, clock: Callable[[], float] = time.monotonic, patience_s: float = PATIENCE_S
    ) -> None:
        self._path = book.with_name(f"{book.name}.class.jsonl") if book else None
        self._patience_s = patience_s
        self._again: Thread | None = None  # plays the class again
        self._again_words, self._patient_until = "", 0.0
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
            No class is on, or it is being played again.
        """
        self._wait()
        with self._lock:
            room = self._room
            if room is None:
                raise CombustError(Fault("class", None, "missing", why="is not on", hint="A trainer starts one."))
            self._pass(room)
            yield room

    @property
    def words(self) -> str:
        """The two words that let a phone in, "" = no class is on."""
        self._play_again()
        with self._lock:
            return self._room.words if self._room else self._again_words

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
        self._wait()
        with self._lock:
            if self._room is not None:
                hint = "End it first, at the foot of its page."
                raise CombustError(Fault("class", None, "conflict", why="is on already", hint=hint))
            words = " ".join(secrets.SystemRandom().sample(class_table()["join"]["words"], 2))
            first = {"do": "start", "tick": 0, "heater": plain(profile), "words": words, **told}
            first["factor"] = factor
            self._room, self.lost = Classroom(first), False
            self._looked, self._owed = self._clock(), 0.0
            self._write(first, anew=True)

    def end(self) -> None:
        """End the class, if one is on; nothing of it is kept.

        Raises
        ------
        CombustError
            It is being played again.
        """
        self._wait()
        with self._lock:
            if self._room is not None and self._path is not None:
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
        at_once = AT_ONCE_S / (len(room.heaters) * room.heater.session.time_factor)
        self._owed += min(gone, IDLE_S, at_once)
        ticks = int(self._owed / TICK_S)
        self._owed -= ticks * TICK_S
        for beat in room.pass_time(ticks):
            self._write(beat)
        if gone > IDLE_S and not room.paused:
            self._write(room.do({"do": "pause", "why": "nobody"}))

    def _play_again(self) -> bool:
        """Play the class of the file again, once after a restart; return whether that takes longer than one waits."""
        with self._lock:
            if not self._loaded:
                self._loaded = True
                deeds = self._read()
                if live(deeds):
                    self._again_words = str(deeds[0].get("words", ""))
                    self._again = Thread(target=self._play, args=(deeds,), daemon=True)
                    self._patient_until = time.monotonic() + self._patience_s
                    self._again.start()
        if self._again is None:
            return False
        self._again.join(max(0.0, self._patient_until - time.monotonic()))
        return self._again.is_alive()

    def _play(self, deeds: list[dict[str, Any]]) -> None:
        """Play a class again: it is there afterwards, paused."""
        room, paused = None, {}
        try:
            with suppress(CombustError, LookupError, TypeError, ValueError, AttributeError):
                played = Classroom.replay(deeds)
                paused = played.do({"do": "pause", "why": "server"})
                room = played
        finally:
            with self._lock:
                self._room, self.lost, self._again_words = room, room is None, ""
                self._looked = self._clock()
                if room is not None:
                    self._write(paused)

    def _wait(self) -> None:
        """Wait a moment for a class that is being played again.

        Raises
        ------
        CombustError
            It takes longer.
        """
        if self._play_again():
            hint = "Look again in a moment: it goes on where it was."
            raise CombustError(Fault("class", None, "busy", why="is being played again after a restart", hint=hint))

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
