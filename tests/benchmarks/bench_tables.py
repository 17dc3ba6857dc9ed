"""Speed and memory of tables and commands against stated limits, each compared in the same run.

Run ``python tests/benchmarks/bench_tables.py`` (all), or with ``--rows 1000000 --long-rows 10000000``. It prints one
line for each limit and ends with code 1 when one is missed. Not part of the test command: it takes minutes and 6 GB of
disk.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

ROOT = Path(__file__).parents[2]
# As a user runs it: compiled modules are kept.
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
ENVIRONMENT |= {"PYTHONPATH": str(ROOT)}
PART = 500_000

# Reads the input and writes the very table that combust wrote, whole, with pandas and pyarrow and nothing else; the
# start of the interpreter, the imports and the making of the output are not counted.
MERE_COPY = """
import sys, time
import pandas as pd, pyarrow as pa, pyarrow.csv as pa_csv
source, results, target = sys.argv[1:]
output = pa.Table.from_pandas(pd.read_csv(results, engine="pyarrow"), preserve_index=False)
start = time.perf_counter()
frame = pd.read_csv(source, engine="pyarrow")
pa_csv.write_csv(output, target)
print(time.perf_counter() - start)
"""


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


def run_readings(source: Path, out: Path) -> tuple[float, float]:
    """Return (seconds, peak resident MB) of one ``combust readings`` in a process of its own."""
    command = [sys.executable, "-m", "combust", "readings", str(source), "--out", str(out)]
    start = time.perf_counter()
    process = subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"combust readings ended with {process.returncode}")
    return time.perf_counter() - start, peak_mb(usage)


def mere_copy(source: Path, results: Path, target: Path) -> float:
    """Return the seconds that reading the input and writing the results take by themselves."""
    command = [sys.executable, "-c", MERE_COPY, str(source), str(results), str(target)]
    return float(subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, check=True).stdout)


def peak_mb(usage: resource.struct_rusage) -> float:
    """Return the peak resident memory of a finished child [MB]; macOS counts bytes, Linux kilobytes."""
    return usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def median_seconds(arguments: list[str], runs: int = 7) -> tuple[float, float]:
    """Return the median time of a fresh process and of the processor in it [s]; the first run only fills the caches."""
    times = []
    for _ in range(runs + 1):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], env=ENVIRONMENT, capture_output=True, check=True)
        passed = time.perf_counter() - start
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append((passed, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime))
    return sorted(times[1:])[runs // 2]


def main() -> None:
    """Run every comparison and print it against its limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--long-rows", type=int, default=10_000_000, help="0 leaves the long run out")
    asked = parser.parse_args()
    missed = []

    def tell(what: str, value: float, limit: float, unit: str) -> None:
        print(f"{what}: {value:.3g} {unit} (limit {limit:g} {unit}) {'ok' if value <= limit else 'MISSED'}", flush=True)
        if value > limit:
            missed.append(what)

    answer = ["-m", "combust", "reading", "--fuel", "diesel", "--o2-dry", "8.2", "--co-dry", "150"]
    seconds, processor = median_seconds(answer)
    print(f"combust reading: {processor:.2f} s of the processor; the rest is waiting for it")
    tell("combust reading answers in", seconds, 0.5, "s")
    ours, numpy_alone = median_seconds(["-c", "import combust"])[0], median_seconds(["-c", "import numpy"])[0]
    print(f"import combust {ours * 1e3:.0f} ms, import numpy {numpy_alone * 1e3:.0f} ms, both with the interpreter")
    tell("import combust against import numpy", ours / numpy_alone, 1.5, "times")

    with tempfile.TemporaryDirectory() as name:
        source, out, copy = Path(name) / "in.csv", Path(name) / "out.csv", Path(name) / "copy.csv"
        write_readings(source, asked.rows)
        pairs = []
        for _ in range(3):
            seconds, memory = run_readings(source, out)
            pairs.append((seconds / mere_copy(source, out, copy), seconds, memory))
        ratio, seconds, memory = sorted(pairs)[1]
        print(f"{asked.rows} rows, {source.stat().st_size / 1e6:.0f} MB in, {out.stat().st_size / 1e6:.0f} MB out")
        print(
            f"combust readings {seconds:.2f} s with its start, peak {memory:.0f} MB; mere copy {seconds / ratio:.2f} s"
        )
        tell("combust readings against pandas + pyarrow, median of 3 pairs", ratio, 3.0, "times")
        copy.unlink()
        if asked.long_rows:
            write_readings(source, asked.long_rows)
            seconds, memory = run_readings(source, out)
            print(f"{asked.long_rows} rows in {seconds:.0f} s, {source.stat().st_size / 1e6:.0f} MB in")
            tell("peak memory of the long run", memory, 1000.0, "MB")
    sys.exit(1 if missed else 0)


if __name__ == "__main__":
    main()
