"""Blocks worked side by side, handed on in their order, only a few of them held at a time."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Given = TypeVar("Given")
Made = TypeVar("Made")
MOST_WORKERS = 4  # one thread reads for all of them, and each holds a block


def in_order(work: Callable[[Given], Made], blocks: Iterable[Given]) -> Generator[Made]:
    """Yield what ``work`` makes of each block, in the order of the blocks (pyarrow and numpy free the lock meanwhile).

    A block is taken when no more wait than there are workers. An error comes in its place, behind what was before it:
    that of the work and that of the blocks themselves.
    """
    workers, waiting = min(os.cpu_count() or 1, MOST_WORKERS), deque[Future[Made]]()
    pool = ThreadPoolExecutor(workers)

    def begun() -> Iterator[Future[Made]]:
        try:
            for block in blocks:
                yield pool.submit(work, block)
        except Exception as error:
            failed = Future[Made]()
            failed.set_exception(error)
            yield failed

    try:
        for future in begun():
            waiting.append(future)
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)
