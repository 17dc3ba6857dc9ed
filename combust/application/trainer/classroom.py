"""A class at simulated heaters: a state that follows from what was done, when; written down it can be played again.

One heater stands in front of all (number 0). Where everybody drives one's own, each learner sits at another besides.
Time counts in quarter seconds of the trainer, the same for all. Nothing here has a clock: who holds the class lets it
pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from combust.application.trainer.class_heater import ClassHeater, class_table
from combust.application.trainer.class_people import Learner, People, refuse
from combust.application.trainer.scenarios import scenario
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.heater import Heater

TICK_S = 0.25
BEAT = 80  # ticks: so much of a class can be lost when the server is killed
MOST_TICKS = 24 * 3600 * 4
# What anybody in the class may do; all else is the trainer's.
OF_LEARNERS = ("join", "vote", "want", "state", "drive", "move")
FRESH = ("start", "fresh")  # what puts fresh heaters in their places
ALL = "all"
Deed = Mapping[str, Any]


class Classroom:
    """One class: the heaters, the people, the trainer's deeds, and the time that passes for all of them.

    Parameters
    ----------
    deed : mapping
        The first deed: ``{"do": "start", "heater": {...}, "words": "...", "story": "", "factor": 1.0}``; with ``own``
        true everybody drives one's own heater, with ``deal`` (keys of stories) each of those has another story.
    asleep : bool
        Whether the heaters of the beginning are put away later: they are not driven.

    Raises
    ------
    CombustError
        A profile that cannot be driven, an unknown story.
    """

    def __init__(self, deed: Deed, *, asleep: bool = False) -> None:
        self.profile = Heater.from_dict(deed["heater"])
        self.words = str(deed["words"])
        self.own = bool(deed.get("own", False))
        self.people = People()
        self.tick = 0
        self.shown_lessons: list[str] = []  # whose figure everybody may see
        self.changed = 0  # grows with everything that is done: what a page holds is new when this is
        self.heaters: dict[int, ClassHeater] = {}
        self._trainer_deeds = 0
        self._put(deed, float(deed["factor"]), asleep=asleep)

    def _put(self, deed: Deed, factor: float, *, asleep: bool) -> None:
        """Put cold and healthy heaters in all places; time stands until the trainer goes on."""
        dealt, story = [str(key) for key in deed.get("deal", ())], str(deed.get("story", ""))
        if dealt and not self.own:
            hint = "Choose one story, or let everybody drive one's own heater."
            raise refuse("story", "", "cannot be another one for each", hint)
        for key in {*dealt, story} - {""}:
            scenario(key)
        self._stories = dealt or [story]
        heaters = {0: ClassHeater(self.profile, "" if dealt else story, factor, asleep=asleep)}
        self.heaters, self.front = heaters, 0
        for one in self.people.by_seat.values():
            self._sit(one)
        self.paused = "trainer"  # why it stands, "" = it goes on
        self.shown_checks: list[str] = []
        self.answers: dict[int, tuple[str, ...]] = {}  # place -> answer, after they were shown

    def _sit(self, one: Learner) -> None:
        """Put a heater at the place of a learner, where everybody has one's own and none stands there yet."""
        if self.own and one.place not in self.heaters:
            first, story = self.heaters[0], self._stories[(one.place - 1) % len(self._stories)]
            factor = first.session.time_factor
            self.heaters[one.place] = ClassHeater(self.profile, story, factor, asleep=first.asleep)

    # ---- heaters -----------------------------------------------------------------------------------------------------
    @property
    def heater(self) -> ClassHeater:
        """The heater that stands in front: on the wall and at the desk."""
        return self.heaters[self.front]

    def place_of(self, one: Learner | None) -> int:
        """Return the number of the heater that a learner looks at."""
        return one.place if one is not None and self.own else 0

    def truth_at(self, place: int) -> tuple[str, ...]:
        """Return the causes that a heater has had so far; only the trainer sees them before they are shown."""
        return tuple(sorted(self.heaters[place].faults)) or (class_table()["cause"]["healthy"],)

    @property
    def truth(self) -> tuple[str, ...]:
        """The causes that the heater in front has had so far."""
        return self.truth_at(self.front)

    @property
    def answer(self) -> tuple[str, ...]:
        """The answer of the heater in front, after it was shown."""
        return self.answers.get(self.front, ())

    @property
    def is_old(self) -> bool:
        """Whether the heaters were driven for as long as those of a class may be."""
        most = class_table()["limits"]["own_heater_s" if self.own else "heater_s"]
        return self.heaters[0].session.time_s >= float(most) or self.tick >= MOST_TICKS

    # ---- time --------------------------------------------------------------------------------------------------------
    def pass_time(self, ticks: int) -> list[dict[str, Any]]:
        """Let quarter seconds of the trainer pass; return the beats that are to be written down."""
        beats = []
        while ticks > 0 and not self.paused:
            piece = min(ticks, BEAT - self.tick % BEAT)
            for one in self.heaters.values():
                one.advance(piece * TICK_S)
            self.tick, ticks = self.tick + piece, ticks - piece
            if self.tick % BEAT == 0:
                beats.append({"do": "beat", "tick": self.tick})
            if self.is_old:
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
            self._sit(self.people.join(seat, str(deed.get("name", ""))))
        elif name == "vote":
            self.people.vote(seat, int(deed["question"]), int(deed["answer"]))
        elif name == "want":
            self.people.want(seat, str(deed["check"]))
        elif name == "state":
            self.people.state(seat, deed["shares"])
        else:
            self._by_driver(name, deed, self.people.of(seat))

    def _by_driver(self, name: str, deed: Deed, one: Learner) -> None:
        """Let a learner drive: the heater of that learner's own place, and what anybody at a heater can move."""
        if not self.own:
            raise refuse("heater", "", "is driven by the trainer", "Ask for it, and look at the wall.")
        heater = self.heaters[one.place]
        if name == "drive":
            what = str(Field("drive", "choice", choices=tuple(_DRIVES)).checked(deed["what"]))
            _DRIVES[what](heater)
            return
        for key in deed["set"]:
            Field("knob", "choice", choices=tuple(class_table()["own"]["knobs"])).checked(key)
        heater.set_inputs(deed["set"])

    def _meant(self, deed: Deed) -> list[ClassHeater]:
        """Return the heaters that a deed of the trainer is meant for: one by its number, or all of them."""
        at = deed.get("at", 0)
        return list(self.heaters.values()) if at == ALL else [self.heaters[self._known(at)]]

    def _known(self, at: Any) -> int:
        if at not in self.heaters:
            raise refuse("heater", at, "is none of this class", "Choose one of the table.")
        return int(at)

    def _fresh(self, deed: Deed) -> None:
        self._put(deed, self.heaters[0].session.time_factor, asleep=bool(deed.get("asleep")))
        self.people.anew()

    def _heat(self, deed: Deed) -> None:
        for one in self._meant(deed):
            one.request_heat(bool(deed["on"]))

    def _release(self, deed: Deed) -> None:
        for one in self._meant(deed):
            one.release_lockout()

    def _trap(self, deed: Deed) -> None:
        for one in self._meant(deed):
            one.empty_trap()

    def _knobs(self, deed: Deed) -> None:
        for one in self._meant(deed):  # all are of one profile: what the first refuses they all do
            one.set_inputs(deed["set"])

    def _factor(self, deed: Deed) -> None:
        for one in self.heaters.values():
            one.session.time_factor = deed["factor"]

    def _front(self, deed: Deed) -> None:
        self.front = self._known(deed["at"])

    def _pause(self, deed: Deed) -> None:
        self.paused = str(Field("why", "choice", choices=tuple(class_table()["say"])).checked(deed["why"]))

    def _go_on(self, _deed: Deed) -> None:
        if self.is_old:
            raise refuse("class", "", "stands: " + class_table()["say"]["old"], "Choose it at the end of the page.")
        self.people.close()
        self.paused = ""

    def _ask(self, deed: Deed) -> None:
        of_lesson = (str(deed.get(key, "")) for key in ("lesson", "guess"))
        self.people.ask(str(deed["text"]), [str(one) for one in deed["answers"]], *of_lesson)
        self.paused = "asked"

    def _close(self, _deed: Deed) -> None:
        """Close the vote; the heaters stand as they stood."""
        self.people.close()
        self.paused = "trainer" if self.paused == "asked" else self.paused

    def _happened(self, deed: Deed) -> None:
        self.people.tell_happened(int(deed["question"]), int(deed["answer"]))

    def _show_check(self, deed: Deed) -> None:
        name = str(Field("check", "choice", choices=tuple(class_table()["check"])).checked(deed["check"]))
        if name not in self.shown_checks:
            self.shown_checks.append(name)

    def _show_lesson(self, deed: Deed) -> None:
        """Let everybody see what comes out of a lesson, voted on or not."""
        self.shown_lessons.append(str(deed["lesson"]))

    def _show_answer(self, _deed: Deed) -> None:
        self.people.close()
        self.people.stating = False
        self.answers = {place: self.truth_at(place) for place in self.heaters}

    def _door(self, deed: Deed) -> None:
        self.people.shut = not deed["open"]

    def _send_out(self, deed: Deed) -> None:
        """Send a phone out with its votes; a heater at which nobody sits any more is taken away."""
        place = self.people.send_out(int(deed["learner"])).place
        if self.own and all(one.place != place for one in self.people.by_seat.values()):
            del self.heaters[place]
            self.front = 0 if self.front == place else self.front

    # ---- written down ------------------------------------------------------------------------------------------------
    @classmethod
    def replay(cls, deeds: Sequence[Deed]) -> Classroom:
        """Return the class that some deeds lead to; heaters that were put away are not driven again.

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
    "front": Classroom._front,
    "pause": Classroom._pause,
    "go_on": Classroom._go_on,
    "ask": Classroom._ask,
    "close": Classroom._close,
    "happened": Classroom._happened,
    "show_check": Classroom._show_check,
    "show_answer": Classroom._show_answer,
    "show_lesson": Classroom._show_lesson,
    "door": Classroom._door,
    "send_out": Classroom._send_out,
}
_DRIVES: Mapping[str, Callable[[ClassHeater], None]] = {
    "heat": ClassHeater.request_heat,
    "no_heat": ClassHeater.request_no_heat,
    "release": ClassHeater.release_lockout,
    "trap": ClassHeater.empty_trap,
}
