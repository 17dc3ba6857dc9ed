"""Long arrays in blocks that stay in the processor's cache, on all cores (numpy frees the interpreter's lock)."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from math import prod
from typing import Any

import numpy as np


def run_in_blocks(work: Callable[[int, int], None], size: int, block: int) -> None:
    """Call ``work(start, stop)`` for every block of a length; blocks must not touch each other's output."""
    starts = range(0, size, block)
    if len(starts) <= 1:
        work(0, size)
        return
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        for _ in pool.map(lambda start: work(start, min(start + block, size)), starts):
            pass


def in_blocks(function: Callable[..., tuple[Any, ...]], given: list[Any], block: int, count: int) -> list[Any]:
    """Return the ``count`` columns that a function makes of numbers and arrays, in their broadcast shape.

    Warnings of division and of invalid numbers are off: what cannot be told is NaN.
    """
    arrays = [np.asarray(one, dtype=float) for one in given]
    shape = np.broadcast_shapes(*(one.shape for one in arrays))
    flat = [one if one.ndim == 0 else np.broadcast_to(one, shape).reshape(-1) for one in arrays]
    columns = np.empty((count, prod(shape)))

    def work(start: int, stop: int) -> None:
        with np.errstate(divide="ignore", invalid="ignore"):
            found = function(*(one if one.ndim == 0 else one[start:stop] for one in flat))
        for column, values in zip(columns, found, strict=True):
            column[start:stop] = values

    run_in_blocks(work, prod(shape), block)
    return [column.reshape(shape)[()] for column in columns]
