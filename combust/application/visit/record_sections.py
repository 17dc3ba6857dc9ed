"""The record of a visit as sections of rows, which the command line prints and the page draws in the same words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple

from combust.application.reading.result import ReadingResult, interpret
from combust.application.visit.record import HEAD, VisitRecord, limit_entries
from combust.data.errors import CombustError
from combust.data.vocabulary import quantities
from combust.domain.result import shown

# What stands in columns of its own or at the head of a record; everything else is in "Also read".
IN_COLUMNS = ("o2_dry_pct", "co_dry_ppm", "smoke_number", "taken_at", "stage", "phase", "heater_id", "reading_id")
EMPTY_CELLS = "Empty = not measured or cannot be told, never 0. Lambda by the carbon and oxygen balance; reference air "
EMPTY_CELLS += "1013.25 hPa, 15 °C, dry."
WATCH_POINTS = "Watch-points, not a conformity test: local codes and the unit's own document win."
NOT_STATED = "Nothing was stated: do not take it as everything was checked."


class Section(NamedTuple):
    """A part of a record: title, rows of texts, what it says when empty, headings of its columns, a note below."""

    title: str
    rows: Sequence[Sequence[str]]
    nothing: str
    head: Sequence[str] = ()
    note: str = ""


def readings_done(record: VisitRecord) -> list[tuple[str, Mapping[str, Any], ReadingResult | None]]:
    """Return (key, content, what it says) of each reading; None for one that holds nothing to interpret."""
    return [(entry.key, entry.body, _result(entry.body)) for entry in record.entries if entry.kind == "reading"]


def _result(body: Mapping[str, Any]) -> ReadingResult | None:
    try:
        return interpret({key: value for key, value in body.items() if key in quantities()})
    except CombustError:
        return None


def sections(record: VisitRecord) -> list[Section]:
    """Return the parts of a record in the order in which they are read: visit, readings, findings, then the rest."""
    done = readings_done(record)
    rows = [_row(*one) for one in done]
    cells, head = [[*row.values()] for row in rows], [*rows[0]] if rows else []
    found = [(key, one) for key, _, result in done if result for one in result.findings]
    limits = record.of_kind("limit") or [body for _, body in limit_entries()]
    told = [(row["key"], f"{row['value']:g} {row['unit']}", row["basis"], row["origin"]) for row in limits]
    basis = ("limit", "value", "how it is taken", "origin")
    return [
        Section("The visit", _visit(record), ""),
        Section("Readings", cells, "No reading was taken.", head, EMPTY_CELLS),
        Section("Also read", [(key, _rest(body)) for key, body, _ in done if _rest(body)], "Nothing."),
        Section("Findings", [(key, one.text) for key, one in found if one.severity != "stop"], "None but the stops."),
        Section("Checks done", _texts(record, "check"), "None was written down."),
        Section("Work and adjustments", _texts(record, "adjustment", "event"), "None."),
        Section("What was NOT checked", _texts(record, "not_checked"), NOT_STATED),
        Section("Notes", _texts(record, "note"), "None."),
        Section("Limits used, with basis and origin", told, "None.", basis, WATCH_POINTS),
    ]


def _visit(record: VisitRecord) -> list[tuple[str, str]]:
    rows = {
        "heater": record.heater_id or "not named",
        "revision": str(record.revision),
        "opened": record.opened_at,
        "closed": record.closed_at,
        "why revised": record.reason,
        **{HEAD[key].meaning if key in HEAD else key: str(text) for key, text in record.head.items()},
    }
    return [(label, text) for label, text in rows.items() if text]


def _texts(record: VisitRecord, *kinds: str) -> list[tuple[str, str]]:
    chosen = [entry for kind in kinds for entry in record.entries if entry.kind == kind]
    return [(entry.key, ": ".join(str(part) for part in entry.body.values() if part is not None)) for entry in chosen]


def _row(key: str, body: Mapping[str, Any], result: ReadingResult | None) -> dict[str, str]:
    """Return the columns of one reading, heading -> text; empty where nothing was measured or can be told."""
    number = partial(shown, untold="")
    names = ("air_ratio", "air_ratio_u", "co_air_free_ppm", "air_ratio_at_reference", "stack_loss_pct")
    ratio, u, free, reference, loss = (getattr(result, name, None) for name in names)
    return {
        "reading": key,
        "when, stage": f"{body.get('taken_at') or ''} {body.get('stage') or ''}".replace("T", " ", 1).strip(),
        "work": str(body.get("phase") or "before"),
        "O2 %": number(body.get("o2_dry_pct"), ".1f"),
        "CO ppm": number(body.get("co_dry_ppm"), ".0f"),
        "CO air-free": number(free, ".0f"),
        "lambda ± 95 %": "" if ratio is None else f"{ratio:.2f} ± {2 * (u or 0.0):.2f}",
        "at reference air": number(reference, ".2f"),
        "loss %": number(loss, ".1f"),
        "smoke": number(body.get("smoke_number"), ".0f"),
    }


def _rest(body: Mapping[str, Any]) -> str:
    """Return what has no column of its own in words; a meaning without its explanation behind a colon or semicolon."""
    known = [(quantities()[name], value) for name, value in body.items() if name in quantities()]
    told = [
        f"{re.split('[:;]', row.meaning)[0]}: {f'{value:g}' if isinstance(value, float) else value} {row.unit}".strip()
        for row, value in known
        if row.key not in IN_COLUMNS
    ]
    return "; ".join(told)
