"""Opening a logbook and writing to it in transactions; every refusal of SQLite in plain words.

A rollback journal, not write-ahead logging: between two commands the logbook is one file that can be copied to a stick,
read from write-protected media and kept on a network share, where the shared memory that WAL needs does not work.
"""

from __future__ import annotations

import datetime
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager, suppress
from itertools import chain
from pathlib import Path

from combust.data.errors import Code, CombustError, Fault, no_access, shorten
from combust.edge import interrupt
from combust.edge.logbook.keys import Key, key_at, read_key
from combust.edge.logbook.migrate import chain_what_was_sealed
from combust.edge.logbook.rows import summarise_all
from combust.edge.logbook.schema import APPLICATION_ID, CHAINED, GUARDS, STEPS, VERSION
from combust.edge.whole_file import whole_file

WAIT_S = 60.0
MAGIC = b"SQLite format 3\0"


class Logbook(AbstractContextManager["Logbook"]):
    """An open logbook file.

    Parameters
    ----------
    path : str or Path
    create : bool
        Make the file when it is not there.
    read_only : bool
        Refuse every change (an older file is then brought up to date in memory only).
    key_file : str or Path, optional
        With a book that is made now: its key, kept elsewhere; made where there is none. The book remembers which key it
        is and where it was, never the key.

    Raises
    ------
    CombustError
        Not there, not a logbook, made by a newer version, write-protected; a key that is not its own.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        create: bool = False,
        read_only: bool = False,
        key_file: str | Path | None = None,
    ) -> None:
        self.path = Path(path)
        self.backup: Path | None = None
        self.notes: list[str] = []
        self.prove: Callable[[str], str] | None = None
        self._look_at_file(create)
        with _in_plain_words(self.path):
            uri = f"{self.path.resolve().as_uri()}?mode={'rwc' if create else 'rw'}"
            self.connection = sqlite3.connect(uri, uri=True, timeout=WAIT_S, isolation_level=None)
            self.connection.row_factory = sqlite3.Row
            self.connection.text_factory = _text
        interrupt.unfinished.add(self._roll_back)
        try:
            with _in_plain_words(self.path):
                self._prepare(create, read_only, key_file)
        except BaseException:
            self.close()
            raise

    def _look_at_file(self, create: bool) -> None:
        """Refuse what is no logbook before SQLite opens, or makes, anything."""
        if create and not self.path.exists() and self.path.parent.is_dir():
            return
        if self.path.exists() and not self.path.is_file() and not self.path.is_dir():
            raise CombustError(_foreign(self.path))  # nobody waits for what a pipe or a device may give
        head = first_bytes(self.path)
        # A file of no bytes is what a command leaves that was killed while making a logbook: nothing is lost in it.
        if head and head != MAGIC:
            raise CombustError(_foreign(self.path))
        if not head and not create:
            raise CombustError(_empty(self.path))

    def _prepare(self, create: bool, read_only: bool, key_file: str | Path | None) -> None:
        self.connection.execute("PRAGMA foreign_keys = ON")
        self.connection.execute("PRAGMA synchronous = EXTRA")
        version, tables = self.version, self._number("SELECT count(*) FROM sqlite_master")
        if version == 0 and not tables and create:
            self._upgrade(0, key_at(key_file) if key_file else None, key_file)
        elif version == 0 and not tables:  # what a making that was killed rolls back to
            raise CombustError(_empty(self.path))
        elif self._number("PRAGMA application_id") != APPLICATION_ID:
            raise CombustError(_foreign(self.path))
        elif version > VERSION:
            why = f"was written by a newer combust (schema {version}, this one knows {VERSION})"
            hint = "Update combust; the file was not touched."
            raise CombustError(Fault("logbook", str(self.path), "format", why=why, hint=hint))
        elif version < VERSION and read_only:
            self._read_a_copy(version)
        elif version < VERSION:
            self._back_up(version)
            self._upgrade(version)
        if key_file or not read_only:
            self._take_key(key_file)
        if lost := self.lost_guards():
            self.notes.append(f"{lost}: combust log verify tells what was changed")
        if read_only:
            self.connection.execute("PRAGMA query_only = ON")

    def lost_guards(self) -> str:
        """Return in words which triggers that keep entries from being changed are gone; "" when none is."""
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        held = {row[0] for row in self.connection.execute(query).fetchall()}
        lost = [name for name in GUARDS if name not in held]
        return f"entries can be rewritten, {', '.join(lost)} is gone from the file" if lost else ""

    @property
    def version(self) -> int:
        """Schema version of the file."""
        return self._number("PRAGMA user_version")

    @property
    def origin(self) -> str:
        """What names this book in the entries that are written in it."""
        return str(self.connection.execute("SELECT origin FROM book").fetchone()[0])

    def _number(self, query: str) -> int:
        return int(self.connection.execute(query).fetchone()[0])

    def _take_key(self, given: str | Path | None) -> None:
        """Take the key of the book: what is written is proven by it.

        Without it an entry is chained all the same: a stick that is not there must not keep anybody from writing.
        """
        name, path = self.connection.execute("SELECT key_id, key_path FROM book").fetchone()
        if given:
            key = read_key(given)
            if key.name != name:
                why = "is not the key of this book" if name else "is of no use: this book was made without a key"
                hint = "A key is given once, when a book is made."
                raise CombustError(Fault("key_file", str(given), "conflict", why=why, hint=hint))
            self.prove = key.prove
        elif name:
            try:
                key = read_key(path)
                self.prove = key.prove if key.name == name else None
            except CombustError:
                self.prove = None
            if self.prove is None:
                self.notes.append(f"the key of this book is not at {path}: entries are chained, not proven by it")

    @property
    def key_name(self) -> str | None:
        """Which key the book was made with; None without one."""
        name = self.connection.execute("SELECT key_id FROM book").fetchone()[0]
        return None if name is None else str(name)

    def _upgrade(self, seen: int, key: Key | None = None, key_file: str | Path | None = None) -> None:
        """Bring the schema to this version in one transaction; another process may have done it meanwhile."""
        with self._transaction("BEGIN EXCLUSIVE", "COMMIT"):
            version = self.version
            if version > seen and self._number("PRAGMA application_id") != APPLICATION_ID:
                raise CombustError(_foreign(self.path))
            for statement in chain.from_iterable(STEPS[version:]):
                self.connection.execute(statement)
            if version < CHAINED:
                chain_what_was_sealed(self.connection)
            summarise_all(self.connection)
            if key and version == 0:
                given = (key.name, str(Path(str(key_file)).resolve()))
                self.connection.execute("UPDATE book SET key_id = ?, key_path = ?", given)
            self.connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            self.connection.execute(f"PRAGMA user_version = {VERSION}")

    def _read_a_copy(self, version: int) -> None:
        """Read an older file that may not be written from a copy in memory that is up to date."""
        file, self.connection = self.connection, sqlite3.connect(":memory:", isolation_level=None)
        self.connection.row_factory, self.connection.text_factory = sqlite3.Row, _text
        with closing(file):
            file.backup(self.connection)
        self._upgrade(version)

    def copy_to(self, target: Path) -> None:
        """Write a copy of the book by SQLite's own online backup, whole or not there."""
        with whole_file(target) as partial:
            with _in_plain_words(target), closing(sqlite3.connect(partial)) as copy:
                self.connection.backup(copy)
            with partial.open("rb") as file:
                os.fsync(file.fileno())

    def _back_up(self, version: int) -> None:
        """Copy the file as it is before it is migrated; an existing copy is never overwritten."""
        stamp = datetime.datetime.now(datetime.UTC).strftime("%Y%m%dT%H%M%S%f")
        target = self.path.with_name(f"{self.path.name}.schema{version}.{stamp}.backup")
        self.copy_to(target)
        self.backup = target
        self.notes.append(f"an older logbook was brought up to date; a copy of it is {target}")

    @contextmanager
    def _transaction(self, begin: str, end: str) -> Iterator[sqlite3.Connection]:
        with _in_plain_words(self.path):
            self.connection.execute(begin)
            try:
                yield self.connection
                self.connection.execute(end)
            except BaseException:
                self._roll_back()
                raise

    def writing(self) -> AbstractContextManager[sqlite3.Connection]:
        """One transaction: all of it is kept, on the disk, when the block ends; none of it when anything fails."""
        return self._transaction("BEGIN IMMEDIATE", "COMMIT")

    def looking(self) -> AbstractContextManager[sqlite3.Connection]:
        """One view of the file that no writer changes meanwhile."""
        return self._transaction("BEGIN", "ROLLBACK")

    def _roll_back(self) -> None:
        # SQLite may already have rolled back by itself (full disk); the first error is the one to tell.
        with suppress(sqlite3.Error):
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")

    def close(self) -> None:
        """Close the file."""
        self.connection.close()
        interrupt.unfinished.discard(self._roll_back)

    def __exit__(self, *_ended: object) -> None:
        self.close()


def _text(raw: bytes) -> str:
    """Return what a column holds; bytes that are no text stand as marks, so that the entry is told by its hash."""
    return raw.decode("utf-8", "replace")


def first_bytes(path: Path) -> bytes:
    """Return what tells a logbook from a table.

    Raises
    ------
    CombustError
        Not there, a folder, or not to be read.
    """
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC))
    except (OSError, ValueError) as error:
        hint = "Check the name; combust visit open makes a new one in a folder that is there."
        raise no_access("logbook", path, error, hint) from error


def _foreign(path: Path) -> Fault:
    why, hint = "is not a logbook of combust", "It was not touched. Check the name."
    return Fault("logbook", str(path), "format", why=why, hint=hint)


def _empty(path: Path) -> Fault:
    why, hint = "is empty: no visit was ever written to it", "Check the name; combust visit open makes a new one."
    return Fault("logbook", str(path), "empty", why=why, hint=hint)


# What SQLite says -> (code, why, remedy); the first that fits.
_WORDS: tuple[tuple[str, Code, str, str], ...] = (
    (
        "closed record",
        "closed",
        "holds entries that cannot be changed",
        "A correction is an entry: combust visit correct.",
    ),
    ("readonly", "read_only", "is write-protected", "Copy it to where you may write."),
    ("query_only", "read_only", "was opened for reading only", "Open it for writing."),
    ("is full", "disk_full", "cannot grow: the disk is full", "Make room and do it again; it is as it was before."),
    ("disk i/o", "disk_full", "cannot be written: the disk refused", "Make room or take another; it is as before."),
    ("locked", "busy", "is being written by another program", "Wait and do it again; nothing was written."),
    ("not a database", "format", "is not a logbook of combust", "It was not touched. Check the name."),
    ("malformed", "damaged", "is damaged", "Take the latest copy or backup; do not write to this one."),
    ("can't decode", "damaged", "is damaged", "Take the latest copy or backup; do not write to this one."),
    ("unknown function", "damaged", "is damaged", "Take the latest copy or backup; do not write to this one."),
    ("unable to open", "missing", "cannot be opened", "Check path and permissions."),
    ("surrogates", "format", "cannot hold bytes that are no text", "Type it in UTF-8."),
    ("too large to", "format", "cannot hold so large a whole number", "Give the number that combust log show tells."),
)


@contextmanager
def _in_plain_words(path: Path) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, UnicodeError, OverflowError) as error:
        said = str(error).lower()
        for piece, code, why, hint in _WORDS:
            if piece in said:
                raise CombustError(Fault("logbook", str(path), code, why=why, hint=hint)) from error
        why = f"refused this ({shorten(error, 100)})"
        raise CombustError(Fault("logbook", str(path), "refused", why=why, hint="Nothing was written.")) from error
