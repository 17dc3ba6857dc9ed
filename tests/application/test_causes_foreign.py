"""What the engine says with confidence on heaters, instruments and baselines that it does not expect.

A small part of the study that ``make study-foreign`` prints. The simulator is built differently from the model
(tests/simulator); the bounds are those the project set itself.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulator.conditions import CONDITIONS
from tests.simulator.foreign import STANDARD_SEED, group_of
from tests.simulator.judge import answers_of
from tests.simulator.store import accepted
from tests.simulator.table import MARGIN, MOST_ACCUSED, MOST_MISFIT, Judged, lower_end, seen

pytestmark = pytest.mark.independent
HEATERS, VISITS, HEALTHY = 3, 14, 10
HOW = {"pairs": False, "next_checks": False}


PARTS = [
    ("standard", "temperatures"),
    ("radiation_30", "temperatures"),
    ("dirty_baseline", "full"),
    ("no_flue_baseline", "temperatures"),
]


@pytest.fixture(scope="module", params=PARTS, ids=" ".join)
def condition(request):
    """Name of a condition, its drawn visits and its healthy ones, judged with a set of evidence."""
    name, evidence = request.param
    knobs = CONDITIONS[name]
    drawn, healthy = [], []
    for index in range(HEATERS):
        one = group_of(knobs, STANDARD_SEED, index, VISITS, HEALTHY)
        parts = (("visits", one["truths"], drawn), ("healthy", [("healthy",)] * HEALTHY, healthy))
        for part, truths, kept in parts:
            cases = [seen(case, evidence, knobs.repeats) for case in one[part]]
            answers = answers_of({"profile": one["profile"], "visits": cases}, HOW)
            for truth, answer in zip(truths, answers, strict=True):
                right_names = accepted(truth, knobs, evidence == "full")
                kept.append(Judged(index, list(truth), right_names, answer))
    return name, drawn, healthy


def test_confident_answers_are_not_wrong_more_often_than_they_say(condition):
    sure = [one for one in condition[1] if one.confident]
    assert sure
    assert lower_end(sure) <= np.mean([1.0 - one.stated for one in sure]) + MARGIN


def test_healthy_heaters_are_not_called_faulty(condition):
    assert np.mean([one.accused for one in condition[2]]) <= MOST_ACCUSED


def test_a_misfit_is_told_seldom_where_nothing_is_foreign(condition):
    name, drawn, healthy = condition
    if name == "standard":
        assert np.mean([one.misfit for one in (*drawn, *healthy)]) <= MOST_MISFIT
