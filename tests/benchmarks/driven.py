"""Ten minutes of the simulated heater, alone and with analyser, display and trace, against one ranking of causes."""

from __future__ import annotations

import time

from combust.application.causes.rank import rank_causes
from combust.application.trainer.heater import SimulatedHeater
from combust.application.trainer.session import TrainingSession
from combust.domain.heater import Heater
from combust.domain.reading import Reading
from tests.benchmarks.records import Effort, Record
from tests.benchmarks.visit import HEATERS

GROUP = "driven"
SECONDS = 600.0
GOAL = 3.0  # rankings of causes in the same run
PEER = "one ranking of causes, with pairs and next checks"


def records(effort: Effort) -> list[Record]:
    """Return processor time of 600 s of a heater from a cold start, over that of one ranking of one reading."""
    heater = Heater.load(HEATERS / "heater-0312.toml")
    read = Reading(o2_dry_pct=5.0, flue_temp_c=345.0, co_dry_ppm=200.0, stage="high", location="outdoors")

    def alone() -> None:
        simulated = SimulatedHeater(heater)
        simulated.request_heat()
        simulated.advance(SECONDS)

    def watched() -> None:
        session = TrainingSession(heater)
        session.request_heat()
        for _ in range(60):
            session.advance(SECONDS / 60.0)
            session.display()

    rounds = effort.pick(2, 7)
    ranked = effort.timed(lambda: rank_causes(heater, read), rounds, time.process_time)
    found = []
    for name, work in (("the heater", alone), ("with analyser, trace and 60 displays", watched)):
        timing = effort.timed(work, rounds, time.process_time)
        found.append(
            Record(
                GROUP,
                f"{SECONDS:.0f} s from a cold start: {name}",
                "ms",
                1e3 * timing.best,
                peer_name=PEER,
                peer=1e3 * ranked.best,
                spread_pct=timing.spread_pct,
                goal=GOAL,
                goal_of="ratio",
            )
        )
    return found
