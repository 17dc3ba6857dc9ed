"""Refused rows of a table as they stand, in its own dialect, with their line in the spreadsheet and their reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from combust.edge.tables.arrow import array_of, text_array
from combust.edge.tables.cells import UNKNOWN
from combust.edge.tables.csv_text import Part
from combust.edge.tables.sink import table_sink
from combust.edge.tables.source import TableSource

NAMES = ("row", "reasons")


def dialect_of(source: TableSource) -> dict[str, Any]:
    """Return how a table is written in the dialect of the one that was read, for :func:`~.sink.table_sink`."""
    dialect = source.dialect
    if dialect is None:
        return {}
    bom = dialect.bom or dialect.encoding != "utf-8"  # a spreadsheet that wrote its code page needs to be told
    comma = "," in dialect.decimal or (dialect.decimal == UNKNOWN and dialect.delimiter == ";")
    return {"delimiter": dialect.delimiter, "decimal": "," if comma else ".", "bom": bom}


def rejected(table: Any, lines: Any, bad: Any, reasons: Sequence[str]) -> Part:
    """Return rows of a block as they stand, their lines in the spreadsheet and their reasons."""
    rows = table.take(array_of(bad))
    names = [*carried_names(rows.column_names, NAMES), *NAMES]
    return Part(names, [*rows.columns, array_of(lines[bad]), text_array(reasons)])


def write_rejects(path: str | Path, source: TableSource, reasons: Mapping[int, str]) -> None:
    """Write the refused rows of a table, line -> why; none at all leaves the headings."""
    wanted = np.array(sorted(reasons))
    with table_sink(path, **dialect_of(source)) as sink:
        for block in source.blocks(None):
            bad = np.flatnonzero(np.isin(block.lines, wanted))
            part = rejected(block.table, block.lines, bad, [reasons[line] for line in block.lines[bad].tolist()])
            sink.add(sink.ready(partial(list, (part,))))


def carried_names(names: Sequence[str], taken: Sequence[str]) -> list[str]:
    """Return the names under which the columns of the input stand in the output: one that a result needs gets a prefix.

    Examples
    --------
    >>> carried_names(["o2_dry_pct", "findings"], ["air_ratio", "findings"])
    ['o2_dry_pct', 'input_findings']
    """
    used = {*names, *taken}
    carried = []
    for name in names:
        new = name
        while new in taken or (new != name and new in used):
            new = f"input_{new}"
        used.add(new)
        carried.append(new)
    return carried
