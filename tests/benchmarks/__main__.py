"""One table of the speed and memory of everything, as ratios against peers in the same run.

python -m tests.benchmarks [--quick | --least] [--only GROUP] [--out FOLDER]

Writes bench.md, bench.json and growth.svg. The quick run takes under a minute; the full one some minutes and 6 GB of
disk. Timings never gate anything: the exit code is 1 only where ours and a peer did not compute the same.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from tests.benchmarks import (
    causes,
    classroom,
    driven,
    fleet,
    growth,
    history,
    logbook,
    page,
    reading,
    starts,
    tables,
    weather,
)
from tests.benchmarks.records import Effort, Record, table

GROUPS: dict[str, Callable[[Effort], list[Record]]] = {
    "reading": reading.records,
    "start": starts.records,
    "table": tables.records,
    "growth": growth.records,
    "fleet": fleet.records,
    "weather": weather.records,
    "causes": causes.records,
    "driven": driven.records,
    "history": history.records,
    "page": page.records,
    "class": classroom.records,
    "logbook": logbook.records,
}
OUT = Path("output/bench")


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print and write; return 1 where a comparison compares different work."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="smaller numbers of rows, under a minute")
    parser.add_argument("--least", action="store_true", help="a tenth of the quick run: only what is compared counts")
    parser.add_argument("--only", choices=GROUPS, action="append", help="one group (may be repeated)")
    parser.add_argument("--out", type=Path, default=OUT)
    asked = parser.parse_args(arguments)
    effort, found = Effort(asked.quick or asked.least, asked.least), []
    for name in asked.only or GROUPS:
        start = time.perf_counter()
        found += GROUPS[name](effort)
        print(f"{name}: {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
    text = f"{heading(effort)}\n\n{measured(asked.only or GROUPS)}\n\n{table(found)}\n{summary(found)}\n"
    asked.out.mkdir(parents=True, exist_ok=True)
    (asked.out / "bench.md").write_text(text, encoding="utf-8")
    told = {"heading": heading(effort), "records": [one.to_dict() for one in found]}
    (asked.out / "bench.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    if any(one.group == growth.GROUP for one in found):
        draw_growth(found, asked.out / "growth.svg")
    print(text)
    return 1 if any(one.same is False for one in found) else 0


def heading(effort: Effort) -> str:
    """Return when and on what the table was made; nothing tells whose machine it was."""
    cores, load = os.cpu_count(), os.getloadavg()[0]
    when = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")
    kind = "quick" if effort.quick else "full"
    return (
        f"Benchmarks of combust, {kind} run, {when}, Python {platform.python_version()}, {cores} cores, load {load:.1f}"
    )


def measured(names: Iterable[str]) -> str:
    """Return what each group measures and against what, as its module says it."""
    told = {name: (sys.modules[GROUPS[name].__module__].__doc__ or "").splitlines()[0] for name in names}
    return "\n".join(f"* {name}: {text}" for name, text in told.items())


def summary(records: Sequence[Record]) -> str:
    """Return how many goals were met, and which were not."""
    goals = [one for one in records if one.met is not None]
    missed = [f"{one.group}: {one.name}" for one in goals if not one.met]
    different = [f"{one.group}: {one.name}" for one in records if one.same is False]
    lines = [f"{len(goals) - len(missed)} of {len(goals)} goals met.", *(f"* MISSED {name}" for name in missed)]
    lines += [f"* NOT THE SAME WORK {name}" for name in different]
    lines += [
        "",
        "ours/peer: 0.5 is half the peer's, 1/500 a five-hundredth. The best run is compared, the median where the",
    ]
    return "\n".join([*lines, "unit says so; spread: our median above our best. A busy machine misses goals of time."])


def draw_growth(records: Sequence[Record], path: Path) -> None:
    """Draw seconds and peak memory over rows, both axes logarithmic."""
    from combust.edge.figures.style import legend, save, sheet, title

    figure, plots = sheet(1, 2, size=(9, 4))
    for axes, unit, label in zip(plots, ("s", "MB"), ("time (s)", "peak memory (MB)"), strict=True):
        for one in records:
            ends = f" rows [{unit}]"
            points = {int(key.removesuffix(ends)): value for key, value in one.notes.items() if key.endswith(ends)}
            if points:
                axes.loglog(list(points), list(points.values()), "o-", label=one.name.partition(":")[0])
        axes.set(xlabel="rows", ylabel=label)
        axes.grid(True, color="0.9")
        title(axes, f"{label} over rows")
        legend(axes)
    save(figure, path)


if __name__ == "__main__":
    sys.exit(main())
