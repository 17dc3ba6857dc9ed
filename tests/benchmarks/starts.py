"""What a person waits for before the first answer: start of commands, and import."""

from __future__ import annotations

import json

import numpy as np

from tests.benchmarks.processes import run
from tests.benchmarks.records import Effort, Record, apart, timing_of

GROUP = "start"
READING = ["-m", "combust", "reading", "--fuel", "n_dodecane", "--o2-dry", "8"]
READING_GOAL_S = 0.5
# One press of the TAB key behind "combust reading --", as bash asks for it.
TAB = """
import os, sys
os.environ |= {"_COMBUST_COMPLETE": "bash_complete", "COMP_CWORD": "2", "COMP_WORDS": "combust reading --"}
from combust.edge.cli.main import main
sys.argv[:] = ["combust"]
main()
"""
TAB_GOAL = 3.0
IMPORT_GOAL = 1.5


def records(effort: Effort) -> list[Record]:
    """Return the start-up times; each peer is started in turn with ours, so both see the same machine."""
    rounds = 1 if effort.least else effort.pick(3, 9)
    told = json.loads(run([*READING, "--json"]).told)
    theirs = _lambda_by_chemicals(8.0)
    names = {
        "reading": READING,
        "help": ["-m", "combust", "--help"],
        "tab": ["-c", TAB],
        "numpy and click": ["-c", "import numpy, click"],
        "combust": ["-c", "import combust"],
        "numpy": ["-c", "import numpy"],
        "nothing": ["-c", ""],
    }
    for command in names.values():
        run(command)
    times = {name: [] for name in names}
    for _ in range(rounds):
        for name, command in names.items():
            times[name].append(run(command).seconds)
    middle = {name: float(np.median(some)) for name, some in times.items()}

    def record(name: str, key: str, peer: str, **more: object) -> Record:
        spread = timing_of(times[key]).spread_pct if rounds > 1 else None
        return Record(GROUP, name, "s, median", middle[key], f"python: import {peer}", middle[peer], spread, **more)

    return [
        record(
            "combust reading answers",
            "reading",
            "numpy and click",
            goal=READING_GOAL_S,
            difference=apart(told["air_ratio_by"]["o2"], theirs),
            allowed=1e-3,
            checked="lambda against chemicals",
        ),
        record("combust --help answers", "help", "numpy and click"),
        record("the TAB key answers", "tab", "numpy", goal=TAB_GOAL, goal_of="ratio"),
        record("import combust, with the interpreter", "combust", "numpy", goal=IMPORT_GOAL, goal_of="ratio"),
        Record(
            GROUP,
            "import combust, less the bare interpreter",
            "s, median",
            max(middle["combust"] - middle["nothing"], 1e-4),
            "python: import numpy, less the same",
            max(middle["numpy"] - middle["nothing"], 1e-4),
        ),
    ]


def _lambda_by_chemicals(o2_pct: float) -> float:
    from tests.kernel.test_stoichiometry import solved

    return 1.0 + float(solved("n_dodecane", frac_out_O2_dry=o2_pct / 100.0)["O2_excess"])
