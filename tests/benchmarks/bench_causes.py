"""Speed and memory of the ranking of causes for visits of one heater, on one core. Nothing here gates a test.

OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_causes.py [VISITS]
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np

from combust.application.causes.rank import rank_visits
from combust.domain.heater import Heater
from tests.simulator.columns import only
from tests.simulator.faults import drawn_causes
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.study import SETS
from tests.simulator.visits import visits


def main(count: int) -> None:
    """Print visits per second of processor time, without and with pairs, and how memory grew."""
    rng = np.random.default_rng(1)
    hidden = hidden_heater(rng)
    heater = Heater.from_dict(profile(hidden, rng))
    cases = visits(hidden, drawn_causes(rng, min(count, 200)), rng)
    for pairs in (False, True):
        for name, (columns, rows) in SETS.items():
            some = [only(case, columns, rows) for case in cases[: 60 if pairs or name == "full" else 200]]
            list(rank_visits(heater, some[:2], pairs=pairs))
            best = 0.0
            for part in range(0, len(some), 20):
                chunk = some[part : part + 20]
                start = time.process_time()
                list(rank_visits(heater, chunk, pairs=pairs))
                best = max(best, len(chunk) / (time.process_time() - start))
            print(f"{name:14s} pairs {pairs!s:5s}  best 20 visits in a row: {best:6.1f} visits/s")
    many = (only(cases[number % len(cases)], *SETS["temperatures"]) for number in range(count))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    told = sum(1 for _ in rank_visits(heater, many, pairs=False))
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{told} visits in a stream: peak memory grew by {(after - before) / 1024.0:.1f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
