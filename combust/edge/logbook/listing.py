"""Looking for visits in a book without reading what they hold, and the settings of its day."""

from __future__ import annotations

from typing import Any

from combust.application.visit.entries import Entry
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.rows import of_day
from combust.edge.logbook.summary import find, listed


def list_visits(
    book: Logbook, *, heater_id: str | None = None, last: int = 0, only_open: bool = False
) -> tuple[list[dict[str, Any]], int]:
    """Return (one row a visit in the order they were opened, how many there are), without reading what they hold.

    Parameters
    ----------
    book : Logbook
    heater_id : str, optional
        Of one heater only.
    last : int
        How many of the latest; 0 = all.
    only_open : bool
        Those that are open only.

    Returns
    -------
    rows : list of dict
        ``label`` (the name by which it is told), ``heater_id``, ``opened_at``, ``is_open``, ``revision``, ``entries``,
        ``readings``.
    count : int
    """
    with book.looking() as connection:
        return listed(connection, heater_id=heater_id, last=last, only_open=only_open)


def names(book: Logbook) -> dict[str, bool]:
    """Return visit -> whether it is open, in the order they were opened."""
    return {row["label"]: bool(row["is_open"]) for row in list_visits(book)[0]}


def is_there(book: Logbook, visit_id: str) -> bool:
    """Return whether a visit of this name is in a book."""
    with book.looking() as connection:
        return bool(find(connection, visit_id))


def free_name(book: Logbook) -> str:
    """Return the next name of a visit that is not in a book: V001, V002 and so on."""
    with book.looking() as connection:
        number = 1 + listed(connection, last=1)[1]
        while find(connection, f"V{number:03d}"):
            number += 1
        return f"V{number:03d}"


def entries_of_rows(book: Logbook, name: str) -> list[Entry]:
    """Return the settings of a day that were entered in this book: those of a colleague's book do not count in it."""
    with book.looking() as connection:
        return of_day(connection, name, book.origin)
