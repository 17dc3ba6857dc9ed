"""The table command against merely reading the input and writing the very table that it wrote."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.csv as pa_csv

from tests.benchmarks.processes import Ran, run
from tests.benchmarks.records import Effort, Record, timing_of

GROUP = "table"
COPY_GOALS = {"pandas + pyarrow": 3.0, "pyarrow": 1.4, "polars": 4.0}
DIRTY_GOAL = 1.3  # one row in a hundred is refused
PART = 500_000


class Took(NamedTuple):
    """Seconds by the wall and of the processor; other work on the machine changes the latter less."""

    seconds: float
    processor_s: float


def write_readings(path: Path, rows: int) -> None:
    """Write invented readings: two gases, CO2 measured in a third of the rows, temperatures, place, an id."""
    random = np.random.default_rng(2)
    with path.open("wb") as file:
        for start in range(0, rows, PART):
            size = min(PART, rows - start)
            o2 = np.round(random.uniform(3, 14, size), 1)
            table = pa.table(
                {
                    "reading_id": np.arange(start, start + size),
                    "fuel": np.where(random.random(size) < 0.8, "diesel_b7", "paraffinic"),
                    "location": np.full(size, "outdoors"),
                    "altitude_m": np.round(random.uniform(150, 4300, size)),
                    "intake_temp_c": np.round(random.uniform(-25, 25, size)),
                    "o2_dry_pct": o2,
                    "co2_dry_pct": np.round((20.946 - o2) / 1.358, 1),
                    "co2_origin": np.where(random.random(size) < 0.33, "measured", ""),
                    "co_dry_ppm": np.round(random.gamma(2, 40, size)),
                    "flue_temp_c": np.round(random.normal(300, 40, size)),
                }
            )
            pa_csv.write_csv(table, file, pa_csv.WriteOptions(include_header=start == 0, quoting_style="none"))


def spoil(source: Path, target: Path) -> int:
    """Write a table again with no number for O2 in each hundredth row; return how many those are."""
    lines = source.read_text(encoding="utf-8").splitlines(keepends=True)
    place = lines[0].rstrip().replace('"', "").split(",").index("o2_dry_pct")
    chosen = range(1, len(lines), 100)
    for number in chosen:
        cells = lines[number].split(",")
        cells[place] = "abc"
        lines[number] = ",".join(cells)
    target.write_text("".join(lines), encoding="utf-8")
    return len(chosen)


def run_readings(source: Path, out: Path) -> Ran:
    """Run ``combust readings`` on a table in a process of its own."""
    return run(["-m", "combust", "readings", str(source), "--out", str(out)])


def by_pandas(source: Path, results: Path, target: Path) -> Took:
    """Return the time of pandas to read the input and write the results (read beforehand, uncounted)."""
    output = pd.read_csv(results, engine="pyarrow")
    return _timed(lambda: (pd.read_csv(source, engine="pyarrow"), output.to_csv(target, index=False)))


def by_pyarrow(source: Path, results: Path, target: Path) -> Took:
    """Return the time of pyarrow alone."""
    output = pa_csv.read_csv(results)
    return _timed(lambda: (pa_csv.read_csv(source), pa_csv.write_csv(output, target)))


def by_pandas_and_pyarrow(source: Path, results: Path, target: Path) -> Took:
    """Return the time of pandas for reading and pyarrow for writing."""
    output = pa_csv.read_csv(results)
    return _timed(lambda: (pd.read_csv(source, engine="pyarrow"), pa_csv.write_csv(output, target)))


def by_polars(source: Path, results: Path, target: Path) -> Took:
    """Return the time of polars."""
    output = pl.read_csv(results, infer_schema_length=None)
    return _timed(lambda: (pl.read_csv(source), output.write_csv(target)))


PEERS: dict[str, Callable[[Path, Path, Path], Took]] = {
    "pandas + pyarrow": by_pandas_and_pyarrow,
    "pandas": by_pandas,
    "pyarrow": by_pyarrow,
    "polars": by_polars,
}


def _timed(work: Callable[[], object]) -> Took:
    start, of_processor = time.perf_counter(), time.process_time()
    work()
    return Took(time.perf_counter() - start, time.process_time() - of_processor)


def records(effort: Effort) -> list[Record]:
    """Return the command against every library; ours and the peers take turns, and medians are told."""
    rows, rounds = effort.pick(20_000, 1_000_000), effort.pick(1, 3)
    with tempfile.TemporaryDirectory() as name:
        source, out, copy = Path(name) / "in.csv", Path(name) / "out.csv", Path(name) / "copy.csv"
        dirty, taken = Path(name) / "dirty.csv", Path(name) / "taken.csv"
        write_readings(source, rows)
        refused = spoil(source, dirty)
        run_readings(source, out)
        ours: list[Ran] = []
        spoilt: list[float] = []
        peers: dict[str, list[Took]] = {peer: [] for peer in PEERS}
        differences: dict[str, float] = {}
        for _ in range(rounds):
            ours.append(run_readings(source, out))
            spoilt.append(run_readings(dirty, taken).seconds)
            for peer, work in PEERS.items():
                peers[peer].append(work(source, out, copy))
                if peer not in differences:
                    differences[peer] = difference_of(out, copy)
        spread = timing_of([one.seconds for one in ours]).spread_pct
        middle, processor = (float(np.median(times)) for times in zip(*(one[:2] for one in ours), strict=True))
        left = pa_csv.read_csv(taken, read_options=pa_csv.ReadOptions(use_threads=False)).num_rows
        worse = Record(
            GROUP,
            f"combust readings, {rows:,} rows of which {refused:,} are refused",
            "s, median",
            float(np.median(spoilt)),
            "the same table with every row right",
            middle,
            timing_of(spoilt).spread_pct,
            goal=None if effort.quick else DIRTY_GOAL,
            goal_of="ratio",
            difference=float(abs(left - rows)),
            allowed=0.0,
            checked="rows written, the refused ones empty",
        )
        return [
            worse,
            *(
                Record(
                    GROUP,
                    f"combust readings, {rows:,} rows with its start",
                    "s, median",
                    middle,
                    f"{peer}: read and write the same tables",
                    float(np.median([one.seconds for one in times])),
                    spread,
                    goal=None if effort.quick else COPY_GOALS.get(peer),
                    goal_of="ratio",
                    difference=differences[peer],
                    allowed=0.0,
                    checked="cells of the two outputs that differ",
                )
                for peer, times in peers.items()
            ),
            *(
                Record(
                    GROUP,
                    f"combust readings, {rows:,} rows with its start",
                    "s of the processor",
                    processor,
                    f"{peer}: the same in the processor's time",
                    float(np.median([one.processor_s for one in peers[peer]])),
                )
                for peer in ("pyarrow", "polars")
            ),
        ]


def difference_of(first: Path, second: Path) -> float:
    """Return how many cells of two tables differ, numbers beyond 1e-12 of each other; infinite if shapes differ."""
    a, b = (pd.read_csv(path, engine="pyarrow") for path in (first, second))
    if list(a.columns) != list(b.columns) or len(a) != len(b):
        return float("inf")
    differ = 0
    for key in a.columns:
        one, other = a[key], b[key]
        if pd.api.types.is_numeric_dtype(one) and pd.api.types.is_numeric_dtype(other):
            x, y = one.to_numpy(float), other.to_numpy(float)
            same = (np.isnan(x) & np.isnan(y)) | (np.abs(x - y) <= 1e-12 * np.abs(x))
        else:
            same = (one.fillna("").astype(str) == other.fillna("").astype(str)).to_numpy()
        differ += int(np.sum(~same))
    return float(differ)
