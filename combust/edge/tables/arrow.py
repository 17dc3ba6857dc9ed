"""Arrow to numpy and back without pandas: pyarrow's own ways import it first, half a second and 40 MB for nothing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import pyarrow as pa


def text_array(cells: Sequence[str | None]) -> Any:
    """Return texts as an Arrow array of strings; None is null."""
    raw = [None if cell is None else cell.encode("utf-8") for cell in cells]
    ends = np.cumsum([0, *(len(one or b"") for one in raw)], dtype=np.int64)
    there = [one is not None for one in raw]
    whole = pa.py_buffer(b"".join(one or b"" for one in raw))
    large = pa.LargeStringArray.from_buffers(len(raw), pa.py_buffer(ends), whole, _bits(there))
    return large.cast(pa.string())


@cache
def text(word: str) -> Any:
    """Return a text as an Arrow scalar, as functions of Arrow take it."""
    return text_array([word])[0]


def array_of(numbers: Any, empty: Any = None) -> Any:
    """Return numbers of numpy as an Arrow array, null where ``empty`` is true."""
    data = pa.py_buffer(np.ascontiguousarray(numbers))
    valid = None if empty is None else _bits(~empty)
    return pa.Array.from_buffers(pa.from_numpy_dtype(numbers.dtype), len(numbers), [valid, data])


def mask(chosen: Any) -> Any:
    """Return booleans of numpy as an Arrow array."""
    return pa.Array.from_buffers(pa.bool_(), len(chosen), [None, _bits(chosen)])


def numbers_of(column: Any, null: float = np.nan) -> Any:
    """Return a column of numbers or booleans, in one piece or several, as a numpy array.

    Parameters
    ----------
    column : pyarrow Array or ChunkedArray
    null : float
        What stands where there is none.
    """
    kind = np.dtype(str(column.type).replace("double", "float64"))
    if not len(column):
        return np.empty(0, kind)
    if isinstance(column, pa.ChunkedArray):
        parts = [numbers_of(part, null) for part in column.chunks]
        return np.concatenate(parts) if len(parts) != 1 else parts[0]
    valid, data = column.buffers()
    begin, end = column.offset, column.offset + len(column)
    if pa.types.is_boolean(column.type):
        found = _from_bits(data, begin, end)
    else:
        found = np.frombuffer(data, kind, len(column), begin * kind.itemsize)
    if column.null_count:
        found = np.where(_from_bits(valid, begin, end), found, null)
    return found


def bytes_of(texts: Any) -> memoryview:
    """Return the bytes of all texts of an Arrow array of strings, one behind the other, without a copy."""
    _, offsets, data = texts.buffers()
    if data is None or not len(texts):
        return memoryview(b"")
    ends = np.frombuffer(offsets, np.int32, len(texts) + 1, texts.offset * 4)
    return memoryview(data)[int(ends[0]) : int(ends[-1])]


def _bits(chosen: Any) -> Any:
    return pa.py_buffer(np.packbits(np.asarray(chosen, dtype=bool), bitorder="little").tobytes())


def _from_bits(data: Any, begin: int, end: int) -> Any:
    first = begin // 8
    bits = np.unpackbits(np.frombuffer(data, np.uint8, -(-end // 8) - first, first), bitorder="little")
    return bits[begin - 8 * first : end - 8 * first].astype(bool)


EMPTY = text_array([""])[0]
NO_TEXT = text_array([None])[0]
