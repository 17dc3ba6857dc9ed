"""Dates and clock times as tables hold them, brought to ISO 8601; what can be read in two ways is refused."""

from __future__ import annotations

import datetime
import re

_DAY = re.compile(r"^(\d{1,2})([./])(\d{1,2})\2(\d{4})$")
_CLOCKS = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M %p", "%I:%M:%S %p")


def moment(date: str, clock: str = "") -> str | None:
    """Return a date and a clock time as ISO 8601 text, or None when they are none or can be read in two ways.

    An ISO text stays as it stands. ``12.01.2026`` is a day before a month wherever points are written (common practice,
    no source); ``12/01/2026`` is not told from the month before the day, ``13/01/2026`` is.

    Examples
    --------
    >>> moment("12.01.2026", "9:05"), moment("2026-01-12T09:05+01:00"), moment("12/01/2026")
    ('2026-01-12T09:05:00', '2026-01-12T09:05+01:00', None)
    """
    date, _, beside = date.strip().partition(" ") if not clock and _DAY.match(date.split(" ")[0]) else (date, "", "")
    clock = clock or beside
    try:
        if found := _DAY.match(date.strip()):
            day, month, year = int(found[1]), int(found[3]), int(found[4])
            if found[2] == "/":
                if day <= 12 and month <= 12 and day != month:
                    return None
                day, month = (day, month) if month <= 12 else (month, day)
            date = datetime.date(year, month, day).isoformat()
        elif not clock:
            datetime.datetime.fromisoformat(date.strip())
            return date.strip()
        day_text = datetime.date.fromisoformat(date.strip()[:10]).isoformat()
    except ValueError:
        return None
    if not clock:
        return day_text
    seconds = clock_seconds(clock)
    midnight = datetime.datetime.fromisoformat(day_text)
    return None if seconds is None else (midnight + datetime.timedelta(seconds=seconds)).isoformat()


def clock_seconds(text: str) -> float | None:
    """Return a clock time such as 14:05, 14:05:30 or 2:05 PM as seconds since midnight [s], or None."""
    for form in _CLOCKS:
        try:
            found = datetime.datetime.strptime(text.strip(), form)
        except ValueError:
            continue
        return found.hour * 3600 + found.minute * 60 + found.second + found.microsecond / 1e6
    return None


def moment_seconds(text: str) -> float | None:
    """Return an ISO 8601 text as seconds [s] from a fixed moment, or None.

    Without an offset the differences are still right; only the day of a clock change would not be.
    """
    try:
        stamp = datetime.datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=datetime.UTC)).timestamp()
