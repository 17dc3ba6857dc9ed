"""A table of readings as checked readings for the ranking of causes, row faults told with their line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from combust.data.errors import CombustError, Fault
from combust.domain.limits import Finding
from combust.domain.reading import Reading
from combust.edge.tables.reader import read_table
from combust.edge.tables.table_map import MapLike


@dataclass(slots=True)
class VisitTable:
    """Readings of a table, what was refused and why, the stop conditions of refused rows, and what is to be told."""

    readings: list[Reading] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    stops: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def read_visits(
    path: str | Path,
    *,
    mapping: MapLike = None,
    heater_id: str | None = None,
) -> VisitTable:
    """Return the readings of a table, and what is wrong with the rows that were refused.

    A row without a ``visit_id`` is a visit of its own, named after its line. Rows of another heater than ``heater_id``
    are refused.

    Raises
    ------
    CombustError
        The table as a whole cannot be used.
    """
    table = read_table(path, mapping=mapping)
    done = VisitTable()
    refused: list[tuple[int, str]] = []
    for rows in table.blocks():
        for line, why, stops in rows.refused():
            refused.append((line, why))
            done.stops += stops
        for line, values in rows.good():
            other = values.get("heater_id")
            if other is not None and heater_id not in (None, other):
                hint = f"This profile is of {heater_id}."
                refused.append((line, str(Fault("heater_id", other, "conflict", why="is another heater", hint=hint))))
            else:
                done.readings.append(Reading(**{"visit_id": f"row {line}", **values}))
    done.refused = [f"row {line}: {why}" for line, why in sorted(refused)]
    done.notes = table.notes
    if not done.readings and not refused:
        hint = "Fill in at least one visit."
        raise CombustError(Fault("file", str(path), "missing", why="has headings but no rows", hint=hint))
    return done
