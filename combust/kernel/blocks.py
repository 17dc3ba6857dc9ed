"""Long arrays in blocks that stay in the processor's cache, on all cores (numpy frees the interpreter's lock)."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from math import prod
from typing import Any

import numpy as np

from combust.kernel.types import Floats


def run_in_blocks(work: Callable[[int, int], None], size: int, block: int) -> None:
    """Call ``work(start, stop)`` for every block of a length; blocks must not touch each other's output.

    Parameters
    ----------
    work : callable
        Takes the first and the last index but one of a block.
    size, block : int
        Length of the whole and of a block [rows], 0 or more and 1 or more (unchecked).
    """
    starts = range(0, size, block)
    if len(starts) <= 1:
        work(0, size)
        return
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        for _ in pool.map(lambda start: work(start, min(start + block, size)), starts):
            pass


def in_blocks(
    function: Callable[..., tuple[Any, ...]], given: list[Any], block: int, count: int
) -> list[float | Floats]:
    """Return the ``count`` columns that a function makes of numbers and arrays, in their broadcast shape.

    Warnings are off: what cannot be told is NaN.

    Parameters
    ----------
    function : callable
        Numbers and one-dimensional arrays of one length -> a tuple of ``count`` columns.
    given : list of float or array
        Its arguments, of shapes that broadcast.
    block : int
        Length of a block [rows], 1 or more (unchecked).
    count : int
        Columns that come out [-], 1 or more (unchecked).

    Returns
    -------
    list of float or array
        The columns, each in the broadcast shape.

    Examples
    --------
    >>> in_blocks(lambda a, b: (a + b, a * b), [[1.0, 2.0], 3.0], 1000, 2)
    [array([4., 5.]), array([3., 6.])]
    """
    arrays = [np.asarray(one, dtype=float) for one in given]
    shape = np.broadcast_shapes(*(one.shape for one in arrays))
    flat = [one if one.ndim == 0 else np.broadcast_to(one, shape).reshape(-1) for one in arrays]
    columns = np.empty((count, prod(shape)))

    def work(start: int, stop: int) -> None:
        with np.errstate(all="ignore"):
            found = function(*(one if one.ndim == 0 else one[start:stop] for one in flat))
        for column, values in zip(columns, found, strict=True):
            column[start:stop] = values

    run_in_blocks(work, prod(shape), block)
    return [column.reshape(shape)[()] for column in columns]
