"""Cells that a spreadsheet would run as a formula: in a written CSV they get an apostrophe in front.

A cell is taken for a formula when it starts with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return and is neither
a number, nor a list of numbers between semicolons, nor made of dashes alone. Numbers are never touched, nor is Parquet.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.edge.tables.arrow import array_of, bytes_of, mask, numbers_of, text
from combust.edge.tables.cells import plain_numbers

if TYPE_CHECKING:
    import pandas as pd

STARTS = "=+-@\t\r"
_NUMBER = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
HARMLESS = f"^(?:-+|{_NUMBER}(?:; ?{_NUMBER})*)$"
_HARMLESS = re.compile(HARMLESS)
_IS_START = np.zeros(256, dtype=bool)
_IS_START[[ord(character) for character in STARTS]] = True


def harmless(cell: str) -> str:
    """Return the text of a CSV cell, with an apostrophe in front of what a spreadsheet would run.

    Examples
    --------
    >>> harmless("=1+1"), harmless("-12.5"), harmless("- cleaned"), harmless("-20;-12;-5")
    ("'=1+1", '-12.5', "'- cleaned", '-20;-12;-5')

    References
    ----------
    OWASP, CSV Injection: the first characters that count (from memory).
    """
    return f"'{cell}" if cell[:1] in STARTS and cell and not _HARMLESS.match(cell) else cell


def csv_of(frame: pd.DataFrame) -> str:
    """Return a frame as the text of a CSV file in which no cell is run by a spreadsheet."""
    texts = frame.select_dtypes(exclude=["number", "bool"])
    shown = frame.assign(**texts.map(lambda cell: harmless(cell) if isinstance(cell, str) else cell))
    return str(shown.to_csv(index=False, float_format="%.6g"))


def csv_of_rows(columns: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """Return rows as the text of a CSV file in which no cell is run by a spreadsheet."""
    text = io.StringIO()
    told = ([harmless(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    csv.writer(text, lineterminator="\n").writerows([columns, *told])
    return text.getvalue()


def harmless_column(column: Any) -> Any:
    """Return a text column of Arrow with an apostrophe in front of each cell that a spreadsheet would run."""
    if isinstance(column, pa.ChunkedArray):
        return pa.chunked_array([harmless_column(chunk) for chunk in column.chunks], column.type)
    rows = _that_start_oddly(column)
    if not len(rows):
        return column
    cells = column.take(array_of(rows))
    if plain_numbers(cells, ".") is not None:  # as almost all that start with a sign are
        return column
    runs = ~numbers_of(pc.match_substring_regex(cells, HARMLESS))
    if not runs.any():
        return column
    chosen = np.zeros(len(column), dtype=bool)
    chosen[rows[runs]] = True
    marked = pc.binary_join_element_wise(text("'"), cells.filter(mask(runs)), text(""))
    return pc.replace_with_mask(column, mask(chosen), marked)


def _that_start_oddly(column: Any) -> Any:
    """Return the rows whose cell starts with one of the characters: one look at the first bytes."""
    data = np.frombuffer(bytes_of(column), np.uint8)
    if not len(data):
        return np.empty(0, dtype=np.intp)
    ends = np.frombuffer(column.buffers()[1], np.int32, len(column) + 1, 4 * column.offset)
    starts = ends - ends[0]
    first = data[np.minimum(starts[:-1], len(data) - 1)]  # of an empty cell that of another
    odd = np.flatnonzero(_IS_START[first] & (starts[1:] > starts[:-1]))
    return odd[numbers_of(column.is_valid())[odd]] if column.null_count and len(odd) else odd
