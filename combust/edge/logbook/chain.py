"""Entries chained by SHA-256: each hash covers its entry and the hash before; one chain a visit and book of origin."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any

COLUMNS = ("origin", "visit_id", "number", "kind", "entry_key", "at", "who", "corrects", "body")
INSERT = f"INSERT INTO entry ({', '.join(COLUMNS)}, hash) VALUES ({', '.join('?' * (len(COLUMNS) + 1))})"
SELECT = f"SELECT {', '.join(COLUMNS)}, hash FROM entry"


def canonical(value: Any) -> str:
    """Return JSON in one spelling only: sorted keys, no blanks, no NaN."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def hash_of(previous: str, columns: Iterable[Any]) -> str:
    """Return the SHA-256 of an entry, all its columns and the hash of the entry before it."""
    return hashlib.sha256(canonical([previous, *columns]).encode()).hexdigest()


def append(
    connection: sqlite3.Connection,
    visit_id: str,
    kind: str,
    key: str,
    at: str,
    body: Mapping[str, Any],
    who: str | None = None,
    corrects: int | None = None,
) -> None:
    """Add one entry to the chain that this book keeps of a visit, inside the caller's transaction."""
    origin = connection.execute("SELECT origin FROM book").fetchone()[0]
    query = "SELECT number, hash FROM entry WHERE origin = ? AND visit_id = ? ORDER BY number DESC LIMIT 1"
    number, previous = connection.execute(query, (origin, visit_id)).fetchone() or (0, "")
    columns = (origin, visit_id, number + 1, kind, key, at, who, corrects, canonical(dict(body)))
    connection.execute(INSERT, (*columns, hash_of(previous, columns)))


def first_misfits(rows: Iterable[sqlite3.Row]) -> list[tuple[str, str, int]]:
    """Return (visit, origin, number) of the first entry of each chain that does not fit; rows as SELECT gives them."""
    heads: dict[tuple[str, str], tuple[int, str]] = {}
    broken: dict[tuple[str, str], int] = {}
    for row in sorted(rows, key=lambda one: (one["visit_id"], one["origin"], one["number"])):
        chain = (row["visit_id"], row["origin"])
        last, previous = heads.get(chain, (0, ""))
        columns = tuple(row)[: len(COLUMNS)]
        fits = row["number"] == last + 1 and row["hash"] == hash_of(previous, columns)
        if not fits:
            broken.setdefault(chain, row["number"])
        heads[chain] = (row["number"], row["hash"])
    return [(*chain, number) for chain, number in broken.items()]
