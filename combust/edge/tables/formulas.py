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

from combust.edge.tables.arrow import bytes_of, text

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
    whole = column if isinstance(column, pa.ChunkedArray) else pa.chunked_array([column])
    if not any(_starts_oddly(chunk) for chunk in whole.chunks):
        return column
    odd = pc.match_substring_regex(whole, f"^[{STARTS[:2]}@\t\r-]")
    plain = pc.match_substring_regex(whole, HARMLESS)
    runs = pc.and_(odd, pc.invert(plain))
    if not pc.any(runs).as_py():
        return column
    return pc.if_else(runs, pc.binary_join_element_wise(text("'"), whole, text("")), whole)


def _starts_oddly(chunk: Any) -> bool:
    """Return True when a cell of the chunk starts with one of the characters: one look at the first bytes."""
    data = bytes_of(chunk)
    if not any(sign in bytes(data) for sign in map(str.encode, STARTS)):
        return False  # nowhere: most columns
    ends = np.frombuffer(chunk.buffers()[1], np.int32)[chunk.offset : chunk.offset + len(chunk) + 1]
    starts = ends[:-1][ends[1:] > ends[:-1]] - ends[0]
    return bool(_IS_START[np.frombuffer(data, np.uint8)[starts]].any())
