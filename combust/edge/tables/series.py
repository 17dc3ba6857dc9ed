"""A logged series of one reading: a table with times, brought to seconds and columns, and judged steady or not."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from combust.application.reading.result import safety_of
from combust.application.visit.steady import SteadyResult, SteadyRule, steady_window
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.vocabulary import inputs, quantities
from combust.domain.limits import Finding, limit
from combust.domain.result import many
from combust.domain.safety import Safety, of_all
from combust.edge.tables.reader import DATE, MOST_COUNTS, TIME, Entries, Rows, read_entries, read_table, reading_columns
from combust.edge.tables.table_map import MapLike
from combust.edge.tables.times import clock_seconds, moment_seconds

SECONDS = ("time_s", "elapsed_s", "seconds")
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Series:
    """A series: times [s], number columns by key, texts that are the same in every row, stage of each sample.

    ``stops`` are the stop conditions of rows that were left out, of the last sample, of the exhaust at its worst after
    the start and of the cab at its worst; ``worst`` is the CO that they speak of [ppm] (empty without a stop), for the
    record; ``notes`` what is to be told of the table.
    """

    times_s: Any
    columns: dict[str, Any]
    stage: list[str | None] | None
    constant: dict[str, str]
    notes: tuple[str, ...]
    began: str | None
    stops: tuple[Finding, ...] = ()
    worst: Mapping[str, float] = field(default_factory=dict)


def read_series(path: str | Path, *, mapping: MapLike = None) -> Series:
    """Return a logged series from CSV or Parquet, timed by ``taken_at``, ``date`` and ``time``, ``time_s`` or ``time``.

    A column ``time`` alone holds clock times that may pass midnight. Rows that are faulty are left out and told; a
    sample with the time of the one before it is left out and told.

    Raises
    ------
    CombustError
        No times, no rows, headings that cannot be understood.
    """
    clocks = {key: Field(key, meaning="seconds from the first sample", unit="s") for key in SECONDS}
    table = read_table(path, {**inputs(), "date": DATE, "time": TIME, **clocks}, mapping)
    clock = next((key for key in (*SECONDS, "taken_at", "date", "time") if table.holds(key)), None)
    if clock is None:
        hint = f"Add taken_at (ISO 8601), or {SECONDS[0]} (seconds from the first sample)."
        raise CombustError(Fault("taken_at", None, "missing", why="is missing: a series needs times", hint=hint))
    key = "taken_at" if clock == "date" else clock

    def check(rows: Rows) -> None:
        reading_columns(rows, table.headings)
        untimed = np.array([_seconds(cell, key) is None for cell in rows.values[key].tolist()], dtype=bool)
        fault = Fault(key, None, "missing", why="is no time", hint="Fill it in.")
        rows.faults.add(untimed & ~rows.faults.mask, key, lambda row: fault)

    entries = read_entries(table, check)
    notes = [*entries.notes, *entries.told("Row {} left out: {}")]
    times = np.array([_seconds(values[key], key) for _, values in entries.good])
    if len(times) == 0:
        fault = Fault("series", str(path), "missing", why="holds no usable row", hint=" ".join(notes[:2]))
        error = CombustError(fault)
        error.safety = Safety(tuple(entries.stops)) if entries.stops else None
        raise error
    if key == "time":  # a clock that goes back by more than half a day has passed midnight
        times = times + DAY_S * np.cumsum(np.diff(times, prepend=times[0]) < -DAY_S / 2)
    return _in_order(times, entries, notes)


def _seconds(cell: Any, key: str) -> Any:
    if key in SECONDS:
        return None if math.isnan(cell) else cell
    return clock_seconds(cell) if key == "time" else moment_seconds(cell)


def _in_order(times: Any, entries: Entries, notes: list[str]) -> Series:
    samples = [values for _, values in entries.good]
    if np.any(np.diff(times) < 0.0):
        notes.append("The samples were not in the order of time: sorted.")
    order = np.argsort(times, kind="stable")
    first = np.concatenate([[True], np.diff(times[order]) > 0.0])
    if not first.all():
        notes.append(f"{many(int((~first).sum()), 'sample')} with the time of the one before: left out.")
    times = times[order][first]
    rows = [samples[index] for index in order[first].tolist()]
    columns: dict[str, Any] = {}
    constant: dict[str, str] = {}
    for key in dict.fromkeys(key for row in rows for key in row if key in quantities() and key != "taken_at"):
        cells = [row.get(key) for row in rows]
        if quantities()[key].kind == "number":
            columns[key] = np.array([math.nan if cell is None else cell for cell in cells])
        elif key != "stage" and len(words := {cell for cell in cells if cell}) == 1:
            constant[key] = words.pop()
    stage = [row.get("stage") for row in rows] if any("stage" in row for row in rows) else None
    times = times - times[0]
    stops, worst = _at_worst(times, rows, columns, entries, notes)
    return Series(times, columns, stage, constant, tuple(notes), rows[0].get("taken_at"), stops, worst)


def _at_worst(
    times: Any, rows: list[dict[str, Any]], columns: dict[str, Any], entries: Entries, notes: list[str]
) -> tuple[tuple[Finding, ...], dict[str, float]]:
    """Return (stop conditions, the CO they speak of), steady or not; a high peak at the start is added to the notes.

    The cab counts at its worst, the exhaust at its worst after the start (which has a peak of CO) and at the end.
    """
    worst = {key: float(np.nanmax(columns[key], initial=0.0)) for key in ("cab_co_in_ppm",) if key in columns}
    nothing = np.full(len(times), math.nan)
    minutes = columns.get("minutes_since_ignition", nothing)
    minutes = np.where(np.isnan(minutes), times / 60.0, minutes)
    exhaust = np.nan_to_num(np.fmax(columns.get("co_dry_ppm", nothing), columns.get("co_wet_ppm", nothing)))
    started = minutes >= limit("steady_minutes")
    place = int(np.argmax(np.where(started, exhaust, 0.0))) if started.any() else len(times) - 1
    early = int(np.argmax(np.where(started, 0.0, exhaust)))
    if exhaust[early] > limit("exhaust_co_stop") and not started[early] and early != len(times) - 1:
        peak = f"{exhaust[early]:.0f} ppm CO in the exhaust at {times[early]:.0f} s is above a stop limit"
        notes.append(f"WARNING: {peak}; as a peak of the start it does not count, at any other time it is a stop.")
    judged = [(row, safety_of(row | worst).without_place()) for row in (rows[place], rows[-1])]
    stops = of_all([Safety(tuple(entries.stops)), *(safety for _, safety in judged)]).stops
    if not stops:
        return (), {}
    if exhaust[place] > limit("exhaust_co_stop"):
        notes.append(f"The stop counts the exhaust at {times[place]:.0f} s: {exhaust[place]:.0f} ppm CO.")
    for key in MOST_COUNTS:
        counted = [rows[place], rows[-1], worst, *(values for _, values, _ in entries.stopped)]
        if known := [values[key] for values in counted if key in values]:
            worst[key] = max(known)
    if "exhaust_co_high" not in (codes := {one.code for one in stops}) and "exhaust_co_air_free_high" in codes:
        diluted = [row for row, safety in judged if "exhaust_co_air_free_high" in {one.code for one in safety.stops}]
        worst |= {key: row[key] for row in diluted[-1:] for key in ("o2_dry_pct", "co_dry_ppm") if key in row}
    return stops, worst


def judge_series(series: Series, rule: SteadyRule | None = None) -> tuple[SteadyResult, dict[str, Any] | None]:
    """Return (steadiness, the values of one Reading over the steady window or None)."""
    result = steady_window(series.times_s, series.columns, stage=series.stage, rule=rule)
    if not result.steady:
        return result, None
    values: dict[str, Any] = {**series.constant, **result.values}
    if series.stage is not None:
        inside = np.flatnonzero(series.times_s >= result.begin_s)
        values["stage"] = series.stage[int(inside[0])]
    if series.began:
        began = datetime.datetime.fromisoformat(series.began.strip())
        values["taken_at"] = (began + datetime.timedelta(seconds=result.end_s or 0.0)).isoformat(timespec="seconds")
    return result, values
