"""From an entry to the answer: a typed line into the book, then causes, next check and what is missing, in words.

Three heaters of a day in one process, as at the prompt of ``combust visit enter``. It has no peer to compare with.
"""

from __future__ import annotations

import datetime
import shlex
import statistics
import tempfile
import time
from pathlib import Path

from combust.application.visit.standing import standing
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.keyboard import enter, open_visit, set_day
from tests.benchmarks.records import Effort, Record

GROUP = "causes"
GOAL_MS = 150.0
MORNING = datetime.datetime.fromisoformat("2026-01-12T07:30:00+01:00")
HEATERS = Path(__file__).parents[2] / "data" / "heaters"
DAY = "outdoors alarm works altitude 210 air 5 zeroo2 20.9 zeroco 0 leak pass trap dry"
LINES = {
    "heater-0312": ("high o2 4.9 flue 350 co 118", "intake_static -137", "repair hose", "high o2 8.2 co 44 flue 331"),
    "heater-0107": ("battery 12.3 plug glow 10.9 never_lit", "cable 5 m area 2.5 mm2", "high o2 8.6 co 47 flue 289"),
}


def records(effort: Effort) -> list[Record]:
    """Return the median and the longest time of a line [ms of processor time]; the wall clock stands beside it."""
    used: list[float] = []
    waited: list[float] = []
    told = 0
    for run in range(effort.pick(2, 6)):
        with tempfile.TemporaryDirectory() as folder, Logbook(Path(folder) / "w.book", create=True) as book:
            set_day(book, shlex.split(DAY), MORNING)
            for heater, lines in LINES.items():
                visit, _ = open_visit(book, None, heater, str(HEATERS), ["outdoors"], MORNING)
                for number, line in enumerate(lines, 1):
                    began, clock = time.process_time(), time.perf_counter()
                    visit = enter(book, visit, shlex.split(line), MORNING + datetime.timedelta(minutes=number))
                    rows = standing(visit).lines()
                    if run:  # the first draws the priors of each heater
                        used.append(1e3 * (time.process_time() - began))
                        waited.append(1e3 * (time.perf_counter() - clock))
                        told += any(label == "next check" for label, _ in rows)
    notes = {
        "wall_ms_median": statistics.median(waited),
        "wall_ms_longest": max(waited),
        "with_next_check": float(told),
    }
    return [
        Record(GROUP, "from an entry to the answer, median", "ms", statistics.median(used), goal=GOAL_MS, notes=notes),
        Record(GROUP, "from an entry to the answer, longest", "ms", max(used), goal=GOAL_MS),
    ]
