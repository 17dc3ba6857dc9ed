"""Where the rows of a CSV text end, and what its quotes enclose: one grammar for cutting blocks and for reading them.

A quote opens a cell only at the cell's start and closes it only before a delimiter, a line break or the end; a doubled
quote inside stands for one. A quote that opens and does not close so spoils its own line and no other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np

QUOTE, NEWLINE, RETURN = 34, 10, 13
OPEN, SPOILT = -1, -2


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
    ends = _row_breaks(np.frombuffer(data, np.uint8))
    return int(ends[-1]) + 1 if len(ends) else 0


def _row_breaks(buffer: Any) -> Any:
    """Return the offsets of the line breaks outside quotes, where the quotes are regular."""
    breaks = np.flatnonzero(buffer == NEWLINE)
    return breaks[np.searchsorted(np.flatnonzero(buffer == QUOTE), breaks) % 2 == 0]


def written_rows(data: bytes) -> Any:
    """Return which rows of a text with regular quotes are not empty lines, counted from 0."""
    buffer = np.frombuffer(data, np.uint8)
    ends = _row_breaks(buffer)
    if len(buffer) and buffer[-1] != NEWLINE:
        ends = np.append(ends, len(buffer))
    starts = np.concatenate(([0], ends[:-1] + 1)).astype(np.intp)
    length = ends - starts
    return np.flatnonzero((length > 1) | ((length == 1) & (buffer[np.minimum(starts, len(buffer) - 1)] != RETURN)))


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
    position, size = 0, len(text)
    while position < size:
        end = text.find("\n", position)
        end = size if end < 0 else end
        state = "good"
        if text.find('"', position, end) >= 0:
            cells, state, behind = _quoted_row(text, position, delimiter)
            if state == "good":
                position = behind
                yield cells, state, position
                continue
        line, position = text[position:end].removesuffix("\r"), min(end + 1, size)
        yield line.split(delimiter), state, position


def _quoted_row(text: str, position: int, delimiter: str) -> tuple[list[str], str, int]:
    """Return (cells, state of the quotes, offset behind the row) of a row with quotes."""
    stops = _stops(delimiter)
    cells: list[str] = []
    while True:
        if text.startswith('"', position):
            close = _closing(text, position, delimiter)
            if close < 0:
                return [], "open" if close == OPEN else "spoilt", position
            cells.append(text[position + 1 : close].replace('""', '"'))
            position = close + 1
            if text.startswith("\r", position):
                position += 1
        else:
            stop = stops.search(text, position)
            end = stop.start() if stop else len(text)
            cell = text[position:end]
            cells.append(cell if stop and stop[0] == delimiter else cell.removesuffix("\r"))
            position = end
        if position >= len(text):
            return cells, "good", position
        if text[position] == "\n":
            return cells, "good", position + 1
        position += 1


def _closing(text: str, position: int, delimiter: str) -> int:
    """Return the offset of the quote that closes the one at ``position``, or OPEN or SPOILT."""
    at = position + 1
    while (at := text.find('"', at)) >= 0:
        following = text[at + 1 : at + 2]
        if following == '"':
            at += 2
            continue
        ends = following in ("", "\n", delimiter) or text[at + 1 : at + 3] in ("\r\n", "\r")
        return at if ends else SPOILT
    return OPEN


def _stops(delimiter: str) -> Any:
    return re.compile(f"[{re.escape(delimiter)}\n]")
