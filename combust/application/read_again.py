"""What takes an old stop of a heater back: what showed it was read again later, by the same measure.

An empty cell takes nothing back. Common practice, no source: who measured danger measures again before it is over.
"""

from __future__ import annotations

import datetime
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeAlias

from combust.application.reading.result import safety_of
from combust.data.moments import date_of
from combust.domain.limits import finding_kinds, limit

CO = ("co_dry_ppm", "co_wet_ppm")
Moment: TypeAlias = tuple[datetime.date, bool]
"""A day, and whether the work of that day was done."""


def read_at(row: Mapping[str, Any]) -> Moment | None:
    """Return when a reading was taken; None where nobody told the day."""
    day = date_of(row.get("taken_at"))
    return (day, row.get("phase") == "after") if day else None


class ReadAgain:
    """When what can take a stop back was read, of one heater."""

    def __init__(self, readings: Iterable[Mapping[str, Any]]) -> None:
        keys = {*CO, *(key for kind in finding_kinds().values() for key in kind.again)}
        read: dict[tuple[str, str], set[Moment]] = defaultdict(set)
        for row in readings:
            if (moment := read_at(row)) is None:
                continue
            for key in keys:
                if row.get(key) is not None and (key not in CO or _of_flue_gas(row)):
                    read[key, ""].add(moment)
                    read[key, _stage(row)].add(moment)
        self._keys = keys
        self._read = {place: sorted(moments) for place, moments in read.items()}

    def over(self, codes: Iterable[str], since: Moment, rows: Sequence[Mapping[str, Any]]) -> Moment | None:
        """Return from when none of the stops of these readings stands any more; None: not yet.

        CO in the flue gas counts at the stage that showed it, and where the gas was no fresh air; what has no measure
        of its own (``again`` of ``findings.toml``) is over once CO was read at any stage.
        """
        ends = []
        for code in codes:
            keys = finding_kinds()[code].again
            stages = _stages_with(code, rows) if {*keys} & {*CO} else {""}
            ends += [self._next(keys or CO, since, stage) for stage in stages]
        return max((one for one in ends if one), default=None) if all(ends) else None

    def nothing_old(self, rows: Sequence[Mapping[str, Any]], since: Moment) -> bool:
        """Return whether all that readings hold, and CO, was read again later, so that no stop of them can stand."""
        held = {
            (key, _stage(row) if key in CO else "") for row in rows for key in self._keys if row.get(key) is not None
        }
        co = self._next(CO, since, "") is not None
        return bool(rows) and co and all(self._next((key,), since, stage) for key, stage in held)

    def _next(self, keys: Iterable[str], since: Moment, stage: str) -> Moment | None:
        later = []
        for key in keys:
            moments = self._read.get((key, stage), [])
            later += moments[bisect_right(moments, since) :][:1]
        return min(later, default=None)


def _stage(row: Mapping[str, Any]) -> str:
    return str(row.get("stage") or "")


def _stages_with(code: str, rows: Sequence[Mapping[str, Any]]) -> set[str]:
    """Return the stages of the readings that show a stop, "" where none is named; of all where none shows it alone."""
    shown = [row for row in rows if code in {one.code for one in safety_of(row).stops}]
    return {_stage(row) for row in shown or rows} or {""}


def _of_flue_gas(row: Mapping[str, Any]) -> bool:
    """Return whether a reading is of flue gas: not of a sample that is known to hold outside air, nor of air alone.

    O2 that is not given is not held against it.
    """
    if row.get("probe_leak_test") == "fail":
        return False
    o2 = row.get("o2_dry_pct") if row.get("o2_dry_pct") is not None else row.get("o2_wet_pct")
    return o2 is None or float(o2) < limit("o2_no_lambda")
