"""What speaks against running a heater today: the stops of its last visit, and whatever no later reading took back."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.read_again import Moment, ReadAgain, read_at
from combust.application.reading.result import safety_of
from combust.application.safety import gasoline_stops, height_at_least, own_limits
from combust.application.visit.taken import name_of_row, of_rows
from combust.data.moments import date_of
from combust.data.told import Told
from combust.domain.heater import Heater, HeaterLimits
from combust.domain.limits import Finding, finding, in_order
from combust.domain.safety import Safety, of_all


@dataclass(frozen=True, slots=True)
class JudgedVisit(Told):
    """A visit that is judged as a whole, by its own entries: its heater, its day, and what gives its safety state.

    ``rows`` are its readings with all that can stop, CO over the range of the instrument too.
    """

    heater_id: str | None
    visit_id: str
    date: datetime.date | None
    safety: Callable[[], Safety]
    rows: Sequence[Mapping[str, Any]]


def last_findings(
    rows: Sequence[Mapping[str, Any]], visits: Sequence[JudgedVisit], heater: Heater | None, until: datetime.date
) -> tuple[Finding, ...]:
    """Return the findings of the last visit with a reading and of all that came after it, the worst first.

    A stop stays until what showed it was read again later (:mod:`combust.application.read_again`). What is dated after
    ``until`` or has no date counts as later than everything: nobody can say that it is over.

    Parameters
    ----------
    rows : sequence of mapping
        Readings of one heater by vocabulary key.
    visits : sequence of JudgedVisit
        Visits of it that are judged as a whole; their readings are not judged again.
    heater : Heater or None
        Its own document limits the height of the last visit.
    """
    days = [date_of(row.get("taken_at")) for row in rows]
    last = max((day for day in days if day and day <= until), default=None)
    again = ReadAgain(row for day, row in zip(days, rows, strict=True) if day and day <= until)
    whole = {one.visit_id: one for one in visits}
    parts = []
    for one in visits:
        if one.date is None or _counts(one.date, last):
            parts.append(one.safety())
        elif not again.nothing_old(one.rows, (one.date, True)):
            parts.append(_left(one.safety(), again, (one.date, True), one.rows))
    alone = [(day, row) for day, row in zip(days, rows, strict=True) if row.get("visit_id") not in whole]
    parts.append(of_rows((name_of_row(row), _of_row(row, again, _counts(day, last))) for day, row in alone))
    newest = [row for day, row in zip(days, rows, strict=True) if _counts(day, last)]
    if heater:
        parts.append(Safety(gasoline_stops(heater, *dict.fromkeys(row.get("fuel") for row in newest))))
    return in_order([*of_all(parts).findings, *_above_limit(newest, heater)])


def _of_row(row: Mapping[str, Any], again: ReadAgain, counts: bool) -> Safety:
    """Return the safety state of a reading without the stops that are over; of an older one only its stops."""
    since = read_at(row)
    if since is None:
        return safety_of(row)
    return Safety(()) if again.nothing_old([row], since) else _left(safety_of(row), again, since, [row], counts=counts)


def _left(
    found: Safety, again: ReadAgain, since: Moment, rows: Sequence[Mapping[str, Any]], *, counts: bool = False
) -> Safety:
    """Return the stops that still stand of the heater; where the day itself counts, all other findings too."""
    over = {one.code for one in found.stops if again.over([one.code], since, rows)}
    kept = found.findings if counts else found.without_place().stops
    return Safety(tuple(one for one in kept if one.code not in over))


def _counts(day: datetime.date | None, last: datetime.date | None) -> bool:
    return day is None or last is None or day >= last


def _above_limit(rows: Sequence[Mapping[str, Any]], heater: Heater | None) -> list[Finding]:
    """Return the finding of a heater that was read above the height its own document allows."""
    limits = HeaterLimits() if heater is None else heater.limits
    places = [[row.get(key) for key in ("altitude_m", "pressure_hpa")] for row in rows]
    heights = [height_at_least(*(math.nan if one is None else float(one) for one in place)) for place in places]
    height, highest = float(np.fmax.reduce([float(one) for one in heights], initial=-math.inf)), limits.altitude_m
    if highest is None or not own_limits(height_m=height, height_limit_m=highest)["above_heater_limit"]:
        return []
    source = limits.source or "source not stated"
    return [finding("above_heater_limit", altitude_m=height, limit_m=highest, source=source)]
