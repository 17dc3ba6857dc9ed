"""The Must-reach numbers on a simulator that is built differently from the model (tests/simulator).

The bounds are those the project set itself; ``make study`` holds the long form (3000 visits of 30 heaters) to them and
prints the reached numbers. Here 6 heaters have 240 visits (96 with all columns), each bound on a share is wider by
two standard errors of so many: a fault that costs some per cent of the visits is seen here, one of 1 % only there.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.long import LONG
from tests.simulator.study import HEATERS, LESS, RANKED, VISITS, by_chance, calibration, top_right

pytestmark = pytest.mark.independent


def told(name, **numbers):
    print(f"\n{name}: " + ", ".join(f"{key} {value:.3f}" for key, value in numbers.items()))


@pytest.mark.parametrize(
    ("columns", "least"), [("gas", None), ("temperatures", 0.68), ("workshop", 0.88), ("full", 0.97)]
)
def test_top_cause_is_right(study, columns, least):
    right = top_right(study[columns])
    told(columns, visits=len(study[columns]), top_right=right)
    assert len(study["gas"]) == HEATERS * VISITS >= (3000 if LONG else 240)
    if least is not None:
        assert right >= least - by_chance(least, len(study[columns]))


# Temperatures: 3.0 before the exchanger was looser and two hypotheses about the baseline could stand in the set.
@pytest.mark.parametrize(("columns", "largest"), [("gas", 7.0), ("temperatures", 3.2), ("full", 1.5)])
def test_the_set_holds_the_truth_and_is_small(study, columns, largest):
    holds = np.mean([one.truth[0] in one.first_set for one in study[columns]])
    size = np.mean([len(one.first_set) for one in study[columns]])
    told(columns, holds=holds, size=size)
    assert holds >= 0.97 - by_chance(0.97, len(study[columns]))
    assert size <= largest


def test_a_stated_eighty_per_cent_is_right(study):
    sure = [one for key in ("gas", "temperatures", "workshop", "full") for one in study[key] if one.causes[0][1] >= 0.8]
    right = top_right(sure)
    told("stated >= 0.8", visits=len(sure), right=right)
    assert right >= 0.97 - by_chance(0.97, len(sure))


@pytest.mark.parametrize("columns", ["temperatures", "full"])
def test_small_faults_are_seldom_named_wrongly_with_confidence(study, columns):
    judged = study[f"small_{columns}"]
    wrong = np.mean([one.causes[0][1] >= 0.8 and one.causes[0][0] not in one.truth for one in judged])
    told(f"air and fuel 6 %, {columns}", visits=len(judged), confidently_wrong=wrong)
    assert wrong <= 0.10 + by_chance(0.10, len(judged))


@pytest.mark.parametrize("columns", ["gas", "temperatures", "workshop", "full"])
def test_calibration_on_the_foreign_simulator(study, columns):
    error, over = calibration(study[columns])
    told(columns, calibration_error=error, confidence_less_accuracy=over)
    chance = by_chance(0.90, len(study[columns]))  # of the share that is right in the bins that hold most visits
    assert error <= 0.08 + chance
    assert over <= 0.03 + chance


@pytest.mark.parametrize("columns", ["temperatures", "full"])
def test_healthy_heaters_anywhere_are_not_accused(study, columns):
    """Up to 4000 m and -25 to 25 °C: no fault with a probability of one half or more."""
    judged = study[f"healthy_{columns}"]
    accused = np.mean([any(name != "healthy" and share >= 0.5 for name, share in one.causes) for one in judged])
    told(f"healthy, {columns}", visits=len(judged), accused=accused)
    assert accused <= 0.03 + by_chance(0.03, len(judged))


def test_double_faults_are_both_in_the_top_three(study):
    both = np.mean([set(one.truth) <= set(one.marginal[:3]) for one in study["doubles"]])
    told("double faults", visits=len(study["doubles"]), both_in_top_three=both)
    assert both >= 0.80 - by_chance(0.80, len(study["doubles"]))


def test_effective_samples(study):
    enough = np.mean(
        [one.effective >= 100.0 for key in ("gas", "temperatures", "workshop", "full") for one in study[key]]
    )
    told("effective samples", enough=enough, enough_full=np.mean([one.effective >= 100.0 for one in study["full"]]))
    assert enough >= 0.95  # of all visits: chance moves it by less than it is above


def test_calibration_on_visits_of_the_model_itself(study):
    """Ten equal bins of the top label; of 800 visits the bins' own noise is about 0.027, of 2400 about 0.015."""
    stated = np.array([one.stated for one in study["own"]])
    right = np.array([one.right for one in study["own"]])
    bins = np.minimum((stated * 10).astype(int), 9)
    error = sum(
        np.mean(bins == number) * abs(stated[bins == number].mean() - right[bins == number].mean())
        for number in range(10)
        if np.any(bins == number)
    )
    told("own visits", visits=len(stated), calibration_error=error, stated=stated.mean(), right=right.mean())
    assert error <= 0.03 + by_chance(0.85, len(stated))


@pytest.mark.parametrize("place", range(len(RANKED)))
def test_simulation_based_calibration(study, place):
    """Ranks of the true severity and structure in their posterior are uniform: Kolmogorov's bound at 0.1 %."""
    ranks = np.sort([one.ranks[place] for one in study["own"]])
    count = len(ranks)
    steps = np.arange(1, count + 1) / count
    distance = max(np.max(steps - ranks), np.max(ranks - steps + 1.0 / count))
    told(f"rank {place}", visits=count, distance=distance, bound=1.95 / np.sqrt(count))
    assert distance < 1.95 / np.sqrt(count)


@pytest.mark.parametrize("name", list(LESS))
def test_without_a_column_the_posterior_is_not_sharper(study, name):
    """Mean entropy on visits of the model: leaving a column out never lowers it (within two standard errors)."""
    gained = np.array([row[name] - row["all"] for rows in study["less"] for row in rows])
    error = gained.std(ddof=1) / np.sqrt(len(gained))
    told(f"without {name}", visits=len(gained), bits_lost=gained.mean(), standard_error=error)
    assert gained.mean() > -2.0 * error
    if name in ("flue", "rise", "setting"):
        assert gained.mean() > 0.02


def test_proposed_checks_save_time_and_keep_the_order(study):
    """At least 40 % fewer minutes than in the fixed order, over visits where both get there without a strip-down."""
    both = [(ours, fixed) for ours, fixed in study["ways"] if ours and fixed]
    quick = [pair for pair in both if not any("strip_down" in way.checks for way in pair)]
    ours, fixed = (np.mean([pair[index].minutes for pair in quick]) for index in (0, 1))
    stripped = [pair for pair in both if pair not in quick]
    told(
        "next checks",
        visits=len(quick),
        minutes=ours,
        fixed_order=fixed,
        saved=1.0 - ours / fixed,
        right=np.mean([pair[0].right for pair in quick]),
        with_strip_down=len(stripped),
    )
    assert len(quick) >= (50 if LONG else 25)
    assert ours <= 0.6 * fixed
    assert not [breach for way, _ in study["ways"] if way for breach in way.breaches]


def test_pairs_do_not_spoil_single_causes(study):
    right = top_right(study["singles_with_pairs"])
    told("workshop columns with pairs", visits=len(study["singles_with_pairs"]), top_right=right)
    assert right >= 0.85 - by_chance(0.85, len(study["singles_with_pairs"]))
