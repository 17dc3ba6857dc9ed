"""What is done with a logbook: add entries to a visit, close it, open it again, read it back."""

from __future__ import annotations

import datetime
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from combust.application.visit.entries import Entry, in_order
from combust.application.visit.record import check_head, hand_back_faults, limit_rows, may_close
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.safety import of_all
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.chain import SELECT, append, first_misfits
from combust.edge.logbook.migrate import broken_seals
from combust.edge.tables.times import moment_seconds

NewEntry = tuple[str, str | None, Mapping[str, Any]]  # kind, key or None, content
VISIT_ID = Field("visit_id", "text", "a name of up to 200 characters", longest=200, one_line=True)
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
    correction is about; ``at`` when it was entered, default now.
    """

    visit_id: str
    heater_id: str | None
    head: dict[str, Any]
    entries: list[NewEntry]
    profile: Mapping[str, Any] | None = None
    corrects: int | None = None
    at: str = field(default="")


def entries_of(values: Mapping[str, Any]) -> list[NewEntry]:
    """Return the entry that the values of one row make: a reading, a note when there is nothing else, or none."""
    if not values.keys() <= NOT_MEASURED:
        return [("reading", values.get("reading_id"), values)]
    return [("note", None, {"text": values["note"]})] if values.get("note") else []


def add(book: Logbook, visits: Sequence[NewVisit]) -> list[Written]:
    """Add to visits, all of it or nothing; a visit that is not there yet is opened.

    Raises
    ------
    CombustError
        A closed visit, another heater than the visit's, an entry that is already there, unknown words, a time that is
        none; a hand-back while a stop condition of the visit stands.
    """
    if faults := [fault for visit in visits for fault in _faults(visit)]:
        raise CombustError(faults)
    with book.writing() as connection:
        written = [_add_one(connection, visit) for visit in visits]
        _refuse_hand_backs(connection, visits)
        return written


def _refuse_hand_backs(connection: sqlite3.Connection, visits: Iterable[NewVisit]) -> None:
    """Refuse every hand-back that is said now while a stop condition of its visit stands; the stops are told first."""
    said = [visit.visit_id for visit in visits if visit.head.get("handed_back") == "yes"]
    found = [_found(connection, visit_id) for visit_id in said]
    faults = [one.within(f"{visit.visit_id}: ") for visit in found for one in hand_back_faults(visit, at_the_end=False)]
    if faults:
        error = CombustError(faults)
        error.safety = of_all(visit.safety for visit in found)
        raise error


def _faults(visit: NewVisit) -> list[Fault]:
    _, faults = check_head(visit.head)
    times = [body.get("taken_at") for kind, _, body in visit.entries if kind in ("reading", "part")]
    return [*faults, *VISIT_ID.faults_of(visit.visit_id), *map(time_fault, filter(no_time, times))]


def no_time(text: object) -> bool:
    """Return whether a text that should be a time is none that can be told from every other one."""
    return bool(text) and moment_seconds(str(text)) is None


def time_fault(text: object) -> Fault:
    """Return the fault of a time that is none."""
    hint = "Write it like 2026-01-12T09:10, or leave it out: the time is stamped."
    return Fault("taken_at", text, "format", why="is no date with a time", hint=hint)


def _add_one(connection: sqlite3.Connection, new: NewVisit) -> Written:
    head, _ = check_head(new.head)
    visit = _visit(connection, new.visit_id)
    opens = visit is None
    entries: list[NewEntry] = [("setting", None, head)] if head else []
    if visit is None:
        visit = Visit(new.visit_id)
        of_a_day = any(kind == "day" for kind, _, _ in new.entries)
        opened = {"heater_id": new.heater_id, "profile": new.profile}
        entries = entries if of_a_day else [("opened", None, opened), *entries]
    elif visit.closed_at:
        hint = f"Open it again and say why: combust visit reopen --visit-id {new.visit_id}."
        why = f"is closed (revision {visit.revision}) and cannot be changed"
        raise CombustError(Fault("visit_id", new.visit_id, "closed", why=why, hint=hint))
    elif new.heater_id and (visit.heater_id or new.heater_id) != new.heater_id:
        why, hint = f"is not the heater of this visit ({visit.heater_id})", "One visit is about one heater."
        raise CombustError(Fault("heater_id", new.heater_id, "conflict", why=why, hint=hint))
    elif new.heater_id and not visit.heater_id:
        entries.append(("setting", None, {"heater_id": new.heater_id}))
    entries += new.entries
    _insert(connection, visit, entries, at=new.at or now(), corrects=new.corrects)
    made = len(entries) - opens
    return Written(new.visit_id, visit.revision, made, opens)


def _insert(
    connection: sqlite3.Connection,
    visit: Visit,
    entries: Iterable[NewEntry],
    *,
    at: str,
    corrects: int | None = None,
) -> Visit:
    """Chain entries to a visit, and return it with them; one without a name gets one that none of its kind has."""
    for kind, key, body in entries:
        if key and kind in OWN_NAME and any(one.kind == kind and one.key == key for one in visit.entries):
            why, hint = f"is already a {kind} of this visit", "Give it another name, or leave it: nothing was written."
            raise CombustError(Fault("reading_id" if kind == "reading" else kind, key, "twice", why=why, hint=hint))
        about = corrects if kind == "correction" else None
        who = str(visit.head.get("who") or body.get("who") or "") or None
        visit = visit.add(kind, body, at=at, key=key or "", who=who, corrects=about)
        one = visit.entries[-1]
        append(connection, visit.visit_id, one.kind, one.key, at, one.body, who, about)
    return visit


def close_visit(book: Logbook, visit_id: str, *, incomplete: bool = False) -> Visit:
    """Close a visit: mandatory fields checked, the limits it was judged by written down.

    Raises
    ------
    CombustError
        Unknown or already closed visit, missing fields (``incomplete: ...``), what contradicts that it is handed back.
    """
    with book.writing() as connection:
        visit = _found(connection, visit_id)
        if visit.closed_at:
            why = f"is closed already (revision {visit.revision})"
            raise CombustError(Fault("visit_id", visit_id, "closed", why=why, hint="Open it again to correct it."))
        lacking = may_close(visit, incomplete=incomplete)
        body = {"incomplete": lacking or None, "limits": limit_rows()}
        _insert(connection, visit, [("closed", None, body)], at=now())
        return _found(connection, visit_id)


def reopen(book: Logbook, visit_id: str, reason: str) -> Visit:
    """Open a closed visit again; what was closed stays readable as the revision before.

    Parameters
    ----------
    reason : str
        Why it is opened again; it stands on the record.

    Raises
    ------
    CombustError
        No reason, an unknown visit, or one that is still open.
    """
    if not reason.strip():
        raise CombustError(Fault("reason", reason, "missing", why="is missing", hint="Say why: --reason TEXT."))
    with book.writing() as connection:
        visit = _found(connection, visit_id)
        if not visit.closed_at:
            raise CombustError(Fault("visit_id", visit_id, "conflict", why="is still open", hint="Add to it."))
        _insert(connection, visit, [("reopened", None, {"reason": reason.strip()})], at=now())
        return _found(connection, visit_id)


def read_visit(book: Logbook, visit_id: str, revision: int | None = None) -> Visit:
    """Return one visit as it is, or as it was at the end of a revision."""
    with book.looking() as connection:
        return _found(connection, visit_id, revision)


def read_visits(book: Logbook, *, heater_id: str | None = None, every_revision: bool = False) -> list[Visit]:
    """Return the visits in the order they were opened, each as it is now (or at the end of each revision)."""
    with book.looking() as connection:
        rows = connection.execute(f"{SELECT} WHERE kind != 'day' ORDER BY visit_id, entry_pk").fetchall()
        first = "SELECT visit_id, min(entry_pk) FROM entry GROUP BY visit_id"
        order = dict(connection.execute(first).fetchall())
        visits = [_of_rows(connection, name, [*some]) for name, some in groupby(rows, lambda row: row["visit_id"])]
    visits.sort(key=lambda visit: order[visit.visit_id])
    chosen = [visit for visit in visits if heater_id in (None, visit.heater_id)]
    if not every_revision:
        return chosen
    parts = [visit.until(number) for visit in chosen for number in range(1, visit.revision + 1)]
    return [part for part in parts if part]


def names(book: Logbook) -> dict[str, bool]:
    """Return visit -> whether it is open, in the order they were opened, without reading what they hold."""
    kinds = "('opened', 'closed', 'reopened')"
    with book.looking() as connection:
        query = f"SELECT entry_pk, visit_id, kind FROM entry INDEXED BY entry_turns WHERE kind IN {kinds}"
        turns = sorted(tuple(row) for row in connection.execute(query))
        return {visit_id: kind != "closed" for _, visit_id, kind in turns}


def _visit(connection: sqlite3.Connection, visit_id: str) -> Visit | None:
    rows = connection.execute(f"{SELECT} WHERE visit_id = ? ORDER BY entry_pk", (visit_id,)).fetchall()
    return _of_rows(connection, visit_id, rows) if rows else None


def _found(connection: sqlite3.Connection, visit_id: str, revision: int | None = None) -> Visit:
    visit = _visit(connection, visit_id)
    found = visit.until(revision) if visit and revision is not None else visit
    if found is None:
        query = "SELECT visit_id FROM entry WHERE kind = 'opened' ORDER BY entry_pk DESC LIMIT 8"
        known = ", ".join(dict.fromkeys(row["visit_id"] for row in connection.execute(query)))
        what = f"{visit_id} revision {revision}" if revision is not None else visit_id
        hint = f"The latest are {known}." if known else "It holds no visit yet."
        raise CombustError(Fault("visit_id", what, "unknown_name", why="is not in this logbook", hint=hint))
    return found


def _of_rows(connection: sqlite3.Connection, visit_id: str, rows: Sequence[sqlite3.Row]) -> Visit:
    """Return a visit from its rows, its chains and old seals verified."""
    broken = [f"entry {number}" for _, _, number in first_misfits(rows)]
    broken += [f"the sealed revision {revision}" for _, revision in broken_seals(connection, visit_id)]
    return Visit(visit_id, in_order(_entries(rows)), broken=", ".join(broken) or None)


def entries_of_rows(book: Logbook, visit_id: str) -> list[Entry]:
    """Return the entries of one chain as they stand in the book, those of a day too."""
    with book.looking() as connection:
        query = f"{SELECT} WHERE visit_id = ? ORDER BY entry_pk"
        return _entries(connection.execute(query, (visit_id,)).fetchall())


def _entries(rows: Sequence[sqlite3.Row]) -> list[Entry]:
    return [
        Entry(
            kind=row["kind"],
            body=_body(row["body"]),
            at=row["at"],
            number=row["number"],
            key=row["entry_key"],
            who=row["who"],
            corrects=row["corrects"],
            origin=row["origin"],
        )
        for row in rows
    ]


def _body(text: str) -> dict[str, Any]:
    """Return the content of an entry; of one that was damaged nothing, its chain tells it."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def now() -> str:
    """Return this moment in UTC, ISO 8601."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
