"""Altitude of a fleet: the kernel over points, and points from Parquet to Parquet against reading and writing."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from combust.application.heater.baseline import healthy_stage
from combust.domain.site import Site
from combust.edge.tables.dask_workers import BLOCK_ROWS
from combust.edge.tables.points import derate_points
from combust.kernel.altitude import AltitudeSurface, lambda_from_surface
from tests.benchmarks.records import Effort, Record, apart, timed

GROUP = "fleet"
KERNEL_GOAL = 20.0
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


def read_and_write(source: Path, out: Path) -> None:
    """Read the points and write them again block by block, nothing computed."""
    with pq.ParquetFile(source) as file:
        schema = file.schema_arrow
        with pq.ParquetWriter(out, schema, compression="none", use_dictionary=False) as writer:
            for batch in file.iter_batches(batch_size=BLOCK_ROWS):
                writer.write_batch(batch)


def records(effort: Effort) -> list[Record]:
    """Return kernel and stream."""
    base = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
    return [_kernel(effort, base.surface), _stream(effort, base.surface)]


def _kernel(effort: Effort, numbers: AltitudeSurface) -> Record:
    rows = effort.pick(400_000, 2_000_000)
    random = np.random.default_rng(1)
    height, temp = random.uniform(150, 4300, rows), random.uniform(-35, 25, rows)

    def work() -> object:
        return lambda_from_surface(numbers, altitude_m=height, temp_c=temp)

    found = lambda_from_surface(numbers, altitude_m=height[:2000], temp_c=temp[:2000])
    columns = 2 + len(found)
    source, target = np.zeros((columns, rows)), np.empty((columns, rows))
    ours = timed(work, 9, time.process_time)
    copy = timed(lambda: np.copyto(target, source), 9, time.process_time)
    return Record(
        GROUP,
        f"altitude kernel, {rows:,} points, one core",
        "million/s",
        1e-6 * rows / ours.best,
        "memory copy of the same columns",
        1e-6 * rows / copy.best,
        ours.spread_pct,
        goal=KERNEL_GOAL,
        at_least=True,
        difference=apart(found.air_ratio, lambda_by_fluids(height[:2000], temp[:2000])),
        allowed=1e-6,
        checked="lambda by density against fluids",
    )


def lambda_by_fluids(height: np.ndarray, temp: np.ndarray) -> np.ndarray:
    """Return lambda 1.6 of 0 m and 20 °C at other heights [m] and °C: pressures of fluids, the gas law."""
    from fluids.atmosphere import ATMOSPHERE_1976

    pressures = [ATMOSPHERE_1976(above).P for above in height.tolist()]
    return 1.6 * np.array(pressures) / 101_325.0 * 293.15 / (temp + 273.15)


def _stream(effort: Effort, numbers: AltitudeSurface) -> Record:
    rows = effort.pick(300_000, 10_000_000)
    with tempfile.TemporaryDirectory() as name:
        source, out, copy = (Path(name) / f"{part}.parquet" for part in ("points", "out", "copy"))
        write_points(source, rows)
        ours = timed(lambda: derate_points(source, out, numbers), 3)
        peer = timed(lambda: read_and_write(source, copy), 3)
        told = pq.read_table(out, columns=["altitude_m", "temp_c"])
        plain = pq.read_table(copy, columns=["altitude_m", "temp_c"])
        differ = float(sum(apart(told[key], plain[key]) for key in ("altitude_m", "temp_c")))
    return Record(
        GROUP,
        f"{rows:,} points, Parquet to Parquet",
        "s",
        ours.best,
        "pyarrow: read and write the points",
        peer.best,
        ours.spread_pct,
        goal=RATIO_GOAL,
        goal_of="ratio",
        difference=differ,
        allowed=0.0,
        checked="points carried over",
    )
