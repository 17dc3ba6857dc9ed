"""The hierarchy against exact answers: lines with Gaussian noise have a posterior in closed form."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_t

from combust.application.causes.catalogue import get_priors
from combust.application.causes.engine import Engine
from combust.application.causes.forward import BAND
from combust.application.learning.hierarchy import GRID, OF_HEATER, SCATTER_U, Steps
from combust.application.learning.learnt import SCATTERS
from combust.application.learning.lines import STRUCTURES, Lines, lines_of
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class

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


@pytest.mark.independent
@pytest.mark.parametrize("freedom", [5.0, 12.0])
@pytest.mark.parametrize("faults", [0.0, 0.4])
def test_of_one_scatter_of_many_students_density_tells_what_its_grid_does(freedom: float, faults: float) -> None:
    """The posterior of one scatter, from scipy's multivariate t on a grid, without steps and curves; causes unknown."""
    rng, channels, lines = np.random.default_rng(8), 10, []
    added = np.zeros((len(SCATTERS), channels, channels))
    added[0, 0, 0] = 1.0
    noise, flat = 0.25 * np.eye(channels), np.zeros((2, channels, STRUCTURES))
    moved = noise + np.diag([9.0, 4.0] + [0.0] * (channels - 2))  # a fault moves the scatter's channel too
    log_share = np.log(np.maximum([1.0 - faults, faults], 1e-300))
    for heater in range(60):
        shape = moved if rng.random() < faults else noise
        start = multivariate_t.rvs(shape=shape + 1.5**2 * added[0], df=freedom, random_state=rng)
        lines.append(Lines(heater, np.stack([start] * 2), flat, np.stack([noise, moved]), added, log_share))
    found = Steps(lines, [[-1] * STRUCTURES] * 60, 0, freedom).run()
    read = np.stack([one.start[0] for one in lines])

    def log_density(x: float) -> float:
        each = [multivariate_t.logpdf(read, shape=of + np.exp(2.0 * x) * added[0], df=freedom) for of in (noise, moved)]
        return float(logsumexp(np.stack(each, axis=1) + log_share, axis=1).sum())

    weight = np.array([log_density(x) for x in GRID]) - 0.5 * (GRID / SCATTER_U) ** 2
    weight = np.exp(weight - weight.max()) / np.exp(weight - weight.max()).sum()
    mean = float(weight @ GRID)
    width = float(np.sqrt(weight @ GRID**2 - mean**2))
    assert found.scatter[0] == pytest.approx(mean, abs=0.02 * width)
    assert found.scatter_u[0] == pytest.approx(width, rel=0.02)


def test_the_band_of_the_document_is_no_reading_that_each_visit_makes_anew() -> None:
    """It is one number of the heater: counted in each visit, it told of scatters that are in no reading."""
    reading = {"stage": "high", "pressure_hpa": 985.0, "intake_temp_c": 12.0, "location": "outdoors"}
    reading |= {"o2_dry_pct": 8.0, "flue_temp_c": 320.0}
    told = {"fuel": "diesel_b7", "blower": "centrifugal", "limits": {"altitude_m": 3000.0, "air_ratio_min": 1.2}}
    told["baseline"] = [{**reading, "o2_dry_pct": 8.2, "flue_temp_c": 330.0}]
    found: list[Any] = []
    for band in ({}, {"air_ratio_band": [1.3, 1.8]}):
        heater = Heater.from_dict({**told, "stages": {"high": {"fuel_l_per_h": 0.43, **band}}})
        engine = Engine(heater, get_priors(), instrument_class(None), 1)
        visit, residuals, _ = engine.visit([reading])
        found.append((visit, lines_of(engine, visit, residuals, 0)))
    (without, plain), (with_band, beside) = found
    assert {one.channel for one in with_band.found} - {one.channel for one in without.found} == {BAND}
    healthy = [np.argmin(np.trace(one.noise, axis1=1, axis2=2)) for one in (plain, beside)]  # no size in its noise
    assert beside.start[healthy[1]] == pytest.approx(plain.start[healthy[0]])
    assert beside.scatter == pytest.approx(plain.scatter)
