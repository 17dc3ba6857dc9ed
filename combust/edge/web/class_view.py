"""What the pages of a class show: plain facts taken while the class is held, drawn when it is free again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from combust.application.lessons.predictions import lesson_numbers
from combust.application.trainer.class_heater import ClassHeater, class_causes, class_table
from combust.application.trainer.class_people import FULL, Learner, Question
from combust.application.trainer.class_summary import in_words, label_of
from combust.application.trainer.classroom import Classroom
from combust.application.trainer.display import SimulatedDisplay
from combust.data.vocabulary import quantities
from combust.domain.limits import Finding, cautions
from combust.domain.result import shown
from combust.domain.safety import Safety
from combust.edge.lesson_source import read_lesson
from combust.edge.web.texts import texts

EVERY_S = 2  # seconds between two looks of a page at its server
MOST_EVENTS = 4
EXHAUST_CO = ("co_dry_ppm", "co_air_free_ppm")


def common(room: Classroom, place: int) -> dict[str, Any]:
    """Return what every page of a class shows of a heater: that it is simulated, time and factor, whether it stands."""
    heater, say = room.heaters[place], class_table()["say"]
    display = heater.session.display()
    return {
        "note": display.note,
        "safety": stopped(heater, room.shown_checks),
        "never": [text for text in display.cautions if text not in cautions()],
        "factor": f"×{display.time_factor:g}",
        "time": clock(display.time_s),
        "paused": say[room.paused] if room.paused else "",
        "begun": display.time_s > 0.0 or room.paused != "trainer",
        "analyser": analyser(display),
        "trap": display.trap_full,
        "relation": display.co_relation,
        "answer": in_words(room.answers.get(place, ())),
        "checks": checks_made(heater, room.shown_checks),
        "every": EVERY_S,
    }


def stopped(heater: ClassHeater, checks: Iterable[str]) -> Safety | None:
    """Return the stops that a real heater would be in by the analyser and some checks, None = there is none.

    What nobody looked at gives nothing away; that nothing is wrong is not said of what is simulated.
    """
    found = heater.session.safety(key for name in checks for key in class_table()["check"][name])
    return in_bands(found.stops, heater.session.co_band())


def in_bands(stops: Iterable[Finding], band: str) -> Safety | None:
    """Return the stops of a class with the CO of the exhaust as its band, never as a number; None = there is none."""
    said = class_table()["say"]["as_read"].format(band=band)
    found = tuple(_in_band(one, said) if one.quantity in EXHAUST_CO else one for one in stops)
    return Safety(found) if found else None


def _in_band(one: Finding, said: str) -> Finding:
    return replace(one, text=one.text.replace(f"{one.value:.0f} {one.unit}", said, 1), value=None)


def clock(time_s: float) -> str:
    """Return a time of the heater as minutes and seconds."""
    return f"{int(time_s) // 60}:{int(time_s) % 60:02d}"


def analyser(display: SimulatedDisplay) -> list[tuple[str, str, str]]:
    """Return what the analyser shows: name, value, unit."""
    names = texts()["field"]
    return [
        (names["o2_dry_pct"], f"{display.o2_dry_pct:.1f}", quantities()["o2_dry_pct"].unit),
        (names["co_dry_ppm"], display.co_band, ""),
        (names["flue_temp_c"], f"{display.flue_temp_c:.0f}", quantities()["flue_temp_c"].unit),
    ]


def checks_made(heater: ClassHeater, names: Iterable[str]) -> list[tuple[str, str]]:
    """Return some checks with what they show now."""
    return [(_check(name), _values(heater.checked(name))) for name in names]


def _check(name: str) -> str:
    return str(texts()["class"]["check"][name])


def _values(found: Iterable[tuple[str, float | str | None]]) -> str:
    units = {key: record.unit for key, record in quantities().items()} | {"air_temp_c": "°C"}
    told = [value if isinstance(value, str) else shown(value, ".4g", units.get(key, "")) for key, value in found]
    return ", ".join(told)


def question_of(asked: Question | None, seat: str = "") -> dict[str, Any] | None:
    """Return a question as a phone or the wall draws it; shares only after the vote was closed."""
    if asked is None:
        return None
    mine = asked.votes.get(seat)
    shares = None if asked.open else [round(FULL * share) for share in asked.shares]
    return {
        "number": asked.number,
        "text": asked.text,
        "answers": list(enumerate(asked.answers)),
        "open": asked.open,
        "voted": len(asked.votes),
        "mine": mine,
        "shares": shares,
        "happened": asked.happened,
        "guess": asked.guess,
        "lesson": read_lesson(asked.lesson) if asked.lesson in lesson_numbers() else None,
        "stamp": f"{asked.number} {asked.open} {mine} {asked.happened}",
    }


def check_choices() -> list[tuple[str, str]]:
    """Return the checks that a class can ask for: key and name."""
    return [(name, _check(name)) for name in class_table()["check"]]


def wanted(room: Classroom) -> list[tuple[str, str, int]]:
    """Return the checks that were asked for and not shown, by how many; at a heater of one's own none waits."""
    asked = (
        ()
        if room.own
        else ((name, len(seats)) for name, seats in room.people.wanted.items() if name not in room.shown_checks)
    )
    return [(name, _check(name), count) for name, count in asked]


def cause_choices() -> list[tuple[str, str]]:
    """Return the causes that can be stated: key and label."""
    return [(name, label_of(name)) for name in class_causes()]


def heaters_table(room: Classroom) -> list[dict[str, Any]]:
    """Return what the trainer sees of everybody's own heater: one row each, by number, without names."""
    people: dict[int, list[Learner]] = {}
    for one in room.people.by_seat.values():
        people.setdefault(one.place, []).append(one)
    seats = {seat: one.place for seat, one in room.people.by_seat.items()}
    asked = Counter(seats[seat] for wanting in room.people.wanted.values() for seat in wanting if seat in seats)
    return [
        {
            "place": place,
            "learners": ", ".join(str(one.number) for one in people.get(place, ())),
            "phase": display.phase_label,
            "o2": f"{display.o2_dry_pct:.1f}",
            "co": display.co_band,
            "stop": display.locked or stop_of(display.stops),
            "checks": asked[place],
            "stated": sum(bool(one.stated) for one in people.get(place, ())),
        }
        for place, heater in sorted(room.heaters.items())
        if place
        for display in (heater.session.display(),)
    ]


def stop_of(stops: Iterable[Finding]) -> str:
    """Return the first of some stops in few words, "" = none."""
    names = texts()["class"]["stop"]
    return next((str(names.get(one.code, names["other"])) for one in stops), "")


def events(room: Classroom, place: int) -> list[str]:
    """Return what happened last at a heater, the newest first."""
    told = room.heaters[place].session.events()[-MOST_EVENTS:]
    return [f"{clock(one.at_s)} {one.text}" for one in reversed(told)]
