"""A logbook as JSON Lines, out and in again without loss, taken together with others; its chains verified."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.application.visit.entries import KINDS
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault, shorten
from combust.edge.logbook.book import MAGIC, Logbook, first_bytes
from combust.edge.logbook.chain import COLUMNS, INSERT, SELECT, canonical, first_misfits
from combust.edge.logbook.migrate import broken_seals

NAMES = (*COLUMNS, "hash")
ORDER = "ORDER BY visit_id, origin, number"
TEXTS = ("origin", "visit_id", "kind", "entry_key", "at", "body", "hash")


@dataclass(frozen=True, slots=True)
class Verified:
    """What a look at every chain of a book found: entries, chains, and what does not fit."""

    entries: int
    chains: int
    broken: tuple[str, ...]
    heads: tuple[tuple[str, str, int, str], ...]  # visit, origin, number of entries, head


def verify(book: Logbook) -> Verified:
    """Return the chains of a book and the first entry of each that does not fit, and old seals that are broken."""
    with book.looking() as connection:
        rows = connection.execute(f"{SELECT} {ORDER}").fetchall()
        broken = [f"visit {visit}, book {origin}, entry {number}" for visit, origin, number in first_misfits(rows)]
        whole = [row[0] for row in connection.execute("PRAGMA integrity_check")]
        broken += [f"the file, {shorten(text)}" for text in whole if text != "ok"]
        broken += [f"visit {visit}, sealed revision {number}" for visit, number in broken_seals(connection)]
    last = {(row["visit_id"], row["origin"]): row for row in rows}
    heads = tuple((*chain, row["number"], row["hash"]) for chain, row in last.items())
    return Verified(len(rows), len(last), tuple(broken), heads)


def head_of(book: Logbook, visit: Visit) -> str:
    """Return the checksums that a sheet prints: of each chain of the visit the last hash and how many entries."""
    last: dict[str, int] = {}
    for entry in visit.entries:
        last[entry.origin] = max(last.get(entry.origin, 0), entry.number)
    with book.looking() as connection:
        query = "SELECT hash FROM entry WHERE (visit_id, origin, number) = (?, ?, ?)"
        found = [
            (connection.execute(query, (visit.visit_id, origin, number)).fetchone()["hash"], number)
            for origin, number in sorted(last.items())
        ]
    return " + ".join(f"{text} ({number} entries)" for text, number in found)


def holds_head(book: Logbook, head: str) -> bool:
    """Return whether a checksum that a sheet printed stands in this book: it then holds all that the sheet told."""
    with book.looking() as connection:
        query = "SELECT count(*) FROM entry WHERE hash = ?"
        return bool(connection.execute(query, (head.strip().lower(),)).fetchone()[0])


def export_lines(book: Logbook) -> str:
    """Return every entry of a book as JSON Lines in one order and one spelling."""
    with book.looking() as connection:
        rows = connection.execute(f"{SELECT} {ORDER}").fetchall()
    return "".join(canonical(dict(zip(NAMES, tuple(row), strict=True))) + "\n" for row in rows)


def import_lines(book: Logbook, text: str) -> tuple[int, int]:
    """Take entries of other books into this one, all or nothing; return (how many were new, how many were there).

    Each chain stays a chain of its book of origin, so that the order of taking in does not matter.

    Raises
    ------
    CombustError
        A line that is no entry, an entry that is here with other content, a chain that does not fit.
    """
    rows = [_row_of(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    new = 0
    with book.writing() as connection:
        for row in rows:
            new += _take_in(connection, row)
        touched = {row["visit_id"] for row in rows}
        held = [row for row in connection.execute(f"{SELECT} {ORDER}").fetchall() if row["visit_id"] in touched]
        if broken := first_misfits(held):
            hint = "Export the book again; nothing was taken."
            why = "does not fit the chain before it"
            raise CombustError(
                [
                    Fault("entry", f"visit {visit}, entry {number}", "damaged", why=why, hint=hint)
                    for visit, _, number in broken
                ]
            )
    return new, len(rows) - new


def _row_of(number: int, line: str) -> dict[str, Any]:
    try:
        row = json.loads(line)
        body = json.loads(row["body"])
        good = set(row) == set(NAMES) and all(isinstance(row[name], str) for name in TEXTS) and row["kind"] in KINDS
        good = good and type(row["number"]) is int and row["number"] >= 1 and isinstance(body, dict)
        good = good and isinstance(row["who"], str | None) and isinstance(row["corrects"], int | None)
    except (ValueError, KeyError, TypeError, RecursionError):
        good = False
    if not good:
        hint = "Take a file that combust log export wrote."
        raise CombustError(
            Fault("line", shorten(line, 60), "format", why=f"(line {number}) is no entry", hint=hint, line=number)
        )
    return dict(row)


def _take_in(connection: sqlite3.Connection, row: dict[str, Any]) -> bool:
    query = "SELECT hash FROM entry WHERE (visit_id, origin, number) = (?, ?, ?)"
    known = connection.execute(query, (row["visit_id"], row["origin"], row["number"])).fetchone()
    if known is None:
        connection.execute(INSERT, tuple(row[name] for name in NAMES))
        return True
    if known["hash"] != row["hash"]:
        why, hint = "is here with another content", "One of the two books was changed: combust log verify tells which."
        what = f"visit {row['visit_id']}, entry {row['number']}"
        raise CombustError(Fault("entry", what, "conflict", why=why, hint=hint))
    return False


def lines_of(path: str | Path) -> str:
    """Return the entries of a book, or of a file of JSON Lines, as JSON Lines.

    Raises
    ------
    CombustError
        Not to be read, no text.
    """
    if first_bytes(Path(path)) == MAGIC:
        with Logbook(path, read_only=True) as other:
            return export_lines(other)
    try:
        return Path(path).read_text(encoding="utf-8")
    except UnicodeError as error:
        hint = "Take a file that combust log export wrote, or a logbook."
        raise CombustError(Fault("file", str(path), "format", why="is no text in UTF-8", hint=hint)) from error
