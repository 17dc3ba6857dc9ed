"""Which causes the columns in hand can never tell spread, whatever they read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.causes.catalogue import HEALTHY, Priors
from combust.application.causes.draws import Variant
from combust.application.causes.posterior import loose_of
from combust.application.causes.seen_answers import seen_table
from combust.kernel.types import Floats

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine
    from combust.application.causes.posterior import Visit

SAMPLES = 64  # of each variant, at most 255: they are counted in bytes
LEAST_CHANCE = 1e-6  # an answer is never quite impossible


def bayes_errors(
    engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats], seen_columns: Sequence[str]
) -> dict[tuple[str, str], float]:
    """Return the Bayes error of every pair of causes at equal priors, simulated with the columns of the visit.

    Results are imagined from the prior draws of each variant with the joint uncertainty of the visit and classified by
    a Gaussian for each variant.
    """
    generator = np.random.default_rng(engine.seed)
    variants = list(residuals)
    loose = [loose_of((variant,)) for variant in variants]
    center = np.stack(
        [-visit.in_usual_units(residuals[variant], kind) for variant, kind in zip(variants, loose, strict=True)]
    )
    noise = np.stack([visit.noise(kind) for kind in loose])
    log_density = imagined_results(center, noise, SAMPLES, generator)
    for column in seen_columns:
        log_density += imagined_answers(column, [(one,) for one in variants], engine.priors, SAMPLES, generator)
    causes = list(dict.fromkeys(variant.cause for variant in variants))
    member = np.array([[variant.share if variant.cause == cause else 0.0 for cause in causes] for variant in variants])
    top = log_density.max(axis=2, keepdims=True)
    by_cause = np.log(np.maximum(np.exp(log_density - top) @ member, 1e-300))
    below = by_cause[:, :, :, None] < by_cause[:, :, None, :]
    lower = below.view(np.uint8).sum(axis=1, dtype=np.uint8) / SAMPLES  # (variant, cause, other cause)
    missed = np.einsum("vc,vcd->cd", member, lower)
    tied = 1.0 - np.mean(lower + lower.transpose(0, 2, 1), axis=0)
    error = 0.5 * (missed + missed.T) + 0.5 * tied
    return {
        (causes[first], causes[second]): float(error[first, second])
        for first, second in combinations(range(len(causes)), 2)
    }


def imagined_results(center: Floats, noise: Floats, samples: int, generator: np.random.Generator) -> Floats:
    """Return ln density (kind, sample, kind) of results imagined from the draws of each kind under a Gaussian of each.

    Parameters
    ----------
    center : array (kind, draw, channel)
        What each draw expects.
    noise : array (channel, channel) or (kind, channel, channel)
        Covariance of a result around it.
    """
    count, draws, size = center.shape
    mean, cover = spread_of(center, noise)
    pick = generator.integers(0, draws, (count, samples))
    scatter = generator.standard_normal((count, samples, size)) @ np.linalg.cholesky(noise).swapaxes(-1, -2)
    results = np.take_along_axis(center, pick[:, :, None], axis=1) + scatter
    return gaussian_log_density(results.reshape(-1, size), mean, cover).reshape(count, samples, count)


def spread_of(center: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """Return (mean (kind, channel), covariance (kind, channel, channel)) of results of each kind: draws and noise."""
    mean = center.mean(axis=1)
    away = center - mean[:, None]
    return mean, away.transpose(0, 2, 1) @ away / center.shape[1] + noise


def answers_of(drawn: Floats, chance: Floats) -> Any:
    """Return which answer a flat number (..., 1) of 0 to 1 falls on, by the probabilities (..., answer) of each."""
    return np.minimum((drawn > np.cumsum(chance, axis=-1)).sum(axis=-1), chance.shape[-1] - 1)


def log_chances(chance: Floats) -> Floats:
    """Return ln probability, of none the least that counts."""
    found: Floats = np.log(np.maximum(chance, LEAST_CHANCE))
    return found


def gaussian_log_density(results: Floats, mean: Floats, cover: Floats) -> Floats:
    """Return ln density (..., result, kind), up to a constant, of results under a Gaussian of each kind.

    It is linear in the products of every two channels: all results and kinds are one product of matrices.
    """
    *sets, count, size = results.shape
    first, second, share = _products(size)
    channel = np.ascontiguousarray(results.swapaxes(-1, -2))
    product = np.empty((*sets, len(first), count))
    start = 0
    for index in range(size):  # a channel and those after it
        rest = channel[..., index:, :]
        np.multiply(rest, rest[..., :1, :], out=product[..., start : start + size - index, :])
        start += size - index
    precision: Any = np.linalg.inv(cover)
    pull = (precision @ mean[..., None])[..., 0]
    density: Floats = product.swapaxes(-1, -2) @ (precision[..., first, second] * share).swapaxes(-1, -2)
    density += results @ pull.swapaxes(-1, -2)
    density -= (0.5 * np.linalg.slogdet(cover)[1] + 0.5 * np.sum(mean * pull, axis=-1))[..., None, :]
    return density


@cache
def _products(size: int) -> tuple[Any, Any, Any]:
    """Return the numbers of the channels of every product of two, and its part in ln density."""
    first, second = np.triu_indices(size)
    return first, second, np.where(first == second, -0.5, -1.0)


def imagined_answers(
    column: str, kinds: Sequence[Sequence[Variant]], priors: Priors, samples: int, generator: np.random.Generator
) -> Floats:
    """Return ln probability (kind, sample, kind) of imagined answers of what is seen, under one or two causes each."""
    chance = chances(column, kinds, priors)
    index = answers_of(generator.random((len(kinds), samples, 1)), chance[:, None, :])
    density: Floats = log_chances(chance).T[index]
    return density


def chances(column: str, kinds: Sequence[Sequence[Variant]], priors: Priors) -> Floats:
    """Return the probability (kind, answer) of each answer of what is seen, under one or two causes each."""
    table = seen_table(column, priors)
    usual = np.array(list(table[HEALTHY].values()))
    chance: Floats = np.stack([usual] * len(kinds))
    for row, kind in zip(chance, kinds, strict=True):
        for variant in kind:
            row *= np.array([table.get(variant.cause, table[HEALTHY])[answer] for answer in table[HEALTHY]]) / usual
    chance /= chance.sum(axis=1, keepdims=True)
    return chance


def inseparable(errors: Mapping[tuple[str, str], float], first_set: Sequence[str], least: float) -> list[list[str]]:
    """Return pairs that are inseparable and touch the first set without lying in it, worst first, at most six."""
    inside = set(first_set)
    found = [
        (error, pair)
        for pair, error in errors.items()
        if error >= least and inside & set(pair) and not set(pair) <= inside
    ]
    return [list(pair) for _, pair in sorted(found, key=lambda item: (-item[0], item[1]))[:6]]
