"""Whether the clock of a visit can be right: a time that went back, a reading later than the moment it was entered."""

from __future__ import annotations

import datetime

from combust.application.visit.visit import Visit
from combust.data.moments import moment_of, span_in_words

MAY_BE_OFF = datetime.timedelta(minutes=2)  # a typed 08:15 at 08:14:30 is no doubt


def clock_doubts(visit: Visit) -> list[str]:
    """Return what speaks against the clock, in words; empty when nothing does.

    A doubted time is stored as it came: a dead clock must not keep anybody from writing down a stop.

    Examples
    --------
    >>> visit = Visit.open("V1", at="2026-01-12T09:00+01:00").add("note", {"text": "x"}, at="2026-01-12T08:00+01:00")
    >>> clock_doubts(visit)
    ['the clock went back by 1 h 0 min at entry 2']
    """
    told, before = [], dict[str, datetime.datetime]()
    for entry in visit.entries:
        now = moment_of(entry.at)
        taken = moment_of(entry.body.get("taken_at"), now)
        if now is None:
            continue
        last = before.setdefault(entry.origin, now)
        if now < last:
            told.append(f"the clock went back by {span_in_words(last - now)} at entry {entry.number}")
        if taken and taken - now > MAY_BE_OFF:
            told.append(f"{entry.key} is {span_in_words(taken - now)} later than the moment it was entered")
        before[entry.origin] = now
    return told
