"""A table that is taken into a book again and again while it grows: what stands there is known, and entered once.

A row is known when its visit in the book holds a reading of the same values, time, stage and phase: as it was entered,
as it was corrected since, or as it is exported. Each reading of the book stands for one row, so that rows that nothing
tells apart are counted. A visit is taken whole or not at all.
"""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from combust.application.visit.entries import Entry, names_of
from combust.application.visit.visit import Visit
from combust.application.visit.words import HEAD
from combust.data.errors import CombustError, Fault, first_few, shorten
from combust.data.near import folded_id
from combust.data.vocabulary import inputs
from combust.domain.result import many
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.summary import find
from combust.edge.logbook.visit_tables import TableRow, TableVisit
from combust.edge.logbook.visits import (
    NewEntry,
    NewVisit,
    Written,
    add_one,
    faults_of,
    read_found,
    refuse_hand_backs,
)
from combust.edge.next_command import next_command
from combust.edge.tables.times import LONGEST_DAY, moment_seconds

Form = tuple[tuple[str, Any], ...]
NAMES = ("heater_id", "visit_id", "reading_id", "typed", *HEAD)  # what is no value of a reading
OVER = "over"
DIGITS = 9  # of a number that was written in some unit and is read again
LOOSE = "{} without a time of day and a reading_id: counted, as many as the book holds of the same values are known. "
LOOSE += "Give a reading that was repeated its time (taken_at) or a name (reading_id)."
EMPTIED = "An empty cell takes nothing back: {} stays in the book, write it in the row again."
STAYS = "Visit {}: the table says {} = {}, the book says {} since and counts."


@dataclass(slots=True)
class Grown:
    """What became of the rows of a table: visits that were written, lines that are known, faults of refused lines.

    ``notes`` are what is to be told, ``safety`` that of visits of the book that were refused.
    """

    written: list[Written] = field(default_factory=list)
    known: list[int] = field(default_factory=list)
    refused: list[tuple[int, Sequence[Fault]]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    safety: Safety = field(default_factory=lambda: Safety(()))


def take_in(
    book: Logbook,
    visits: Sequence[TableVisit],
    lost: Mapping[str, Sequence[int]],
    last: Callable[[Grown], object],
) -> Grown:
    """Add what is new of a table to a book, in one transaction; each visit whole, or none of its new rows.

    Parameters
    ----------
    book : Logbook
    visits : sequence of TableVisit
    lost : mapping
        Folded name of a visit -> lines of its rows that were refused before.
    last : callable
        What is done before it is kept; where that fails nothing is.
    """
    done = Grown()
    with book.writing() as connection:
        for visit in visits:
            _take(book, connection, visit, lost.get(folded_id(visit.visit_id), ()), done)
        last(done)
    loose = {row.line for visit in visits for row in visit.rows if any(map(_is_loose, row.entries))} & {*done.known}
    done.notes += [LOOSE.format(many(len(loose), "row"))] if loose else []
    return done


def _take(book: Logbook, connection: sqlite3.Connection, visit: TableVisit, lost: Sequence[int], done: Grown) -> None:
    """Add one visit of a table; where it cannot be, nothing of it is, and each row that is new is refused."""
    rows = visit.rows
    connection.execute("SAVEPOINT visit")
    try:
        if faults := faults_of(visit):
            raise CombustError(faults)
        found = find(connection, visit.visit_id, visit.heater_id)
        held = Held(read_found(connection, found), book) if found else Held(Visit(visit.visit_id), book)
        rows = held.new(visit.rows)
        done.known += {row.line for row in visit.rows} - {row.line for row in rows}
        if refused := held.refused(rows, lost):
            done.refused += refused
        elif rows or not found or held.closes(visit, rows):
            written = add_one(book, connection, held.added(visit, rows))
            handed_back = any(row.head.get("handed_back") == "yes" for row in rows)
            refuse_hand_backs(connection, [written.visit_id] if handed_back else [])
            done.written.append(written)
        done.notes += held.stays(visit)
    except CombustError as error:
        connection.execute("ROLLBACK TO visit")
        done.refused += [(row.line, error.faults) for row in rows]
        done.safety = of_all([done.safety, error.safety or Safety(())])
    finally:
        connection.execute("RELEASE visit")


class Held:
    """What a book holds of a visit, for comparing rows of a table with it."""

    def __init__(self, visit: Visit, book: Logbook) -> None:
        self.visit, self.book = visit, book
        now = {one.name: one.body for one in visit.in_force}
        every = [(one, body) for one in visit.entries for body in (one.body, now.get(one.name, {})) if body]
        self.readings = [one for one in visit.entries if one.kind == "reading"]
        self.forms = [(form_of(body), one) for one, body in every if one.kind == "reading"]
        whole = {one.key: (one.values, {**one.values, "over": one.over}) for one in visit.taken}
        self.forms += [(form_of(body), one) for one in self.readings for body in whole.get(one.key, ())]
        self.others = Counter(_other(one.kind, one.body) for one in visit.entries if one.kind in ("note", "event"))
        self.works = {str(body.get("text")) for one, body in every if one.kind == "adjustment"}
        self.said = {(key, str(value)) for one, body in every if one.kind == "setting" for key, value in body.items()}
        ends = [str(one.body.get("closed_at") or one.at) for one in visit.entries if one.kind == "closed"]
        self.endings = {end[:LONGEST_DAY] for end in ends}
        self.same: dict[Any, list[Entry]] = defaultdict(list)  # by name, and by time with stage and phase
        for one in self.readings:
            self.same[one.key].append(one)
            self.same[_when(one.body)].append(one)
        self.used: set[str] = set()
        self.changed: dict[int, tuple[Entry, Mapping[str, Any]]] = {}

    def new(self, rows: Sequence[TableRow]) -> list[TableRow]:
        """Return what is new of the rows, each with only what the visit does not hold; in their order."""
        by_form: dict[Form, list[Entry]] = defaultdict(list)
        for form, one in self.forms:
            by_form[form].append(one)
        left: dict[int, list[NewEntry]] = {row.line: [] for row in rows}
        for named in (True, False):  # a reading that has a name must not be taken by a row that has none
            for row in rows:
                own = (new for new in row.entries if bool(new[1]) == named)
                left[row.line] += [new for new in own if not self._holds(new, by_form)]
        for row in rows:
            for _, key, body in (new for new in left[row.line] if new[0] == "reading"):
                if entry := self._same_moment(key, body):
                    self.changed[row.line] = entry, body
        found = []
        for row in rows:
            head = {key: value for key, value in row.head.items() if (key, str(value)) not in self.said}
            closed_at = "" if self._ended(row.closed_at) else row.closed_at
            entries = [new for new in row.entries if any(new is other for other in left[row.line])]
            if entries or head or closed_at or not self.visit.entries:
                found.append(replace(row, head=head, entries=entries, closed_at=closed_at))
        return found

    def _holds(self, new: NewEntry, by_form: Mapping[Form, Sequence[Entry]]) -> bool:
        """Return whether the visit holds an entry; each of its readings, notes and events stands for one row."""
        kind, key, body = new
        if kind == "reading":
            free = (one for one in by_form.get(form_of(body), ()) if one.name not in self.used)
            entry = next((one for one in free if not key or one.key == key), None)
            self.used |= {entry.name} if entry else set()
            return entry is not None
        if kind == "adjustment":
            return str(body["text"]) in self.works
        self.others[_other(kind, body)] -= 1
        return self.others[_other(kind, body)] >= 0

    def _same_moment(self, key: str | None, body: Mapping[str, Any]) -> Entry | None:
        """Return a reading of the book that a row with other values is about: of its name, or of its time and stage."""
        alike: Sequence[Entry] = () if _is_loose(("reading", key, body)) else self.same.get(key or _when(body), ())
        entry = next((one for one in alike if one.name not in self.used), None)
        self.used |= {entry.name} if entry else set()
        return entry

    def _ended(self, closed_at: str) -> bool:
        """Return whether it was closed when a row says so; one that is open is closed with the rest."""
        return not (closed_at and self.visit.closed_at) or closed_at[:LONGEST_DAY] in self.endings

    def closes(self, visit: TableVisit, rows: Sequence[TableRow]) -> str:
        """Return when the table closes the visit: it was not closed so before, or it was opened again for its rows."""
        if self.visit.closed_at or (visit.closed_at[:LONGEST_DAY] in self.endings and not rows):
            return ""
        return visit.closed_at

    def added(self, visit: TableVisit, rows: Sequence[TableRow]) -> NewVisit:
        """Return what is to be added to the visit of the book."""
        head = {key: visit.head[key] for row in rows for key in row.head}
        entries = [one for row in rows for one in row.entries]
        return NewVisit(visit.visit_id, visit.heater_id, head, entries, closed_at=self.closes(visit, rows))

    def stays(self, visit: TableVisit) -> list[str]:
        """Return what the table says of the visit that was said in the book too, and otherwise since."""
        now = self.visit.settings
        return [
            STAYS.format(self.visit.visit_id, key, shorten(value), shorten(now.get(key, "nothing")))
            for key, value in visit.head.items()
            if (key, str(value)) in self.said and str(now.get(key)) != str(value)
        ]

    def refused(self, rows: Sequence[TableRow], lost: Sequence[int]) -> list[tuple[int, Sequence[Fault]]]:
        """Return why the rows cannot be added; nothing where they can."""
        if self.visit.closed_at:
            return [(row.line, [self._closed(row)]) for row in rows]
        mend = sorted({*lost, *self.changed})
        if not mend:
            return []
        of_changed = {line: self._other_values(*what) for line, what in self.changed.items()}
        whole = _waits(self.visit.visit_id, mend)
        return [(row.line, [of_changed.get(row.line, whole)]) for row in rows]

    def _closed(self, row: TableRow) -> Fault:
        """Return the fault of a row that is new, or says otherwise, in a closed visit."""
        label = self.visit.visit_id
        again = next_command("visit", "reopen", self.book.path, "--visit-id", label, "--reason", "WHY")
        said = [f"{key} = {shorten(value)}" for key, value in {**row.head, "closed_at": row.closed_at}.items() if value]
        if row.line in self.changed:
            entry, body = self.changed[row.line]
            what = f"this row says otherwise than entry {entry.number}: {self._told(entry, body)}"
        elif row.entries:
            what = "this row is new in it"
        else:
            what = f"this row says something new of it: {', '.join(said)}"
        why = f"is closed (revision {self.visit.revision}), and {what}"
        hint = f"Open it again and say why, then add the table again: {again}"
        return Fault("visit_id", label, "closed", why=why, hint=hint)

    def _other_values(self, entry: Entry, body: Mapping[str, Any]) -> Fault:
        """Return the fault of a row whose reading stands in an open visit with other values."""
        number = names_of(self.visit.entries)[entry.name]
        told, over = self._differing(entry, body), body.get("over", {})
        pairs = [(key, new) for key, _, new in told if new is not None]
        given = [part for key, new in pairs for part in (key, *(new.split() if key in over else [str(new)]))]
        line = ("visit", "correct", "--visit-id", self.visit.visit_id, self.book.path, number, *given, "because", "WHY")
        why = f"holds this reading with other values, as entry {number}: {self._told(entry, body)}"
        # without a value the command would withdraw the whole reading, and a stop with it
        hint = f"Put the row right, or the book: {next_command(*line)}" if pairs else "Put the row right."
        emptied = [key for key, _, new in told if new is None]
        hint = f"{EMPTIED.format(first_few(emptied, 3))} {hint}" if emptied else hint
        return Fault("visit_id", self.visit.visit_id, "conflict", why=why, hint=hint)

    def _told(self, entry: Entry, body: Mapping[str, Any]) -> str:
        words = [
            f"{key} {shorten(_or_nothing(old))} in the book, {shorten(_or_nothing(new))} in the row"
            for key, old, new in self._differing(entry, body)
        ]
        return first_few(words, 3)

    def _differing(self, entry: Entry, body: Mapping[str, Any]) -> list[tuple[str, Any, Any]]:
        """Return (key, what the book says, what the row says) where they differ."""
        now = next((one.body for one in self.visit.in_force if one.name == entry.name), {})
        over = [{key: f"{OVER} {least:g}" for key, least in one.get("over", {}).items()} for one in (now, body)]
        old, new = (
            {key: {**one, **bound}.get(key) for key in inputs() if key not in NAMES}
            for one, bound in zip((now, body), over, strict=True)
        )
        return [(key, old[key], new[key]) for key in old if _value(key, old[key]) != _value(key, new[key])]


def _waits(name: str, lines: Sequence[int]) -> Fault:
    """Return the fault of a row whose visit waits for others."""
    which = f"row{'' if len(lines) == 1 else 's'} {first_few([str(line) for line in lines], 5)}"
    why = f"is taken whole or not at all, and {which} of it cannot be taken"
    return Fault("visit_id", name, "refused", why=why, hint="Put that right, then add the table again.")


def waiting(visits: Iterable[TableVisit], lost: Mapping[str, Sequence[int]]) -> list[tuple[int, Sequence[Fault]]]:
    """Return (line, faults) of each row whose visit waits for others, where there is no book yet."""
    named = [(visit, lost[folded_id(visit.visit_id)]) for visit in visits if folded_id(visit.visit_id) in lost]
    return [(row.line, [_waits(visit.visit_id, lines)]) for visit, lines in named for row in visit.rows]


def form_of(body: Mapping[str, Any]) -> Form:
    """Return the values of a reading as they are compared."""
    kept = {key: value for key, value in body.items() if key not in NAMES and value is not None}
    over = kept.pop("over", {})
    kept |= {"over": tuple(sorted(over.items()))} if over else {}
    return tuple(sorted((key, _value(key, value)) for key, value in kept.items()))


def _value(key: str, value: Any) -> Any:
    if key == "taken_at" and value is not None:
        return moment_seconds(str(value)) or str(value)
    if isinstance(value, list | tuple):
        return tuple(_value(key, one) for one in value)
    return float(f"{value:.{DIGITS}g}") if isinstance(value, int | float) else value if value is None else str(value)


def _when(body: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return time, stage and phase of a reading; one without a phase was taken before the work."""
    return (*(_value(key, body.get(key)) for key in ("taken_at", "stage")), body.get("phase") or "before")


def _other(kind: str, body: Mapping[str, Any]) -> tuple[str, str]:
    """Return a note by its text, an event by what and which day: of a table it has the time of its row."""
    day = str(body.get("at") or "")[:LONGEST_DAY]
    return (str(body.get("event")), day) if kind == "event" else ("note", str(body.get("text")))


def _is_loose(entry: NewEntry) -> bool:
    """Return whether nothing but its values tells a reading from another of its visit."""
    kind, key, body = entry
    return kind == "reading" and not key and len(str(body.get("taken_at") or "")) <= LONGEST_DAY


def _or_nothing(value: Any) -> Any:
    return "nothing" if value is None else value


def lost_visits(names: Iterable[tuple[int, str]]) -> dict[str, list[int]]:
    """Return folded name of a visit -> lines of its refused rows, from (line, name)."""
    found: dict[str, list[int]] = {}
    for line, name in names:
        if name:
            found.setdefault(folded_id(name), []).append(line)
    return found
