"""Moments and days of ISO 8601 texts, and spans of time in words: what is none is None."""

from __future__ import annotations

import datetime


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


def date_of(text: object) -> datetime.date | None:
    """Return the day of a text that begins with one, whatever stands behind it; None where there is none.

    Examples
    --------
    >>> date_of("2026-01-12T08:00"), date_of("31 January"), date_of(None)
    (datetime.date(2026, 1, 12), None, None)
    """
    try:
        return datetime.date.fromisoformat(text.strip()[:10]) if isinstance(text, str) else None
    except ValueError:
        return None


def last_day_read() -> datetime.date:
    """Return the last day on which anything can have been read: it may be tomorrow somewhere."""
    return datetime.date.today() + datetime.timedelta(days=1)


def span_in_words(much: datetime.timedelta) -> str:
    """Return a span of time in words, whole minutes of a day, whole hours of more.

    Examples
    --------
    >>> span_in_words(datetime.timedelta(hours=3, minutes=30)), span_in_words(datetime.timedelta(hours=49))
    ('3 h 30 min', '2 d 1 h')
    """
    minutes = int(much.total_seconds() // 60)
    days, hours = divmod(minutes // 60, 24)
    return f"{days} d {hours} h" if days else f"{hours} h {minutes % 60} min" if hours else f"{minutes} min"
