"""The entries of a visit: what one can be, what it holds, how those of several books stand in order of time."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import Any, TypeVar

# What an entry can be. ``part`` adds to a reading that was begun, ``setting`` holds from then on (who, place, analyser,
# where it stands), ``missing`` declares what cannot be had, ``correction`` names the entry that it corrects, ``day``
# holds settings that the visits of a day begin with.
KINDS = (
    *("opened", "setting", "reading", "part", "check", "adjustment", "event", "note", "not_checked"),
    *("missing", "correction", "closed", "reopened", "day"),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a visit: what kind, what it holds, when, who, its number and name; ``corrects`` names a number."""

    kind: str
    body: Mapping[str, Any]
    at: str
    number: int
    key: str = ""
    who: str | None = None
    corrects: int | None = None
    origin: str = ""


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return the entries of one visit from several books in order of time, each book in its own order."""
    latest: dict[str, float] = {}
    placed = []
    for entry in sorted(entries, key=lambda one: (one.origin, one.number)):
        now = moment_of(entry.at)
        latest[entry.origin] = max(latest.get(entry.origin, -math.inf), now.timestamp() if now else -math.inf)
        placed.append((latest[entry.origin], entry.origin, entry.number, entry))
    return tuple(one[-1] for one in sorted(placed, key=lambda one: one[:3]))


def moment_of(text: object, like: datetime.datetime | None = None) -> datetime.datetime | None:
    """Return a time with its offset, None where a text is none; without an offset it has that of another, or UTC.

    Examples
    --------
    >>> moment_of("2026-01-12T08:00+01:00") == moment_of("2026-01-12T07:00"), moment_of("soon")
    (True, None)
    """
    try:
        found = datetime.datetime.fromisoformat(str(text).strip())
    except ValueError:
        return None
    return found if found.tzinfo else found.replace(tzinfo=like.tzinfo if like else datetime.UTC)


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
