"""Measure the fleet's speed: kernel, Parquet to Parquet against mere reading and writing, Dask, and memory.

Run: python tests/benchmarks/bench_fleet.py [--rows 10000000] [--folder DIR] [--dask] [--json]
Prints rows a second, the ratio to the time that reading and writing alone takes, and the peak memory.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from combust.application.site.base import altitude_base
from combust.domain.site import Site
from combust.edge.tables.points import BLOCK_ROWS, derate_dask, derate_streamed
from combust.kernel.altitude import derate

KERNEL_GOAL = 20e6
RATIO_GOAL = 3.0


def write_points(path: Path, rows: int, seed: int = 7) -> None:
    """Write made-up route points: a random walk of heights between 150 and 4300 m, temperatures with the lapse."""
    schema = pa.schema([("route_id", pa.string()), ("altitude_m", pa.float64()), ("temp_c", pa.float64())])
    random = np.random.default_rng(seed)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for start in range(0, rows, BLOCK_ROWS):
            count = min(BLOCK_ROWS, rows - start)
            height = np.round(2200.0 + 2000.0 * np.sin(np.cumsum(random.normal(0, 0.02, count))), 1)
            temp = np.round(5.0 - 0.0065 * height + random.normal(0, 4, count), 2)
            route = pa.array([f"R{start // BLOCK_ROWS % 20:02d}"] * count)
            writer.write_table(pa.table([route, pa.array(height), pa.array(temp)], schema=schema))


def read_and_write(source: Path, out: Path) -> float:
    """Return the seconds that reading the points and writing a table of the result's width takes, nothing computed."""
    start = time.perf_counter()
    writer = None
    with pq.ParquetFile(source) as file:
        for batch in file.iter_batches(batch_size=BLOCK_ROWS):
            if writer is None:
                writer = pq.ParquetWriter(out, batch.schema, compression="none", use_dictionary=False)
            writer.write_batch(batch)
    assert writer is not None
    writer.close()
    return time.perf_counter() - start


def best(work: Callable[[], object], times: int = 3, clock: Callable[[], float] = time.perf_counter) -> float:
    """Return the shortest time of some runs [s]; with ``time.process_time`` that of one core on a busy machine."""
    spent = []
    for _ in range(times):
        start = clock()
        work()
        spent.append(clock() - start)
    return min(spent)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--dask", action="store_true")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    base = altitude_base("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
    numbers = base.derating
    random = np.random.default_rng(1)
    height, temp = random.uniform(150, 4300, 2_000_000), random.uniform(-35, 25, 2_000_000)

    def kernel() -> object:
        return derate(numbers, altitude_m=height, temp_c=temp)

    told = {
        "kernel_rows_per_s": len(height) / best(kernel, 9),
        "kernel_rows_per_core_s": len(height) / best(kernel, 9, time.process_time),
    }
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        source = folder / "points.parquet"
        write_points(source, options.rows)
        times = 3 if options.rows <= 20_000_000 else 1
        told["rows"] = options.rows
        told["read_write_s"] = min(read_and_write(source, folder / "copy.parquet") for _ in range(times))
        (folder / "copy.parquet").unlink()
        out = folder / "out.parquet"
        told["streamed_s"] = best(lambda: derate_streamed(source, out, numbers), times)
        told["ratio"] = told["streamed_s"] / told["read_write_s"]
        told["peak_memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
        if options.dask:
            told["dask_s"] = best(lambda: derate_dask(source, folder / "dask", numbers, workers=2), 1)
            told["peak_memory_worker_mb"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    told["kernel_goal_met"] = told["kernel_rows_per_core_s"] >= KERNEL_GOAL
    told["ratio_goal_met"] = told["ratio"] <= RATIO_GOAL
    if options.json:
        print(json.dumps(told))
        return
    for key, value in told.items():
        print(f"{key:<22}{value:.3g}" if isinstance(value, float) else f"{key:<22}{value}")


if __name__ == "__main__":
    main()
