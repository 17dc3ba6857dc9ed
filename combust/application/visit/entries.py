"""The entries of a visit: what one can be, how they follow each other in one line or in branches of several books."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import wraps
from typing import Any, TypeVar

from combust.data.moments import moment_of
from combust.data.told import Told

# What an entry can be. ``part`` adds to a reading that was begun, ``setting`` holds from then on (who, place, analyser,
# where it stands), ``missing`` declares what cannot be had, ``correction`` names the entry that it corrects, ``day``
# holds settings that the visits of a day begin with.
KINDS = (
    *("opened", "setting", "reading", "part", "check", "adjustment", "event", "note", "not_checked"),
    *("missing", "correction", "closed", "reopened", "day"),
)


@dataclass(frozen=True, slots=True)
class Entry(Told):
    """One entry of a visit.

    Attributes
    ----------
    kind : str
    body : mapping
        What it holds.
    at : str
        When it was entered, ISO 8601.
    number : int
        One more than that of the entry before it.
    key : str
        Its name among those of its kind.
    who : str or None
    corrects : int or None
        Number of the entry that it corrects; ``of`` in its body is that one's hash, where it has one.
    origin : str
        The book that it was written in.
    hash : str
        Its hash in the book; "" when it was never in one.
    after : tuple of str
        Names of the entries that it was written after: one, or the ends of several branches.
    """

    kind: str
    body: Mapping[str, Any]
    at: str
    number: int
    key: str = ""
    who: str | None = None
    corrects: int | None = None
    origin: str = ""
    hash: str = ""
    after: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """What tells it from every other entry of its visit."""
        return self.hash or str(self.number)

    @property
    def about(self) -> str | None:
        """Name of the entry that a correction is about; None for every other kind."""
        if self.kind != "correction" or self.corrects is None:
            return None
        return str(self.body.get("of") or self.corrects)


def ends_of(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return the entries that no other was written after: one, or the end of each branch."""
    entries = tuple(entries)
    followed = {name for entry in entries for name in entry.after}
    return tuple(entry for entry in entries if entry.name not in followed)


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return the entries of one visit in order of time, each behind those that it was written after.

    The same entries come in the same order, whatever the books they were taken from and in which turn.
    """
    entries, latest = tuple(entries), dict[str, float]()
    for entry in sorted(entries, key=lambda one: (one.number, one.hash)):
        now = moment_of(entry.at)
        before = (latest.get(name, -math.inf) for name in entry.after)
        latest[entry.name] = max(now.timestamp() if now else -math.inf, *before, -math.inf)
    return tuple(sorted(entries, key=lambda one: (latest[one.name], one.number, one.hash)))


def before_each(entries: Sequence[Entry]) -> dict[str, frozenset[str]]:
    """Return name -> names of all entries that one was written after, near and far; entries in order.

    Nothing where an entry stands behind one that is not there: the record was damaged, and is told as one line.
    """
    found: dict[str, frozenset[str]] = {}
    for entry in entries:
        if not found.keys() >= set(entry.after):
            return {}
        found[entry.name] = frozenset(entry.after).union(*(found[name] for name in entry.after))
    return found


def is_one_line(entries: Sequence[Entry]) -> bool:
    """Return whether each entry was written after the one before it."""
    names = [entry.name for entry in entries]
    return all(entry.after == (name,) for entry, name in zip(entries[1:], names, strict=False))


def branches_of(entries: Sequence[Entry]) -> list[tuple[Entry, ...]]:
    """Return the entries that each branch was written after, with its end; one list where nothing branches."""
    if is_one_line(entries):
        return [tuple(entries)]
    before = before_each(entries)
    if not before:
        return [tuple(entries)]
    lines = [before[end.name] | {end.name} for end in ends_of(entries)]
    return [tuple(entry for entry in entries if entry.name in line) for line in lines]


def corrected(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Return the entries as they are after every correction, from whatever branch; what was withdrawn is left out."""
    bodies = {entry.name: entry.body for entry in entries}
    for entry in entries:
        if (about := entry.about) is not None:
            values = entry.body.get("values") or {}
            merged = {key: value for key, value in {**bodies.get(about, {}), **values}.items() if value is not None}
            bodies[about] = merged if values else {}
    kept = (replace(entry, body=bodies[entry.name]) for entry in entries if entry.kind != "correction")
    return tuple(entry for entry in kept if entry.body or entry.kind in ("closed", "opened"))


def names_of(entries: Iterable[Entry]) -> dict[str, str]:
    """Return name -> what a person types for it: its number, with letters of its hash where several have it."""
    entries = tuple(entries)
    counts = Counter(entry.number for entry in entries)
    length = 4
    hashes = {entry.hash for entry in entries if entry.hash}
    while len({text[:length] for text in hashes}) < len(hashes):
        length += 1
    several = {entry.name for entry in entries if counts[entry.number] > 1}
    return {
        entry.name: f"{entry.number}@{entry.hash[:length]}" if entry.name in several else str(entry.number)
        for entry in entries
    }


Value = TypeVar("Value")


def once(function: Callable[[Any], Value]) -> Callable[[Any], Value]:
    """Return a property of a visit that is worked out once and kept in ``known``: its entries never change."""

    @wraps(function)
    def remembered(visit: Any) -> Value:
        if function.__name__ not in visit.known:
            visit.known[function.__name__] = function(visit)
        found: Value = visit.known[function.__name__]
        return found

    return remembered
