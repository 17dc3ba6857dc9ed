"""The heater that a class looks at: a training session driven by a clock, with its story, its strip and its fault."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from fractions import Fraction
from functools import cache
from typing import Any, NamedTuple

from combust.application.causes.catalogue import shipped_priors
from combust.application.trainer.heater import STEP_S
from combust.application.trainer.inputs import Inputs
from combust.application.trainer.scenarios import Scenario, do_step, scenario
from combust.application.trainer.session import TrainingSession
from combust.data.tables import load_table
from combust.domain.heater import Heater

SAMPLE_S = 5.0  # of the heater, between two points of the strip
STRIP_POINTS = 360  # half an hour
STEPS_A_SECOND = round(1.0 / STEP_S)


class Sample(NamedTuple):
    """One point of the strip: time of the heater [s], O2 [vol %], CO in words, flue gas [°C]."""

    time_s: float
    o2_dry_pct: float
    co_band: str
    flue_temp_c: float


def class_table() -> dict[str, Any]:
    """Return the shipped table of the class."""
    return load_table("trainer_class")


@cache
def class_causes() -> tuple[str, ...]:
    """Return the causes that a class can state: those that a knob can make, some others, and none."""
    table = class_table()
    made = [name for row in table["fault"].values() for way in ("below", "above", "other") for name in row.get(way, ())]
    known = shipped_priors().causes
    named = {*made, *table["cause"]["besides"], table["cause"]["healthy"]}
    return tuple(name for name in known if name in named)


def faults_of(inputs: Inputs, healthy: Inputs) -> frozenset[str]:
    """Return the causes that inputs stand for beside those of the healthy heater; a power cut is none of them.

    Parameters
    ----------
    inputs, healthy : Inputs
    """
    found: set[str] = set()
    for key, row in class_table()["fault"].items():
        now, usual = getattr(inputs, key), getattr(healthy, key)
        if "other" in row:
            found |= set(row["other"]) if now != usual else set()
        elif key == "battery_v" and now <= 0.0:
            continue
        elif abs(now - usual) > row["margin"]:
            found |= set(row.get("above" if now > usual else "below", ()))
    return frozenset(found)


class ClassHeater:
    """A heater in front of a class: time passes in pieces, the story does its steps, the strip is written.

    Parameters
    ----------
    heater : Heater
    story : str
        Key of a story, "" = the trainer drives by hand.
    time_factor : float
    asleep : bool
        Whether nothing is worked out: what was put away since need not be driven again after a restart of the server.
    """

    def __init__(self, heater: Heater, story: str = "", time_factor: float = 1.0, *, asleep: bool = False) -> None:
        self.asleep = asleep
        self.session = TrainingSession(heater, time_factor=time_factor, traced=False)
        self.story: Scenario | None = scenario(story) if story else None
        self.pending = list(self.story.steps if self.story else ())
        self.strip: deque[Sample] = deque(maxlen=STRIP_POINTS)
        self.faults: frozenset[str] = frozenset()
        self._healthy = self.session.heater.inputs
        self._due = Fraction(0)  # seconds of the heater: exact, so that it matters to nobody how often one looks
        if self.story and self.story.never:
            self.session.never_on_a_real_heater = True

    def set_inputs(self, changes: Mapping[str, Any]) -> None:
        """Move inputs, and keep which faults they stand for.

        Raises
        ------
        CombustError
            Every input that cannot be moved so, at once.
        """
        if not self.asleep:
            self.session.set_inputs(changes)
            self._note_faults()

    def request_heat(self, on: bool = True) -> None:
        """Ask for heat at the control, or no longer."""
        if not self.asleep:
            self.session.request_heat(on)

    def request_no_heat(self) -> None:
        """Ask for heat no longer."""
        self.request_heat(False)

    def release_lockout(self) -> None:
        """Release a lock-out, as nobody should before the cause is found."""
        if not self.asleep:
            self.session.release_lockout()

    def empty_trap(self) -> None:
        """Empty the water trap of the analyser."""
        self.session.empty_trap()

    def advance(self, seconds: float) -> None:
        """Let seconds of the trainer pass; each step of the story is done at its own second of the heater."""
        if self.asleep:
            return
        self._due += Fraction(seconds) * Fraction(self.session.time_factor)
        end = int(self._due * STEPS_A_SECOND) * STEP_S
        while self.pending and self.pending[0]["at_s"] <= end:
            self._until(self.pending[0]["at_s"])
            do_step(self.session, self.pending.pop(0))
            self._note_faults()
        self._until(end)

    def _until(self, time_s: float) -> None:
        """Let time pass until a second of the heater; write the strip on the way."""
        session = self.session
        while time_s - session.time_s > 1e-6:
            mark = SAMPLE_S * (session.time_s // SAMPLE_S + 1.0)
            before = session.time_s
            session.advance((min(mark, time_s) - session.time_s) / session.time_factor)
            if session.time_s >= mark - 1e-6:
                shown = session.analyser.shown
                self.strip.append(Sample(session.time_s, shown.o2_dry_pct, session.co_band(), shown.flue_temp_c))
            if session.time_s == before:  # less than a step: it is owed
                return

    def _note_faults(self) -> None:
        self.faults |= faults_of(self.session.heater.inputs, self._healthy)

    def checked(self, check: str) -> list[tuple[str, float | str | None]]:
        """Return what a check shows at this moment, (quantity, value); None where this heater has no number."""
        shown, inputs = self.session.display(), self.session.heater.inputs
        keys = class_table()["check"][check]
        return [(key, getattr(shown, key) if hasattr(shown, key) else getattr(inputs, key)) for key in keys]
