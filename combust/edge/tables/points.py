"""Route points in Parquet: streamed in bounded memory, or spread over Dask workers; the same block function in both."""

from __future__ import annotations

import logging
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse, route_block
from combust.data.errors import CombustError, Fault, missing_extra, shorten
from combust.data.fields import FOREIGN_UNITS
from combust.edge import interrupt
from combust.edge.whole_file import drop, partial_of
from combust.kernel.altitude import Derated, Derating, derate

BLOCK_ROWS = 524_288
WAITING = 4  # tasks in flight for each worker: enough to keep it busy, few enough for the scheduler's memory
NEEDED = {"altitude_m": ("altitude_m",), "pressure_hpa": ("pressure_hpa",), "temp_c": ("temp_c", "intake_temp_c")}
# Measured numbers hardly repeat: a dictionary, statistics and compression cost more time than they save.
PLAIN: dict[str, Any] = {"compression": "none", "use_dictionary": False, "write_statistics": False}
LOG_VARIABLE = "DASK_LOGGING"
QUIET = "{'distributed': 'critical', 'tornado.application': 'critical'}"
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class PointCounts:
    """Rows read, rows with lambda, rows without (no number, or outside -430 to 9000 m, -60 to 60 °C)."""

    rows: int
    told: int
    untold: int

    def __add__(self, other: PointCounts) -> PointCounts:
        return PointCounts(self.rows + other.rows, self.told + other.told, self.untold + other.untold)


def parquet_files(source: str | Path) -> list[Path]:
    """Return the Parquet files of a file or folder, in order.

    Raises
    ------
    CombustError
        Nothing there, or no Parquet.
    """
    path = Path(source)
    files = sorted(path.glob("*.parquet")) if path.is_dir() else [path]
    if not files or not all(one.is_file() for one in files):
        hint = "Give a .parquet file or a folder of them."
        raise CombustError(Fault("points", str(path), "missing", why="is no Parquet file or folder", hint=hint))
    return files


def _columns_of(names: list[str]) -> dict[str, tuple[str, Any]]:
    """Return quantity -> (heading, unit conversion or None)."""
    found: dict[str, tuple[str, Any]] = {}
    for key, headings in NEEDED.items():
        for heading in headings:
            if heading in names:
                found[key] = (heading, None)
            for suffix, (ours, convert) in FOREIGN_UNITS.items():
                twin = heading[: -len(ours)] + suffix
                if heading.endswith(ours) and twin in names:
                    found[key] = (twin, convert)
    if "temp_c" not in found or not ({"altitude_m", "pressure_hpa"} & set(found)):
        hint = "The table needs temp_c and altitude_m (or pressure_hpa)."
        raise CombustError(Fault("points", ", ".join(names)[:80], "missing", why="lacks a column", hint=hint))
    return found


def derate_batch(batch: Any, derating: Derating) -> tuple[Any, PointCounts]:
    """Return an Arrow batch with the five result columns added, and its counts."""
    columns = {}
    for key, (heading, convert) in _columns_of(batch.schema.names).items():
        values = batch.column(heading).cast(pa.float64()).to_numpy(zero_copy_only=False)
        columns[key] = values if convert is None else convert(values)
    told = derate(derating, **columns)
    arrays = [*batch.columns, *(pa.array(column) for column in told)]
    names = [*batch.schema.names, *Derated._fields]
    known = int(np.count_nonzero(told.air_ratio == told.air_ratio))
    return pa.RecordBatch.from_arrays(arrays, names=names), PointCounts(batch.num_rows, known, batch.num_rows - known)


def derate_file(
    source: Path, out: Path, derating: Derating, groups: list[int] | None = None, progress: Progress | None = None
) -> PointCounts:
    """Derate one Parquet file (or some of its row groups) into another, in bounded memory.

    The result appears under its name only when it is complete.

    Raises
    ------
    CombustError
        The file has no rows, or cannot be read as Parquet.
    """
    out.parent.mkdir(parents=True, exist_ok=True)
    partial = partial_of(out)
    counts, writer = PointCounts(0, 0, 0), None
    writing: Future[None] | None = None
    try:
        # One block is written while the next is worked: pyarrow and numpy both free the lock.
        with pq.ParquetFile(source) as file, ThreadPoolExecutor(max_workers=1) as pool:
            rows = max(file.metadata.num_rows, 1)
            for batch in file.iter_batches(batch_size=BLOCK_ROWS, row_groups=groups):
                result, part = derate_batch(batch, derating)
                counts = counts + part
                if writer is None:
                    writer = pq.ParquetWriter(partial, result.schema, **PLAIN)
                if writing is not None:
                    writing.result()
                writing = pool.submit(writer.write_batch, result)
                if progress:
                    progress(counts.rows, rows)
            if writing is not None:
                writing.result()
        if writer is None:
            hint = "Give a table with rows."
            raise CombustError(Fault("points", str(source), "missing", why="has no rows", hint=hint))
        writer.close()
        os.replace(partial, out)
    except pa.ArrowException as error:
        why = f"cannot be read ({shorten(error, 100)})"
        raise CombustError(Fault("points", str(source), "format", why=why, hint="Save it as Parquet again.")) from error
    finally:
        if writer is not None:
            writer.close()
        drop(partial)
    return counts


def derate_streamed(
    source: str | Path, out: str | Path, derating: Derating, *, progress: Progress | None = None
) -> PointCounts:
    """Derate route points from Parquet to Parquet in one process; a folder gives a folder with the same names."""
    files, target = parquet_files(source), Path(out)
    single = len(files) == 1 and target.suffix == ".parquet"
    total = PointCounts(0, 0, 0)
    for one in files:
        total = total + derate_file(one, target if single else target / one.name, derating, progress=progress)
    return total


def derate_dask(
    source: str | Path,
    out: str | Path,
    derating: Derating,
    *,
    scheduler: str | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> PointCounts:
    """Derate route points on Dask workers: a task for each few row groups, one file in the folder ``out`` for each.

    A task that a dying worker takes with it is run again elsewhere; a file appears only when it is complete.

    Parameters
    ----------
    scheduler : str, optional
        Address of a running scheduler, ``tcp://host:port``; its workers must see the same files. Without it, local
        worker processes are started.
    workers : int
        How many of them.
    """
    target = Path(out)
    target.mkdir(parents=True, exist_ok=True)
    tasks = [
        (str(file.resolve()), str((target / f"{file.stem}-{groups[0]:06d}.parquet").resolve()), groups)
        for file in parquet_files(source)
        for groups in _group_runs(file)
    ]
    total = PointCounts(0, 0, 0)
    for done, part in enumerate(_run(_derate_task, tasks, derating, scheduler, workers), start=1):
        total = total + part
        if progress:
            progress(done, len(tasks))
    return total


def _derate_task(task: tuple[str, str, list[int]], derating: Derating) -> PointCounts:
    source, out, groups = task
    return derate_file(Path(source), Path(out), derating, groups)


def _group_runs(file: Path) -> list[list[int]]:
    """Return runs of row groups of about a block of rows each."""
    runs: list[list[int]] = [[]]
    rows = 0
    metadata = pq.read_metadata(file)
    for group in range(metadata.num_row_groups):
        if rows >= BLOCK_ROWS:
            runs.append([])
            rows = 0
        runs[-1].append(group)
        rows += metadata.row_group(group).num_rows
    return [run for run in runs if run]


def sum_routes_streamed(source: str | Path, uses: list[RouteUse], *, progress: Progress | None = None) -> RouteSums:
    """Return the route sums of a Parquet file or folder, block by block in one process."""
    total, offset = NO_POINTS, 0
    for file in parquet_files(source):
        with pq.ParquetFile(file) as table:
            rows = max(table.metadata.num_rows, 1)
            for batch in table.iter_batches(batch_size=BLOCK_ROWS):
                total = total + route_block(batch.to_pandas(), uses, offset)
                offset += batch.num_rows
                if progress:
                    progress(offset, rows)
    return total


def sum_routes_dask(
    source: str | Path,
    uses: list[RouteUse],
    *,
    scheduler: str | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> RouteSums:
    """Return the same sums from Dask workers."""
    tasks, offset = [], 0
    for file in parquet_files(source):
        metadata = pq.read_metadata(file)
        for groups in _group_runs(file):
            tasks.append((str(file.resolve()), groups, offset))
            offset += sum(metadata.row_group(group).num_rows for group in groups)
    total = NO_POINTS
    for done, part in enumerate(_run(_route_task, tasks, uses, scheduler, workers), start=1):
        total = total + part
        if progress:
            progress(done, len(tasks))
    total.faults.sort(key=lambda row: row[1])
    return total


def _route_task(task: tuple[str, list[int], int], uses: list[RouteUse]) -> RouteSums:
    source, groups, offset = task
    with pq.ParquetFile(source) as file:
        return route_block(file.read_row_groups(groups).to_pandas(), uses, offset)


def _run(
    function: Callable[[Any, Any], Any], tasks: list[Any], shared: Any, scheduler: str | None, workers: int
) -> Iterator[Any]:
    """Yield results as they come, with a bounded number of tasks in flight."""
    with dask_client(scheduler, workers) as client:
        from distributed import as_completed  # behind the client, which tells what to install

        waiting = max(WAITING * len(client.scheduler_info()["workers"]), WAITING)
        sent = client.scatter(shared, broadcast=True, hash=False)
        rest = iter(tasks)
        first = [client.submit(function, task, sent, pure=False, retries=5) for task in _take(rest, waiting)]
        running = as_completed(first)
        for future in running:
            yield future.result()
            future.release()
            for task in _take(rest, 1):
                running.add(client.submit(function, task, sent, pure=False, retries=5))


def _take(rest: Iterator[Any], count: int) -> list[Any]:
    return [task for _, task in zip(range(count), rest, strict=False)]


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
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout="10s")
        except (OSError, ValueError, TimeoutError) as error:
            hint = "Start one (dask scheduler) and give its address, like tcp://host:8786."
            why = f"does not answer ({shorten(error, 80)})"
            raise CombustError(Fault("scheduler", scheduler, "missing", why=why, hint=hint)) from error
        with client:
            yield client
        return
    with ExitStack() as stack:
        # Half started workers cannot be ended in peace: a Ctrl-C waits until they are up. Closing says nothing.
        with interrupt_held_back():
            cluster = stack.enter_context(
                LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    processes=True,
                    dashboard_address=None,
                    host="127.0.0.1",
                    silence_logs=logging.CRITICAL,
                )
            )
            client = stack.enter_context(Client(cluster))
        try:
            with interrupt.raised():
                yield client
        except KeyboardInterrupt:
            logging.getLogger("asyncio").setLevel(logging.CRITICAL)  # of what was under way nothing is left to tell
            raise


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
