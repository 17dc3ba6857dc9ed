"""From records that were sealed as a whole to chained entries; what was sealed stays beside them, with its seal."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping
from typing import Any

from combust.application.visit.visit import Visit
from combust.edge.logbook.chain import Writer, canonical
from combust.edge.logbook.summary import key_for

_FRAME = ("opened", "setting", "closed", "reopened")
_OF_VISIT = "SELECT kind, entry_key, entered_at, body FROM sealed_entry WHERE visit_pk = ? ORDER BY entry_pk"


def seal_of(visit_id: str, revision: int, head: Mapping[str, Any], entries: list[tuple[str, str, str, str]]) -> str:
    """Return the seal that a record closed before entries were chained carries: a SHA-256 over the whole of it."""
    text = json.dumps([visit_id, revision, dict(head), sorted(entries)], ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def broken_seals(connection: sqlite3.Connection, visit_id: str | None = None) -> list[tuple[str, int]]:
    """Return (visit, revision) of every old record that no longer is what its seal was made over."""
    query = "SELECT * FROM sealed_visit WHERE seal IS NOT NULL AND (?1 IS NULL OR visit_id = ?1)"
    broken = []
    for row in connection.execute(query, (visit_id,)).fetchall():
        entries = [tuple(one) for one in connection.execute(_OF_VISIT, (row["visit_pk"],))]
        if row["seal"] != seal_of(row["visit_id"], row["revision"], json.loads(row["head"]), entries):
            broken.append((row["visit_id"], row["revision"]))
    return broken


def chain_what_was_sealed(connection: sqlite3.Connection) -> None:
    """Chain every visit of an older book: a revision becomes the corrections and additions that it made.

    What was open is not kept twice; what was closed stays in its own table too, so that its seal can be verified. The
    chain follows from the content alone: a copy of the book that is brought over elsewhere gives the same entries, and
    the two can be taken together.
    """
    visits: dict[str, Visit] = {}
    for row in connection.execute("SELECT * FROM sealed_visit ORDER BY visit_pk").fetchall():
        visits[row["visit_id"]] = _chain_revision(connection, row, visits.get(row["visit_id"]))
    open_ones = "SELECT visit_pk FROM sealed_visit WHERE closed_at IS NULL"
    connection.execute(f"DELETE FROM sealed_entry WHERE visit_pk IN ({open_ones})")
    connection.execute("DELETE FROM sealed_visit WHERE closed_at IS NULL")


def _writer(connection: sqlite3.Connection, visit_id: str) -> Writer:
    query = "SELECT heater_id, opened_at FROM sealed_visit WHERE visit_id = ? ORDER BY revision LIMIT 1"
    heater, at = connection.execute(query, (visit_id,)).fetchone()
    origin = hashlib.sha256(canonical([visit_id, heater, at]).encode()).hexdigest()[:16]
    return Writer(connection, visit_id, key_for(visit_id, heater, at, origin), origin=origin)


def _chain_revision(connection: sqlite3.Connection, row: sqlite3.Row, visit: Visit | None) -> Visit:
    writer, at, head = _writer(connection, row["visit_id"]), row["opened_at"], json.loads(row["head"])
    entries = connection.execute(_OF_VISIT, (row["visit_pk"],)).fetchall()
    limits = [json.loads(one["body"]) for one in entries if one["kind"] == "limit"]
    if visit is None:
        visit = Visit(row["visit_id"])
        visit = writer.append(visit, "opened", {"heater_id": row["heater_id"], "profile": None}, at=at)
        held: dict[tuple[str, str], int] = {}
        changed = head
    else:
        held = {(one.kind, one.key): one.number for one in visit.in_force if one.kind not in _FRAME}
        changed = {key: text for key, text in head.items() if visit.settings.get(key) != text}
        visit = writer.append(visit, "reopened", {"reason": row["reason"] or ""}, at=at)
    if changed:
        visit = writer.append(visit, "setting", changed, at=at)
    names = {(one["kind"], one["entry_key"]) for one in entries}
    for number in [number for name, number in held.items() if name not in names]:
        withdrawn: dict[str, Any] = {"reason": row["reason"] or "", "values": {}}
        visit = writer.append(visit, "correction", withdrawn, at=at, corrects=number)
    for one in entries:
        if one["kind"] != "limit" and (one["kind"], one["entry_key"]) not in held:
            body = json.loads(one["body"])
            visit = writer.append(visit, one["kind"], body, at=one["entered_at"], key=one["entry_key"])
    if row["closed_at"]:
        body = {"incomplete": row["incomplete"], "limits": limits}
        visit = writer.append(visit, "closed", body, at=row["closed_at"])
    return visit
