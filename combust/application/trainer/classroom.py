"""A class at one simulated heater: a state that follows from what was done, when; written down it can be played again.

Time counts in quarter seconds of the trainer. Nothing here has a clock: who holds the class lets time pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from combust.application.trainer.class_heater import ClassHeater, class_table
from combust.application.trainer.class_people import People, refuse
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.heater import Heater

TICK_S = 0.25
BEAT = 80  # ticks: so much of a class can be lost when the server is killed
MOST_TICKS = 24 * 3600 * 4
# What anybody in the class may do; all else is the trainer's.
OF_LEARNERS = ("join", "vote", "want", "state")
FRESH = ("start", "fresh")  # what puts a fresh heater in its place
Deed = Mapping[str, Any]


class Classroom:
    """One class: the heater, the people, the trainer's deeds, and the time that passes for all of them.

    Parameters
    ----------
    deed : mapping
        The first deed: ``{"do": "start", "heater": {...}, "words": "...", "story": "", "factor": 1.0}``.
    asleep : bool
        Whether the heater of the beginning is put away later: it is not driven.

    Raises
    ------
    CombustError
        A profile that cannot be driven, an unknown story.
    """

    def __init__(self, deed: Deed, *, asleep: bool = False) -> None:
        self.profile = Heater.from_dict(deed["heater"])
        self.words = str(deed["words"])
        self.people = People()
        self.tick = 0
        self.changed = 0  # grows with everything that is done: what a page holds is new when this is
        self.paused = "trainer"  # why it stands, "" = it goes on
        self.shown_checks: list[str] = []
        self.answer: tuple[str, ...] = ()  # after it was shown
        self._trainer_deeds = 0
        self.heater = ClassHeater(self.profile, str(deed.get("story", "")), float(deed["factor"]), asleep=asleep)

    # ---- time --------------------------------------------------------------------------------------------------------
    def pass_time(self, ticks: int) -> list[dict[str, Any]]:
        """Let quarter seconds of the trainer pass; return the beats that are to be written down."""
        beats = []
        while ticks > 0 and not self.paused:
            piece = min(ticks, BEAT - self.tick % BEAT)
            self.heater.advance(piece * TICK_S)
            self.tick, ticks = self.tick + piece, ticks - piece
            if self.tick % BEAT == 0:
                beats.append({"do": "beat", "tick": self.tick})
            if self.heater.is_old or self.tick >= MOST_TICKS:
                self.paused = "old"
        return beats

    # ---- deeds -------------------------------------------------------------------------------------------------------
    def do(self, deed: Deed) -> dict[str, Any]:
        """Do one thing now and return it as it is written down.

        Raises
        ------
        CombustError
            It cannot be done, or not now; then nothing was changed.
        """
        name = deed.get("do")
        if name in OF_LEARNERS:
            self._by_learner(str(name), deed)
        elif isinstance(name, str) and name in _BY_TRAINER:
            if self._trainer_deeds >= class_table()["limits"]["deeds_of_the_trainer"]:
                raise refuse("class", self._trainer_deeds, "has become too long", "End the class, start another.")
            _BY_TRAINER[name](self, deed)
            self._trainer_deeds += 1
        else:
            raise CombustError(Fault("do", name, "unknown_name", why="is nothing a class does", hint="Use its page."))
        self.changed += 1
        return {**deed, "tick": self.tick}

    def _by_learner(self, name: str, deed: Deed) -> None:
        seat = str(deed["seat"])
        if name == "join":
            self.people.join(seat, str(deed.get("name", "")))
        elif name == "vote":
            self.people.vote(seat, int(deed["question"]), int(deed["answer"]))
        elif name == "want":
            self.people.want(seat, str(deed["check"]))
        else:
            self.people.state(seat, deed["shares"])

    def _fresh(self, deed: Deed) -> None:
        factor = self.heater.session.time_factor
        self.heater = ClassHeater(self.profile, str(deed.get("story", "")), factor, asleep=bool(deed.get("asleep")))
        self.people.anew()
        self.shown_checks, self.answer, self.paused = [], (), "trainer"

    def _heat(self, deed: Deed) -> None:
        if not self.heater.asleep:
            self.heater.session.request_heat(bool(deed["on"]))

    def _release(self, _deed: Deed) -> None:
        if not self.heater.asleep:
            self.heater.session.release_lockout()

    def _trap(self, _deed: Deed) -> None:
        self.heater.session.empty_trap()

    def _knobs(self, deed: Deed) -> None:
        if not self.heater.asleep:
            self.heater.set_inputs(deed["set"])

    def _factor(self, deed: Deed) -> None:
        self.heater.session.time_factor = deed["factor"]

    def _pause(self, deed: Deed) -> None:
        self.paused = str(Field("why", "choice", choices=tuple(class_table()["say"])).checked(deed["why"]))

    def _go_on(self, _deed: Deed) -> None:
        if self.heater.is_old or self.tick >= MOST_TICKS:
            raise refuse("class", "", "stands: " + class_table()["say"]["old"], "Choose it at the end of the page.")
        self.people.close()
        self.paused = ""

    def _ask(self, deed: Deed) -> None:
        self.people.ask(str(deed["text"]), [str(one) for one in deed["answers"]])
        self.paused = "asked"

    def _happened(self, deed: Deed) -> None:
        self.people.tell_happened(int(deed["question"]), int(deed["answer"]))

    def _show_check(self, deed: Deed) -> None:
        name = str(Field("check", "choice", choices=tuple(class_table()["check"])).checked(deed["check"]))
        if name not in self.shown_checks:
            self.shown_checks.append(name)

    def _show_answer(self, _deed: Deed) -> None:
        self.people.close()
        self.people.stating = False
        self.answer = self.truth

    @property
    def truth(self) -> tuple[str, ...]:
        """The causes that this heater has had so far; only the trainer sees them before they are shown."""
        return tuple(sorted(self.heater.faults)) or (class_table()["cause"]["healthy"],)

    # ---- written down ------------------------------------------------------------------------------------------------
    @classmethod
    def replay(cls, deeds: Sequence[Deed]) -> Classroom:
        """Return the class that some deeds lead to; a heater that was put away is not driven again.

        Raises
        ------
        CombustError, KeyError, TypeError, ValueError
            They are not those of a class.
        """
        last = max(index for index, deed in enumerate(deeds) if deed["do"] in FRESH)
        room = cls(deeds[0], asleep=last > 0)
        for index, deed in enumerate(deeds[1:], 1):
            room.pass_time(int(deed["tick"]) - room.tick)
            if room.tick != int(deed["tick"]):
                raise CombustError(Fault("tick", deed["tick"], "conflict", why="was never reached", hint="Start anew."))
            if deed["do"] != "beat":
                room.do({**deed, "asleep": True} if deed["do"] == "fresh" and index < last else deed)
        return room


def live(deeds: Iterable[Deed]) -> bool:
    """Return whether the last class among some deeds has not been ended."""
    ended = True
    for deed in deeds:
        ended = deed.get("do") == "end"
    return not ended


_BY_TRAINER: Mapping[str, Callable[[Classroom, Deed], None]] = {
    "fresh": Classroom._fresh,
    "heat": Classroom._heat,
    "release": Classroom._release,
    "trap": Classroom._trap,
    "knobs": Classroom._knobs,
    "factor": Classroom._factor,
    "pause": Classroom._pause,
    "go_on": Classroom._go_on,
    "ask": Classroom._ask,
    "happened": Classroom._happened,
    "show_check": Classroom._show_check,
    "show_answer": Classroom._show_answer,
}
