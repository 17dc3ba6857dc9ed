"""Dates and clock times as tables hold them, brought to ISO 8601; what can be read in two ways is refused."""

from __future__ import annotations

import datetime
import re

from combust.data.errors import Fault
from combust.data.fields import Field
from combust.data.moments import moment_of

LONGEST_DAY = len("2026-01-12")
YEAR = Field("year", low=1950.0, high=2100.0)  # a convention: before it nobody read lambda, after it a digit slipped
ORDERS = ("day month year", "month day year", "year month day")
# English and German, as people and spreadsheets shorten them (common practice, no source).
_MONTHS = (
    *("jan january januar jän jänner", "feb february februar feber", "mar march mär märz mrz maerz", "apr april"),
    *("may mai", "jun june juni", "jul july juli", "aug august", "sep sept september", "oct october okt oktober"),
    *("nov november", "dec december dez dezember"),
)
MONTHS = {name: number for number, names in enumerate(_MONTHS, 1) for name in names.split()}
_END_OF_DAY = re.compile(r"^(?:(?P<day>.*\d)[ T])?24:00(?::00)?(?P<zone>Z|[+-]\d\d:?\d\d)?$")
_DAY = re.compile(
    r"\s*(?:(\d{4}-\d\d-\d\d|\d{8})"  # ISO 8601
    r"|(\d{1,4})([./-]) ?(\d{1,2})\3 ?(\d{1,4})"  # three numbers
    r"|(\d{1,2})(?:\.|st|nd|rd|th)?[ /-]*([^\W\d_]{3,9})[., /-]+(\d{1,4})"  # 9. Okt. 2023
    r"|([^\W\d_]{3,9})[. ]+(\d{1,2})(?:st|nd|rd|th)?[, ]+(\d{1,4}))(?=[ T,]|\s*$)"  # Oct 9, 2023
)
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


def moment(date: str, clock: str = "", order: str = "") -> str | None:
    """Return a date and a clock time as ISO 8601 text, or None when they are none or can be read in two ways.

    An ISO text stays as it stands. ``12.01.2026`` is a day before a month wherever points are written (common practice,
    no source); ``12/01/2026`` is not told from the month before the day, ``13/01/2026`` is. With an ``order``, one of
    ``ORDERS``, each is read by it, and two digits of a year are those of this century. 24:00 starts the next day.

    Examples
    --------
    >>> moment("12.01.2026", "9:05"), moment("2026-01-12T09:05+01:00"), moment("12/01/2026")
    ('2026-01-12T09:05:00', '2026-01-12T09:05+01:00', None)
    >>> moment("9. Okt. 2023"), moment("5.10.23"), moment("5.10.23", order="day month year")
    ('2023-10-09', None, '2023-10-05')
    """
    if not clock and moment_seconds(date) is not None:
        return date.strip()
    if found := _END_OF_DAY.match((clock or date).strip()):
        day = date if clock else found["day"] or ""
        start = moment(day, order=order)
        if start is None or len(start) > LONGEST_DAY:
            return None
        after = datetime.datetime.fromisoformat(start) + datetime.timedelta(days=1)
        text = after.isoformat() + (found["zone"] or "")
        return None if moment_seconds(text) is None else text
    shape = _DAY.match(date)
    days = _days_of(shape, order) if shape else set()
    if shape is None or len(days) != 1:
        return None
    midnight, clock = days.pop(), clock or date[shape.end() :].strip(" ,T")
    if not _is_possible(midnight):
        return None
    if not clock:
        return midnight.isoformat()
    seconds = clock_seconds(clock)
    start_of_day = datetime.datetime.combine(midnight, datetime.time())
    return None if seconds is None else (start_of_day + datetime.timedelta(seconds=seconds)).isoformat()


def _days_of(shape: re.Match[str], order: str) -> set[datetime.date]:
    """Return each day that a text of that shape can mean."""
    iso, first, mark, second, third, *named = shape.groups()
    if iso:
        digits = iso.replace("-", "")
        return _day_if_there(digits[:4], digits[4:6], digits[6:])
    if first:
        parts = (first, second, third)
        orders = (order,) if order else {".": ORDERS[:1], "/": ORDERS[:2]}.get(mark, ())
        asked = [dict(zip(one.split(), parts, strict=True)) for one in orders]
    else:
        numbers = [part for part in (named[0], named[2], named[4], named[5]) if part]
        month = MONTHS.get((named[1] or named[3]).lower())
        if month is None:
            return set()
        years_last = len(numbers[0]) <= 2 and (len(numbers[1]) == 4 or order != ORDERS[2])
        day, year = numbers if years_last else numbers[::-1]
        asked = [{"year": year, "month": str(month), "day": day}]
    found = set()
    for one in asked:
        year = f"20{one['year']}" if order and len(one["year"]) == 2 else one["year"]
        found |= _day_if_there(year, one["month"], one["day"])
    return found


def _day_if_there(year: str, month: str, day: str) -> set[datetime.date]:
    try:
        return {datetime.date(int(year), int(month), int(day))} if len(year) == 4 and len(day) <= 2 else set()
    except ValueError:
        return set()


def _is_possible(day: datetime.date) -> bool:
    return YEAR.low <= day.year <= YEAR.high


def why_no_moment(text: str, otherwise: str = "is no time, or can be read in two ways", order: str = "") -> str:
    """Return why a text is no moment: its day or its year cannot be, or what is given for every other reason.

    Examples
    --------
    >>> why_no_moment("31.11.2024 9:05"), why_no_moment("01/02/2024"), why_no_moment("12.01.1823")[:33]
    ('cannot be: there is no such day', 'is no time, or can be read in two ways', 'cannot be: the year is 1823, not ')
    """
    shape = _DAY.match(text)
    if shape is None:
        return otherwise
    days = _days_of(shape, order)
    if years := {day.year for day in days if not _is_possible(day)}:
        return f"cannot be: the year is {min(years)}, not from {YEAR.low:g} to {YEAR.high:g}"
    is_day = not (shape[7] or shape[9]) or (shape[7] or shape[9]).lower() in MONTHS
    return "cannot be: there is no such day" if is_day and not days and not asks_for_order(text, order) else otherwise


def asks_for_order(text: str, order: str = "") -> bool:
    """Return whether a text is a day whose order of day, month and year has to be told.

    Examples
    --------
    >>> asks_for_order("05/10/2023 9:05"), asks_for_order("5.10.23"), asks_for_order("2023-13-01")
    (True, True, False)
    """
    shape = None if order else _DAY.match(text)
    if shape is None or shape[1]:
        return False
    return len(_days_of(shape, "")) != 1 and any(_days_of(shape, one) for one in ORDERS)


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
    """Return an ISO 8601 text as seconds [s] from a fixed moment, or None; also None in a year that cannot be.

    Without an offset the differences are still right; only the day of a clock change would not be.
    """
    stamp = moment_of(text)
    return None if stamp is None or not _is_possible(stamp.date()) else stamp.timestamp()
