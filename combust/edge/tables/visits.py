"""A table of readings as checked readings for the ranking of causes, row faults told with their line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from combust.data.errors import CombustError, Fault
from combust.domain.limits import Finding
from combust.domain.reading import Reading
from combust.edge.tables.reader import read_entries, read_table
from combust.edge.tables.table_map import MapLike

IS_OTHER = "is another heater"


@dataclass(frozen=True, slots=True)
class VisitTable:
    """Readings of a table, what was refused and why, the stop conditions of refused rows, and what is to be told.

    ``stopped`` names the refused rows of this heater that hold a stop condition.
    """

    readings: list[Reading]
    refused: list[str] = field(default_factory=list)
    stops: list[Finding] = field(default_factory=list)
    stopped: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def read_visits(path: str | Path, *, mapping: MapLike = None, heater_id: str | None = None) -> VisitTable:
    """Return the readings of a table, and what is wrong with the rows that were refused.

    A row without a ``visit_id`` is a visit of its own, named after its line. Rows of another heater than ``heater_id``
    are refused.

    Raises
    ------
    CombustError
        The table as a whole cannot be used.
    """
    entries = read_entries(read_table(path, mapping=mapping))
    stopped = [
        f"visit {values.get('visit_id', 'without a name')}, row {line} ({', '.join(codes)})"
        for line, values, codes in entries.stopped
        if heater_id is None or values.get("heater_id", heater_id) == heater_id
    ]
    readings, refused = [], entries.refused
    for line, values in entries.good:
        other = values.get("heater_id")
        if other is not None and heater_id not in (None, other):
            fault = Fault("heater_id", other, "conflict", why=IS_OTHER, hint=f"This profile is of {heater_id}.")
            refused.append((line, str(fault)))
        else:
            readings.append(Reading(**{"visit_id": f"row {line}", **values}))
    if not readings and not refused:
        hint = "Fill in at least one visit."
        raise CombustError(Fault("file", str(path), "missing", why="has headings but no rows", hint=hint))
    texts = [f"row {line}: {why}" for line, why in sorted(refused)]
    return VisitTable(readings, texts, entries.stops, stopped, entries.notes)
