"""Finding visits without reading what they hold: one row a visit, kept by the transaction that writes its entries."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.moments import moment_of
from combust.data.near import folded_id

COLUMNS = (
    *("visit_key", "visit_id", "folded", "tag", "heater_id", "heater_folded", "opened_at", "opened_s", "is_open"),
    *("revision", "entries", "readings"),
)
_KEEP = f"""INSERT INTO summary ({", ".join(COLUMNS)}) VALUES ({", ".join("?" * len(COLUMNS))})
    ON CONFLICT (visit_key) DO UPDATE SET {", ".join(f"{name} = excluded.{name}" for name in COLUMNS[1:])}"""


class Found(NamedTuple):
    """A visit in a book: what its entries have in common, its name as it is told, and as it was given."""

    key: str
    label: str
    visit_id: str


def key_for(visit_id: str, heater_id: str | None, at: str, origin: str) -> str:
    """Return what tells a new visit from others of its name: its heater, else its book, and the day it was opened.

    Two books that open the same visit of the same heater on one day write branches of one visit; two that only happen
    to use one name do not.
    """
    about = "\0".join((folded_id(visit_id), folded_id(heater_id) or f"\0{origin}", at[:10]))
    return hashlib.sha256(about.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def row_of(key: str, visit_id: str, visit: Visit) -> tuple[Any, ...]:
    """Return the row of a visit."""
    tag = hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    readings = sum(entry.kind == "reading" for entry in visit.entries)
    heater = visit.heater_id if isinstance(visit.heater_id, str) else None
    begun = moment_of(visit.opened_at)
    opened = (visit.opened_at, begun.timestamp() if begun else 0.0, int(not visit.closed_at), visit.revision)
    return (
        key,
        visit_id,
        folded_id(visit_id),
        tag,
        heater,
        folded_id(heater) or None,
        *opened,
        len(visit.entries),
        readings,
    )


def keep(connection: sqlite3.Connection, key: str, visit_id: str, visit: Visit) -> None:
    """Write the row of a visit, inside the transaction that wrote its entries."""
    connection.execute(_KEEP, row_of(key, visit_id, visit))


def find(connection: sqlite3.Connection, name: str, heater_id: str | None = None) -> Found | None:
    """Return the visit of a name, or of ``V001@3f2a`` where several have one; None when there is none.

    Raises
    ------
    CombustError
        Several visits have that name and it is not told which.
    """
    rows = _named(connection, name)
    base, _, tag = name.rpartition("@")
    if not rows and base and len(tag) >= 4:
        rows = [row for row in _named(connection, base) if row["tag"].startswith(tag.lower())]
    if len(rows) > 1 and heater_id:
        rows = [row for row in rows if row["heater_folded"] == folded_id(heater_id)] or rows
    if len(rows) > 1:
        labels = labels_of(connection, rows)
        told = ", ".join(
            f"{labels[row['visit_key']]} (heater {row['heater_id']}, {row['opened_at'][:10]})" for row in rows
        )
        why, hint = "is the name of several visits, of several books", f"Say which: {told}."
        raise CombustError(Fault("visit_id", name, "unknown_name", why=why, hint=hint))
    if not rows:
        return None
    key = rows[0]["visit_key"]
    return Found(key, labels_of(connection, rows)[key], rows[0]["visit_id"])


def _named(connection: sqlite3.Connection, name: str) -> list[sqlite3.Row]:
    return connection.execute("SELECT * FROM summary WHERE folded = ?", (folded_id(name),)).fetchall()


def labels_of(connection: sqlite3.Connection, rows: Iterable[sqlite3.Row]) -> dict[str, str]:
    """Return key -> the name by which a visit is told: with letters of its tag where several have its name."""
    rows = list(rows)
    named = [*{row["folded"] for row in rows}] if len(rows) <= 500 else []
    where = f"WHERE folded IN ({', '.join('?' * len(named))})" if named else ""
    counts = f"SELECT folded FROM summary {where} GROUP BY folded HAVING count(*) > 1"
    several = {row[0] for row in connection.execute(counts, named)}
    return {
        row["visit_key"]: f"{row['visit_id']}@{row['tag'][:4]}" if row["folded"] in several else row["visit_id"]
        for row in rows
    }


def listed(
    connection: sqlite3.Connection, *, heater_id: str | None = None, last: int = 0, only_open: bool = False
) -> tuple[list[dict[str, Any]], int]:
    """Return (the rows of the latest visits in the order they were opened, how many there are)."""
    terms: Sequence[str] = [*(["heater_folded = ?1"] if heater_id else []), *(["is_open"] if only_open else [])]
    where = f" WHERE {' AND '.join(terms)}" if terms else ""
    given = (folded_id(heater_id),) if heater_id else ()
    count = connection.execute(f"SELECT count(*) FROM summary{where}", given).fetchone()[0]
    query = f"SELECT * FROM summary{where} ORDER BY opened_s DESC, summary_pk DESC LIMIT {last or -1}"
    rows = connection.execute(query, given).fetchall()[::-1]
    labels = labels_of(connection, rows)
    return [{**dict(row), "label": labels[row["visit_key"]]} for row in rows], int(count)
