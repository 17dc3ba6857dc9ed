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
from dataclasses import dataclass, field, replace
from typing import Any

from combust.application.learning.learnt import NOTHING, Learnt
from combust.application.visit.record import CHECKS, REST, cannot_be_had, record_fields, result_as_typed
from combust.application.visit.visit import Visit
from combust.application.visit.words import CAUSE_WORDS, EVENT, HEAD, HOLDS, NOT_ALONE, PLATE, SAID, SUPPLY, cause_said
from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import Field, check_fields
from combust.data.near import did_you_mean, near_matches
from combust.data.units import in_our_unit, key_of_person, mark_of
from combust.data.vocabulary import inputs
from combust.domain.reading import check_values
from combust.domain.result import plain
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.visits import NewVisit
from combust.edge.tables.cells import UNKNOWN, number_and_unit, read_cell
from combust.edge.tables.headings import USUAL_WORDS, in_unit, is_unit, named, unit_fault, words_beside
from combust.edge.tables.times import clock_seconds, moment, time_fault

# Verb -> the kind of entry that the rest of the line is the text of.
SENTENCES = {"repair": "adjustment", "adjusted": "adjustment", "note": "note", "unchecked": "not_checked"}
OF_A_LINE = (*SENTENCES, "check", "missing", "event", "correct")  # words that begin a line, and own the rest of it
CHECK = Field("check", "choice", choices=CHECKS)
OVER = ("over", ">", "above")
_TWO_IN_ONE = re.compile(r"^([A-Za-z]\w*) *[:=] *(.*)$")  # O2: 4.84, o2=4.84
_FROM_TO = re.compile(r"^([\d.,]+) *(?:-|–|to|\.\.) *([\d.,]+)$")
_STAGES = ("high", "low")  # of a heater whose profile names none
WORDS = {**inputs(), **SAID}
NOTHING_YET = Visit("")


@dataclass(slots=True)
class Line:
    """What a line holds: settings and words about the visit, values of a reading, bounds, what was typed otherwise."""

    given: dict[str, Any] = field(default_factory=dict)
    over: dict[str, float] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    next: bool = False
    alone: Fault | None = None  # a sentence in the middle of a line: the words behind it are not judged


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
        new.entries.append((SENTENCES[verb], None, {"text": needed(verb, rest)}))
    elif verb == "event":
        new.entries.append(("event", None, {"event": EVENT.checked(rest.lower()), "at": new.at}))
    elif verb == "check":
        name, *said = words[1:] or [""]
        name = CHECK.checked(name.lower())
        if entered := result_as_typed(name, said):
            return entries_of_line(entered, visit, at)
        new.entries.append(("check", None, {"check": name, "result": needed(name, " ".join(said))}))
    elif verb == "missing":
        new.entries += [("missing", None, body) for body in _declared(words[1:], visit)]
    else:
        line = read_line(words, visit, at)
        if line.given.keys() & {*PLATE, *SUPPLY, "fuel"}:  # what has nothing to do with the plate is not refused for it
            visit.add("setting", {key: one for key, one in line.given.items() if key in HOLDS}).need_heater()
        _add_values(new, line, visit)
    return new


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
    said = {key: value for key, value in line.given.items() if in_our_unit(key, SAID)[0] in SAID}
    measured, faults = check_values({key: value for key, value in line.given.items() if key not in said})
    held, refused = check_fields(said, SAID)
    line.faults += [*faults, *(fault for _, fault in refused)]
    if line.alone or line.faults:
        raise CombustError(line.alone or line.faults)
    line.given = {**measured, **plain(held)}
    if held.get("learnt", NOTHING) != NOTHING:
        line.typed["learnt"] = Learnt.from_text(held["learnt"]).told
    return line


def stops_typed(words: Sequence[str], at: datetime.datetime, visit: Visit = NOTHING_YET) -> Safety:
    """Return the safety state of a visit with what was typed into it, whatever is wrong with the rest of the line.

    A line that is refused clears no stop of the visit. The place is left out where it was not said: it may be what is
    wrong with the line.
    """
    line, left = Line(), list(words)
    while left:
        _take(left, line, visit, at)
    measured, _ = check_values({key: value for key, value in line.given.items() if key not in SAID})
    held, _ = check_fields({key: value for key, value in line.given.items() if key in SAID}, SAID)
    new = NewVisit(visit.visit_id, None, {}, [], at=at.isoformat(timespec="seconds"))
    _add_values(new, Line({**plain(held), **_for_stops(line, measured)}), visit)
    then = after_line(visit, new)
    found = of_all([then.safety, visit.safety])
    return found if any(branch.place for branch in then.branches) else found.without_place()


def after_line(visit: Visit, new: NewVisit) -> Visit:
    """Return a visit with what a line adds to it, written nowhere."""
    visit = visit.add("setting", new.head, at=new.at) if new.head else visit
    for kind, key, body in new.entries:
        visit = visit.add(kind, body, key=key or "", at=new.at)
    return visit


def _for_stops(line: Line, measured: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a refused line as the stop conditions count them."""
    counted = dict(measured)
    for key, value in line.given.items():
        ours, convert = in_our_unit(key, inputs())
        if ours in inputs() and ours not in measured and isinstance(value, float | str):
            number, text = (math.nan, value) if isinstance(value, str) else (value, "")
            counted[ours] = inputs()[ours].for_stops(convert(number) if convert else number, text=text)
    bounds = {key: inputs()[key].for_stops(least, at_least=True) for key, least in line.over.items()}
    return {key: value for key, value in {**counted, **bounds}.items() if value == value}


def _take(left: list[str], line: Line, visit: Visit, at: datetime.datetime) -> None:
    """Take the first word of a line, and what belongs to it."""
    word, known = _word(left)
    if known is None and word.lower() == "next":
        line.next = True
    elif known is None and word.lower() == "at":
        _put(line, "taken_at", _moment(left.pop(0) if left else "", line, at))
    elif known is None:
        _put_word(left, line, word, visit)
    elif not left:
        key = in_our_unit(known, WORDS)[0]
        line.faults.append(Fault(key, None, "missing", why="has no value behind it", hint=WORDS[key].remedy))
    else:
        units = str(line.given.get("units", visit.units)).lower()
        _take_value(left, line, _meant(known, word.lower(), units), in_our_unit(known, WORDS)[0], visit)


def _word(left: list[str]) -> tuple[str, str | None]:
    """Return (the first word of a line, the key that it stands for or None); its value stays at the front.

    ``O2:`` and ``o2=8.2`` are understood, and two words that are one: cold soak, plug glow.
    """
    word = left.pop(0)
    if found := _TWO_IN_ONE.match(word):
        word, rest = found[1], found[2]
        left[:0] = [rest] if rest else []
    if left and (known := _key_of(f"{word}_{left[0]}") or _key_of(word + left[0])):
        return f"{word} {left.pop(0)}", known
    return word, _key_of(word)


def _key_of(word: str) -> str | None:
    """Return the key, perhaps in another unit, that a word stands for, however it is joined."""
    if found := named(word, WORDS):
        return found
    lower = word.lower()
    return lower if in_our_unit(lower, WORDS)[1] else named(re.sub("[-_]", "", lower), WORDS)


def _meant(known: str, word: str, units: str) -> str:
    """Return the key in the unit that a bare number behind a word is in: the person's, unless the word names one."""
    key, convert = in_our_unit(known, WORDS)
    return known if convert or word == key else key_of_person(key, units)


def _is_length(left: Sequence[str]) -> bool:
    """Return whether a number and its unit, apart or in one, are a length."""
    unit = number_and_unit(left[0])[1] or (left[1] if left[1:] else "")
    return bool(unit) and _in_unit("length_m", "length_m", unit) is not None


def _put_stage(word: str, line: Line, visit: Visit) -> None:
    """Take a heat stage, whatever its capitals; one that the heater does not have is refused before it is a reading."""
    known = {name.casefold(): name for name in visit.stages}
    found = known.get(word.casefold(), "" if known else word.lower())
    if not found:
        hint = did_you_mean(near_matches(word.casefold(), known, n=2, cutoff=0.5), f"It has {', '.join(known)}.")
        line.faults.append(Fault("stage", word, "unknown_name", why="is no stage of this heater", hint=hint))
    _put(line, "stage", found or word)


def _take_value(left: list[str], line: Line, known: str, key: str, visit: Visit) -> None:
    kind = WORDS[key].kind
    if key == "area_mm2" and _is_length(left):
        known = key = "length_m"  # "cable" is its gauge or, with m or ft, its length
    if key == "stage":
        _put_stage(left.pop(0), line, visit)
    elif kind == "number":
        _take_number(left, line, known, key)
    elif kind == "band":
        text = left.pop(0)
        found = _FROM_TO.match(text)
        _put(line, key, [read_cell(end, UNKNOWN).number for end in found.groups()] if found else text)
    elif kind == "choice":
        also = CAUSE_WORDS if key == "found" else {}
        said = _choice(left, (*WORDS[key].choices, *also))
        _put(line, key, cause_said(said) if also else said)
    else:
        text = left.pop(0)
        _put(line, key, text.lower() if text.lower() in WORDS[key].choices else text)


def _choice(left: list[str], choices: Sequence[str]) -> str:
    """Return the word that is chosen, whatever its capitals; one of several words may be typed as several."""
    return _joined(left, left.pop(0).lower().replace("-", "_"), choices)


def _put(line: Line, key: str, value: Any) -> None:
    if key in line.given or key in line.over:
        hint = "Leave one out, or type two lines."
        line.faults.append(Fault(key, value, "twice", why="stands twice in one line", hint=hint))
    line.given[key] = value


def _take_number(left: list[str], line: Line, known: str, key: str) -> None:
    text = left.pop(0)
    if text.lower() == "awg" and left:  # the gauge is written on either side of its number
        text = f"{left.pop(0)} awg"
    if text.lower() in OVER and left:
        text = f">{left.pop(0)}"
    text, unit = number_and_unit(text)
    if not unit and left and (_in_unit(known, key, left[0]) or is_unit(left[0])) and not named(left[0], WORDS):
        unit = left.pop(0)
    _drop_repeated(left, key)
    entered = _in_unit(known, key, unit) if unit else known
    if entered is None:
        line.faults.append(unit_fault(WORDS[key], text, read_cell(text, UNKNOWN).number, unit, WORDS))
        return
    cell, convert = read_cell(text, UNKNOWN), in_our_unit(entered, WORDS)[1]
    if words := words_beside(key, text, WORDS) if cell.why else "":
        fault = WORDS[key].not_a_number(text)
        line.faults.append(replace(fault, hint=f"{fault.hint.rstrip('.')}{words}."))
    elif cell.why or math.isnan(cell.number):
        _put(line, entered, text)
    elif cell.bound == ">" and not WORDS[key].stops_above:
        hint = "Type the number that the instrument shows, or leave it out; only CO is told over the range."
        line.faults.append(Fault(key, text, "format", why="is only a lower bound", hint=hint))
    elif cell.bound == ">":
        line.over[key] = convert(cell.number) if convert else cell.number
    else:
        _put(line, entered, cell.number)
    if entered != key or cell.bound == "<":  # an upper bound stands for its value, as in a table
        line.typed[key] = f"{text} {unit or mark_of(entered)}".strip()


def _in_unit(known: str, key: str, unit: str) -> str | None:
    """Return the key in the unit that stands beside a number: one that a word in another unit ends in, or any."""
    return known if unit and known != key and unit.lower() == known.rpartition("_")[2] else in_unit(key, unit, WORDS)


def _put_word(left: list[str], line: Line, word: str, visit: Visit) -> None:
    """Take a word that needs no other: one of the choices of one quantity, or a stage of the heater."""
    alone = {key: record.choices for key, record in WORDS.items() if key not in NOT_ALONE}
    choices = [one for some in alone.values() for one in some]
    said = _joined(left, word.lower().replace("-", "_"), choices)
    keys = [key for key, some in alone.items() if said in some]
    if said in {name.casefold() for name in visit.stages or _STAGES}:
        _put_stage(said, line, visit)
    elif len(keys) == 1:
        _put(line, keys[0], said)
    elif keys:
        hint = f"Say which: {' or '.join(f'{key} {said}' for key in keys)}."
        line.faults.append(Fault("word", word, "unknown_name", why="can mean several things", hint=hint))
    elif said in OF_A_LINE:
        hint = f"Type two lines, the second one: {said} ..."
        line.alone = line.alone or Fault("word", said, "format", why="stands on a line of its own", hint=hint)
    elif "start_event" in line.given and (number := read_cell(word, UNKNOWN).number) == number:
        hint = "Say what it is: died 40 (seconds that it burnt), or cold soak -22 (the cold it stood in)."
        line.faults.append(Fault("word", word, "format", why="is a number without a word of its own", hint=hint))
    else:
        verbs = [*OF_A_LINE, "next", "at"]
        stages = visit.stages or _STAGES
        near = near_matches(said, [*stages, *WORDS, *USUAL_WORDS, *verbs, *choices], n=2)
        hint = did_you_mean(near, "Type a word and its value: o2 8.2. All words: combust word.")
        line.faults.append(Fault("word", shorten(word), "unknown_name", why="is no word that combust knows", hint=hint))
        while left and read_cell(left[0], UNKNOWN).number == read_cell(left[0], UNKNOWN).number:
            left.pop(0)  # the value of a word that is not known is no second fault


def _joined(left: list[str], said: str, choices: Sequence[str]) -> str:
    """Return a word, with those behind it where together they are one of the choices: lit and died, does not start."""
    for count in (5, 4, 3, 2, 1):
        whole = "_".join([said, *(word.lower() for word in left[:count])])
        if len(left) >= count and whole in choices:
            del left[:count]
            return whole
    return said


def _drop_repeated(left: list[str], key: str) -> None:
    """Drop a word behind a value that only says again what the value is of: battery 11.4 V at rest."""
    words = left[1:] if [word.lower() for word in left[:2]] == ["at", "rest"] else left
    again = bool(words) and in_our_unit(_key_of(words[0]) or "", WORDS)[0] == key
    if again and not (words[1:] and _is_number(words[1])):
        left[:] = words[1:]


def _is_number(text: str) -> bool:
    cell = read_cell(number_and_unit(text)[0], UNKNOWN)
    return cell.number == cell.number


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
    settings = {key: value for key, value in line.given.items() if key in HOLDS}
    measured = {key: value for key, value in line.given.items() if key not in HEAD and key not in HOLDS}
    if settings:
        typed = {key: text for key, text in line.typed.items() if key in settings}
        new.entries.append(("setting", None, settings | ({"typed": typed} if typed else {})))
    typed = {key: text for key, text in line.typed.items() if key not in settings}
    beside = {name: held for name, held in (("over", line.over), ("typed", typed)) if held}
    if measured or line.over:
        if line.next or visit.begins_reading({**measured, **line.over}):
            body = {"taken_at": new.at, **measured, **beside}
            new.entries.append(("reading", None, body))
        else:
            new.entries.append(("part", None, {**measured, **beside}))


def _declared(words: Sequence[str], visit: Visit) -> list[dict[str, str]]:
    name, *reason = words or [""]
    if name.lower() == REST:
        text, keys = needed(f"missing {REST}", " ".join(reason)), cannot_be_had(visit)
        if not keys:
            hint = "Say what is still asked for, and close the visit."
            raise CombustError(Fault("missing", REST, "empty", why="is nothing: all was read or declared", hint=hint))
        return [{"field": key, "reason": text} for key in keys]
    fields = record_fields()
    known = Field("missing", "choice", choices=tuple(fields))
    if reason and f"{name}_{reason[0]}".lower() in fields:  # cab co, reading after
        name = f"{name}_{reason.pop(0)}"
    key = name.lower() if name.lower() in fields else named(name, WORDS) or name
    return [{"field": known.checked(key), "reason": needed(name, " ".join(reason))}]


def needed(what: str, text: str) -> str:
    """Return the words of a sentence, trimmed.

    Raises
    ------
    CombustError
        There are none.
    """
    if not text.strip():
        hint = f"Say it behind the word: {what} ..."
        raise CombustError(Fault(what, None, "missing", why="has no words behind it", hint=hint))
    return text.strip()
