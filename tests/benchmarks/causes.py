"""Speed and memory of the ranking of causes for visits of one heater, on one core.

The peer is one plain pass of numpy over as many prior draws of a heater whose channels are linear in them.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np

from combust.application.causes.rank import rank_visits
from combust.domain.heater import Heater
from tests.benchmarks import visit
from tests.benchmarks.records import Effort, Record, timing_of
from tests.simulator.columns import only
from tests.simulator.faults import drawn_causes
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.study import SETS
from tests.simulator.visits import visits

GROUP = "causes"
WAYS: dict[str, tuple[dict[str, bool], float | None]] = {  # how to rank -> visits/s on an idle core
    "no pairs": ({"pairs": False}, 100.0),
    "with pairs": ({"pairs": True}, 25.0),
    "with pairs and next checks": ({"pairs": True, "next_checks": True}, None),
}
TURN = 20  # passes of the peer after each run
PEER = "plain pass over 34 x 112 linear draws"
HYPOTHESES, DRAWS, NORMALS, CHANNELS, FREEDOM = 34, 112, 14, 14, 12.0


def records(effort: Effort) -> list[Record]:
    """Return visits per second of processor time, without and with pairs and checks, and how memory grew in a stream.

    The best of some runs of visits in a row is told: the visits differ, so the spread is theirs too. The peer takes
    its turn after each run, so that whatever else the machine does slows both.
    """
    rng = np.random.default_rng(1)
    hidden = hidden_heater(rng)
    heater = Heater.from_dict(profile(hidden, rng))
    length, chunks = effort.pick(2, 20), 1 if effort.least else effort.pick(2, 4)
    cases = visits(hidden, drawn_causes(rng, max(length * chunks, 40)), rng)
    found = []
    for way, (how, goal) in WAYS.items():
        for name, (columns, rows) in {**SETS, "all, one stage": (None, (0,))}.items():
            some = [only(case, columns, rows) for case in cases[: length * chunks]]
            list(rank_visits(heater, some[:2], **how))
            times, plain = [], []
            for start in range(0, len(some), length):
                began = time.process_time()
                told = list(rank_visits(heater, some[start : start + length], **how))
                between = time.process_time()
                for number in range(TURN):
                    _plain_pass(np.random.default_rng(number))
                plain.append((time.process_time() - between) / TURN)
                times.append((between - began) / length)
            timing = timing_of(times)
            found.append(
                Record(
                    GROUP,
                    f"{name} columns, {way}",
                    "visits/s",
                    1.0 / timing.best,
                    PEER,
                    1.0 / min(plain),
                    spread_pct=timing.spread_pct,
                    goal=goal,
                    at_least=True,
                    difference=max(abs(sum(one.probability for one in result.causes) - 1.0) for result in told),
                    allowed=1e-9,
                    checked="probabilities less 1",
                )
            )
    return [*found, _memory(effort, heater, cases), *visit.records(effort)]


def _plain_pass(rng: np.random.Generator) -> np.ndarray:
    """Return the shares of hypotheses by drawing, expecting and weighing, all linear and in whole arrays."""
    draws = rng.standard_normal((HYPOTHESES, DRAWS, NORMALS))
    missed = 1.0 - draws @ rng.standard_normal((HYPOTHESES, NORMALS, CHANNELS))
    likelihood = -0.5 * (FREEDOM + CHANNELS) * np.log1p(np.sum(missed**2, axis=2) / FREEDOM)
    weight = np.exp(likelihood - likelihood.max()).mean(axis=1)
    return weight / weight.sum()


def _memory(effort: Effort, heater: Heater, cases: list) -> Record:
    count = effort.pick(20, 2_000)
    many = (only(cases[number % len(cases)], *SETS["gas"]) for number in range(count))
    before = _peak_mb()
    told = sum(1 for _ in rank_visits(heater, many, pairs=False))
    return Record(GROUP, f"memory that {told:,} visits in a stream add", "MB", _peak_mb() - before)


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
