"""The visit at the keyboard: settings of the day, opening a visit with them, typed lines into it."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from combust.application.learning.learnt import NOTHING, Learnt
from combust.application.visit.entries import in_order
from combust.application.visit.provisional import new_profile
from combust.application.visit.record import hand_back_faults
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.moments import span_in_words
from combust.edge.logbook.book import MAGIC, Logbook, first_bytes
from combust.edge.logbook.correction import correction_of_line
from combust.edge.logbook.listing import entries_of_rows, free_name, is_there, list_visits
from combust.edge.logbook.profiles import profile_in
from combust.edge.logbook.typed import OF_A_LINE, after_line, entries_of_line, read_line
from combust.edge.logbook.visits import NewEntry, NewVisit, add, answered, read_visit
from combust.edge.next_command import next_command
from combust.edge.whole_file import writable_name, write_text

DAY = "day "  # settings of a day are a chain of their own, named after it


def this_moment() -> datetime.datetime:
    """Return this moment with the offset of this place, to the second."""
    return datetime.datetime.now().astimezone().replace(microsecond=0)


def set_day(book: Logbook, words: Sequence[str], at: datetime.datetime, key: str = "") -> dict[str, Any]:
    """Write down settings of the day (who, place, analyser, its zero, altitude, air), and return all of them.

    With a ``key`` the same request sent again adds nothing, here and in the functions below.
    """
    if key and answered(book, key):
        return day_of(book, at)[0]
    line = read_line(words, visit_of_day(book, at), at)
    stamp = at.isoformat(timespec="seconds")
    entry = ("day", None, {"values": line.given, "set_at": dict.fromkeys(line.given, stamp), "typed": line.typed})
    add(book, [NewVisit(DAY + at.date().isoformat(), None, {}, [entry], at=stamp)], key=key)
    return day_of(book, at)[0]


def day_of(book: Logbook, at: datetime.datetime) -> tuple[dict[str, Any], dict[str, str], dict[str, str]]:
    """Return (the settings of a day, when each was entered, what was typed in another unit)."""
    values: dict[str, Any] = {}
    times: dict[str, str] = {}
    typed: dict[str, str] = {}
    for entry in in_order(entries_of_rows(book, DAY + at.date().isoformat())):
        values |= entry.body.get("values", {})
        times |= entry.body.get("set_at", {})
        typed = {key: text for key, text in typed.items() if key not in entry.body.get("values", {})}
        typed |= entry.body.get("typed", {})
    return values, times, typed


def visit_of_day(book: Logbook, at: datetime.datetime) -> Visit:
    """Return a visit that holds the settings of a day and nothing else: by its units a bare number is understood."""
    return Visit("").add("setting", day_of(book, at)[0])


def with_files(words: Sequence[str]) -> list[str]:
    """Return the words of a line with the text of the file that stands behind ``learnt``: it stays in the book.

    Raises
    ------
    CombustError
        The file cannot be read, or holds what cannot be.
    """
    found = list(words)
    if found and found[0].lower() not in OF_A_LINE:
        for at, word in enumerate(found[:-1]):
            if word.lower() == "learnt" and found[at + 1] != NOTHING:
                found[at + 1] = Learnt.load(found[at + 1]).to_toml()
    return found


def held_of_day(path: str, at: datetime.datetime) -> Visit:
    """Return a visit that holds the settings of a day in a book, nothing where there is no book yet."""
    if not is_book(path):
        return Visit("")
    with Logbook(path, read_only=True) as book:
        return visit_of_day(book, at)


def look_over(
    words: Sequence[str], at: datetime.datetime, held: Visit, heater_id: str = "", folder: str | None = None
) -> Visit:
    """Refuse a profile or a line with faults before a book is made for it; return the visit that the line would open.

    ``held`` holds the settings of the day.

    Raises
    ------
    CombustError
        What is wrong with them.
    """
    profile = profile_in(folder, heater_id) if folder else None
    visit = Visit.open("", heater=heater_id, profile=profile).add("setting", held.settings)
    if words:
        entries_of_line(words, visit, at)
    return visit


def open_visit(
    book: Logbook,
    visit_id: str | None,
    heater_id: str,
    folder: str | None,
    words: Sequence[str],
    at: datetime.datetime,
    key: str = "",
) -> tuple[Visit, list[str]]:
    """Open a visit of a heater with the settings of the day; return it and what was carried, with its age.

    Raises
    ------
    CombustError
        A name that is in the book already; words that are no line of a visit.
    """
    if key and (done := answered(book, key)):
        return read_visit(book, done[0].visit_id), []
    profile = profile_in(folder, heater_id) if folder else None
    values, times, typed = day_of(book, at)
    given, visit_id = visit_id, visit_id or free_name(book)
    heater_id = str(profile["heater_id"]) if profile else heater_id
    if given and is_there(book, given):
        into = next_command("visit", "enter", book.path, "--visit-id", given, "...")
        hint = f"Give another --visit-id, or type into it: {into}"
        raise CombustError(Fault("visit_id", visit_id, "twice", why="is in this book already", hint=hint))
    new = NewVisit(visit_id, heater_id, {}, [], profile=profile, at=at.isoformat(timespec="seconds"), opens=True)
    if values:
        new.entries.append(("setting", None, {**values, "set_at": times, **({"typed": typed} if typed else {})}))
    if words:
        line = entries_of_line(words, Visit.open(visit_id, profile=profile).add("setting", values), at)
        new.head, new.entries = line.head, [*new.entries, *line.entries]
    while True:
        try:
            written = add(book, [new], key=key)
            break
        except CombustError as error:  # another phone took the free name meanwhile
            if given or error.faults[0].code != "twice":
                raise
            new.visit_id = free_name(book)
    notes = [
        f"from this day: {key} {typed.get(key, value)} ({age_of(times[key], at)})" for key, value in values.items()
    ]
    return read_visit(book, written[0].visit_id), notes


def age_of(entered: str, at: datetime.datetime) -> str:
    """Return how long ago something was entered, in words.

    Examples
    --------
    >>> age_of("2026-01-12T06:00+00:00", datetime.datetime.fromisoformat("2026-01-12T09:30+00:00"))
    'entered 3 h 30 min ago'
    """
    much = at - datetime.datetime.fromisoformat(entered)
    if much < datetime.timedelta(0):
        return "entered later than now by this clock: is it right?"
    return f"entered {span_in_words(much)} ago"


def the_open_visit(book: Logbook, visit_id: str | None) -> Visit:
    """Return the visit that is meant: the one named, else the only one that is open.

    Raises
    ------
    CombustError
        None is open, or several are: their names are told.
    """
    if visit_id is not None:
        return read_visit(book, visit_id)
    rows, count = list_visits(book, only_open=True, last=8)
    open_ones = [row["label"] for row in rows]
    if count == 1:
        return read_visit(book, open_ones[0])
    more = f" and {count - len(rows)} more" if count > len(rows) else ""
    why = f"is needed: {', '.join(open_ones)}{more} are open" if open_ones else "is needed: no visit is open"
    hint = "Give --visit-id." if open_ones else f"Open one: {next_command('visit', 'open', book.path, 'HEATER')}"
    raise CombustError(Fault("visit_id", None, "missing", why=why, hint=hint))


def visit_in(path: str, visit_id: str | None) -> Visit:
    """Return the visit of a book that is meant: the one named, else the only one that is open."""
    with Logbook(path, read_only=True) as book:
        return the_open_visit(book, visit_id)


def is_book(path: str | None) -> bool:
    """Return whether a file is a logbook, by its first bytes; a file that is not there is none."""
    return path is not None and Path(path).is_file() and first_bytes(Path(path)) == MAGIC


def enter(
    book: Logbook,
    visit: Visit,
    words: Sequence[str],
    at: datetime.datetime,
    key: str = "",
    *,
    more: Sequence[NewEntry] = (),
) -> Visit:
    """Write a typed line into a visit and return it; ``correct NUMBER`` corrects an entry.

    ``more`` stands behind the line, or alone.
    """
    if key and any(one.visit_id == visit.visit_id for one in answered(book, key) or ()):
        return read_visit(book, visit.visit_id)
    if more and not words:
        new = NewVisit(visit.visit_id, None, {}, [], at=at.isoformat(timespec="seconds"))
    elif words and words[0].lower() == "correct":
        new = correction_of_line(words[1] if len(words) > 1 else "", words[2:], visit, at, book.path)
    else:
        new = entries_of_line(words, visit, at)
    _refuse_hand_back(visit, new)
    new.entries = [*new.entries, *more]
    add(book, [new], key=key)
    return read_visit(book, visit.visit_id)


def write_baseline(book: Logbook, visit: Visit, path: str) -> str:
    """Write the profile that a visit allows, and into the visit that it was written; return what was written.

    Raises
    ------
    CombustError
        What the baseline lacks, each with how to add it; a file that is there already, or cannot be written.
    """
    if Path(path).exists():
        why, hint = "is there already", "Give a new name: a profile is never written over."
        raise CombustError(Fault("baseline", path, "conflict", why=why, hint=hint))
    writable_name(path, (".toml",))
    text = new_profile(visit)
    write_text(path, text)
    kind = "confirmed" if visit.heater and visit.heater.is_provisional else "provisional"
    seal = hashlib.sha256(text.encode()).hexdigest()[:16]
    told = f"{kind} baseline of {visit.heater_id} written to {Path(path).name} (SHA-256 {seal})"
    at = this_moment().isoformat(timespec="seconds")
    add(book, [NewVisit(visit.visit_id, None, {}, [("note", None, {"text": told})], at=at)])
    return told


def _refuse_hand_back(visit: Visit, new: NewVisit) -> None:
    """Refuse to hand back what speaks against it, with what is still to be measured; kept off is always accepted."""
    if new.head.get("handed_back") == "yes":
        then = after_line(visit, new)
        if faults := hand_back_faults(then):
            error = CombustError(faults)
            error.safety = then.safety
            raise error
