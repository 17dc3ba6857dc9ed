"""``make fuzz``: every target in a process of its own, then one table: inputs, speed, tracebacks, lost rows, total."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.fuzz.registry import ROOT
from tests.fuzz.targets import TARGETS

COLUMNS = ("target", "inputs", "inputs/s", "tracebacks", "lost rows", "ended")


def run_one(name: str, inputs: int, folder: Path) -> dict[str, Any]:
    """Run one target; a process that died or hung is a finding like a traceback."""
    place = folder / name
    (place / "result.json").unlink(missing_ok=True)
    place.mkdir(parents=True, exist_ok=True)
    # Files of the targets lie in memory where the machine has such a folder.
    memory = "/dev/shm" if os.path.isdir("/dev/shm") else tempfile.gettempdir()
    with tempfile.TemporaryDirectory(dir=memory) as files, (place / "log.txt").open("w", encoding="utf-8") as log:
        command = [sys.executable, "-m", "tests.fuzz.one", name, str(inputs), str(place)]
        env = {**os.environ, "TMPDIR": files, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "ARROW_NUM_THREADS": "1"}
        code = subprocess.run(command, cwd=ROOT, env=env, stdout=log, stderr=log, check=False).returncode
    result = place / "result.json"
    if not result.exists():
        return {
            "target": name,
            "inputs": 0,
            "seconds": 1.0,
            "tracebacks": 1,
            "lost": 0,
            "places": {},
            "ended": f"died {code}",
        }
    return {**json.loads(result.read_text(encoding="utf-8")), "ended": "whole"}


def main() -> int:
    """Run the targets that are named, or all, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"Any of {', '.join(TARGETS)}.")
    parser.add_argument("--total", type=int, default=1_050_000, help="Inputs of a whole run (default %(default)s).")
    parser.add_argument("--jobs", type=int, default=1, help="Targets at a time (default %(default)s).")
    parser.add_argument("--out", default="output/fuzz", help="Where corpus, logs and findings go.")
    parser.add_argument("--fresh", action="store_true", help="Forget the corpus of earlier runs.")
    given = parser.parse_args()
    folder = (ROOT / given.out).resolve()
    if given.fresh:
        shutil.rmtree(folder, ignore_errors=True)
    scale = given.total / sum(found.inputs for found in TARGETS.values())
    names = given.targets or list(TARGETS)
    with ThreadPoolExecutor(max_workers=given.jobs) as pool:
        work = [pool.submit(run_one, name, max(int(TARGETS[name].inputs * scale), 1), folder) for name in names]
        rows = [done.result() for done in work]
    print(table(rows))
    for row in rows:
        for place, told in row["places"].items():
            print(f"{row['target']}: {place}, {told['count']} times: {told['said']}\n    {told['input'][:300]}")
    return 1 if any(row["tracebacks"] or row["lost"] for row in rows) else 0


def table(rows: list[dict[str, Any]]) -> str:
    """Return the outcome as one table with its total."""
    total = {"target": "total", "ended": ""}
    total |= {key: sum(row[key] for row in rows) for key in ("inputs", "seconds", "tracebacks", "lost")}
    lines = ["{:<20}{:>10}{:>10}{:>12}{:>11}  {}".format(*COLUMNS)]
    for row in [*rows, total]:
        speed = row["inputs"] / max(row["seconds"], 1e-9)
        counts = f"{row['tracebacks']:>12}{row['lost']:>11}"
        lines.append(f"{row['target']:<20}{row['inputs']:>10}{speed:>10.0f}{counts}  {row['ended']}")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
