"""Which causes the columns in hand can never tell spread, whatever they read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.draws import Variant
from combust.kernel.types import Floats

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine
    from combust.application.causes.posterior import Visit

SAMPLES = 64


def bayes_errors(
    engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats], seen_columns: Sequence[str]
) -> dict[tuple[str, str], float]:
    """Return the Bayes error of every pair of causes at equal priors, simulated with the columns of the visit.

    Results are imagined from the prior draws of each variant with the joint uncertainty of the visit and classified by
    a Gaussian for each variant.
    """
    generator = np.random.default_rng(engine.seed)
    variants = list(residuals)
    size = visit.dimensions
    stack = np.stack([-residuals[variant] for variant in variants])
    mean = stack.mean(axis=1)
    away = stack - mean[:, None]
    cover = away.transpose(0, 2, 1) @ away / stack.shape[1] + np.eye(size)
    inverse = np.linalg.inv(np.linalg.cholesky(cover)) if size else np.zeros((len(variants), 0, 0))
    pick = generator.integers(0, stack.shape[1], (len(variants), SAMPLES))
    results = np.take_along_axis(stack, pick[:, :, None], axis=1)
    results = results + generator.standard_normal((len(variants), SAMPLES, size))
    log_density = np.zeros((len(variants), SAMPLES, len(variants)))
    for index in range(len(variants)):
        white = (results - mean[index]) @ inverse[index].T
        constant = float(np.sum(np.log(np.diag(inverse[index])))) if size else 0.0
        log_density[:, :, index] = constant - 0.5 * np.sum(white * white, axis=2)
    log_density += _answers(engine, variants, seen_columns, generator)
    causes = list(dict.fromkeys(variant.cause for variant in variants))
    member = np.array([[variant.share if variant.cause == cause else 0.0 for cause in causes] for variant in variants])
    top = log_density.max(axis=2, keepdims=True)
    by_cause = np.log(np.maximum(np.exp(log_density - top) @ member, 1e-300))
    errors = {}
    for first in range(len(causes)):
        for second in range(first + 1, len(causes)):
            gap = by_cause[:, :, first] - by_cause[:, :, second]
            missed = [member[:, first] @ np.mean(gap < 0.0, axis=1), member[:, second] @ np.mean(gap > 0.0, axis=1)]
            tied = 0.5 * float(np.mean(gap == 0.0))
            errors[(causes[first], causes[second])] = float(np.mean(missed)) + tied
    return errors


def _answers(
    engine: Engine, variants: Sequence[Variant], columns: Sequence[str], generator: np.random.Generator
) -> Floats:
    """Return ln probability of imagined answers of what is seen: (variant of truth, sample, variant)."""
    total = np.zeros((len(variants), SAMPLES, len(variants)))
    for column in columns:
        table = ev.seen_table(column, engine.priors)
        answers = list(table["healthy"])
        rows = [table.get(variant.cause, table["healthy"]) for variant in variants]
        chance = np.array([[row[answer] for answer in answers] for row in rows])
        bounds = np.cumsum(chance, axis=1)
        drawn = generator.random((len(variants), SAMPLES, 1))
        index = np.minimum((drawn > bounds[:, None, :]).sum(axis=2), len(answers) - 1)
        total += np.log(chance.T[index])
    return total


def inseparable(errors: Mapping[tuple[str, str], float], first_set: Sequence[str], least: float) -> list[list[str]]:
    """Return pairs that are inseparable and touch the first set without lying in it, worst first, at most six."""
    inside = set(first_set)
    found = [
        (error, pair)
        for pair, error in errors.items()
        if error >= least and inside & set(pair) and not set(pair) <= inside
    ]
    return [list(pair) for _, pair in sorted(found, key=lambda item: (-item[0], item[1]))[:6]]
