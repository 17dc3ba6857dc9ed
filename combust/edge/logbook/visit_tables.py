"""Readings into and out of the logbook as tables with the keys of the vocabulary as columns, CSV or Parquet."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from combust.application.reading.result import safety_of
from combust.application.visit.record import HANDED_BACK, check_head, handed_back
from combust.application.visit.taken import Taken, name_of_row, of_heaters
from combust.application.visit.visit import Visit, alarm_findings
from combust.application.visit.words import HEAD
from combust.data.errors import CombustError, Fault, first_few, shorten
from combust.data.near import folded_id
from combust.data.vocabulary import inputs
from combust.domain.catalogue import get_fuel
from combust.domain.limits import Finding
from combust.domain.result import many
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.visits import NewEntry, NewVisit, entries_of_row
from combust.edge.tables.anonymous import MARKS
from combust.edge.tables.convert import in_a_map
from combust.edge.tables.headings import RECORD_COLUMNS, columns_of_visits
from combust.edge.tables.reader import DATE, FEW, TIME, Entries, Rows, open_source, read_entries, read_table
from combust.edge.tables.series import Series
from combust.edge.tables.sink import table_sink
from combust.edge.tables.table_map import MapLike
from combust.edge.tables.times import LONGEST_DAY, moment_seconds

# What a reading of the worst CO of a series has in common with its steady mean.
KEPT = ("heater_id", "taken_at", "phase", "location", "fuel", "stage", "probe_leak_test")
USUAL_STAGES = ("high", "low")
IDENTITY = ("safety", "visit_id", "heater_id", "reading_id", "taken_at", "note", "fuel", "stage", "instrument", "phase")


@dataclass(frozen=True, slots=True)
class TableRow:
    """What one row of a table says: its line, words about the visit, entries, when the visit was closed, all of it."""

    line: int
    head: dict[str, str] = field(default_factory=dict)
    entries: list[NewEntry] = field(default_factory=list)
    closed_at: str = ""
    said: Mapping[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class TableVisit(NewVisit):
    """A visit of a table, with the rows that it is made of."""

    rows: list[TableRow] = field(default_factory=list, compare=False)


def visits_of_table(path: str | Path, *, mapping: MapLike = None) -> tuple[list[TableVisit], Entries]:
    """Return the readings of a table as visits, and its entries; every row is taken or refused with its reasons.

    Columns are vocabulary keys, the words about a visit (who, place, co_alarm, ...), ``event``, and ``repair``, the
    words of what was done: before a reading with ``phase`` after, behind any other. Without a ``visit_id`` a row
    belongs to the visit of its heater and day. CO over the range of the instrument is kept as such, as at the keyboard.

    Raises
    ------
    CombustError
        The table as a whole cannot be used, or is an anonymous one.
    """
    if isinstance(path, str | Path) and {*open_source(path).header} >= MARKS:
        why, hint = "is an anonymous table, which holds no visits", "combust learn and combust share read it."
        raise CombustError(Fault("table", str(path), "conflict", why=why, hint=hint))
    fields = {**inputs(), "date": DATE, "time": TIME, **columns_of_visits()}
    entries = read_entries(read_table(path, fields, mapping), _look_over)
    gathered: dict[str, TableVisit] = {}
    for line, values in entries.good:
        named = name_of_visit(values)
        if faults := _take(line, values, gathered):
            twice = all(fault.code == "twice" for fault in faults)  # its visit lacks nothing without it
            entries.refuse(line, faults, values=None if twice else {"visit_id": named})
    for visit in [*gathered.values()]:
        if fault := _closed_too_early(visit):
            del gathered[visit.visit_id]
            stops = safety_of_visits([visit], ()).stops
            entries.stops, entries.of_nobody = [*entries.stops, *stops], [*entries.of_nobody, *stops]
            for row in visit.rows:
                entries.refuse(row.line, [fault], values={"visit_id": visit.visit_id})
    entries.notes = [*entries.notes, *_strange_fuels(gathered.values()), *_strange_stages(gathered.values())]
    return list(gathered.values()), entries


def _closed_too_early(visit: TableVisit) -> Fault | None:
    """Return the fault of a visit that was closed before anything was read; a time without an offset is compared so."""
    times = [str(body["taken_at"]) for kind, _, body in visit.entries if kind == "reading" and body.get("taken_at")]
    if not visit.closed_at or not times:
        return None
    first = min(times, key=lambda text: moment_seconds(text) or 0.0)
    ends, begins = (datetime.datetime.fromisoformat(text) for text in (visit.closed_at, first))
    timed = min(len(visit.closed_at), len(first)) > LONGEST_DAY and (ends.tzinfo is None) == (begins.tzinfo is None)
    if not (ends < begins if timed else ends.date() < begins.date()):
        return None
    why = f"is before anything was read in visit {visit.visit_id} ({first})"
    return Fault("closed_at", visit.closed_at, "conflict", why=why, hint="Put the day and the time right.")


def _strange_stages(visits: Iterable[NewVisit]) -> list[str]:
    """Return what is to be told of stages that are neither high nor low: a profile may name its stages otherwise."""
    rows = Counter(
        str(body["stage"]) for one in visits for kind, _, body in one.entries if kind == "reading" and body.get("stage")
    )
    told = []
    for name, count in rows.items():
        if name not in USUAL_STAGES:
            why = f"is neither {' nor '.join(USUAL_STAGES)} ({many(count, 'reading')}): it is kept as it stands"
            hint = "It is compared only with a stage of that name in a profile."
            told.append(str(in_a_map("stage", Fault("stage", name, "unknown_name", why=why, hint=hint))))
    return told


def safety_of_visits(
    visits: Iterable[TableVisit], stops: Iterable[Finding], refused: Container[int] = frozenset()
) -> Safety:
    """Return the safety state of visits of a table and of its refused rows, each finding with the name of its reading.

    Every heater has its own line of a stop. ``stops`` are those of rows that were refused before, ``refused`` lines of
    rows of the visits that are refused too: their stops come first, with their rows.
    """
    heaters: dict[tuple[bool, str], list[tuple[str, Safety]]] = {}
    for visit in visits:
        heater = visit.heater_id if visit.heater_id and visit.heater_id not in visit.visit_id else None
        whose = [*([heater] if heater else []), f"visit {visit.visit_id}"]
        own = folded_id(visit.heater_id or visit.visit_id)
        heaters.setdefault((True, own), []).append((", ".join(whose), Safety(alarm_findings(visit.head))))
        for row in visit.rows:
            out = row.line in refused
            named = [*([f"row {row.line}"] if out else []), *whose]
            readings = [body for kind, _, body in row.entries if kind == "reading"]
            parts = [(name_of_row(one, *named), Taken.of_body(one).safety) for one in readings]
            heaters.setdefault((not out, own), []).extend(parts)
    first = of_heaters(parts for (taken, _), parts in heaters.items() if not taken)
    last = of_heaters(parts for (taken, _), parts in heaters.items() if taken)
    return of_all([Safety((*first.stops, *stops, *last.stops)), of_heaters(heaters.values())])


def codes_of_row(row: TableRow) -> list[str]:
    """Return the stop conditions that the readings of a row hold, wherever the heater stands."""
    readings = [body for kind, _, body in row.entries if kind == "reading"]
    found = [one.code for body in readings for one in Taken.of_body(body).safety.without_place().stops]
    return list(dict.fromkeys(found))


def _strange_fuels(visits: Iterable[NewVisit]) -> list[str]:
    """Return what is to be told of fuels that are not known: the rows are kept, a lambda waits for the fuel."""
    rows = Counter(
        str(body["fuel"]) for one in visits for kind, _, body in one.entries if kind == "reading" and body.get("fuel")
    )
    strange: dict[str, Fault] = {}
    for name in rows:
        try:
            get_fuel(name)
        except CombustError as error:
            strange[name] = in_a_map("fuel", error.faults[0])
    if not strange:
        return []
    fault, *_ = strange.values()
    count = sum(rows[name] for name in strange)
    more = [shorten(name) for name in strange][1:]
    also = f" So is {first_few(more, FEW)}." if more else ""
    return [f"Kept without lambda ({many(count, 'reading')}): {fault}{also}"]


def entries_of_series(series: Series, values: Mapping[str, Any]) -> list[NewEntry]:
    """Return the readings that a steady series makes: its mean, and the stop of the series, not only its mean."""
    content = {key: value for key, value in values.items() if value is not None and key != "visit_id"}
    entries = entries_of_row(content)
    if series.worst:
        same = {key: value for key, value in content.items() if key in KEPT}
        entries += entries_of_row({**same, **series.worst, "note": "The CO of the series that is a stop condition."})
    return entries


def _look_over(rows: Rows) -> None:
    """Add a fault to each row that belongs to no visit; forgive what was over the range."""
    rows.faults.allow_over()
    empty = np.full(len(rows.lines), "", dtype=object)
    visit, heater, taken = (rows.values.get(key, empty) for key in ("visit_id", "heater_id", "taken_at"))
    hint = "Give visit_id, or heater_id and taken_at."
    fault = Fault("visit_id", None, "missing", why="is missing", hint=hint)
    rows.faults.add((visit == "") & ((heater == "") | (taken == "")), "visit_id", lambda row: fault)


def name_of_visit(values: Mapping[str, Any]) -> str:
    """Return the visit that a row belongs to: the one it names, else that of its heater and day; "" where none is."""
    heater, taken = values.get("heater_id"), values.get("taken_at")
    return str(values.get("visit_id") or (f"{heater} {taken[:10]}" if heater and taken else ""))


def _take(line: int, values: dict[str, Any], gathered: dict[str, TableVisit]) -> list[Fault]:
    """Add a row to its visit; return why not."""
    said = {**values}
    head, faults = check_head({key: values.pop(key, None) for key in HEAD})
    event, work = values.pop("event", None), values.pop("repair", None)
    measured = {key: value for key, value in values.items() if key not in ("visit_id", *RECORD_COLUMNS)}
    visit_id = name_of_visit(values)
    visit = gathered.get(visit_id) or TableVisit(visit_id, values.get("heater_id"), {}, [])
    heater, key = values.get("heater_id"), values.get("reading_id")
    if heater and visit.heater_id and heater != visit.heater_id:
        why = f"is not the heater of visit {visit_id} ({visit.heater_id})"
        faults.append(Fault("heater_id", heater, "conflict", why=why, hint="One visit is about one heater."))
    same = [body for kind, other, body in visit.entries if kind == "reading" and key and key == other]
    if same == [measured]:
        faults.append(Fault("reading_id", key, "twice", why="comes twice in this visit", hint="Keep one of them."))
    elif same:
        hint = "Give one of them another name."
        faults.append(
            Fault("reading_id", key, "conflict", why="comes twice in this visit, with other values", hint=hint)
        )
    timed = not key and len(str(values.get("taken_at") or "")) > LONGEST_DAY
    if timed and (first := next((row.line for row in visit.rows if row.said == said), None)):
        why, hint = f"stands in row {first} too, with the same values", "It is taken once: a reading has its own time."
        faults.append(Fault("taken_at", values["taken_at"], "twice", why=why, hint=hint))
    if not faults:
        gathered[visit_id] = visit
        visit.heater_id = visit.heater_id or heater
        visit.head |= head
        visit.closed_at = str(values.get("closed_at") or visit.closed_at)
        told = any(kind == "adjustment" and body["text"] == work for kind, _, body in visit.entries)
        done: list[NewEntry] = [("adjustment", None, {"text": work})] if work and not told else []
        made = entries_of_row(measured)
        made = [*done, *made] if measured.get("phase") == "after" else [*made, *done]
        made += [("event", None, {"event": event, "at": values.get("taken_at")})] if event else []
        visit.entries += made
        visit.rows.append(TableRow(line, head, made, str(values.get("closed_at") or ""), said))
    return faults


def export_visits(records: Sequence[Visit], out: str | Path) -> int:
    """Write the readings of visits as a table, one row a reading, its keys as columns; return the rows.

    The safety state of the reading, and of the CO alarm, stands first. Only columns that occur are written. Words about
    the visit and ``revision``, ``closed_at``, ``incomplete`` and ``event`` stand behind those of the reading; what was
    not measured is empty, CO over the range of the instrument ``>4000``: a column with such a cell holds texts.

    Raises
    ------
    CombustError
        There is no reading to export.
    """
    rows = [row for record in records for row in _rows_of(record)]
    if not rows:
        hint = "Add a reading first."
        raise CombustError(Fault("logbook", None, "missing", why="holds no reading to export", hint=hint))
    present = set().union(*rows)
    order = dict.fromkeys((*IDENTITY, *inputs(), *HEAD, *RECORD_COLUMNS))
    table = pa.table({key: _cells([row.get(key) for row in rows]) for key in order if key in present})
    with table_sink(out) as write:
        write(table)
    return len(rows)


def _cells(values: Sequence[Any]) -> Sequence[Any]:
    """Return the cells of a column: all are texts where a number is only the least that it can be."""
    texts = any(isinstance(one, str) for one in values)
    return [f"{one:.15g}" if texts and isinstance(one, float) else one for one in values]


def _rows_of(record: Visit) -> list[dict[str, Any]]:
    head = record.head
    if head.get("handed_back") == "yes" and handed_back(record) != HANDED_BACK:
        del head["handed_back"]
    common: dict[str, Any] = {"visit_id": record.visit_id, **head, "revision": record.revision}
    common |= {"closed_at": record.closed_at, "incomplete": record.incomplete, "heater_id": record.heater_id}
    common = {key: value for key, value in common.items() if value is not None}
    rows = [
        {**common, "safety": _state(record, one.safety), "reading_id": one.key, **_of_reading(one.shown)}
        for one in record.taken
    ]
    # What was done stands beside the reading that it followed; in a row of its own when no reading can carry it.
    read = 0
    for entry in record.in_force:
        read += entry.kind == "reading"
        if entry.kind in ("event", "adjustment"):
            key, said = ("event", entry.body.get("event")) if entry.kind == "event" else ("repair", entry.body["text"])
            row = next((row for row in rows[max(read - 1, 0) :] if key not in row), None)
            if row is None:
                at = {"taken_at": entry.body["at"]} if entry.body.get("at") else {}
                row = {**common, **at, "safety": _state(record, safety_of({}))}
                rows.append(row)
            row[key] = said
    return rows


def _of_reading(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return what belongs to a reading: whatever a book holds, a word about the visit is none of it."""
    return {key: value for key, value in values.items() if key not in HEAD}


def _state(record: Visit, reading: Safety) -> str:
    """Return the safety state of one reading of a visit; a CO alarm that does not work counts in each."""
    return of_all([Safety(alarm_findings(record.head)), reading]).state
