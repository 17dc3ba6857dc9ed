"""From rows of a book to a visit: entries in their order, what is damaged named and the rest shown."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any

from combust.application.visit.entries import Entry, in_order
from combust.application.visit.visit import Visit
from combust.data.vocabulary import inputs
from combust.domain.reading import check_values
from combust.edge.logbook.chain import INTEGERS, OF_VISIT, ORDER, SELECT, is_whole, misfits
from combust.edge.logbook.summary import COLUMNS, keep, row_of

OWN = ("number", "kind", "entry_key", "at", "origin", "hash", "after", "visit_id")


def read_one(connection: sqlite3.Connection, key: str) -> list[sqlite3.Row]:
    """Return the rows of one visit."""
    return connection.execute(f"{SELECT} WHERE {OF_VISIT} = ? {ORDER}", (key,)).fetchall()


def read_all(connection: sqlite3.Connection) -> tuple[list[sqlite3.Row], list[str]]:
    """Return every row of a book that can be read, ordered by visit, and what cannot."""
    try:
        return connection.execute(f"{SELECT} {ORDER}").fetchall(), []
    except sqlite3.DatabaseError as error:
        if "malformed" not in str(error):
            raise
    rows, lost = [], []
    # the index on the hashes counts the entries, also those whose page cannot be read: none was ever taken out
    count = connection.execute("SELECT count(*) FROM entry INDEXED BY sqlite_autoindex_entry_1").fetchone()[0]
    for number in range(1, int(count) + 1):
        try:
            rows += connection.execute(f"{SELECT} NOT INDEXED WHERE entry_pk = ?", (number,)).fetchall()
        except sqlite3.DatabaseError:
            lost.append(f"entry {number} of the file")
    return sorted(rows, key=lambda row: tuple(map(str, (row["visit_key"] or row["visit_id"], row["hash"])))), lost


def by_visit(rows: Iterable[sqlite3.Row]) -> list[tuple[str, list[sqlite3.Row]]]:
    """Return (key, rows) of each visit; rows as ``read_all`` orders them."""
    return [(str(key), [*some]) for key, some in groupby(rows, lambda row: row["visit_key"] or row["visit_id"])]


def visit_of(label: str, rows: Sequence[sqlite3.Row], broken_seals: Iterable[tuple[str, int]] = ()) -> Visit:
    """Return a visit from its rows, its chain and old seals verified."""
    broken = [told(row) for row in first_misfits(rows)]
    broken += [f"the sealed revision {revision}" for _, revision in broken_seals]
    return Visit(label, in_order(entries_of(rows)), broken=", ".join(broken) or None)


def first_misfits(rows: Sequence[sqlite3.Row]) -> list[sqlite3.Row]:
    """Return the entries that were changed, without those that only stand behind one."""
    found = misfits(rows)
    changed = {row["number"] for row in found if isinstance(row["number"], int)}
    return [row for row in found if not (is_whole(row) and row["number"] - 1 in changed)]


def told(row: sqlite3.Row) -> str:
    """Return in words which entry a row is."""
    return f"entry {row['number']}"


def entries_of(rows: Iterable[sqlite3.Row]) -> list[Entry]:
    """Return the entries that rows hold; what is no entry at all is left out, its chain tells it."""
    numbers = {}
    good = [row for row in rows if all(isinstance(row[name], int if name in INTEGERS else str) for name in OWN)]
    for row in good:
        numbers[row["origin"], row["visit_id"], row["number"]] = row["hash"]
    return [
        Entry(
            kind=row["kind"],
            body=_body(row, numbers),
            at=row["at"],
            number=row["number"],
            key=row["entry_key"],
            who=row["who"] if isinstance(row["who"], str) else None,
            corrects=row["corrects"] if isinstance(row["corrects"], int) and is_whole(row) else None,
            origin=row["origin"],
            hash=row["hash"],
            after=tuple(row["after"].split()),
        )
        for row in good
    ]


def _body(row: sqlite3.Row, numbers: dict[tuple[str, str, int], str]) -> dict[str, Any]:
    """Return the content of an entry; of one that was damaged nothing.

    An older correction names its entry by the number in its own book only: it gets that one's hash.
    """
    try:
        found = json.loads(row["body"])
    except (ValueError, TypeError, RecursionError):
        return {}
    if not isinstance(found, dict):
        return {}
    if not is_whole(row):
        return _that_can_be(found)
    if row["kind"] == "correction" and row["corrects"] is not None and "of" not in found:
        found["of"] = numbers.get((row["origin"], row["visit_id"], row["corrects"]), "")
    return found


def _that_can_be(body: dict[str, Any]) -> dict[str, Any]:
    """Return what is left to be told of an entry that was changed: numbers that can be, plain words."""
    known = {key: value for key, value in body.items() if key in inputs()}
    good, _ = check_values(known)
    words = {key: value for key, value in body.items() if key not in known and isinstance(value, str)}
    return {**words, **{key: value for key, value in good.items() if value is not None}}


def of_day(connection: sqlite3.Connection, name: str, origin: str) -> list[Entry]:
    """Return the settings of a day that one book holds."""
    query = f"{SELECT} WHERE {OF_VISIT} = ? AND origin = ? {ORDER}"
    return entries_of(connection.execute(query, (name, origin)).fetchall())


def summarise(connection: sqlite3.Connection, key: str) -> None:
    """Write the row of a visit anew from its entries."""
    rows = read_one(connection, key)
    if any(row["kind"] != "day" for row in rows):
        keep(connection, key, min(str(row["visit_id"]) for row in rows), visit_of(key, rows))


def wrong_rows(connection: sqlite3.Connection, rows: Iterable[sqlite3.Row]) -> list[str]:
    """Return in words each row of a visit that is not what its entries come to, or that has no visit."""
    query = f"SELECT {', '.join(COLUMNS)} FROM summary"
    held = {row[0]: tuple(row) for row in connection.execute(query).fetchall()}
    wrong = []
    for key, some in by_visit(rows):
        if any(row["kind"] != "day" for row in some):
            name = min(str(row["visit_id"]) for row in some)
            if held.pop(key, None) != row_of(key, name, visit_of(key, some)):
                wrong.append(name)
    return [f"the row that finds visit {name}" for name in [*wrong, *(str(row[1]) for row in held.values())]]


def summarise_all(connection: sqlite3.Connection) -> None:
    """Write the rows of all visits of a book that had none, in the order they were begun."""
    query = f"SELECT {OF_VISIT}, min(entry_pk) FROM entry WHERE kind != 'day' GROUP BY 1 ORDER BY 2"
    for key, _ in connection.execute(query).fetchall():
        summarise(connection, key)
