"""The next command as it is printed: one that works when it is copied, whatever blanks a name or a path has."""

from __future__ import annotations

import shlex

from combust.data.errors import printable


def next_command(*words: object) -> str:
    """Return a command line of combust, each word quoted where a shell needs it; no mark may follow it directly.

    What the reader has to fill in stands as one word in capitals.

    Examples
    --------
    >>> print(next_command("visit", "reopen", "winter.book", "--visit-id", "Heater 1", "--reason", "WHY"))
    combust visit reopen winter.book --visit-id 'Heater 1' --reason WHY
    """
    return printable(shlex.join(["combust", *map(str, words)]))


def after_closing(book: object, visit_id: str, heater_id: str | None) -> str:
    """Return the commands that go on where a visit is closed: add to it, or open a new one."""
    again = next_command("visit", "reopen", book, "--visit-id", visit_id, "--reason", "WHY")
    anew = next_command("visit", "open", book, heater_id or "HEATER")
    return f"Open a new one: {anew} or this one again, and say why: {again}"
