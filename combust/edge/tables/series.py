"""A logged series of one reading: a table with times, brought to seconds and columns, and judged steady or not."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from combust.application.visit.steady import SteadyResult, SteadyRule, steady_window
from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import as_number
from combust.data.vocabulary import quantities
from combust.edge.tables.convert import columns_of_table
from combust.edge.tables.headings import match_headings
from combust.edge.tables.source import open_table

SECONDS = ("time_s", "elapsed_s", "seconds")
MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class Series:
    """A series: times [s], number columns by key, texts that are the same in every row, stage of each sample."""

    times_s: Any
    columns: dict[str, Any]
    stage: list[str | None] | None
    constant: dict[str, str]
    told: tuple[str, ...]
    began: str | None


def read_series(path: str | Path, *, mapping: dict[str, str] | None = None) -> Series:
    """Return a logged series from CSV or Parquet, with times in ``taken_at`` (ISO 8601) or ``time_s`` (seconds).

    Rows that are faulty are left out and told; a sample with the time of the one before it is left out and told.

    Raises
    ------
    CombustError
        No times, no rows, headings that cannot be understood.
    """
    table = open_table(path)
    clock_name = next((name for name in table.header if name in SECONDS or name == "taken_at"), None)
    if clock_name is None:
        hint = f"Add taken_at (ISO 8601) or {SECONDS[0]} (seconds from the first sample)."
        raise CombustError(Fault("taken_at", None, "missing", why="is missing: a series needs times", hint=hint))
    headings = match_headings(table.header, {clock_name: "", **(mapping or {})} if clock_name in SECONDS else mapping)
    clocks: list[float] = []
    texts: list[str] = []
    parts: dict[str, list[Any]] = {}
    words: dict[str, list[str | None]] = {}
    told: list[str] = []
    offset = 0
    for block in table.blocks():
        columns, faults = columns_of_table(block.table, headings, decimal=table.decimal)
        raw = [None if v is None else str(v) for v in block.table.column(table.header.index(clock_name)).to_pylist()]
        times = [_seconds(text, clock_name, table.decimal) for text in raw]
        keep = np.array([time is not None for time in times], dtype=bool) & ~faults.mask
        for row in np.flatnonzero(~keep).tolist():
            why = faults.text_of(row) or f"{clock_name} = {shorten(raw[row])} is no time."
            told.append(f"Row {offset + row + 1} left out: {why}")
        clocks += [float(time) for time, kept in zip(times, keep, strict=True) if time is not None and kept]
        texts += [text or "" for text, kept in zip(raw, keep, strict=True) if kept]
        for key in columns.values:
            if quantities()[key].kind == "number":
                parts.setdefault(key, []).append(columns.values[key][keep])
        for heading, column in zip(headings, block.table.columns, strict=True):
            if heading.key and quantities()[heading.key].kind != "number" and heading.key != "taken_at":
                rows = [None if v is None else str(v).strip() or None for v in column.to_pylist()]
                words.setdefault(heading.key, []).extend(v for v, kept in zip(rows, keep, strict=True) if kept)
        offset += block.table.num_rows
    if not clocks:
        raise CombustError(Fault("series", str(path), "missing", why="holds no usable row", hint=" ".join(told[:2])))
    return _in_order(clocks, texts if clock_name == "taken_at" else [], parts, words, told)


def _seconds(text: str | None, name: str, decimal: str) -> float | None:
    if text is None:
        return None
    if name in SECONDS:
        number = as_number(text.replace(",", ".") if decimal == "," else text)
        return number if number is not None and np.isfinite(number) else None
    try:
        stamp = datetime.datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    # Without an offset the differences are still right; only the day of a clock change would not be.
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=datetime.UTC)).timestamp()


def _in_order(
    clocks: list[float],
    texts: list[str],
    parts: dict[str, list[Any]],
    words: dict[str, list[str | None]],
    told: list[str],
) -> Series:
    times = np.array(clocks)
    order = np.argsort(times, kind="stable")
    if np.any(np.diff(times) < 0.0):
        told.append("The samples were not in the order of time: sorted.")
    times = times[order]
    first = np.concatenate([[True], np.diff(times) > 0.0])
    if not first.all():
        told.append(f"{int((~first).sum())} samples carry the time of the one before: left out.")
    chosen = order[first]
    columns = {key: np.concatenate(blocks)[chosen] for key, blocks in parts.items()}
    columns = {key: column for key, column in columns.items() if np.isfinite(column).any()}
    stage = [words["stage"][index] for index in chosen] if any(words.get("stage", [])) else None
    constant = {}
    for key, rows in words.items():
        kinds = {rows[index] for index in chosen if rows[index]}
        if len(kinds) == 1 and key != "stage":
            constant[key] = str(kinds.pop())
    began = texts[chosen[0]] if texts else None
    return Series(times[first] - times[first][0], columns, stage, constant, tuple(told), began)


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
