"""Calibration of the hierarchy by simulation: what is drawn from its own model must be told with flat ranks.

``python -m tests.simulator.learning_ranks --fleets 200``: type, heaters, causes, sizes and readings are drawn from the
model, the visits are learnt from, and each true number is placed in its posterior. The places must be evenly spread
(Kolmogorov and Smirnov), after Holm over all numbers.
"""

from __future__ import annotations

import argparse
import sys
from statistics import NormalDist

import numpy as np
from scipy.stats import kstest

from combust.application.causes.catalogue import get_priors
from combust.application.causes.engine import Engine
from combust.application.heater.structure import STRUCTURE
from combust.application.learning.hierarchy import GRID, OF_HEATER, SCATTER_U, Steps
from combust.application.learning.learnt import SCATTERS, Learnt, with_learnt
from combust.application.learning.lines import lines_of
from combust.application.learning.proof import rows_of
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.own_model import own_visits
from tests.simulator.study import LESS_CHANNELS

SEED = 77
SIGNIFICANT = 0.01


def one_fleet(seed, heaters=10, visits=4):
    """Name -> the place of its true value in what was learnt, 0 to 1."""
    generator, priors = np.random.default_rng([SEED, seed]), get_priors()
    scatter = SCATTER_U * generator.standard_normal(len(SCATTERS))
    factors = {name: {"factor": float(np.exp(value))} for name, value in zip(SCATTERS, scatter, strict=True)}
    scattered = with_learnt(priors, Learnt({}, scatter=factors))
    names, middle, rows, lines = [], {}, [], []
    for number in range(heaters):
        heater = Heater.from_dict(profile(hidden_heater(generator, "centrifugal"), generator))
        engine = Engine(heater, priors, instrument_class(None), 1)
        place, row = generator.standard_normal(len(STRUCTURE)), []
        for index, name in enumerate(rows_of(heater)):
            if name and name not in names:
                names.append(name)
                middle[name] = np.sqrt(1.0 - OF_HEATER) * generator.standard_normal()
            if name:
                place[index] = middle[name] + np.sqrt(OF_HEATER) * place[index]
            row.append(names.index(name) if name else -1)
        rows.append(row)
        drawn = own_visits(engine, LESS_CHANNELS, (), visits, generator, structure=place, scattered=scattered)
        for _, _, reading in drawn:
            visit, residuals, _ = engine.visit([reading])
            lines.append(lines_of(engine, visit, residuals, number))
    found = Steps(lines, rows, len(names), priors.decide("student_freedom")).run()
    wide = np.sqrt(np.diag(found.cover))
    places = {
        name: NormalDist().cdf(float((middle[name] - found.middle[index]) / wide[index]))
        for index, name in enumerate(names)
    }
    for index, name in enumerate(SCATTERS):
        below = np.cumsum(found.shares[index]) - 0.5 * found.shares[index]
        places[name] = float(np.interp(scatter[index], GRID, below))
    return places


def holm(values):
    """Name -> p after Holm: each times how many are no smaller, never less than one before it."""
    held, found = 0.0, {}
    for number, (name, value) in enumerate(sorted(values.items(), key=lambda item: item[1])):
        held = max(held, min(1.0, value * (len(values) - number)))
        found[name] = held
    return found


def main(arguments=None):
    parser = argparse.ArgumentParser(prog="python -m tests.simulator.learning_ranks", description=__doc__)
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument(
        "--first", type=int, default=1000, help="number of the first fleet; below 1000: looked at before"
    )
    options = parser.parse_args(arguments)
    places = {}
    for seed in range(options.first, options.first + options.fleets):
        for name, value in one_fleet(seed).items():
            places.setdefault(name, []).append(value)
    alone = {name: float(kstest(values, "uniform").pvalue) for name, values in places.items()}
    for name, value in holm(alone).items():
        verdict = "flat" if value > SIGNIFICANT else "NOT flat"
        print(
            f"{name:<32} p {alone[name]:.4f}, after Holm {value:.4f}: {verdict}; "
            f"mean {np.mean(places[name]):.3f} (0.5), spread {np.std(places[name]):.3f} (0.289)"
        )


if __name__ == "__main__":
    sys.exit(main())
