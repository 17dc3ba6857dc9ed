"""Entries chained by SHA-256: each hash covers its entry and the hashes before it, in whatever book those were written.

The entries of a visit are a graph that only grows. In one book it is a line; a visit that two books continued has two
branches, and the next entry joins them. Books are taken together by adding entries that are not there: their hash is
their name, so that nothing is doubled and no order matters.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from combust.application.visit.entries import Entry
from combust.application.visit.visit import Visit

COLUMNS = ("origin", "visit_id", "number", "kind", "entry_key", "at", "who", "corrects", "body")
# Columns that an entry need not have; those that it has are hashed with the rest. ``visit_key`` tells apart visits of
# one name, ``request`` and ``part`` name what was sent and which of its entries this is.
MORE = ("visit_key", "request", "part")
# ``after`` holds the hashes before it and is what is hashed first; ``mac`` proves the hash under the key of its book.
NAMES = (*COLUMNS, *MORE, "after", "hash", "mac")
INSERT = f"INSERT INTO entry ({', '.join(NAMES)}) VALUES ({', '.join('?' * len(NAMES))})"
SELECT = f"SELECT {', '.join(f'entry.{name}' for name in NAMES)} FROM entry"
OF_VISIT = "COALESCE(visit_key, visit_id)"  # what its entries have in common; it is indexed
ORDER = f"ORDER BY {OF_VISIT}, number, hash"
INTEGERS = ("number", "corrects", "part")
NEEDED = (*(name for name in COLUMNS if name not in ("who", "corrects")), "after", "hash")

Row = Mapping[str, Any] | sqlite3.Row


def canonical(value: Any) -> str:
    """Return JSON in one spelling only: sorted keys, no blanks, no NaN."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def hash_of(row: Row) -> str:
    """Return the SHA-256 of an entry: the hashes before it and all that it holds."""
    more = {name: row[name] for name in MORE if row[name] is not None}
    text = canonical([row["after"], *(row[name] for name in COLUMNS), *([more] if more else [])])
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def is_whole(row: Row) -> bool:
    """Return whether an entry is what its hash was made over; whatever was put into its columns."""
    typed = all(isinstance(row[name], int | None if name in INTEGERS else str | None) for name in NAMES)
    return typed and all(row[name] is not None for name in NEEDED) and row["hash"] == hash_of(row)


def misfits(rows: Iterable[sqlite3.Row]) -> list[sqlite3.Row]:
    """Return the entries that are not what their hash was made over, or whose entries before them are not there."""
    held = list(rows)
    numbers = {row["hash"]: row["number"] for row in held}
    found = []
    for row in held:
        before = [numbers.get(name) for name in str(row["after"] or "").split()]
        depth = max((number for number in before if isinstance(number, int)), default=0)
        if not is_whole(row) or None in before or row["number"] != depth + 1:
            found.append(row)
    return found


@dataclass(frozen=True, slots=True)
class Writer:
    """What writes entries of one visit: under which name and key, for which request, proven by what.

    ``origin`` is the book that is said to have written them, by default this one; ``prove`` gives its ``mac``.
    """

    connection: sqlite3.Connection
    visit_id: str
    visit_key: str | None = None
    request: Iterator[tuple[str, int]] | None = None
    origin: str | None = None
    prove: Callable[[str], str] | None = None

    def write(self, entry: Entry) -> Entry:
        """Write an entry behind those that it names, inside the caller's transaction; return it with its hash."""
        origin = self.origin or str(self.connection.execute("SELECT origin FROM book").fetchone()[0])
        body = canonical(dict(entry.body))
        columns = (entry.number, entry.kind, entry.key, entry.at, entry.who, entry.corrects, body)
        request, part = next(self.request) if self.request else (None, None)
        values = (origin, self.visit_id, *columns, self.visit_key, request, part, " ".join(entry.after), "", None)
        row: dict[str, Any] = dict(zip(NAMES, values, strict=True))
        row["hash"] = name = hash_of(row)
        row["mac"] = self.prove(name) if self.prove else None
        self.connection.execute(INSERT, tuple(row.values()))
        return replace(entry, origin=origin, hash=name)

    def append(self, visit: Visit, kind: str, body: Mapping[str, Any], **about: Any) -> Visit:
        """Write an entry behind every branch of a visit; return the visit with it."""
        visit = visit.add(kind, body, **about)
        *held, new = visit.entries
        return replace(visit, entries=(*held, self.write(new)))
