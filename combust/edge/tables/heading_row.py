"""Where the headings of a table stand when other lines stand above them: a name, a day, groups of columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from combust.data.errors import Fault, shorten
from combust.data.fields import Field
from combust.edge.tables.dialect import DELIMITERS, Dialect
from combust.edge.tables.headings import match_headings
from combust.edge.tables.rows import split_rows

SURE = 2  # keys from which the first row is the headings, whatever stands below it; as many make a row below them
_OR_A_MAP = ", or name a map of the headings (--map FILE.toml): they are found by it."
ONE_ROW = " Where both are readings, one row a reading: columns phase (before, after) and stage (high, low)."


def faults_of_heading(dialect: Dialect, chosen: Mapping[str, str], fields: Mapping[str, Field]) -> list[Fault]:
    """Return what is wrong with the first row of a text as headings: they stand further down, or one stands twice.

    Parameters
    ----------
    dialect : Dialect
    chosen : mapping
        Heading -> key, as of :func:`~combust.edge.tables.headings.match_headings`.
    fields : mapping
        The record of each key that the table can hold.
    """
    header = dialect.header
    if (below := _row_below(dialect, chosen, fields)) is not None:
        row = dialect.line + below
        above = {2: "row 1", 3: "rows 1 and 2"}.get(row, f"rows 1 to {row - 1}")
        why = f"is no row of headings: they seem to stand in row {row}"
        text = shorten(", ".join(filter(None, header)), 100)
        return [Fault("heading", text, "format", why=why, hint=f"Take {above} out{_OR_A_MAP}")]
    hint = "Keep one column." + (ONE_ROW if "phase" in fields else "")
    twice = sorted({name for name in header if name and header.count(name) > 1})
    return [Fault("heading", name, "conflict", why="stands in the heading twice", hint=hint) for name in twice]


def lines_above(dialect: Dialect, maps: Iterable[Mapping[str, str]]) -> int:
    """Return how many lines stand above the row with every heading of a map, 0 where the first row has one of them."""
    for chosen in maps:
        first = any(name in dialect.header for name in chosen) or any("\n" in name for name in dialect.header)
        for number, line in enumerate(dialect.first_lines if len(chosen) >= SURE and not first else (), 1):
            if any(chosen.keys() <= {*_cells_of(line, delimiter)} for delimiter in DELIMITERS):
                return number
    return 0


def _cells_of(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(split_rows(line, delimiter), ([""], "", 0))[0]]


def _row_below(dialect: Dialect, chosen: Mapping[str, str], fields: Mapping[str, Field]) -> int | None:
    """Return which of the lines under the first one reads as headings, from 0; None where the first one does best."""
    known, like = _read_as_headings(dialect.header, chosen, fields)
    if known >= SURE:
        return None
    best, place = max(like, SURE - 1), None
    for number, line in enumerate(dialect.first_lines):
        for delimiter in DELIMITERS:
            cells = _cells_of(line, delimiter)
            if sum(any(map(str.isalpha, cell)) for cell in cells) > best:
                like = _read_as_headings(cells, chosen, fields)[1]
                best, place = (like, number) if like > best else (best, place)
    return place


def _read_as_headings(cells: Sequence[str], chosen: Mapping[str, str], fields: Mapping[str, Field]) -> tuple[int, int]:
    """Return (how many keys a row of cells names as headings, those that it nearly names too)."""
    found = match_headings(cells, chosen, fields)
    known = _different(one.key for one in found.headings)
    near = _different(fault.value for fault in found.faults if fault.quantity == "heading")
    return known, known + near


def _different(names: Iterable[object]) -> int:
    return len({name for name in names if name})
