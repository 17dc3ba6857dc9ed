"""How time and memory grow from a thousand to ten million rows, every size in a process of its own.

``python -m tests.benchmarks.growth ROWS`` interprets so many rows and prints the seconds.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.benchmarks.processes import run
from tests.benchmarks.records import Effort, Record

GROUP = "growth"
MEMORY_GOAL_MB = 1000.0
EXPONENT_GOAL = 1.1


class Curve(NamedTuple):
    """Rows, seconds and peak memory [MB] of one kind of work, and its memory with one row."""

    name: str
    rows: list[int]
    seconds: list[float]
    peak_mb: list[float]
    empty_mb: float


class Slope(NamedTuple):
    """Exponent of a power law through (rows, y), its standard error, and how many points carry it."""

    exponent: float
    error: float
    points: int


def slope_of(rows: list[int], values: list[float]) -> Slope:
    """Return the slope of ln(values) over ln(rows) by least squares with its standard error (NaN below 3 points)."""
    x, y = np.log(rows), np.log(values)
    away = x - x.mean()
    slope = float(away @ y / (away @ away))
    left = y - y.mean() - slope * away
    error = float(np.sqrt(left @ left / (len(x) - 2) / (away @ away))) if len(x) > 2 else float("nan")
    return Slope(slope, error, len(x))


def sizes_of(effort: Effort) -> list[int]:
    """Return the numbers of rows: decades up to 10^5, or to 10^7 in the full run."""
    return [10**power for power in range(3, effort.pick(5, 7) + 1)]


def curves(effort: Effort) -> list[Curve]:
    """Return the growth of the interpretation in memory and of the table command."""
    return [
        _interpretation(sizes_of(effort)),
        _command(
            sizes_of(effort)[1:] if not effort.quick else [effort.pick(rows, 0) for rows in (10_000, 32_000, 100_000)],
            effort.pick(1, 2),
        ),
    ]


def _interpretation(sizes: list[int]) -> Curve:
    seconds, peaks = [], []
    for rows in sizes:
        asked = ["-m", "tests.benchmarks.growth", str(rows)]
        ran = run(asked)
        seconds.append(float(ran.told))
        peaks.append(ran.peak_mb)
    return Curve(
        "interpretation of columns", sizes, seconds, peaks, run(["-m", "tests.benchmarks.growth", "1"]).peak_mb
    )


def _command(sizes: list[int], rounds: int) -> Curve:
    # The processor's time less that of one row: the start would hide the growth, and so would other work.
    from tests.benchmarks.tables import run_readings, write_readings

    seconds, peaks = [], []
    with tempfile.TemporaryDirectory() as name:
        source, out = Path(name) / "in.csv", Path(name) / "out.csv"
        for rows in sizes:
            write_readings(source, rows)
            ran = [run_readings(source, out) for _ in range(rounds if rows <= 100_000 else 1)]
            seconds.append(min(one.processor_s for one in ran))
            peaks.append(max(one.peak_mb for one in ran))
        write_readings(source, 1)
        empty = run_readings(source, out)
    return Curve(
        "combust readings less its start",
        sizes,
        [max(s - empty.processor_s, 1e-3) for s in seconds],
        peaks,
        empty.peak_mb,
    )


def records(effort: Effort) -> list[Record]:
    """Return the exponents of time and the memory of each curve."""
    return [record for curve in curves(effort) for record in records_of(curve)]


def records_of(curve: Curve) -> list[Record]:
    """Return exponent and memory of one curve; the exponent counts from where the rows outweigh the fixed cost."""
    rows, seconds = curve.rows, curve.seconds
    tail = max(3, len(rows) - 2)
    slope = slope_of(rows[-tail:], seconds[-tail:])
    points = {f"{size} rows [s]": second for size, second in zip(rows, seconds, strict=True)}
    points |= {f"{size} rows [MB]": peak for size, peak in zip(rows, curve.peak_mb, strict=True)}
    notes = {"standard error": slope.error, "rows from": float(rows[-tail]), "rows to": float(rows[-1]), **points}
    per_row = 1e6 * (curve.peak_mb[-1] - curve.empty_mb) / rows[-1]
    judged = curve.name.startswith("combust readings") and rows[-1] >= 10_000_000
    return [
        Record(
            GROUP,
            f"{curve.name}: exponent of time, {rows[-tail]:,} to {rows[-1]:,} rows (± {slope.error:.3f})",
            "-",
            slope.exponent,
            "proportional to rows",
            1.0,
            goal=EXPONENT_GOAL if judged else None,
            notes=notes,
        ),
        Record(
            GROUP,
            f"{curve.name}: peak memory, {rows[-1]:,} rows ({per_row:,.0f} bytes a row)",
            "MB",
            curve.peak_mb[-1],
            "the same with one row",
            curve.empty_mb,
            goal=MEMORY_GOAL_MB if judged else None,
        ),
    ]


def main(rows: int) -> None:
    """Interpret some rows and print the seconds of the best of three runs (one from a million rows on)."""
    from combust.application.reading.interpret import interpret_columns
    from combust.domain.instrument import instrument_class
    from tests.benchmarks.made import columns_of

    columns = columns_of(rows)
    rounds = 3 if rows < 1_000_000 else 1
    print(Effort(quick=False).timed(lambda: interpret_columns(columns, instrument_class()), rounds).best)


if __name__ == "__main__":
    main(int(sys.argv[1]))
