"""A table of readings as checked readings for the ranking of causes, row faults told with their line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from combust.data.errors import CombustError, Fault
from combust.data.fields import is_missing
from combust.data.vocabulary import quantities
from combust.domain.reading import Reading
from combust.edge.tables.convert import EMPTY_WORDS
from combust.edge.tables.headings import Heading, match_headings
from combust.edge.tables.source import open_table


def read_visits(
    path: str | Path, *, mapping: Mapping[str, str] | None = None, heater_id: str | None = None
) -> tuple[list[Reading], list[str]]:
    """Return the readings of a table, and what is wrong with the rows that were refused.

    A row without a ``visit_id`` is a visit of its own, named after its line. Rows of another heater than ``heater_id``
    are refused.

    Raises
    ------
    CombustError
        The table as a whole cannot be used.
    """
    table = open_table(path)
    headings = match_headings(table.header, mapping)
    readings: list[Reading] = []
    refused: list[str] = []
    line = 1
    for block in table.blocks():
        for index, values in enumerate(_rows(block.table, headings, table.decimal)):
            line += 1
            if index in block.ragged:
                refused.append(f"row {line}: {block.ragged[index]}")
                continue
            values.setdefault("visit_id", f"row {line}")
            try:
                reading = Reading(**values)
                _of_this_heater(reading, heater_id)
            except CombustError as error:
                refused.append(f"row {line}: " + " ".join(str(fault) for fault in error.faults))
                continue
            readings.append(reading)
    if not readings and not refused:
        raise CombustError(
            Fault("file", str(path), "missing", why="has headings but no rows", hint="Fill in at least one visit.")
        )
    return readings, refused


def _of_this_heater(reading: Reading, heater_id: str | None) -> None:
    other = reading.heater_id
    if heater_id is not None and other is not None and other != heater_id:
        hint = f"This profile is of {heater_id}."
        raise CombustError(Fault("heater_id", other, "conflict", why="is another heater", hint=hint))


def _rows(table: Any, headings: list[Heading], decimal: str) -> Iterator[dict[str, Any]]:
    columns = [(heading, table.column(place)) for place, heading in enumerate(headings) if heading.key is not None]
    for index in range(table.num_rows):
        values = {}
        for heading, column in columns:
            value = column[index].as_py()
            if isinstance(value, str):
                value = value.strip()
                if value.lower() in EMPTY_WORDS:
                    continue
                if decimal == "," and heading.key is not None and quantities()[heading.key].kind == "number":
                    value = value.replace(",", ".")
            if not is_missing(value):
                # a time or date cell of Parquet is text here
                values[heading.foreign or heading.key or ""] = (
                    value if isinstance(value, str | int | float) else str(value)
                )
        yield values
