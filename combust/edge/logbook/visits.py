"""What is done with a logbook: add to a visit, close it, revise it, read it back."""

from __future__ import annotations

import datetime
import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

from combust.application.visit.record import (
    Entry,
    VisitRecord,
    check_head,
    hand_back_faults,
    limit_entries,
    may_close,
    safety_now,
    seal_of,
)
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.safety import of_all
from combust.edge.logbook.book import Logbook

NewEntry = tuple[str, str | None, Mapping[str, Any]]  # kind, key or None, content
INSERT = "INSERT INTO entry (visit_pk, kind, entry_key, entered_at, body) VALUES (?, ?, ?, ?, ?)"
VISIT_ID = Field("visit_id", "text", "a name of up to 200 characters", longest=200, one_line=True)
NOT_MEASURED = {"heater_id", "taken_at", "note", "reading_id"}


@dataclass(frozen=True, slots=True)
class Written:
    """What a command wrote, told only after it is on the disk."""

    visit_id: str
    revision: int
    entries: int
    opens: bool = False


@dataclass(slots=True)
class NewVisit:
    """What is to be added to one visit: words about it, and entries as (kind, key or None, content)."""

    visit_id: str
    heater_id: str | None
    head: dict[str, Any]
    entries: list[NewEntry]


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
        A closed visit, another heater than the visit's, an entry that is already there, unknown words; a hand-back
        while a stop condition of the visit stands.
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
    records = [_record(connection, _found(connection, visit_id)) for visit_id in said]
    faults = [fault.within(f"{record.visit_id}: ") for record in records for fault in hand_back_faults(record)]
    if faults:
        error = CombustError(faults)
        error.safety = of_all(map(safety_now, records))
        raise error


def _faults(visit: NewVisit) -> list[Fault]:
    _, faults = check_head(visit.head)
    return [*faults, *VISIT_ID.faults_of(visit.visit_id)]


def _add_one(connection: sqlite3.Connection, visit: NewVisit) -> Written:
    head, _ = check_head(visit.head)
    row = _latest(connection, visit.visit_id)
    if row is None:
        visit_pk = _open(connection, visit.visit_id, 1, visit.heater_id, None, _json(head))
    else:
        visit_pk = row["visit_pk"]
        if row["closed_at"]:
            hint = f"A correction is a new revision: combust log add --revise --visit-id {visit.visit_id}."
            why = f"is closed (revision {row['revision']}) and cannot be changed"
            raise CombustError(Fault("visit_id", visit.visit_id, "closed", why=why, hint=hint))
        heater = row["heater_id"] or visit.heater_id
        if visit.heater_id and visit.heater_id != heater:
            why, hint = f"is not the heater of this visit ({heater})", "One visit is about one heater."
            raise CombustError(Fault("heater_id", visit.heater_id, "conflict", why=why, hint=hint))
        merged = _json({**json.loads(row["head"]), **head})
        connection.execute("UPDATE visit SET heater_id = ?, head = ? WHERE visit_pk = ?", (heater, merged, visit_pk))
    _insert(connection, visit_pk, visit.entries)
    return Written(visit.visit_id, row["revision"] if row else 1, len(visit.entries), row is None)


def _open(connection: sqlite3.Connection, *values: Any) -> int:
    """Open a visit: its name, revision, heater, reason and head; return its key in the file."""
    query = "INSERT INTO visit (visit_id, revision, heater_id, reason, head, opened_at) VALUES (?, ?, ?, ?, ?, ?)"
    return int(connection.execute(query, (*values, now())).lastrowid or 0)


def _insert(connection: sqlite3.Connection, visit_pk: int, entries: Iterable[NewEntry]) -> None:
    """Add entries; one without a key gets one that none of its kind has, also after a revision that left some out."""
    taken = {(entry["kind"], entry["entry_key"]) for entry in _entries(connection, visit_pk)}
    numbers = Counter(kind for kind, _ in taken)
    for kind, key, body in entries:
        if key is None:
            key = next(name for n in count(numbers[kind] + 1) if (kind, name := f"{kind}-{n}") not in taken)
        if (kind, key) in taken:
            why, hint = f"is already a {kind} of this visit", "Give it another name, or leave it: nothing was written."
            raise CombustError(Fault("reading_id" if kind == "reading" else kind, key, "twice", why=why, hint=hint))
        connection.execute(INSERT, (visit_pk, kind, key, now(), _json(body)))
        taken.add((kind, key))
        numbers[kind] += 1


def close_visit(book: Logbook, visit_id: str, *, incomplete: bool = False) -> VisitRecord:
    """Close a visit: mandatory fields checked, the limits it was judged by written down, sealed.

    Raises
    ------
    CombustError
        Unknown or already closed visit, missing fields (``incomplete: ...``), a stop condition that contradicts.
    """
    with book.writing() as connection:
        row = _found(connection, visit_id)
        if row["closed_at"]:
            why = f"is closed already (revision {row['revision']})"
            raise CombustError(Fault("visit_id", visit_id, "closed", why=why, hint="Revise it to correct it."))
        lacking = may_close(_record(connection, row), incomplete=incomplete)
        _insert(connection, row["visit_pk"], [("limit", key, body) for key, body in limit_entries()])
        values = (now(), lacking or None, _seal(connection, row), row["visit_pk"])
        connection.execute("UPDATE visit SET closed_at = ?, incomplete = ?, seal = ? WHERE visit_pk = ?", values)
        return _record(connection, _found(connection, visit_id))


def revise(book: Logbook, visit: NewVisit, reason: str, drop: Sequence[str] = ()) -> Written:
    """Open a new revision of a closed visit with all its entries and add to it; the old one stays as it is.

    Parameters
    ----------
    visit : NewVisit
        What the correction adds or changes.
    reason : str
        Why it is corrected; it stands on the record.
    drop : sequence of str
        Keys of entries that the correction replaces: they are not copied.

    Raises
    ------
    CombustError
        Entries that cannot be, or no reason; every fault at once.
    """
    faults = _faults(visit)
    if not reason.strip():
        faults.append(Fault("reason", reason, "missing", why="is missing", hint="Say why: --reason TEXT."))
    if faults:
        raise CombustError(faults)
    with book.writing() as connection:
        kept = _open_revision(connection, visit.visit_id, reason.strip(), set(drop))
        done = _add_one(connection, visit)
        _refuse_hand_backs(connection, [visit])
        return Written(done.visit_id, done.revision, kept + done.entries)


def _open_revision(connection: sqlite3.Connection, visit_id: str, reason: str, drop: set[str]) -> int:
    row = _found(connection, visit_id)
    if not row["closed_at"]:
        raise CombustError(Fault("visit_id", visit_id, "conflict", why="is still open", hint="Add to it directly."))
    old = [entry for entry in _entries(connection, row["visit_pk"]) if entry["kind"] != "limit"]
    names = [entry["entry_key"] for entry in old]
    hint = f"It has {', '.join(names)}."
    unknown = sorted(drop - set(names))
    if unknown:
        raise CombustError([Fault("drop", key, "unknown_name", why="is no entry", hint=hint) for key in unknown])
    visit_pk = _open(connection, visit_id, row["revision"] + 1, row["heater_id"], reason, row["head"])
    kept = [(visit_pk, *entry) for entry in old if entry["entry_key"] not in drop]
    connection.executemany(INSERT, kept)
    return len(kept)


def read_visit(book: Logbook, visit_id: str, revision: int | None = None) -> VisitRecord:
    """Return one visit, its latest revision unless another is asked for."""
    with book.looking() as connection:
        return _record(connection, _found(connection, visit_id, revision))


def read_visits(book: Logbook, *, heater_id: str | None = None, every_revision: bool = False) -> list[VisitRecord]:
    """Return the visits in the order they were opened, each in its latest revision (or in all)."""
    with book.looking() as connection:
        latest = "" if every_revision else (
            " AND revision = (SELECT max(revision) FROM visit AS other WHERE other.visit_id = visit.visit_id)"
        )  # fmt: skip
        query = f"SELECT * FROM visit WHERE (?1 IS NULL OR heater_id = ?1){latest} ORDER BY visit_pk"
        return [_record(connection, row) for row in connection.execute(query, (heater_id,)).fetchall()]


def _latest(connection: sqlite3.Connection, visit_id: str, revision: int | None = None) -> Any:
    """Return the row of a visit in its latest revision, or the one asked for; None when there is none."""
    query = "SELECT * FROM visit WHERE visit_id = ?1 AND (?2 IS NULL OR revision = ?2) ORDER BY revision DESC LIMIT 1"
    return connection.execute(query, (visit_id, revision)).fetchone()


def _found(connection: sqlite3.Connection, visit_id: str, revision: int | None = None) -> sqlite3.Row:
    row: sqlite3.Row | None = _latest(connection, visit_id, revision)
    if row is None:
        names = connection.execute("SELECT DISTINCT visit_id FROM visit ORDER BY visit_pk DESC LIMIT 8").fetchall()
        known = ", ".join(name["visit_id"] for name in names)
        what = f"{visit_id} revision {revision}" if revision is not None else visit_id
        hint = f"The latest are {known}." if known else "It holds no visit yet."
        raise CombustError(Fault("visit_id", what, "unknown_name", why="is not in this logbook", hint=hint))
    return row


def _entries(connection: sqlite3.Connection, visit_pk: int) -> list[Any]:
    return connection.execute(
        "SELECT kind, entry_key, entered_at, body FROM entry WHERE visit_pk = ? ORDER BY entry_pk", (visit_pk,)
    ).fetchall()


def _seal(connection: sqlite3.Connection, row: sqlite3.Row) -> str:
    entries = [tuple(entry) for entry in _entries(connection, row["visit_pk"])]
    return seal_of(row["visit_id"], row["revision"], json.loads(row["head"]), entries)


def _record(connection: sqlite3.Connection, row: sqlite3.Row) -> VisitRecord:
    known = dict(row)  # an older file that may not be written lacks the later columns
    seal = known.get("seal")
    return VisitRecord(
        **{key: known[key] for key in ("visit_id", "revision", "heater_id", "opened_at", "closed_at", "reason")},
        incomplete=known.get("incomplete"),
        head=json.loads(row["head"]),
        entries=tuple(
            Entry(kind, key, at, json.loads(body)) for kind, key, at, body in _entries(connection, row["visit_pk"])
        ),
        seal_holds=None if seal is None else seal == _seal(connection, row),
    )


def now() -> str:
    """Return this moment in UTC, ISO 8601."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(dict(value), ensure_ascii=False, allow_nan=False)
