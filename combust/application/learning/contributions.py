"""Contributions of several books taken together: each counts once, by the checksum of what it tells."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any

MARK = "contribution"


def with_checksum(rows: Iterable[dict[str, Any]], book: str, confirmed: int) -> list[dict[str, Any]]:
    """Return the rows of a contribution, each with its checksum, its book, and the confirmed visits behind it."""
    held = [{"book": book, "confirmed": confirmed, **row} for row in rows]
    checksum = sum_of(held)
    return [{MARK: checksum, **row} for row in held]


def sum_of(rows: Iterable[dict[str, Any]]) -> str:
    """Return the checksum of the rows of a contribution: of what is told anyway, and so of nothing else."""
    lines = []
    for row in rows:
        held = {key: row[key] for key in sorted(row) if row[key] is not None and key != MARK}
        texts = (
            f"{key}={float(value) + 0.0!r}" if isinstance(value, int | float) else f"{key}={value}"
            for key, value in held.items()
        )
        lines.append(" ".join(texts))
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def counted_once(tables: Iterable[Sequence[dict[str, Any]]]) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the rows of several tables with each contribution once, and what was left out, in words.

    The same contribution counts once; of two contributions of one book, as it grew, the one with more confirmed visits.
    """
    contributions: dict[str, list[dict[str, Any]]] = {}
    told = []
    for rows in tables:
        own: dict[str, list[dict[str, Any]]] = {}
        for row in rows:
            own.setdefault(str(row[MARK]), []).append(row)
        for name, some in own.items():
            if name in contributions:
                told.append(f"contribution {name} came twice and counts once")
            contributions.setdefault(name, some)
    best: dict[str, str] = {}
    for name, some in sorted(contributions.items()):
        book = str(some[0]["book"])
        other = best.get(book)
        if other is not None:
            older, newer = sorted((other, name), key=lambda one: (float(contributions[one][0]["confirmed"]), one))
            told.append(f"contribution {older} is of the same book as {newer}, which holds more: left out")
            name = newer
        best[book] = name
    kept = [row for name in sorted(best.values()) for row in contributions[name]]
    return kept, told
