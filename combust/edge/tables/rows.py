"""Where the rows of a CSV text end, and what its quotes enclose: one grammar for cutting blocks and for reading them.

A quote opens a cell only at the cell's start and closes it only before a delimiter, a line break or the end; a doubled
quote inside stands for one. A quote that opens and does not close so spoils its own line and no other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

QUOTE, NEWLINE, RETURN = 34, 10, 13


def quotes_are_regular(data: bytes, delimiter: str, *, cut_off: bool = False) -> bool:
    """Return True when each quote of a text that starts with a row opens, closes or doubles as the grammar says.

    ``cut_off`` allows the text to end inside a quoted cell.
    """
    buffer = np.frombuffer(data, np.uint8)
    quotes = np.flatnonzero(buffer == QUOTE)
    if len(quotes) % 2 and not cut_off:
        return False
    mark = ord(delimiter)
    padded = np.concatenate(([NEWLINE], buffer, [NEWLINE])).astype(np.uint8)
    before, after = padded[quotes[::2]], padded[quotes[1::2] + 2]
    opens = (before == mark) | (before == NEWLINE) | (before == QUOTE)
    closes = (after == mark) | (after == NEWLINE) | (after == RETURN) | (after == QUOTE)
    return bool(opens.all() and closes.all())


def last_row_end(data: bytes, delimiter: str) -> int:
    """Return the offset behind the last complete row of a text that starts with a row; 0 when none is complete."""
    cut = data.rfind(b"\n") + 1
    if b'"' not in data:
        return cut
    if not quotes_are_regular(data, delimiter, cut_off=True):
        return _last_end_by_walking(data.decode("latin-1"), delimiter)
    buffer = np.frombuffer(data, np.uint8)
    breaks = np.flatnonzero(buffer == NEWLINE)
    ends = breaks[np.searchsorted(np.flatnonzero(buffer == QUOTE), breaks) % 2 == 0]
    return int(ends[-1]) + 1 if len(ends) else 0


def _last_end_by_walking(text: str, delimiter: str) -> int:
    end = 0
    for _, quotes, position in split_rows(text, delimiter):
        if quotes == "open":
            return end
        if text[position - 1] == "\n":
            end = position
    return end


def split_rows(text: str, delimiter: str) -> Iterator[tuple[list[str], str, int]]:
    """Yield (cells, state of the quotes, offset behind the row) for each row; blank lines are rows of one empty cell.

    The state is "good", "spoilt" (a quote closes in the middle of a cell) or "open" (a quote never closes); a row that
    is not good is its own line, divided at each delimiter.
    """
    mark = re.escape(delimiter)
    quoted, plain = r'"((?:[^"]++|"")*+)"(?:\r(?=\n|\Z))?', rf'((?!")[^{mark}\n]*+)'
    cell = re.compile(rf"(?:{quoted}|{plain})({mark}|\n|\Z)")
    never_closed = re.compile(r'"(?:[^"]++|"")*+\Z')
    position = 0
    while position < len(text):
        stop = text.find("\n", position) + 1 or len(text)
        line, state, end, at = text[position:stop], "good", delimiter, position
        cells: list[str] = []
        while '"' in line and state == "good" and end == delimiter:
            if (found := cell.match(text, at)) is None:
                state = "open" if never_closed.match(text, at) else "spoilt"
            else:
                inside, bare, end = found.groups()
                whole = bare if bare is None or end == delimiter else bare.removesuffix("\r")
                cells.append(inside.replace('""', '"') if whole is None else whole)
                at = found.end()
        if not cells or state != "good":
            cells, at = line.removesuffix("\n").removesuffix("\r").split(delimiter), stop
        position = at
        yield cells, state, position
