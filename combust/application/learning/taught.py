"""One visit as learning takes it, whether it comes from a logbook or from an anonymous table."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from combust.application.learning.confirmed import OPENED_UP, Look, confirm, day_of
from combust.application.visit.visit import Visit
from combust.data.near import folded_name
from combust.domain.heater import Heater
from combust.domain.reading import is_simulated


@dataclass(frozen=True, slots=True)
class Taught:
    """What one visit, or a row of an anonymous table, teaches.

    Attributes
    ----------
    group : str
        What visits of one heater have in common: its id, or a random number of an anonymous table.
    heater : Heater or None
        With its healthy reading; None where a cause is told without readings.
    rows : tuple of dict
        The readings before the work, as the ranking takes them.
    cause : str
        The confirmed cause; "" where none was: such a visit teaches structure only.
    none_of : tuple of str or None
        Of a confirmed cause that an anonymous table held back the causes that it tells: it was none of those.
    looks : tuple of Look
        What was seen, held against the confirmed cause; empty without one.
    day : str
        ISO 8601; "" where it is not told.
    visits : int
        How many visits it stands for: a row of an anonymous table is the mean of several.
    scatter : float
        By how much more than one visit it scatters, as a factor of its readings' standard uncertainty; 1 of a book.
    """

    group: str
    heater: Heater | None
    rows: tuple[dict[str, Any], ...]
    cause: str = ""
    looks: tuple[Look, ...] = ()
    day: str = ""
    visits: int = 1
    scatter: float = 1.0
    none_of: tuple[str, ...] | None = None


class Marks:
    """The closed visits that were looked at, or the contributions of a table, as one checksum tells them."""

    def __init__(self, names: Iterable[str] = ()) -> None:
        self.names = list(names)

    def of(self, visits: Iterable[Visit]) -> Iterator[Visit]:
        """Yield visits as they come, and keep the name of each closed one with its last entry."""
        for visit in visits:
            if visit.closed_at and visit.entries:
                self.names.append(f"{visit.visit_id} {visit.entries[-1].hash}")
            yield visit

    @property
    def checksum(self) -> str:
        """The checksum, whatever the order of the visits."""
        return hashlib.sha256("\n".join(sorted(self.names)).encode()).hexdigest()


def taught(visits: Iterable[Visit]) -> Iterator[Taught]:
    """Yield what the visits of a logbook teach, one after the other; memory does not grow with their number.

    Closed visits of heaters with a healthy reading count, as they are after every correction. Those that were changed
    outside combust, and those of the simulated heater, do not.
    """
    for visit in visits:
        heater = visit.heater if visit.closed_at and not visit.broken else None
        if heater is None or not heater.baselines or any(is_simulated(one.values) for one in visit.taken):
            continue
        found, _ = confirm(visit)
        if found:
            rows, cause, looks = found.rows, found.cause, found.looks
        else:
            before = [one.row for one in visit.taken if not one.after]
            kept = [{key: value for key, value in row.items() if key != OPENED_UP} for row in before]
            rows, cause, looks = tuple(row for row in kept if row), "", ()
        if rows:
            yield Taught(
                folded_name(visit.heater_id or visit.visit_id), heater, rows, cause, looks, day_of(visit, rows)
            )
