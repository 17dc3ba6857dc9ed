"""What outgrows one machine: the work of single files, or runs of their row groups, as tasks on Dask workers."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse
from combust.data.errors import CombustError, Fault, missing_extra, shorten
from combust.edge import interrupt
from combust.edge.tables.fleet import sum_table
from combust.edge.tables.reader import Table

BLOCK_ROWS = 524_288
# Without any worker for so long the work is given up; so often it is looked whether there is one.
PATIENCE_S, LOOK_S = 60.0, 2.0
LOG_VARIABLE = "DASK_LOGGING"
QUIET = "{'distributed': 'critical', 'tornado.application': 'critical'}"
# Each worker a process of one thread on this machine. The scheduler always answers on a port for looking in: on any
# that is free, for this machine alone (None means 8787, which a second cluster finds taken).
LOCAL: dict[str, Any] = {
    "threads_per_worker": 1,
    "processes": True,
    "dashboard_address": "127.0.0.1:0",
    "host": "127.0.0.1",
}
Progress = Callable[[int, int], None]


def group_runs(file: Path) -> tuple[list[list[int]], int]:
    """Return (runs of row groups of about a block of rows each, rows of the file)."""
    try:
        metadata = pq.read_metadata(file)
    except pa.ArrowInvalid:
        return [[0]], 0  # no Parquet: read as a whole
    sizes = [metadata.row_group(group).num_rows for group in range(metadata.num_row_groups)]
    run_of = (np.cumsum(sizes) - sizes) // BLOCK_ROWS
    return [np.flatnonzero(run_of == run).tolist() for run in np.unique(run_of)], metadata.num_rows


def sum_routes_dask(
    tables: list[Table],
    uses: list[RouteUse],
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> RouteSums:
    """Return the sums of the tables of :func:`combust.edge.tables.fleet.route_tables` from Dask workers."""
    tasks: list[tuple[Any, ...]] = []
    before = 0
    for table in tables:
        runs, rows = group_runs(table.source.path)
        tasks += [(table, before, groups) for groups in runs]
        before += rows
    total = sum(spread(sum_table, tasks, (uses,), scheduler, workers, progress), NO_POINTS)
    total.faults.sort(key=lambda row: row[1])
    return total


def spread(
    function: Callable[..., Any],
    tasks: list[tuple[Any, ...]],
    shared: tuple[Any, ...],
    scheduler: str | None,
    workers: int | None,
    progress: Progress | None,
) -> Iterator[Any]:
    """Yield ``function(*task, *shared)`` of each task from Dask workers, as they come; lost ones are run again.

    Raises
    ------
    CombustError
        The workers are all lost, or the scheduler is, and no other comes within :data:`PATIENCE_S`.
    """
    with dask_client(scheduler, workers or 2) as client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
            sent = client.scatter(shared, broadcast=True, hash=False, timeout=PATIENCE_S)
        except (TimeoutError, OSError) as error:
            raise _lost(f"none came in {PATIENCE_S:.0f} s", "are not there") from error
        running = client.map(_run, tasks, [function] * len(tasks), [sent] * len(tasks), pure=False, retries=5)
        for done, future in enumerate(as_they_come(client, running), 1):
            yield result_of(future)
            if progress:
                progress(done, len(tasks))


def as_they_come(client: Any, running: Iterable[Any]) -> Iterator[Any]:
    """Yield futures as they are done. Dask itself would wait without end for a worker that never comes.

    Raises
    ------
    CombustError
        For :data:`PATIENCE_S` there was no worker, or the scheduler told nothing.
    """
    from distributed import as_completed

    left, seen = {*running}, time.monotonic()
    while left:
        coming = as_completed([*left], timeout=LOOK_S)
        with suppress(TimeoutError):
            while (future := next(coming, None)) is not None:
                left.discard(future)
                yield future
        if left and any_worker(client):
            seen = time.monotonic()
        elif left and time.monotonic() - seen > PATIENCE_S:
            raise _lost(f"none was there for {PATIENCE_S:.0f} s")


def any_worker(client: Any) -> bool:
    """Return True when a scheduler tells that it has a worker; False also where it does not answer."""
    try:
        return bool(client.sync(client.scheduler.ncores, workers=None, callback_timeout=LOOK_S))
    except (OSError, TimeoutError):
        return False


def result_of(future: Any) -> Any:
    """Return what a worker found.

    Raises
    ------
    CombustError
        Every worker that tried was lost, or the scheduler was.
    """
    from concurrent.futures import CancelledError

    from distributed.comm import CommClosedError
    from distributed.scheduler import KilledWorker

    try:
        return future.result()
    except (KilledWorker, CancelledError, CommClosedError) as error:
        raise _lost("each that tried was ended" if isinstance(error, KilledWorker) else "nobody is there") from error


def _lost(how: str, why: str = "were lost while they worked") -> CombustError:
    hint = "Give each more memory, or fewer of them; without --workers and --scheduler it is done in one process."
    return CombustError(Fault("workers", None, "busy", why=f"{why} ({how})", hint=hint))


def _run(task: tuple[Any, ...], function: Callable[..., Any], shared: tuple[Any, ...]) -> Any:
    return function(*task, *shared)


@contextmanager
def dask_client(scheduler: str | None, workers: int) -> Iterator[Any]:
    """Give a Dask client: of a running scheduler, or of local worker processes that end with it.

    Raises
    ------
    CombustError
        Dask is not installed, or no scheduler answers at the address.
    """
    try:
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise missing_extra("dask", "scale") from error
    with ExitStack() as stack:
        if scheduler is not None:
            stack.enter_context(_unsaid("distributed.client"))  # a scheduler that is gone is told by us, in words
            try:
                client = stack.enter_context(Client(scheduler, timeout="10s"))
            except (OSError, ValueError, TimeoutError) as error:
                hint = "Start one (dask scheduler) and give its address, like tcp://host:8786."
                why = f"does not answer ({shorten(error, 80)})"
                raise CombustError(Fault("scheduler", scheduler, "missing", why=why, hint=hint)) from error
            yield client
            return
        # Half started workers cannot be ended in peace: a Ctrl-C waits until they are up.
        with interrupt_held_back():
            cluster = stack.enter_context(LocalCluster(workers, silence_logs=logging.CRITICAL, **LOCAL))
            client = stack.enter_context(Client(cluster))
        try:
            with interrupt.raised():
                yield client
        except KeyboardInterrupt:
            logging.getLogger("asyncio").setLevel(logging.CRITICAL)  # of what was under way nothing is left to tell
            raise


@contextmanager
def _unsaid(logger: str) -> Iterator[None]:
    level = logging.getLogger(logger).level
    logging.getLogger(logger).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logging.getLogger(logger).setLevel(level)


@contextmanager
def interrupt_held_back() -> Iterator[None]:
    """Let a Ctrl-C that comes inside the block act behind it; processes started inside never see one.

    A terminal sends it to every process: the workers are ended by the cluster, in order, without words of their own.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    logs = os.environ.get(LOG_VARIABLE)
    before = signal.signal(signal.SIGINT, lambda number, frame: came.append(number))
    resource_tracker.ensure_running()  # started later it would unblock the signal
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    os.environ[LOG_VARIABLE] = logs or QUIET
    try:
        yield
    finally:
        if logs is None:
            del os.environ[LOG_VARIABLE]
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt
