"""Dates and clock times as tables hold them, brought to ISO 8601; what can be read in two ways is refused."""

from __future__ import annotations

import datetime
import re

from combust.data.errors import Fault
from combust.data.moments import moment_of

_DAYS = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y")
LONGEST_DAY = len("2026-01-12")
_END_OF_DAY = re.compile(r"^(?:(?P<day>.*\d)[ T])?24:00(?::00)?(?P<zone>Z|[+-]\d\d:?\d\d)?$")
_DAY_SHAPE = re.compile(r"\s*(\d{1,2}([./])\d{1,2}\2\d{4}|\d{4}-\d\d-\d\d)(?=[ T]|\s*$)")
_CLOCKS = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M %p", "%I:%M:%S %p")


def _readings_of(text: str, forms: tuple[str, ...]) -> list[datetime.datetime]:
    """Return each moment that a text can mean."""
    found = []
    for form in forms:
        try:
            found.append(datetime.datetime.strptime(text.strip(), form))
        except ValueError:
            continue
    return found


def moment(date: str, clock: str = "") -> str | None:
    """Return a date and a clock time as ISO 8601 text, or None when they are none or can be read in two ways.

    An ISO text stays as it stands. ``12.01.2026`` is a day before a month wherever points are written (common practice,
    no source); ``12/01/2026`` is not told from the month before the day, ``13/01/2026`` is. 24:00 starts the next day.

    Examples
    --------
    >>> moment("12.01.2026", "9:05"), moment("2026-01-12T09:05+01:00"), moment("12/01/2026")
    ('2026-01-12T09:05:00', '2026-01-12T09:05+01:00', None)
    """
    if not clock and moment_seconds(date) is not None:
        return date.strip()
    if found := _END_OF_DAY.match((clock or date).strip()):
        day = date if clock else found["day"] or ""
        start = moment(day)
        if start is None or len(start) > LONGEST_DAY or start.startswith("9999-12-31"):
            return None
        after = datetime.datetime.fromisoformat(start) + datetime.timedelta(days=1)
        text = after.isoformat() + (found["zone"] or "")
        return None if moment_seconds(text) is None else text
    day, *beside = re.split("[ T]", date.strip(), maxsplit=1)
    days = _days_of(day)
    if len(days) != 1:
        return None
    midnight, clock = days.pop(), clock or "".join(beside)
    if not clock:
        return midnight.date().isoformat()
    seconds = clock_seconds(clock)
    return None if seconds is None else (midnight + datetime.timedelta(seconds=seconds)).isoformat()


def _days_of(text: str) -> set[datetime.datetime]:
    if moment_seconds(text) is not None:
        return {datetime.datetime.fromisoformat(text.strip())}
    return {*_readings_of(text, _DAYS)}


def why_no_moment(text: str, otherwise: str = "is no time, or can be read in two ways") -> str:
    """Return why a text is no moment: its day does not exist, or what is given for every other reason.

    Examples
    --------
    >>> why_no_moment("31.11.2024 9:05"), why_no_moment("01/02/2024")
    ('cannot be: there is no such day', 'is no time, or can be read in two ways')
    """
    day = _DAY_SHAPE.match(text)
    return otherwise if day is None or _days_of(day[1]) else "cannot be: there is no such day"


def no_time(text: object) -> bool:
    """Return whether a text that should be a time is none that can be told from every other one."""
    return bool(text) and moment_seconds(str(text)) is None


def time_fault(text: object) -> Fault:
    """Return the fault of a time that is none."""
    hint = "Write it like 2026-01-12T09:10, or leave it out: the time is stamped."
    return Fault("taken_at", text, "format", why=why_no_moment(str(text), "is no date with a time"), hint=hint)


def clock_seconds(text: str) -> float | None:
    """Return a clock time such as 14:05, 14:05:30 or 2:05 PM as seconds since midnight [s], or None."""
    for found in _readings_of(text, _CLOCKS):
        return found.hour * 3600 + found.minute * 60 + found.second + found.microsecond / 1e6
    return None


def moment_seconds(text: str) -> float | None:
    """Return an ISO 8601 text as seconds [s] from a fixed moment, or None.

    Without an offset the differences are still right; only the day of a clock change would not be.
    """
    stamp = moment_of(text)
    return None if stamp is None else stamp.timestamp()
