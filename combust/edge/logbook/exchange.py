"""A logbook as JSON Lines, out and in again without loss, taken together with others; its chains verified."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.application.visit.entries import KINDS, before_each, ends_of
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault, shorten
from combust.domain.reading import is_simulated
from combust.domain.result import many
from combust.edge.logbook.book import MAGIC, Logbook, first_bytes
from combust.edge.logbook.chain import COLUMNS, INSERT, NAMES, Row, canonical, is_whole
from combust.edge.logbook.keys import Key
from combust.edge.logbook.migrate import broken_seals
from combust.edge.logbook.photos import Photos, look_at_photos, names_in
from combust.edge.logbook.rows import first_misfits, read_all, summarise, told, wrong_rows

MOST = 2**62  # what SQLite holds as a whole number


@dataclass(frozen=True, slots=True)
class Verified:
    """What a look at every chain of a book found: entries, chains, and what does not fit.

    ``heads`` are the ends of every visit: visit, book, number of entries up to it, hash. ``key`` names the key of the
    book; ``unproven`` are the entries that the key that was given does not prove, None where none was given. ``photos``
    are those that the entries name: one that was changed is ``broken`` too, one that is not there breaks no chain.
    """

    entries: int
    chains: int
    broken: tuple[str, ...]
    heads: tuple[tuple[str, str, int, str], ...]
    photos: Photos
    key: str | None = None
    unproven: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Merged:
    """What was taken in: entries that were new, entries that were here, what was not taken and why."""

    new: int
    known: int
    refused: tuple[str, ...]


def verify(book: Logbook, key: Key | None = None) -> Verified:
    """Return the ends of every visit of a book, the first entry of every change, and old seals that are broken.

    With the key of the book also what it does not prove: an entry is proven when it, or one that stands behind it, has
    a mark that only the key can make.
    """
    with book.looking() as connection:
        rows, lost = read_all(connection)
        broken = [text for text in (book.lost_guards(),) if text]
        broken += [f"{text}, cannot be read" for text in lost]
        broken += [f"visit {row['visit_id']}, book {row['origin']}, {told(row)}" for row in first_misfits(rows)]
        photos = look_at_photos(book.path, names_in(rows))
        broken += [f"photograph {name}" for name in photos.changed]
        for look in (_pages, _seals, lambda connection: wrong_rows(connection, rows)):
            try:
                broken += look(connection)
            except sqlite3.DatabaseError as error:
                broken.append(f"the file, {shorten(str(error))}")
        name = book.key_name
    ends = [(row["visit_id"], row["origin"], row["number"], row["hash"]) for row in _ends(rows)]
    unproven = None if key is None else tuple(_unproven(rows, key))
    return Verified(len(rows), len(ends), tuple(broken), tuple(ends), photos, name, unproven)


def _unproven(rows: Sequence[sqlite3.Row], key: Key) -> list[str]:
    """Return in words the first entry of each visit and book that the key does not prove, and how many they are."""
    proven: set[str] = set()
    sound = [row for row in rows if is_whole(row)]
    for row in sorted(sound, key=lambda row: row["number"], reverse=True):
        if row["hash"] in proven or (row["mac"] and key.proves(row["mac"], row["hash"])):
            proven |= {row["hash"], *row["after"].split()}
    found: dict[tuple[str, str], list[sqlite3.Row]] = {}
    for row in rows:
        if row["hash"] not in proven:
            found.setdefault((str(row["visit_id"]), str(row["origin"])), []).append(row)
    return [
        f"visit {visit}, book {origin}, {told(some[0])} and {len(some) - 1} more"
        for (visit, origin), some in found.items()
    ]


def _pages(connection: sqlite3.Connection) -> list[str]:
    said = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    return [f"the file, {shorten(text)}" for text in said if text != "ok"]


def _seals(connection: sqlite3.Connection) -> list[str]:
    return [f"visit {visit}, sealed revision {number}" for visit, number in broken_seals(connection)]


def _ends(rows: Sequence[Row]) -> list[Row]:
    followed = {name for row in rows for name in str(row["after"]).split()}
    return [row for row in rows if row["hash"] not in followed]


def head_of(visit: Visit) -> str:
    """Return the checksums that a sheet prints: of each branch the last hash and how many entries lie up to it."""
    return " + ".join(f"{text} ({many(count, 'entry')})" for text, count in ends_told(visit))


def ends_told(visit: Visit) -> list[tuple[str, int]]:
    """Return (hash, how many entries lie up to it) of the end of each branch."""
    before = before_each(visit.entries)
    count = len(visit.entries) - 1
    return sorted((one.hash, 1 + (len(before[one.name]) if before else count)) for one in ends_of(visit.entries))


def holds_head(book: Logbook, head: str) -> bool:
    """Return whether the checksums that a sheet printed stand in this book: it then holds all that the sheet told.

    The first 16 letters and digits of each are enough.

    Raises
    ------
    CombustError
        No checksum.
    """
    hashes = re.findall(r"\b[0-9a-f]{16,64}\b", head.lower())
    if not hashes:
        why, hint = "is no checksum", "Type at least its first 16 letters and digits as the sheet shows them."
        raise CombustError(Fault("head", shorten(head, 80), "format", why=why, hint=hint))
    with book.looking() as connection:
        query = "SELECT count(*) FROM entry WHERE hash >= ? AND hash < ?"
        return all(connection.execute(query, (text, f"{text}g")).fetchone()[0] for text in hashes)


def export_lines(book: Logbook) -> str:
    """Return every entry of a book as JSON Lines in one order and one spelling."""
    with book.looking() as connection:
        rows, _ = read_all(connection)
    return "".join(f"{_line_of(row)}\n" for row in rows)


def _line_of(row: sqlite3.Row) -> str:
    held = {name: row[name] for name in NAMES if row[name] is not None or name in COLUMNS}
    return canonical({name: repr(value) if isinstance(value, bytes) else value for name, value in held.items()})


def carry_photos(lines: str, sources: Sequence[str | Path], target: str | Path) -> Photos:
    """Copy the photographs that exported entries name to beside a file; return which are there then.

    Only those of entries that are what their hash was made over.

    Parameters
    ----------
    lines : str
        Entries as JSON Lines.
    sources, target : path
        Books or exports; the photographs lie in the folder that is named after each.
    """
    rows = (_row_of(line) for line in lines.split("\n") if "photo" in line)
    names = names_in(row for row in rows if row and is_whole(row))
    found = [look_at_photos(Path(source), names, Path(target)) for source in sources]
    there, changed = look_at_photos(Path(target), names), {name for one in found for name in one.changed}
    missing = tuple(name for name in there.missing if name not in changed)
    return Photos(there.here, missing, (*there.changed, *(name for name in there.missing if name in changed)))


def import_lines(book: Logbook, text: str) -> Merged:
    """Take entries of other books into this one: each once, whatever the order; what does not fit is told.

    An entry is taken when it is what its hash was made over and those before it are here or come with it.

    Raises
    ------
    CombustError
        Nothing of it is an entry.
    """
    rows, refused = [], []
    for number, line in enumerate(text.split("\n"), 1):
        if line.strip():
            row = _row_of(line)
            if row is None:
                refused.append(f"line {number} is no entry: {shorten(line, 60)}")
            else:
                rows.append(row)
    _fill_in(rows)
    new, touched = 0, set()
    with book.writing() as connection:
        here = dict(connection.execute("SELECT hash, number FROM entry").fetchall())
        known = sum(row["hash"] in here and is_whole(row) for row in rows)
        for row in sorted(rows, key=lambda row: row["number"]):
            if row["hash"] in here and is_whole(row):
                continue
            if not is_whole(row) or not _stands_behind(row, here):
                what = f"visit {row['visit_id']}, book {row['origin']}, entry {row['number']}"
                refused.append(f"{what} does not fit those before it")
                continue
            body = json.loads(row["body"])
            if is_simulated(body) or is_simulated(body.get("values") or {}):
                refused.append(f"visit {row['visit_id']}, entry {row['number']} was read at a simulated heater")
                continue
            connection.execute(INSERT, tuple(row[name] for name in NAMES))
            here[row["hash"]] = row["number"]
            touched.add(row["visit_key"] or row["visit_id"])
            new += 1
        for key in sorted(touched):
            summarise(connection, key)
    if refused and not new and not known:
        hint = "Take a file that combust log export wrote; nothing was taken."
        raise CombustError([Fault("entry", text, "damaged", why="cannot be taken", hint=hint) for text in refused[:20]])
    return Merged(new, known, tuple(refused))


def _stands_behind(row: dict[str, Any], numbers: dict[str, int]) -> bool:
    before = [numbers.get(name, 0) for name in row["after"].split()]
    return 0 not in before and row["number"] == 1 + max(before, default=0)


def _row_of(line: str) -> dict[str, Any] | None:
    """Return the columns of a line, None when it is no entry."""
    try:
        row = json.loads(line)
        body = json.loads(row["body"])
        good = {*COLUMNS, "hash"} <= set(row) <= set(NAMES) and row["kind"] in KINDS and isinstance(body, dict)
        good = good and type(row["number"]) is int and 1 <= row["number"] < MOST and 0 < len(row["visit_id"]) <= 200
    except (ValueError, KeyError, TypeError, RecursionError):
        good = False
    return {name: row.get(name) for name in NAMES} if good else None


def _fill_in(rows: Sequence[dict[str, Any]]) -> None:
    """Give entries of an older export the hash before them: that of the entry before in their own book."""
    if any(row["after"] is None for row in rows):
        hashes = {(row["origin"], row["visit_id"], row["number"]): row["hash"] for row in rows}
        for row in rows:
            if row["after"] is None:
                row["after"] = hashes.get((row["origin"], row["visit_id"], row["number"] - 1), "")


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
        return Path(path).read_text(encoding="utf-8-sig")
    except UnicodeError as error:
        hint = "Take a file that combust log export wrote, or a logbook."
        raise CombustError(Fault("file", str(path), "format", why="is no text in UTF-8", hint=hint)) from error
