"""Judge saved visits with whatever package this interpreter has: ``python -P -m tests.simulator.judge``.

A job is a line of JSON on stdin (``profile``, ``visits`` as lists of rows, and how to rank them), its answer a line on
stdout.
"""

from __future__ import annotations

import json
import sys
import time

from combust.application.causes.rank import rank_visits
from combust.domain.heater import Heater

NOT_FAULTS = ("healthy", "misfit", "baseline_not_healthy", "baseline_of_another_heater")


def told(found):
    """What the public result of a visit says, as plain values: the one place that knows how a misfit is told."""
    misfit = getattr(found, "misfit", None)
    if misfit is None:
        misfit = not found.fits
    return {
        "causes": [[one.cause, one.probability] for one in found.causes if one.probability > 1e-9],
        "misfit": bool(misfit) or found.top.cause == "misfit",
        "marginal": list(found.marginal)[:3],
        "sets": [list(names) for names in found.cannot_separate],
        "checks": [one.check for one in found.next_checks],
        "stop": [one.code for one in found.stop],
        "valid": found.valid,
    }


def answers_of(one, how):
    """Answers for the visits of one heater, each with its processor time [s]."""
    heater = Heater.from_dict(one["profile"])
    answers, start = [], time.process_time()
    for found in rank_visits(heater, one["visits"], **how):
        now = time.process_time()
        answers.append(told(found) | {"seconds": now - start})
        start = now
    return answers


def ways_of(one):
    """Way of the proposed order of checks from the gas and flue temperature to certainty, for each visit."""
    from tests.simulator.policy import walk

    heater = Heater.from_dict(one["profile"])
    return [walk(heater, visit) for visit in one["visits"]]


def main():
    """Answer one job a line, until there are no more."""
    for line in sys.stdin:
        job = json.loads(line)
        found = ways_of(job) if job["ways"] else answers_of(job, job["how"])
        print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
