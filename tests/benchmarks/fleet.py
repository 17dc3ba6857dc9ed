"""Altitude of a fleet: the kernel over points, and points from Parquet to Parquet against reading and writing."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from combust.application.heater.baseline import healthy_stage
from combust.domain.site import Site
from combust.edge.tables.dask_workers import BLOCK_ROWS
from combust.edge.tables.plan_files import load_plan
from combust.edge.tables.points import derate_points
from combust.kernel.altitude import AltitudeSurface, lambda_from_surface
from tests.benchmarks.growth import slope_of
from tests.benchmarks.made_fleet import write_fleet
from tests.benchmarks.processes import run
from tests.benchmarks.records import Effort, Record, apart

GROUP = "fleet"
KERNEL_GOAL = 20.0
RATIO_GOAL = 3.0
EXPONENT_GOAL, PLAN_MEMORY_MB, GAP_GOAL_PCT = 1.1, 1500.0, 1.0
PROFILES = Path(__file__).parents[2] / "data" / "larkfell_fleet" / "profiles"


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
    """Return kernel, stream and whole plans."""
    base = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
    return [_kernel(effort, base.surface), _stream(effort, base.surface), *_plans(effort)]


def _kernel(effort: Effort, numbers: AltitudeSurface) -> Record:
    rows = effort.pick(400_000, 2_000_000)
    random = np.random.default_rng(1)
    height, temp = random.uniform(150, 4300, rows), random.uniform(-35, 25, rows)

    def work() -> object:
        return lambda_from_surface(numbers, altitude_m=height, temp_c=temp)

    found = lambda_from_surface(numbers, altitude_m=height[:2000], temp_c=temp[:2000])
    columns = 2 + len(found)
    source, target = np.zeros((columns, rows)), np.empty((columns, rows))
    ours = effort.timed(work, 9, time.process_time)
    copy = effort.timed(lambda: np.copyto(target, source), 9, time.process_time)
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


def _plans(effort: Effort) -> list[Record]:
    """Return time, growth and memory of ``combust fleet`` with a hundred route points a vehicle.

    The peer is pandas: it reads the three tables and writes the vehicles of the plan again, CSV and Parquet.
    """
    sizes = [effort.pick(1000, 0)] if effort.quick else [10_000, 30_000, 100_000]
    ran = []
    with tempfile.TemporaryDirectory() as name:
        for vehicles in (1, *sizes):
            folder = Path(name) / str(vehicles)
            write_fleet(folder, vehicles, 100 * vehicles)
            moves = f"--max-moves={vehicles}"  # so the assignment is worked out too, everybody free to move
            ran.append(run(["-m", "combust", "fleet", *_arguments(folder), moves, f"--out={folder / 'plan'}"]))
        plan, peer = load_plan(folder / "plan"), effort.timed(lambda: _by_pandas(folder), 1, time.process_time)
        given = pd.read_csv(folder / "vehicles.csv")["cab_ua_w_per_k"]
    start, *ran = ran
    what = f"{sizes[-1]:,} vehicles, {100 * sizes[-1]:,} route points"
    notes = {f"{size} vehicles [s]": one.processor_s for size, one in zip(sizes, ran, strict=True)}
    notes |= {f"{size} vehicles [MB]": one.peak_mb for size, one in zip(sizes, ran, strict=True)}
    aims = plan.assignment.aims
    gap = 100.0 * float(((aims["planned"] - aims["bound"]).abs() / aims["planned"].clip(lower=1.0)).max())
    found = [
        Record(
            GROUP,
            f"combust fleet, {what}",
            "s, processor",
            ran[-1].processor_s,
            "pandas: read the tables, write the vehicles of the plan",
            peer.best,
            difference=apart(plan.vehicles["cab_ua_w_per_k"], given),
            allowed=0.0,
            checked="vehicles carried over",
            notes=notes,
        ),
        Record(
            GROUP,
            f"combust fleet: peak memory, {what}",
            "MB",
            ran[-1].peak_mb,
            "the same with one vehicle",
            start.peak_mb,
            goal=None if effort.quick else PLAN_MEMORY_MB,
        ),
        Record(GROUP, f"combust fleet: largest gap of an aim, {what}", "%", gap, goal=GAP_GOAL_PCT),
    ]
    return found if effort.quick else [*found, _growth(sizes, [one.processor_s - start.processor_s for one in ran])]


def _growth(sizes: list[int], seconds: list[float]) -> Record:
    name = f"combust fleet less its start: exponent of time, {sizes[0]:,} to {sizes[-1]:,} vehicles"
    exponent = slope_of(sizes, seconds).exponent
    return Record(GROUP, name, "-", exponent, "proportional to rows", 1.0, goal=EXPONENT_GOAL)


def _arguments(folder: Path) -> list[str]:
    tables = [f"--{name}={folder / name}.csv" for name in ("vehicles", "sites")]
    return [*tables, f"--routes={folder / 'routes.parquet'}", f"--profiles={PROFILES}"]


def _by_pandas(folder: Path) -> None:
    for name in ("vehicles", "sites"):
        pd.read_csv(folder / f"{name}.csv", engine="pyarrow")
    pd.read_parquet(folder / "routes.parquet")
    vehicles = pd.read_parquet(folder / "plan" / "vehicles.parquet")
    vehicles.to_csv(folder / "again.csv", index=False, float_format="%.6g")
    vehicles.to_parquet(folder / "again.parquet", index=False)


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
        ours = effort.timed(lambda: derate_points(source, out, numbers), 3)
        peer = effort.timed(lambda: read_and_write(source, copy), 3)
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
