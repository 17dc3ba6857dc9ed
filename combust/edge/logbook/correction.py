"""A correction as it is typed: the entry by its number, the new values, why; nothing that the entry cannot hold."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from combust.application.visit.entries import Entry
from combust.application.visit.visit import Visit
from combust.application.visit.words import HEAD, HOLDS, SAID
from combust.data.errors import CombustError, Fault
from combust.edge.logbook.typed import Line, needed, read_line
from combust.edge.logbook.visits import NewEntry, NewVisit
from combust.edge.next_command import next_command


def correction_of_line(
    name: int | str, words: Sequence[str], visit: Visit, at: datetime.datetime, book: str | Path = "BOOK"
) -> NewVisit:
    """Return the correction of one entry: the new values, ``because`` and why; without values it is withdrawn.

    ``name`` is its number, or ``6@ab12`` where entries of several books have that number.

    Raises
    ------
    CombustError
        No such entry, or one that is not corrected; every fault of the new values.
    """
    about = visit.entry(name)
    if about.kind in ("opened", "closed", "reopened", "correction"):
        numbers = next_command("log", "show", book, "--visit-id", visit.visit_id)
        hint = f"The entries with their numbers: {numbers}"
        if about.kind == "correction":
            hint = f"It corrects entry {about.corrects}: correct that one again."
        raise CombustError(Fault("entry", name, "unknown_name", why="is no entry to be corrected", hint=hint))
    lower = [word.lower() for word in words]
    cut = lower.index("because") if "because" in lower else len(words)
    values: dict[str, Any] = {}
    if words[:1] == ["text"]:
        values = {"text": needed("text", " ".join(words[1:cut]))}
    elif cut:
        line = read_line(words[:cut], visit, at)
        _refuse_strange(about, [*line.given, *line.over])
        values = {**dict.fromkeys(line.over), **line.given, **_beside_corrected(about.name, line, visit)}
    body = {"values": values, "reason": " ".join(words[cut + 1 :])}
    made: list[NewEntry] = [("correction", None, body)]
    return NewVisit(visit.visit_id, None, {}, made, corrects=name, at=at.isoformat(timespec="seconds"))


def _refuse_strange(about: Entry, keys: Sequence[str]) -> None:
    """Refuse to correct an entry by what it cannot hold: it would be lost in silence."""
    if about.kind == "setting":
        strange = [key for key in keys if key not in HEAD and key not in HOLDS]
    elif about.kind in ("reading", "part"):
        strange = [key for key in keys if key in SAID]
    else:
        strange = [key for key in keys if key not in about.body]
    if strange:
        kind = about.kind.replace("_", " ")
        why = f"is no part of entry {about.number}, which is a {kind}"
        hint = "combust log show tells the entries with their numbers; what is new is entered, not corrected."
        raise CombustError([Fault(key, None, "conflict", why=why, hint=hint) for key in strange])


def _beside_corrected(name: str, line: Line, visit: Visit) -> dict[str, Any]:
    """Return what stands beside the values of an entry when it is corrected; nothing stale of the old ones stays."""
    held = next((one.body for one in visit.in_force if one.name == name), {})
    changed = {*line.given, *line.over}
    beside = {}
    for name, new in (("over", line.over), ("typed", line.typed)):
        old = held.get(name) or {}
        left = {key: value for key, value in old.items() if key not in changed} | new
        if left != old:
            beside[name] = left or None
    return beside
