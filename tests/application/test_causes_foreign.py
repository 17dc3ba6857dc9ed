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


@pytest.fixture(scope="module", params=["radiation_15", "exponent_03", "no_flue_baseline", "high_2000_4200"])
def condition(request):
    """Drawn and healthy visits of a condition with the evidence of the gas and the temperatures."""
    knobs = CONDITIONS[request.param]
    drawn, healthy = [], []
    for index in range(HEATERS):
        one = group_of(knobs, STANDARD_SEED, index, VISITS, HEALTHY)
        for part, truths, kept in (
            ("visits", one["truths"], drawn),
            ("healthy", [("healthy",)] * HEALTHY, healthy),
        ):
            cases = [seen(case, "temperatures", knobs.repeats) for case in one[part]]
            answers = answers_of({"profile": one["profile"], "visits": cases}, HOW)
            for truth, answer in zip(truths, answers, strict=True):
                kept.append(Judged(index, list(truth), accepted(truth, knobs, False), answer))
    return drawn, healthy


def test_confident_answers_are_not_wrong_more_often_than_they_say(condition):
    sure = [one for one in condition[0] if one.confident]
    assert sure
    assert lower_end(sure) <= np.mean([1.0 - one.stated for one in sure]) + MARGIN


def test_healthy_heaters_are_not_called_faulty(condition):
    assert np.mean([one.accused for one in condition[1]]) <= MOST_ACCUSED


def test_a_misfit_is_told_seldom(condition):
    assert np.mean([one.misfit for one in condition[0]]) <= MOST_MISFIT
