"""What is done with a logbook: add entries to a visit, close it, open it again, read it back."""

from __future__ import annotations

import datetime
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from combust.application.visit.entries import in_order
from combust.application.visit.record import check_head, closing_of_table, hand_back_faults, limit_rows, may_close
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.near import folded_id
from combust.domain.reading import is_simulated, simulated_fault
from combust.domain.safety import of_all
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.chain import SELECT, Writer
from combust.edge.logbook.listing import entries_of_rows as entries_of_rows
from combust.edge.logbook.listing import list_visits as list_visits
from combust.edge.logbook.listing import names as names
from combust.edge.logbook.migrate import broken_seals
from combust.edge.logbook.rows import by_visit, of_day, read_all, read_one, visit_of
from combust.edge.logbook.summary import Found, find, keep, key_for, labels_of, listed
from combust.edge.next_command import after_closing
from combust.edge.tables.times import no_time, time_fault

NewEntry = tuple[str, str | None, Mapping[str, Any]]  # kind, key or None, content
VISIT_ID = Field("visit_id", "text", "a name of up to 200 characters", longest=200, one_line=True)
REQUEST = Field("key", "text", "a name that no other request has", longest=200, one_line=True)
LEAST_OF_A_KEY = 8  # characters: a counter that begins anew is no name of a request
NOT_MEASURED = {"heater_id", "taken_at", "note", "reading_id"}
OWN_NAME = ("reading", "check", "adjustment", "event", "note", "not_checked")


@dataclass(frozen=True, slots=True)
class Written:
    """What a command wrote, told only after it is on the disk."""

    visit_id: str
    revision: int
    entries: int
    opens: bool = False


@dataclass(slots=True)
class NewVisit:
    """What is to be added to one visit: words about it, and entries as (kind, key or None, content).

    ``profile`` is that of the heater, kept with a visit that is opened; ``corrects`` the number of the entry that a
    correction is about (or number and letters of its hash); ``at`` when it was entered, default now; with ``opens`` a
    name that is in the book already is refused. ``closed_at`` is what a table says: the visit is then closed.
    """

    visit_id: str
    heater_id: str | None
    head: dict[str, Any]
    entries: list[NewEntry]
    profile: Mapping[str, Any] | None = None
    corrects: int | str | None = None
    at: str = field(default="")
    opens: bool = False
    closed_at: str = ""


def entries_of_row(values: Mapping[str, Any]) -> list[NewEntry]:
    """Return the entry that the values of one row make: a reading, a note when there is nothing else, or none."""
    if not values.keys() <= NOT_MEASURED:
        return [("reading", values.get("reading_id"), values)]
    return [("note", None, {"text": values["note"]})] if values.get("note") else []


def add(book: Logbook, visits: Sequence[NewVisit], *, key: str = "") -> list[Written]:
    """Add to visits, all of it or nothing; a visit that is not there yet is opened.

    Parameters
    ----------
    book : Logbook
    visits : sequence of NewVisit
    key : str
        Name of the request, 8 to 200 characters that no other request has. Sent again with the same key, whatever
        became of the answer, it adds nothing and gives the same answer; also from a book that has taken this one in.

    Raises
    ------
    CombustError
        A closed visit, another heater than the visit's, an entry that is already there, unknown words, a time that is
        none; a hand-back while a stop condition of the visit stands; a key that was used for another visit.
    """
    if faults := [*_key_faults(key), *(fault for visit in visits for fault in faults_of(visit))]:
        raise CombustError(faults)
    with book.writing() as connection:
        if key and (done := _answered(connection, key)):
            _refuse_other_use(connection, key, done, [visit.visit_id for visit in visits])
            return done
        request = _parts(key)
        written = [add_one(book, connection, visit, request) for visit in visits]
        said = [one.visit_id for one, new in zip(written, visits, strict=True) if new.head.get("handed_back") == "yes"]
        refuse_hand_backs(connection, said)
        return written


def answered(book: Logbook, key: str) -> list[Written] | None:
    """Return what a request was answered, None when it never came: to be asked before its words are read again."""
    with book.looking() as connection:
        return _answered(connection, key) or None


def _answered(connection: sqlite3.Connection, key: str) -> list[Written]:
    query = f"{SELECT} WHERE request = ? AND origin = (SELECT min(origin) FROM entry WHERE request = ?) ORDER BY part"
    rows: dict[str, list[sqlite3.Row]] = {}
    for row in connection.execute(query, (key, key)).fetchall():
        rows.setdefault(row["visit_key"] or row["visit_id"], []).append(row)
    return [_written(connection, visit_key, some) for visit_key, some in rows.items()]


def _written(connection: sqlite3.Connection, visit_key: str, rows: Sequence[sqlite3.Row]) -> Written:
    known = connection.execute("SELECT * FROM summary WHERE visit_key = ?", (visit_key,)).fetchall()
    label = labels_of(connection, known).get(visit_key, rows[0]["visit_id"])
    before = [row for row in read_one(connection, visit_key) if row["number"] <= rows[-1]["number"]]
    opens = any(row["number"] == 1 for row in rows)
    named = sum(row["kind"] == "opened" for row in rows)
    return Written(label, 1 + sum(row["kind"] == "reopened" for row in before), len(rows) - named, opens)


def _refuse_other_use(connection: sqlite3.Connection, key: str, done: Sequence[Written], asked: Iterable[str]) -> None:
    """Refuse a key that was used for other visits: what is sent under it now would be lost without a word."""
    wrote = {one.visit_id for one in done}
    other = [found.label for name in asked if (found := find(connection, name)) and found.label not in wrote]
    if other:
        why = f"was used for visit {', '.join(sorted(wrote))}, not {', '.join(other)}"
        raise CombustError(Fault("key", key, "conflict", why=why, hint="Send it under a new key; nothing was written."))


def _key_faults(key: str) -> list[Fault]:
    if not key:
        return []
    faults = list(REQUEST.faults_of(key))
    if faults or len(key) >= LEAST_OF_A_KEY:
        return faults
    hint = "Draw a new one for each request, such as a UUID."
    return [Fault("key", key, "format", why=f"is shorter than {LEAST_OF_A_KEY} characters", hint=hint)]


def _parts(key: str) -> Iterator[tuple[str, int]] | None:
    return ((key, part) for part in range(1, 1_000_000)) if key else None


def refuse_hand_backs(connection: sqlite3.Connection, said: Iterable[str]) -> None:
    """Refuse every hand-back that is said now while a stop condition of its visit stands; the stops are told first."""
    found = [read_found(connection, _need(connection, visit_id)) for visit_id in said]
    faults = [one.within(f"{visit.visit_id}: ") for visit in found for one in hand_back_faults(visit, at_the_end=False)]
    if faults:
        error = CombustError(faults)
        error.safety = of_all(visit.safety for visit in found)
        raise error


def faults_of(visit: NewVisit) -> list[Fault]:
    """Return what is wrong with what is to be added to a visit, whatever the book holds."""
    _, faults = check_head(visit.head)
    times = [body.get("taken_at") for kind, _, body in visit.entries if kind in ("reading", "part")]
    bodies = [part for _, _, body in visit.entries for part in (body, body.get("values") or {})]
    faults += [simulated_fault()] if any(map(is_simulated, bodies)) else []
    return [*faults, *VISIT_ID.faults_of(visit.visit_id), *map(time_fault, filter(no_time, times))]


def add_one(
    book: Logbook, connection: sqlite3.Connection, new: NewVisit, request: Iterator[tuple[str, int]] | None = None
) -> Written:
    """Add to one visit in the transaction of the caller; a visit that is not there yet is opened.

    Raises
    ------
    CombustError
        As :func:`add`.
    """
    head, _ = check_head(new.head)
    of_a_day = any(kind == "day" for kind, _, _ in new.entries)
    found = None if of_a_day else find(connection, new.visit_id, new.heater_id)
    if new.opens and (found or find(connection, new.visit_id)):
        hint = "Type into it, or open one under another name."
        raise CombustError(Fault("visit_id", new.visit_id, "twice", why="is in this book already", hint=hint))
    at = new.at or now()
    entries: list[NewEntry] = [("setting", None, head)] if head else []
    if found:
        visit = read_found(connection, found)
        entries = _to_one_that_is_there(book, found.label, visit, new, entries)
    elif of_a_day:
        visit = Visit(new.visit_id, in_order(of_day(connection, new.visit_id, book.origin)))
    else:
        visit = Visit(new.visit_id)
        entries = [("opened", None, {"heater_id": new.heater_id, "profile": new.profile}), *entries]
    opened, opens = not found and not of_a_day, not found and not visit.entries
    name = found.visit_id if found else new.visit_id.strip()
    key = found.key if found else None if of_a_day else key_for(name, new.heater_id, at, book.origin)
    visit = _write(book, connection, visit, name, key, [*entries, *new.entries], at, request, new.corrects)
    if new.closed_at:
        ending: NewEntry = ("closed", None, closing_of_table(visit, new.closed_at))
        visit = _write(book, connection, visit, name, key, [ending], at, request)
    count = len(entries) + len(new.entries) - opened + bool(new.closed_at)
    return Written(found.label if found else name, visit.revision, count, opens)


def _to_one_that_is_there(
    book: Logbook, label: str, visit: Visit, new: NewVisit, entries: list[NewEntry]
) -> list[NewEntry]:
    """Return the entries before those that are added to a visit, or refuse them."""
    if visit.closed_at:
        hint = after_closing(book.path, label, visit.heater_id)
        why = f"is closed (revision {visit.revision}) and cannot be changed"
        raise CombustError(Fault("visit_id", visit.visit_id, "closed", why=why, hint=hint))
    if new.heater_id and folded_id(visit.heater_id or new.heater_id) != folded_id(new.heater_id):
        why, hint = f"is not the heater of this visit ({visit.heater_id})", "One visit is about one heater."
        raise CombustError(Fault("heater_id", new.heater_id, "conflict", why=why, hint=hint))
    return (
        [*entries, ("setting", None, {"heater_id": new.heater_id})]
        if new.heater_id and not visit.heater_id
        else entries
    )


def _write(
    book: Logbook,
    connection: sqlite3.Connection,
    visit: Visit,
    name: str,
    visit_key: str | None,
    entries: Iterable[NewEntry],
    at: str,
    request: Iterator[tuple[str, int]] | None = None,
    corrects: int | str | None = None,
) -> Visit:
    """Chain entries to a visit, and return it with them; one without a name gets one that none of its kind has."""
    own = None if visit_key is None or visit_key == name else visit_key
    writer = Writer(connection, name, own, request, prove=book.prove)
    for kind, key, body in entries:
        if key and kind in OWN_NAME and any(one.kind == kind and one.key == key for one in visit.entries):
            why, hint = f"is already a {kind} of this visit", "Give it another name, or leave it: nothing was written."
            raise CombustError(Fault("reading_id" if kind == "reading" else kind, key, "twice", why=why, hint=hint))
        about = corrects if kind == "correction" else None
        who = str(visit.head.get("who") or body.get("who") or "") or None
        visit = writer.append(visit, kind, body, at=at, key=key or "", who=who, corrects=about)
    if visit_key is not None:
        keep(connection, visit_key, name, visit)
    return visit


def close_visit(book: Logbook, visit_id: str, *, incomplete: bool = False, key: str = "") -> Visit:
    """Close a visit: mandatory fields checked, the limits it was judged by written down; ``key`` as in :func:`add`.

    Raises
    ------
    CombustError
        Unknown or already closed visit, missing fields (``incomplete: ...``), what contradicts that it is handed back.
    """

    def body_of(visit: Visit) -> dict[str, Any]:
        if visit.closed_at:
            why = f"is closed already (revision {visit.revision})"
            hint = after_closing(book.path, visit_id, visit.heater_id)
            raise CombustError(Fault("visit_id", visit_id, "closed", why=why, hint=hint))
        return {"incomplete": may_close(visit, incomplete=incomplete) or None, "limits": limit_rows()}

    return _end(book, visit_id, "closed", body_of, key)


def reopen(book: Logbook, visit_id: str, reason: str, *, key: str = "") -> Visit:
    """Open a closed visit again; what was closed stays readable as the revision before.

    Parameters
    ----------
    book : Logbook
    visit_id : str
    reason : str
        Why it is opened again; it stands on the record.
    key : str
        As in :func:`add`.

    Raises
    ------
    CombustError
        No reason, an unknown visit, or one that is still open.
    """
    if not reason.strip():
        raise CombustError(Fault("reason", reason, "missing", why="is missing", hint="Say why: --reason TEXT."))

    def body_of(visit: Visit) -> dict[str, Any]:
        if not visit.closed_at:
            raise CombustError(Fault("visit_id", visit_id, "conflict", why="is still open", hint="Add to it."))
        return {"reason": reason.strip()}

    return _end(book, visit_id, "reopened", body_of, key)


def _end(book: Logbook, visit_id: str, kind: str, body_of: Callable[[Visit], dict[str, Any]], key: str) -> Visit:
    if faults := _key_faults(key):
        raise CombustError(faults)
    with book.writing() as connection:
        found = _need(connection, visit_id)
        if key and (done := _answered(connection, key)):
            _refuse_other_use(connection, key, done, [visit_id])
        else:
            visit = read_found(connection, found)
            _write(
                book, connection, visit, found.visit_id, found.key, [(kind, None, body_of(visit))], now(), _parts(key)
            )
        return read_found(connection, found)


def read_visit(book: Logbook, visit_id: str, revision: int | None = None) -> Visit:
    """Return one visit as it is, or as it was at the end of a revision.

    Raises
    ------
    CombustError
        There is none of that name, or several.
    """
    with book.looking() as connection:
        visit = read_found(connection, _need(connection, visit_id))
        found = visit if revision is None else visit.until(revision)
        if found is None:
            raise CombustError(_unknown(connection, f"{visit_id} revision {revision}"))
        return found


def read_visits(
    book: Logbook, *, heater_id: str | None = None, every_revision: bool = False, last: int = 0
) -> list[Visit]:
    """Return the visits in the order they were opened, each as it is now (or at the end of each revision).

    With a heater, or ``last``, only the entries of those visits are read. What cannot be read at all is left out:
    ``verify`` names it.
    """
    with book.looking() as connection:
        rows, _ = listed(connection, heater_id=heater_id, last=last)
        if heater_id or last:
            parts = [(row["visit_key"], read_one(connection, row["visit_key"])) for row in rows]
        else:
            parts = by_visit(read_all(connection)[0])
        labels = {row["visit_key"]: row["label"] for row in rows}
        seals: dict[str, list[tuple[str, int]]] = {}
        for name, revision in broken_seals(connection):
            seals.setdefault(name, []).append((name, revision))
    turns = {key: turn for turn, key in enumerate(labels)}
    visits = []
    for key, some in sorted(parts, key=lambda part: (turns.get(part[0], len(turns)), part[0])):
        names = {str(row["visit_id"]) for row in some if row["kind"] != "day"}
        if names:
            broken = [one for name in sorted(names) for one in seals.get(name, ())]
            visits.append(visit_of(labels.get(key, min(names)), some, broken))
    if not every_revision:
        return visits
    parts_of = [visit.until(number) for visit in visits for number in range(1, visit.revision + 1)]
    return [part for part in parts_of if part]


def each_visit(book: Logbook) -> Iterator[Visit]:
    """Yield the visits one after the other: memory does not grow with the book, and no writer waits for the reader."""
    done = 0
    while True:
        with book.looking() as connection:
            query = "SELECT * FROM summary WHERE summary_pk > ? ORDER BY summary_pk LIMIT 64"
            rows = connection.execute(query, (done,)).fetchall()
            labels = labels_of(connection, rows)
            found = [read_found(connection, Found(row["visit_key"], labels[row["visit_key"]], "")) for row in rows]
        yield from found
        if not rows:
            return
        done = rows[-1]["summary_pk"]


def read_found(connection: sqlite3.Connection, found: Found) -> Visit:
    """Return a visit that was found."""
    rows = read_one(connection, found.key)
    names = {str(row["visit_id"]) for row in rows}
    return visit_of(found.label, rows, [one for name in sorted(names) for one in broken_seals(connection, name)])


def _need(connection: sqlite3.Connection, visit_id: str) -> Found:
    if found := find(connection, visit_id):
        return found
    raise CombustError(_unknown(connection, visit_id))


def _unknown(connection: sqlite3.Connection, what: str) -> Fault:
    known = ", ".join(row["label"] for row in listed(connection, last=8)[0][::-1])
    hint = f"The latest are {known}." if known else "It holds no visit yet."
    return Fault("visit_id", what, "unknown_name", why="is not in this logbook", hint=hint)


def now() -> str:
    """Return this moment in UTC, ISO 8601."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
