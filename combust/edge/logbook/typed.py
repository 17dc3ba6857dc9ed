"""From short words and numbers as they are typed at the heater to entries of a visit.

A line is a verb with a sentence (``repair hose replaced``), or pairs of a word and a value (``o2 4.84 flue 689 F co
over 2000``), or words that need no value (``outdoors``). Words and units are those of headings, numbers those of cells,
what may be is the vocabulary's.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from combust.application.reading.result import safety_of
from combust.application.visit.record import CHECKS, record_fields
from combust.application.visit.taken import SETTINGS
from combust.application.visit.visit import EVENT, HEAD, Visit
from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import Field, check_fields
from combust.data.near import did_you_mean, near_matches
from combust.data.units import in_our_unit
from combust.data.vocabulary import inputs
from combust.domain.reading import check_values
from combust.domain.safety import Safety
from combust.edge.logbook.visits import NewEntry, NewVisit, time_fault
from combust.edge.tables.cells import UNKNOWN, read_cell
from combust.edge.tables.headings import USUAL_WORDS, in_unit, named
from combust.edge.tables.times import clock_seconds, moment

# Verb -> the kind of entry that the rest of the line is the text of.
SENTENCES = {"repair": "adjustment", "adjusted": "adjustment", "note": "note", "unchecked": "not_checked"}
CHECK = Field("check", "choice", choices=CHECKS)
OVER = ("over", ">", "above")
_WITH_UNIT = re.compile(r"^([<>≥≤]?=?[+\-\u2212]?[\d.,]+)([^\d.,].*)$")
WORDS = {**inputs(), **HEAD}


@dataclass(slots=True)
class Line:
    """What a line holds: settings and words about the visit, values of a reading, bounds, what was typed otherwise."""

    given: dict[str, Any] = field(default_factory=dict)
    over: dict[str, float] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    next: bool = False


def entries_of_line(words: Sequence[str], visit: Visit, at: datetime.datetime) -> NewVisit:
    """Return what a typed line adds to a visit.

    Parameters
    ----------
    words : sequence of str
        The line, cut at blanks; a quoted text is one word.
    visit : Visit
        As it stands: whether a reading is at hand, the stages of its heater.
    at : datetime
        This moment, with its offset: it is the time of the reading, unless ``at 08:14`` is typed.

    Raises
    ------
    CombustError
        Words that are not understood, values that cannot be, a time that is none; every fault at once, the stop
        conditions of what was typed with them.
    """
    new = NewVisit(visit.visit_id, None, {}, [], at=at.isoformat(timespec="seconds"))
    if not words:
        raise CombustError(Fault("line", "", "empty", why="is empty", hint="Type what was read: o2 8.2 co 54"))
    verb, rest = words[0].lower(), " ".join(words[1:]).strip()
    if verb in SENTENCES:
        new.entries.append((SENTENCES[verb], None, {"text": _needed(verb, rest)}))
    elif verb == "event":
        new.entries.append(("event", None, {"event": EVENT.checked(rest), "at": new.at}))
    elif verb == "check":
        name, *said = words[1:] or [""]
        new.entries.append(("check", None, {"check": CHECK.checked(name), "result": _needed(name, " ".join(said))}))
    elif verb == "missing":
        new.entries.append(("missing", None, _declared(words[1:])))
    else:
        _add_values(new, read_line(words, visit, at), visit)
    return new


def correction_of_line(name: int | str, words: Sequence[str], visit: Visit, at: datetime.datetime) -> NewVisit:
    """Return the correction of one entry: the new values, ``because`` and why; without values it is withdrawn.

    ``name`` is its number, or ``6@ab12`` where entries of several books have that number.

    Raises
    ------
    CombustError
        No such entry, or one that is not corrected; every fault of the new values.
    """
    if visit.entry(name).kind in ("opened", "closed", "reopened"):
        hint = "combust log show tells the entries with their numbers."
        raise CombustError(Fault("entry", name, "unknown_name", why="is no entry to be corrected", hint=hint))
    plain = [word.lower() for word in words]
    cut = plain.index("because") if "because" in plain else len(words)
    values: dict[str, Any] = {}
    if words[:1] == ["text"]:
        values = {"text": _needed("text", " ".join(words[1:cut]))}
    elif cut:
        line = read_line(words[:cut], visit, at)
        values = {**line.given, **({"over": line.over, **dict.fromkeys(line.over)} if line.over else {})}
    body = {"values": values, "reason": " ".join(words[cut + 1 :])}
    made: list[NewEntry] = [("correction", None, body)]
    return NewVisit(visit.visit_id, None, {}, made, corrects=name, at=at.isoformat(timespec="seconds"))


def read_line(words: Sequence[str], visit: Visit, at: datetime.datetime) -> Line:
    """Return the settings and values of a line, checked.

    Raises
    ------
    CombustError
        Every fault at once.
    """
    line, left = Line(), list(words)
    while left:
        _take(left, line, visit, at)
    measured, faults = check_values({key: value for key, value in line.given.items() if key not in HEAD})
    head, refused = check_fields({key: value for key, value in line.given.items() if key in HEAD}, HEAD)
    line.faults += [*faults, *(fault for _, fault in refused)]
    if line.faults:
        raise CombustError(line.faults)
    line.given = {**measured, **head}
    return line


def stops_typed(words: Sequence[str], at: datetime.datetime) -> Safety:
    """Return the stop conditions of what was typed, whatever is wrong with the rest of the line or with the book."""
    line, left = Line(), list(words)
    while left:
        _take(left, line, Visit(""), at)
    measured, _ = check_values({key: value for key, value in line.given.items() if key not in HEAD})
    return safety_of(_for_stops(line, measured)).without_place()


def _for_stops(line: Line, measured: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a refused line as the stop conditions count them."""
    counted = dict(measured)
    for key, value in line.given.items():
        ours, convert = in_our_unit(key, inputs())
        if ours in inputs() and ours not in measured and isinstance(value, float):
            counted[ours] = inputs()[ours].for_stops(convert(value) if convert else value)
    bounds = {key: inputs()[key].for_stops(least, at_least=True) for key, least in line.over.items()}
    return {key: value for key, value in {**counted, **bounds}.items() if value == value}


def _take(left: list[str], line: Line, visit: Visit, at: datetime.datetime) -> None:
    """Take the first word of a line, and what belongs to it."""
    word = left.pop(0)
    key, convert = in_our_unit(word, WORDS)
    known = word if convert else named(word, WORDS)
    if known:
        key = in_our_unit(known, WORDS)[0]
    if word.lower() == "next":
        line.next = True
    elif word.lower() == "at":
        _put(line, "taken_at", _moment(left.pop(0) if left else "", line, at))
    elif known is None:
        _put_word(line, word, visit)
    elif not left:
        line.faults.append(Fault(key, None, "missing", why="has no value behind it", hint=WORDS[key].remedy))
    elif WORDS[key].kind == "number":
        _take_number(left, line, known, key)
    else:
        _put(line, key, left.pop(0))


def _put(line: Line, key: str, value: Any) -> None:
    if key in line.given or key in line.over:
        hint = "Leave one out, or type two lines."
        line.faults.append(Fault(key, value, "twice", why="stands twice in one line", hint=hint))
    line.given[key] = value


def _take_number(left: list[str], line: Line, known: str, key: str) -> None:
    text, unit = left.pop(0), ""
    if text.lower() in OVER and left:
        text = f">{left.pop(0)}"
    if found := _WITH_UNIT.match(text):
        text, unit = found[1], found[2].strip()
    elif left and in_unit(key, left[0], WORDS) and not named(left[0], WORDS):
        unit = left.pop(0)
    entered = in_unit(key, unit, WORDS) if unit else known
    if entered is None:
        hint = f"It is in {WORDS[key].unit}." if WORDS[key].unit else "It has no unit."
        line.faults.append(Fault(key, f"{text} {unit}", "format", why=f"is not in {unit}", hint=hint))
        return
    cell, convert = read_cell(text, UNKNOWN), in_our_unit(entered, WORDS)[1]
    if cell.why or math.isnan(cell.number):
        _put(line, entered, text)
    elif cell.bound == ">" and not WORDS[key].stops_above:
        hint = "Type the number that the instrument shows, or leave it out; only CO is told over the range."
        line.faults.append(Fault(key, text, "format", why="is only a lower bound", hint=hint))
    elif cell.bound == ">":
        line.over[key] = convert(cell.number) if convert else cell.number
    else:
        _put(line, entered, cell.number)
    if entered != key or cell.bound == "<":  # an upper bound stands for its value, as in a table
        line.typed[key] = f"{text} {unit}".strip()


def _put_word(line: Line, word: str, visit: Visit) -> None:
    """Take a word that needs no other: one of the choices of one quantity, or a stage of the heater."""
    plain = word.lower()
    keys = [key for key, record in WORDS.items() if plain in record.choices]
    if plain in visit.profile.get("stages", {}):
        _put(line, "stage", plain)
    elif len(keys) == 1:
        _put(line, keys[0], plain)
    elif keys:
        hint = f"Say which: {' or '.join(f'{key} {plain}' for key in keys)}."
        line.faults.append(Fault("word", word, "unknown_name", why="can mean several things", hint=hint))
    else:
        verbs = [*SENTENCES, "check", "missing", "event", "next", "at"]
        choices = [one for record in WORDS.values() for one in record.choices]
        near = near_matches(plain, [*WORDS, *USUAL_WORDS, *verbs, *choices], n=2)
        hint = did_you_mean(near, "Type a word and its value: o2 8.2. All words: combust word.")
        line.faults.append(Fault("word", shorten(word), "unknown_name", why="is no word that combust knows", hint=hint))


def _moment(text: str, line: Line, at: datetime.datetime) -> str | None:
    """Return a typed time with its day and offset; words that are no time are a fault."""
    seconds = clock_seconds(text)
    if seconds is not None:
        midnight = at.replace(hour=0, minute=0, second=0, microsecond=0)
        return (midnight + datetime.timedelta(seconds=seconds)).isoformat(timespec="seconds")
    found = moment(text)
    if found is None:
        line.faults.append(time_fault(text))
    return found


def _add_values(new: NewVisit, line: Line, visit: Visit) -> None:
    new.head = {key: value for key, value in line.given.items() if key in HEAD}
    settings = {key: value for key, value in line.given.items() if key in SETTINGS}
    measured = {key: value for key, value in line.given.items() if key not in HEAD and key not in SETTINGS}
    if settings:
        new.entries.append(("setting", None, settings | ({"typed": line.typed} if line.typed else {})))
    beside = {name: held for name, held in (("over", line.over), ("typed", line.typed)) if held}
    if measured or line.over:
        if line.next or visit.begins_reading(measured):
            body = {"taken_at": new.at, **measured, **beside}
            new.entries.append(("reading", None, body))
        else:
            new.entries.append(("part", None, {**measured, **beside}))


def _declared(words: Sequence[str]) -> dict[str, str]:
    name, *reason = words or [""]
    known = Field("missing", "choice", choices=tuple(record_fields()))
    key = name if name in record_fields() else named(name, WORDS) or name
    return {"field": known.checked(key), "reason": _needed(name, " ".join(reason))}


def _needed(what: str, text: str) -> str:
    if not text.strip():
        hint = f"Say it behind the word: {what} ..."
        raise CombustError(Fault(what, None, "missing", why="has no words behind it", hint=hint))
    return text.strip()
