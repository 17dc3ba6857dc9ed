"""The hierarchy against exact answers: lines with Gaussian noise have a posterior in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from combust.application.learning.hierarchy import OF_HEATER, Steps
from combust.application.learning.learnt import SCATTERS
from combust.application.learning.lines import STRUCTURES, Lines

GAUSSIAN = 1e9  # so many degrees of freedom that Student's density is the normal one
HEATERS, VISITS, CHANNELS, NAMES = 5, 3, 4, 3
ROWS = [[0, 1, -1, 2, *[-1] * (STRUCTURES - 4)] for _ in range(HEATERS)]


BASES = ("high lambda", "low lambda")


def lines_of_one_variant(rng: np.random.Generator, scatter: float = 0.0, bases: int = 0) -> list[Lines]:
    found = []
    for heater in range(HEATERS):
        for _ in range(VISITS):
            slope = rng.standard_normal((1, CHANNELS, STRUCTURES))
            start = rng.standard_normal((1, CHANNELS)) * 1.5
            half = rng.standard_normal((CHANNELS, CHANNELS)) * 0.3
            noise = (np.eye(CHANNELS) * 0.4 + half @ half.T)[None]
            added = np.zeros((len(SCATTERS), CHANNELS, CHANNELS))
            added[0] = scatter * np.eye(CHANNELS)
            base = tuple((name, rng.standard_normal(CHANNELS)) for name in BASES[:bases])
            found.append(Lines(heater, start, slope, noise, added, np.zeros(1), base))
    return found


@pytest.mark.independent
@pytest.mark.parametrize("bases", [0, 2])
def test_the_middle_of_a_type_is_that_of_the_joint_normal_distribution(bases: int) -> None:
    """All heaters and the type as one normal vector, its precision added up line by line (textbook, from memory).

    The errors of a baseline are two more numbers of each heater, the same in all its visits.
    """
    lines = lines_of_one_variant(np.random.default_rng(3), bases=bases)
    found = Steps(lines, ROWS, NAMES, GAUSSIAN).run()
    own = STRUCTURES + bases
    size = NAMES + HEATERS * own
    precision, pulled = np.zeros((size, size)), np.zeros(size)
    precision[:NAMES, :NAMES] = np.eye(NAMES) / (1.0 - OF_HEATER)
    for heater in range(HEATERS):
        for place, row in enumerate([*ROWS[heater], *[-1] * bases]):
            at, width = NAMES + heater * own + place, OF_HEATER if row >= 0 else 1.0
            precision[at, at] += 1.0 / width
            if row >= 0:
                precision[row, row] += 1.0 / width
                precision[row, at] -= 1.0 / width
                precision[at, row] -= 1.0 / width
    for one in lines:
        part = slice(NAMES + one.heater * own, NAMES + (one.heater + 1) * own)
        weight = np.linalg.inv(one.noise[0])
        slope = np.column_stack([one.slope[0], *(moved for _, moved in one.base)])
        precision[part, part] += slope.T @ weight @ slope
        pulled[part] -= slope.T @ weight @ one.start[0]
    cover = np.linalg.inv(precision)
    assert found.middle == pytest.approx((cover @ pulled)[:NAMES], abs=1e-3)
    assert found.cover == pytest.approx(cover[:NAMES, :NAMES], rel=1e-6)


@pytest.mark.independent
def test_without_visits_that_tell_the_shipped_prior_stays() -> None:
    """No slope tells nothing: middle 0, and with a heater's own part the width is 1, that of the shipped prior."""
    lines = [one._replace(slope=0.0 * one.slope) for one in lines_of_one_variant(np.random.default_rng(4))]
    found = Steps(lines, ROWS, NAMES, 12.0).run()
    assert found.middle == pytest.approx(np.zeros(NAMES), abs=1e-12)
    assert OF_HEATER + np.diag(found.cover) == pytest.approx(np.ones(NAMES), rel=1e-9)


@pytest.mark.independent
@pytest.mark.parametrize("true", [0.5, 2.0])
def test_a_scatter_comes_near_what_the_visits_were_drawn_with(true: float) -> None:
    """Residuals of known variance: the maximum of the likelihood is their mean square (textbook, from memory)."""
    rng = np.random.default_rng(5)
    lines = []
    for heater in range(40):
        for _ in range(4):
            start = true * rng.standard_normal((1, CHANNELS))
            added = np.zeros((len(SCATTERS), CHANNELS, CHANNELS))
            added[0] = np.eye(CHANNELS)
            flat = np.zeros((1, CHANNELS, STRUCTURES))
            lines.append(Lines(heater, start, flat, 1e-4 * np.eye(CHANNELS)[None], added, np.zeros(1)))
    found = Steps(lines, [[-1] * STRUCTURES] * 40, 0, GAUSSIAN).run()
    usual = np.sqrt(np.mean([np.mean(one.start**2) for one in lines]))
    assert np.exp(found.scatter[0]) == pytest.approx(usual, rel=0.02)
    assert found.scatter[1:] == pytest.approx(np.zeros(len(SCATTERS) - 1), abs=1e-9)


@pytest.mark.independent
def test_steps_that_end_early_leave_a_posterior_of_the_scatter_that_is_no_narrower_than_the_readings_allow() -> None:
    """n residuals that are all scatter: ln of it is known to 1/sqrt(2 n) (textbook, from memory).

    After one step the noise is still that of the step before; held against the scatter of now it was more than all.
    """
    rng, lines = np.random.default_rng(6), []
    added = np.zeros((len(SCATTERS), CHANNELS, CHANNELS))
    added[0] = np.eye(CHANNELS)
    flat = np.zeros((1, CHANNELS, STRUCTURES))
    for _ in range(10):
        start = 4.0 * rng.standard_normal((1, CHANNELS))
        lines.append(Lines(0, start, flat, 1e-9 * np.eye(CHANNELS)[None], added, np.zeros(1)))
    found = Steps(lines, [[-1] * STRUCTURES], 0, GAUSSIAN).run(steps=1)
    assert found.best_scatter[0] == pytest.approx(0.5)  # no step goes farther
    n = 10 * CHANNELS
    assert found.shares.sum(axis=1) == pytest.approx(np.ones(len(SCATTERS)))
    assert found.scatter_u[0] == pytest.approx(1.0 / np.sqrt(2.0 * n + 1.0 / 0.5**2), rel=0.05)
