"""How often each cause is met: intervals that hold the true shares, on fleets whose shares are known."""

from __future__ import annotations

import numpy as np
import pytest

from combust.application.causes.catalogue import get_priors
from combust.application.learning.confirmed import Look
from combust.application.learning.frequencies import (
    better_looks,
    confirmable,
    false_looks,
    gain_left_out,
    shares_of,
)
from combust.application.learning.learnt import Learnt, with_learnt
from combust.application.learning.taught import Taught
from combust.domain.heater import Heater
from tests.application.learning.test_learnt import BOOK, HEATER
from tests.long import LONG

FLEETS, VISITS = (200, 300) if LONG else (3, 300)
PRIORS = get_priors()
NAMES = confirmable(PRIORS)


@pytest.mark.independent
@pytest.mark.parametrize("wrong", [0.0, 0.1])
def test_true_frequencies_lie_in_the_stated_intervals(wrong: float) -> None:
    """Shares drawn anywhere (flat), 300 labels each; with a tenth of the labels wrong, any other cause alike."""
    generator = np.random.default_rng([61, int(10 * wrong)])
    inside = []
    for fleet in range(FLEETS):
        true = generator.dirichlet(np.ones(len(NAMES)))
        label = generator.choice(len(NAMES), VISITS, p=true)
        moved = (label + generator.integers(1, len(NAMES), VISITS)) % len(NAMES)
        label = np.where(generator.random(VISITS) < wrong, moved, label)
        counts = {name: int(np.sum(label == place)) for place, name in enumerate(NAMES)}
        low, high = shares_of(counts, PRIORS, seed=fleet).ends
        inside.append((low <= true) & (true <= high))
    share = float(np.mean(inside))
    print(f"\n{FLEETS} fleets, {wrong:.0%} wrong labels: {share:.3f} of the true shares inside")
    # Of so few fleets chance takes or adds: three standard errors of 17 x fleets shares (the goal is 0.85 to 0.95).
    slack = 0.0 if LONG else 3.0 * np.sqrt(0.09 / (FLEETS * len(NAMES)))
    assert 0.85 - slack <= share <= 0.95 + slack


@pytest.mark.hand
def test_frequencies_are_used_only_where_heaters_left_out_bear_them_out() -> None:
    """One cause alone in every heater is foretold better; causes as the shipped prior has them are not."""
    alone = [(str(number), "intake_restricted") for number in range(20)]
    gain, u = gain_left_out(alone, PRIORS, 4)
    assert gain > 2.0 * u
    generator = np.random.default_rng(8)
    weight = np.array([PRIORS.causes[name].weight for name in NAMES])
    usual = [(str(number), NAMES[place]) for number, place in
             enumerate(generator.choice(len(NAMES), 40, p=weight / weight.sum()))]  # fmt: skip
    gain, u = gain_left_out(usual, PRIORS, 4)
    assert gain < 2.0 * u


@pytest.mark.hand
def test_what_nobody_met_keeps_its_proportions() -> None:
    """40 confirmed visits beside a prior that counts for 12: 12/52 = 0.231 of its share, were every label right.

    One label in thirty may be wrong, which gives a little back: to all the same, since it may be any of them.
    """
    shares = shares_of({NAMES[0]: 25, NAMES[1]: 15}, PRIORS)
    factors = shares.mean[2:] / shares.shipped[2:]
    assert factors == pytest.approx(np.full(len(factors), 12.0 / 52.0), rel=0.1)
    assert np.ptp(factors) < 1e-6 * factors[0]
    low, high = shares.ends
    assert np.all((low <= shares.mean) & (shares.mean <= high) | (shares.counts == 0))


def lessons(false: int, clear: int) -> list[Taught]:
    row = ({"o2_dry_pct": 8.2},)
    heater: Heater = HEATER
    found = []
    for group in range(8):
        for number in range(false + clear):
            answer, verdict = ("fail", "false") if number < false else ("pass", "clear")
            look = Look("probe_leak_test", answer, verdict)
            found.append(Taught(str(group), heater, row, "intake_restricted", (look,)))
    return found


@pytest.mark.hand
def test_false_looks_are_learnt_where_they_are_many() -> None:
    """A leak test that fails in three of ten visits without a leak: (60 x 0.02 + 24) / (60 + 80) = 0.18."""
    found = better_looks(false_looks(lessons(3, 7), PRIORS), 4)
    assert found["probe_leak_test"]["factor"] == pytest.approx(0.18 / 0.02)
    learnt = with_learnt(PRIORS, Learnt(BOOK, look=found))
    assert learnt.table["seen"]["probe_leak_test"]["usual"] == pytest.approx({"pass": 0.82, "fail": 0.18})
    assert better_looks(false_looks(lessons(0, 1), PRIORS), 4) == {}
