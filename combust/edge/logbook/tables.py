"""Readings into and out of the logbook as tables with the keys of the vocabulary as columns, CSV or Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.application.visit.record import EVENTS, HEAD, VisitRecord, check_head
from combust.data.errors import CombustError, Fault
from combust.data.vocabulary import input_keys, quantity
from combust.domain.reading import check_values
from combust.edge.logbook.visits import NewVisit
from combust.edge.tables.convert import EMPTY_WORDS
from combust.edge.tables.headings import match_headings
from combust.edge.tables.sink import TableSink
from combust.edge.tables.source import open_table

RECORD_COLUMNS = ("revision", "closed_at", "incomplete", "event")
IDENTITY = ("visit_id", "heater_id", "reading_id", "taken_at", "note", "fuel", "stage", "instrument", "phase")


@dataclass(frozen=True, slots=True)
class TableIn:
    """Visits of a table, and what was refused: (row number from 1, reasons)."""

    visits: list[NewVisit]
    rows: int
    refused: list[tuple[int, str]]


def visits_of_table(path: str | Path, *, mapping: dict[str, str] | None = None) -> TableIn:
    """Return the readings of a table as visits; every row is taken or refused with its reasons.

    Columns are vocabulary keys, the words about a visit (who, place, co_alarm, ...) and ``event``. Without a
    ``visit_id`` a row belongs to the visit of its heater and day.

    Raises
    ------
    CombustError
        The table as a whole cannot be used.
    """
    table = open_table(path)
    skipped = {name: "" for name in table.header if name in HEAD or name in RECORD_COLUMNS}
    headings = match_headings(table.header, skipped | (mapping or {}))
    gathered: dict[str, NewVisit] = {}
    refused: list[tuple[int, str]] = []
    rows = 0
    for block in table.blocks():
        columns = [column.to_pylist() for column in block.table.columns]
        for index in range(block.table.num_rows):
            rows += 1
            cells = [_cell(column[index]) for column in columns]
            values = {
                heading.foreign or heading.key: _pointed(cell, heading.key, table.decimal)
                for heading, cell in zip(headings, cells, strict=True)
                if heading.key and cell is not None
            }
            others = dict(zip(table.header, cells, strict=True))
            # A row whose cells have slipped is not taken: what stands in its columns may belong to others.
            told = [f"{block.ragged[index]}."] if index in block.ragged else _take(values, others, gathered)
            if told:
                refused.append((rows, " ".join(told)))
    return TableIn(list(gathered.values()), rows, refused)


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        text = value.strip()
        return None if text.lower() in EMPTY_WORDS else text
    return value


def _pointed(cell: Any, key: str | None, decimal: str) -> Any:
    numeric = key is not None and quantity(key).kind == "number"
    return cell.replace(",", ".") if isinstance(cell, str) and numeric and decimal == "," else cell


def _take(values: dict[Any, Any], others: dict[str, Any], gathered: dict[str, NewVisit]) -> list[str]:
    """Add a row to its visit; return why not."""
    checked, faults = check_values(values)
    head, head_faults = check_head({key: others.get(key) for key in HEAD})
    faults += head_faults
    event = others.get("event")
    if event is not None and event not in EVENTS:
        hint = f"Use {', '.join(EVENTS)} or leave it empty."
        faults.append(Fault("event", event, "unknown_name", why="is no event", hint=hint))
    visit_id = checked.get("visit_id") or _visit_of(checked)
    if not visit_id:
        hint = "Give visit_id, or heater_id and taken_at."
        faults.append(Fault("visit_id", None, "missing", why="is missing", hint=hint))
    visit = gathered.get(visit_id or "")
    heater = checked.get("heater_id")
    if visit is not None and heater and visit.heater_id and heater != visit.heater_id:
        why = f"is not the heater of visit {visit_id} ({visit.heater_id})"
        faults.append(Fault("heater_id", heater, "conflict", why=why, hint="One visit is about one heater."))
    key = checked.get("reading_id")
    if visit is not None and key and any(kind == "reading" and key == other for kind, other, _ in visit.entries):
        faults.append(Fault("reading_id", key, "twice", why="comes twice in this visit", hint="Keep one of them."))
    if faults or visit_id is None:
        return [str(fault) for fault in faults]
    measured = {k: v for k, v in checked.items() if k != "visit_id"}
    entries: list[tuple[str, str | None, dict[str, Any]]] = []
    if any(k not in ("heater_id", "taken_at", "note", "reading_id") for k in measured):
        entries.append(("reading", key, measured))
    elif measured.get("note"):
        entries.append(("note", None, {"text": measured["note"]}))
    if event:
        entries.append(("event", None, {"event": event, "at": checked.get("taken_at")}))
    before = visit or NewVisit(visit_id, heater, {}, [])
    gathered[visit_id] = NewVisit(
        visit_id, before.heater_id or heater, {**before.head, **head}, [*before.entries, *entries]
    )
    return []


def _visit_of(checked: dict[str, Any]) -> str | None:
    heater, taken = checked.get("heater_id"), checked.get("taken_at")
    return f"{heater} {taken[:10]}" if heater and taken else None


def export_visits(records: Sequence[VisitRecord], out: str | Path) -> int:
    """Write the readings of visits as a table, one row a reading, its keys as columns; return the rows.

    Only columns that occur are written. Words about the visit and ``revision``, ``closed_at``, ``incomplete`` and
    ``event`` stand behind the reading's own columns; what was not measured is empty.

    Raises
    ------
    CombustError
        There is no reading to export.
    """
    import pyarrow as pa

    rows = [row for record in records for row in _rows_of(record)]
    if not rows:
        hint = "Add a reading first."
        raise CombustError(Fault("logbook", None, "missing", why="holds no reading to export", hint=hint))
    present = set().union(*rows)
    names = [key for key in (*IDENTITY, *(k for k in input_keys() if k not in IDENTITY)) if key in present]
    names += [key for key in (*HEAD, *RECORD_COLUMNS) if key in present]
    columns = []
    for name in names:
        number = name == "revision" or (name in input_keys() and quantity(name).kind == "number")
        kind = pa.int64() if name == "revision" else pa.float64() if number else pa.string()
        columns.append(pa.array([row.get(name) for row in rows], kind))
    with TableSink(out) as sink:
        sink.write(pa.Table.from_arrays(columns, names=names))
    return len(rows)


def _rows_of(record: VisitRecord) -> list[dict[str, Any]]:
    common: dict[str, Any] = {"visit_id": record.visit_id, **record.head, "revision": record.revision}
    common |= {"closed_at": record.closed_at, "incomplete": record.incomplete, "heater_id": record.heater_id}
    common = {key: value for key, value in common.items() if value is not None}
    rows = [
        {**common, **entry.body, "reading_id": entry.body.get("reading_id", entry.key)}
        for entry in record.entries
        if entry.kind == "reading"
    ]
    # An event stands in a row of its own when the visit has no reading to carry it.
    for number, event in enumerate(record.of_kind("event")):
        if number < len(rows):
            rows[number]["event"] = event.get("event")
        else:
            at = {"taken_at": event["at"]} if event.get("at") else {}
            rows.append({**common, **at, "event": event.get("event")})
    return rows
