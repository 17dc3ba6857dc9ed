"""Long arrays in blocks that stay in the processor's cache, on all cores (numpy frees the interpreter's lock)."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor


def run_in_blocks(work: Callable[[int, int], None], size: int, block: int) -> None:
    """Call ``work(start, stop)`` for every block of a length; blocks must not touch each other's output."""
    starts = range(0, size, block)
    if len(starts) <= 1:
        work(0, size)
        return
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        for _ in pool.map(lambda start: work(start, min(start + block, size)), starts):
            pass
