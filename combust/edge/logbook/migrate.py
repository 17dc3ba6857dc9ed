"""From records that were sealed as a whole to chained entries; what was sealed stays beside them, with its seal."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping
from typing import Any

from combust.edge.logbook.chain import append

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

    What was open is not kept twice; what was closed stays in its own table too, so that its seal can be verified.
    """
    for row in connection.execute("SELECT * FROM sealed_visit ORDER BY visit_pk").fetchall():
        _chain_revision(connection, row)
    open_ones = "SELECT visit_pk FROM sealed_visit WHERE closed_at IS NULL"
    connection.execute(f"DELETE FROM sealed_entry WHERE visit_pk IN ({open_ones})")
    connection.execute("DELETE FROM sealed_visit WHERE closed_at IS NULL")


def _chain_revision(connection: sqlite3.Connection, row: sqlite3.Row) -> None:
    visit_id, at, head = row["visit_id"], row["opened_at"], json.loads(row["head"])
    entries = connection.execute(_OF_VISIT, (row["visit_pk"],)).fetchall()
    limits = [json.loads(one["body"]) for one in entries if one["kind"] == "limit"]
    held = _held(connection, visit_id)
    if row["revision"] == 1:
        append(connection, visit_id, "opened", "opened-1", at, {"heater_id": row["heater_id"], "profile": None})
        if head:
            append(connection, visit_id, "setting", "setting-1", at, head)
    else:
        reason, number = row["reason"] or "", row["revision"] - 1
        append(connection, visit_id, "reopened", f"reopened-{number}", at, {"reason": reason})
        changed = {key: text for key, text in head.items() if held["head"].get(key) != text}
        if changed:
            append(connection, visit_id, "setting", f"setting-{row['revision']}", at, changed)
        names = {(one["kind"], one["entry_key"]) for one in entries}
        for name in [name for name in held["entries"] if name not in names]:
            withdrawn: dict[str, Any] = {"reason": reason, "values": {}}
            number = held["entries"][name]
            append(connection, visit_id, "correction", f"correction-{number}", at, withdrawn, corrects=number)
    for one in entries:
        if one["kind"] != "limit" and (one["kind"], one["entry_key"]) not in held["entries"]:
            append(connection, visit_id, one["kind"], one["entry_key"], one["entered_at"], json.loads(one["body"]))
    if row["closed_at"]:
        body = {"incomplete": row["incomplete"], "limits": limits}
        append(connection, visit_id, "closed", f"closed-{row['revision']}", row["closed_at"], body)


def _held(connection: sqlite3.Connection, visit_id: str) -> dict[str, dict[Any, Any]]:
    """Return what the chain of a visit holds already: its head, and (kind, name) -> number of the rest."""
    rows = connection.execute("SELECT * FROM entry WHERE visit_id = ? ORDER BY number", (visit_id,)).fetchall()
    withdrawn = {row["corrects"] for row in rows if row["kind"] == "correction"}
    head = {key: text for row in rows if row["kind"] == "setting" for key, text in json.loads(row["body"]).items()}
    own = ("opened", "setting", "correction", "closed", "reopened")
    entries = {
        (row["kind"], row["entry_key"]): row["number"]
        for row in rows
        if row["kind"] not in own and row["number"] not in withdrawn
    }
    return {"head": head, "entries": entries}
