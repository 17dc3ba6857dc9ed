"""How often each cause is met: intervals that hold the true shares, on fleets whose shares are known."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.application.causes.catalogue import get_priors
from combust.application.learning import frequencies
from combust.application.learning.confirmed import Look
from combust.application.learning.frequencies import (
    better_looks,
    confirmable,
    false_looks,
    gain_left_out,
    possible_of,
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


@pytest.mark.hand
def test_a_cause_that_was_held_back_counts_as_any_that_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """20 visits with one cause and 20 held back beside it, every label right, 17 causes of one shipped share.

    Told: (20 + 12/17) / 52. The 20 held back fall on the 16 others alike, with 12 x 16/17 of the prior.
    """
    assert len(NAMES) == 17
    assert {PRIORS.causes[name].weight for name in NAMES} == {1.0}
    monkeypatch.setattr(frequencies, "WRONG", (0.0, 1.0))
    told = (NAMES[0],)
    shares = shares_of({NAMES[0]: 20, told: 20}, PRIORS)
    assert shares.mean[0] == pytest.approx(float((20 + Fraction(12, 17)) / 52))
    each = float((20 + 12 * Fraction(16, 17)) / 52 / 16)
    assert shares.mean[1:] == pytest.approx(np.full(16, each))
    assert shares.counts.sum() == 20.0


@pytest.mark.hand
def test_what_is_held_back_is_foretold_as_one_of_those_that_are_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """One heater with 10 visits of one cause, one with 10 held back beside it; every label right.

    The second alone teaches (12/17) / 22 for the cause: 12/22 of its share. The first alone (10 + 12/17) / 22 = 91/187
    for it and 6/187 for each other; the two dangers stay at 1/17, so that the rest takes (15/17) / (175/187) = 33/35 of
    itself: 39/85 for the cause, 46/85 for the others together, where 16/17 is shipped: 23/40.
    """
    monkeypatch.setattr(frequencies, "WRONG", (0.0, 1.0))
    assert sum(PRIORS.causes[name].dangerous for name in NAMES) == 2
    assert not PRIORS.causes[NAMES[0]].dangerous
    labels = [("a", NAMES[0])] * 10 + [("b", (NAMES[0],))] * 10
    gain, u = gain_left_out(labels, PRIORS, 2)
    first, second = np.log(12.0 / 22.0), np.log(23.0 / 40.0)
    assert gain == pytest.approx((first + second) / 2.0)
    # two heaters: sqrt(2/1 x (off^2 + off^2)) / 20, each off by ten times half of the difference
    assert u == pytest.approx(np.sqrt(2.0 * 2.0 * (10.0 * (first - second) / 2.0) ** 2) / 20.0)


@pytest.mark.hand
def test_where_nothing_is_told_the_shares_stay_as_shipped() -> None:
    """60 held back, none told: they say nothing of any cause, and the intervals stay as wide as the prior's own.

    Variance of a Dirichlet share p of 12 visits (textbook: p (1 - p) / 13); a held-back label takes nothing from it.
    """
    shares = shares_of({(): 60}, PRIORS, seed=3)
    assert shares.factors == pytest.approx(np.ones(len(NAMES)))
    drawn = frequencies._drawn(shares.seen.astype(int), shares.possible, 12.0 * shares.shipped, 3)
    spread = drawn.std(axis=0).mean()
    assert spread == pytest.approx(np.sqrt(1.0 / 17.0 * (16.0 / 17.0) / 13.0), rel=0.15)
    assert gain_left_out([(str(number), ()) for number in range(20)], PRIORS, 4)[0] == pytest.approx(0.0)


TABLES = st.lists(
    st.tuples(st.dictionaries(st.sampled_from(NAMES), st.integers(5, 60), max_size=9), st.integers(0, 90)),
    min_size=1,
    max_size=3,
)


@pytest.mark.independent
@settings(max_examples=25, deadline=None)
@given(tables=TABLES, count=st.integers(1, 90))
def test_no_cause_falls_because_it_was_held_back(
    tables: list[tuple[dict[frequencies.Label, int], int]], count: int
) -> None:
    """Whatever some tables tell: visits held back raise each cause that they may be of, or leave it where it is."""
    counts: dict[frequencies.Label, int] = {}
    for told, left in tables:
        for name, visits in told.items():
            counts[name] = counts.get(name, 0) + visits
        beside = tuple(sorted(map(str, told)))
        counts[beside] = counts.get(beside, 0) + left
    more = {**counts, beside: counts[beside] + count}
    held, without = shares_of(more, PRIORS), shares_of(counts, PRIORS)
    may_be = possible_of(beside, NAMES)
    assert np.all(held.mean[may_be] >= without.mean[may_be] * (1.0 - 1e-6))
    assert np.all(held.factors[may_be] >= without.factors[may_be] * (1.0 - 1e-6))


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
