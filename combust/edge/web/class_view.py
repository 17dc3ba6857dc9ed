"""What the pages of a class show: plain facts taken while the class is held, drawn when it is free again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from combust.application.trainer.class_heater import class_causes, class_table
from combust.application.trainer.class_people import FULL, Question
from combust.application.trainer.class_summary import in_words, label_of
from combust.application.trainer.classroom import Classroom
from combust.application.trainer.display import SimulatedDisplay
from combust.application.trainer.inputs import input_fields
from combust.data.vocabulary import quantities
from combust.domain.catalogue import shipped_fuels
from combust.domain.limits import cautions
from combust.domain.result import shown
from combust.edge.web.texts import texts

EVERY_S = 2  # seconds between two looks of a page at its server
KNOBS = {
    "heater": ("stage", "warm_enough", "heating_air", "glow"),
    "air": ("intake_resistance", "exhaust_resistance", "recirculated"),
    "fuel": ("fuel", "pump_hz_ratio", "fuel_kind", "bubbles", "wax"),
    "supply": ("battery_v", "loop_mohm"),
    "place": ("altitude_m", "air_temp_c"),
    "sample": ("hose_leak", "wet_hose", "cell_drift_pct"),
}
SLIDES_UP_TO = 2.0  # bands as small as this are drawn as a slider
MOST_EVENTS = 4


def common(room: Classroom) -> dict[str, Any]:
    """Return what every page of a class shows: that it is simulated, the time factor, time, whether it stands."""
    display, say = room.heater.session.display(), class_table()["say"]
    return {
        "note": display.note,
        "never": [text for text in display.cautions if text not in cautions()],
        "factor": f"×{display.time_factor:g}",
        "time": clock(display.time_s),
        "paused": say[room.paused] if room.paused else "",
        "analyser": analyser(display),
        "trap": display.trap_full,
        "relation": display.co_relation,
        "answer": in_words(room.answer),
        "checks": checks_made(room),
        "every": EVERY_S,
    }


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


def checks_made(room: Classroom) -> list[tuple[str, str]]:
    """Return the checks that were shown to all, with what they show now."""
    return [(_check(name), _values(room.heater.checked(name))) for name in room.shown_checks]


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
        "stamp": f"{asked.number} {asked.open} {mine} {asked.happened}",
    }


def check_choices() -> list[tuple[str, str]]:
    """Return the checks that a class can ask for: key and name."""
    return [(name, _check(name)) for name in class_table()["check"]]


def wanted(room: Classroom) -> list[tuple[str, str, int]]:
    """Return the checks that were asked for and not shown: key, name, by how many."""
    asked = ((name, len(seats)) for name, seats in room.people.wanted.items() if name not in room.shown_checks)
    return [(name, _check(name), count) for name, count in asked]


def cause_choices() -> list[tuple[str, str]]:
    """Return the causes that can be stated: key and label."""
    return [(name, label_of(name)) for name in class_causes()]


def events(room: Classroom) -> list[str]:
    """Return what happened last at the heater, the newest first."""
    told = room.heater.session.events()[-MOST_EVENTS:]
    return [f"{clock(one.at_s)} {one.text}" for one in reversed(told)]


def knobs(room: Classroom, typed: Mapping[str, str] | None = None) -> list[dict[str, Any]]:
    """Return the knobs by group, each with what it stands at and its band.

    Parameters
    ----------
    room : Classroom
    typed : mapping, optional
        What was typed and refused: it stays in its field.
    """
    inputs, typed = room.heater.session.heater.inputs, typed or {}
    groups = []
    for group, keys in KNOBS.items():
        rows = []
        for key in keys:
            record, value = input_fields()[key], getattr(inputs, key)
            now = ("yes" if value else "no") if isinstance(value, bool) else value
            text = f"{now:.6g}" if isinstance(now, float) else str(now)
            label = record.meaning[:1].upper() + record.meaning[1:]
            row: dict[str, Any] = {"key": key, "label": label, "unit": record.unit}
            row |= {"now": text, "value": typed.get(f"knob_{key}", text), "choices": _choices(room, key)}
            number = record.kind == "number"
            row |= {"low": f"{record.low:g}", "high": f"{record.high:g}", "number": number}
            row["slides"] = number and record.high <= SLIDES_UP_TO and not record.unit
            row["negative"] = number and record.low < 0.0
            rows.append(row)
        groups.append({"name": group, "rows": rows})
    return groups


def _choices(room: Classroom, key: str) -> list[str]:
    if key == "stage":
        return list(room.profile.stages)
    if key == "fuel_kind":
        return list(shipped_fuels())
    return ["no", "yes"] if key == "warm_enough" else []
