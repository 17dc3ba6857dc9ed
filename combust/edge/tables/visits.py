"""A table of readings as checked readings for the ranking of causes, row faults told with their line."""

from __future__ import annotations

from pathlib import Path

from combust.application.visit.taken import Taken
from combust.data.errors import CombustError, Fault
from combust.data.near import folded_id
from combust.domain.reading import Reading
from combust.edge.tables.reader import Entries, read_entries, read_table
from combust.edge.tables.table_map import MapLike

IS_OTHER = "is another heater"


def read_visits(
    path: str | Path, *, mapping: MapLike = None, heater_id: str | None = None
) -> tuple[list[Reading], Entries]:
    """Return the readings of a table, and its entries with what is wrong with the rows that were refused.

    A row without a ``visit_id`` is a visit of its own, named after its line. CO over the range counts as just above it.
    Rows of another heater than ``heater_id`` are refused, and are none of the rows that stop.

    Raises
    ------
    CombustError
        The table as a whole cannot be used.
    """
    entries = read_entries(read_table(path, mapping=mapping), lambda rows: rows.faults.allow_over())
    if entries.rows == 0:
        hint = "Fill in at least one visit."
        raise CombustError(Fault("file", str(path), "missing", why="has headings but no rows", hint=hint))
    readings = []
    for line, values in entries.good:
        other = values.get("heater_id")
        if other is not None and heater_id is not None and folded_id(other) != folded_id(heater_id):
            fault = Fault("heater_id", other, "conflict", why=IS_OTHER, hint=f"This profile is of {heater_id}.")
            entries.refuse(line, [fault])
        else:
            taken = Taken.of_body(values)
            counted = {"visit_id": f"row {line}"} | taken.values | taken.row
            readings.append(Reading(**counted))
    if heater_id is not None:
        entries.stopped = [
            row for row in entries.stopped if folded_id(row[1].get("heater_id", heater_id)) == folded_id(heater_id)
        ]
    return readings, entries
