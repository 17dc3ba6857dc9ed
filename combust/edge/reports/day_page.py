"""The sheet of a day: one row a visit, stops first and large, what is handed back and what is still missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from combust.application.visit.record import status
from combust.application.visit.visit import Visit
from combust.domain.safety import of_all
from combust.edge.reports.html import page
from combust.edge.reports.verdict import Room, Verdict, verdict_of

LONG, SHORT, NAME = 140, 70, 40  # characters of a cell
MOST_MISSING = 3
HEADS = ("heater, visit", "vehicle, place", "found and done", "CO in the cab", "now", "still missing", "next visit")


def day_page(visits: Sequence[Visit], day: str, *, heads: Mapping[str, str]) -> str:
    """Return the sheet of a day as one HTML page, A4 across; every text of the records is escaped.

    A heater with a stop condition stands first, in large print, then those that are kept off or not handed back.

    Parameters
    ----------
    visits : sequence of Visit
        Those of the day, in the order they were opened; perhaps none.
    day : str
        YYYY-MM-DD.
    heads : mapping
        Name of a visit -> the checksums of its chains.

    Returns
    -------
    str
        A whole HTML5 document.
    """
    room = Room()
    found = [(visit, verdict_of(visit)) for visit in visits]
    found.sort(key=lambda pair: pair[1].rank)
    stopped = [
        {"name": _name(visit, room), "now": verdict.now, "cab": verdict.cab, "lines": verdict.lines}
        for visit, verdict in found
        if verdict.safety.alarming
    ]
    return page(
        "day",
        day=day,
        who=sorted({str(visit.head.get("who") or "not stated") for visit in visits}),
        stopped=stopped,
        state=of_all(verdict.safety for _, verdict in found).lines() if found and not stopped else (),
        broken=[(visit.visit_id, visit.broken) for visit in visits if visit.broken],
        head=HEADS,
        rows=[_row(visit, verdict, room) for visit, verdict in found],
        totals=_totals(found),
        cut=room.cut,
        sums=[(visit.visit_id, heads.get(visit.visit_id, "")) for visit, _ in found],
    )


def _name(visit: Visit, room: Room) -> str:
    names = (visit.heater_id or "heater not named", visit.head.get("vehicle"), f"visit {visit.visit_id}")
    return ", ".join(room.words(text, NAME) for text in names if text)


def _row(visit: Visit, verdict: Verdict, room: Room) -> dict[str, object]:
    """Return the cells of a visit, and whether it is to be marked."""
    where = ", ".join(str(visit.head[key]) for key in ("vehicle", "place") if visit.head.get(key))
    state = "open" if not visit.closed_at else "closed incomplete" if "incomplete" in status(visit) else "closed"
    cells = (  # in the order of the headings
        room.words(where or "not stated", SHORT),
        f"{_as_found(verdict)}{room.words(verdict.brief.rstrip('.'), LONG)}. Done: {room.words(verdict.done, SHORT)}",
        verdict.cab.value,
        verdict.now,
        f"{state}; " + (", ".join(room.some(verdict.missing, MOST_MISSING, NAME)) or "nothing missing"),
        room.words(verdict.next_visit, NAME),
    )
    heater = f"{room.words(visit.heater_id or 'not named', NAME)}, {room.words(visit.visit_id, NAME)}"
    return {"heater": heater, "cells": [*zip(HEADS[1:], cells, strict=True)], "stop": bool(verdict.safety.stops)}


def _as_found(verdict: Verdict) -> str:
    """Return the stops as found that are gone; those that stand are told in large print."""
    return "".join(f"As found: STOP. {text}. " for text in verdict.as_found)


def _totals(found: Sequence[tuple[Visit, Verdict]]) -> list[tuple[str, int]]:
    verdicts = [verdict for _, verdict in found]
    return [
        ("visits", len(found)),
        ("with a stop condition", sum(bool(one.safety.stops) for one in verdicts)),
        ("handed back", sum(one.now == "Handed back." for one in verdicts)),
        ("kept off", sum(one.now == "Kept off." for one in verdicts)),
        ("neither", sum(one.now not in ("Handed back.", "Kept off.") for one in verdicts)),
        ("CO in the cab not measured", sum(not one.cab.measured for one in verdicts)),
        ("records still open", sum(not visit.closed_at for visit, _ in found)),
        ("records that lack something", sum(bool(one.missing) for one in verdicts)),
    ]
