"""From draws to probabilities: prior draws first, then proposals where the evidence is sharper than they are.

Every variant has its own stratified prior draws. Where few of them fit, a Gaussian proposal from a weighted linear fit
of the channels is drawn from, and all draws of the variant are weighted as one mixture (multiple importance sampling),
so the estimate stays that of the stated prior.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from combust.kernel.types import Floats

ROUNDS = 3
DRAWS_ROUND = 160
WANTED = 60.0
WIDEN = 1.25
FREEDOM_PROPOSAL = 6.0
NEGLIGIBLE = -9.0
SPLIT = 0.02


@dataclass
class Block:
    """Draws of one hypothesis: normals, residual chi-squares, ln likelihood, ln(prior density over mixture density)."""

    u: Floats
    log_likelihood: Floats
    residual: Floats
    log_weight: Floats = field(default_factory=lambda: np.zeros(0))
    proposals: list[tuple[Floats, Floats, int]] = field(default_factory=list)
    prior_count: int = 0
    sizes: dict[str, Floats] = field(default_factory=dict)

    @property
    def log_evidence(self) -> float:
        """ln of the mean likelihood over the prior."""
        total = self.log_weight + self.log_likelihood
        top = float(np.max(total))
        return top + float(np.log(np.mean(np.exp(total - top))))

    @property
    def weights(self) -> Floats:
        """Posterior weights of the draws, sum 1."""
        total = self.log_weight + self.log_likelihood
        weight: Floats = np.exp(total - np.max(total))
        return weight / weight.sum()

    @property
    def effective(self) -> float:
        """Effective number of draws."""
        return float(1.0 / np.sum(self.weights**2))


Evaluate = Callable[[Floats], tuple[Floats, Floats]]


def student_log(square: Floats, freedom: float, dimensions: int) -> Floats:
    """Return ln of Student's density of a squared distance, up to a constant; 0 without dimensions."""
    if dimensions == 0:
        return np.zeros_like(square)
    value: Floats = -0.5 * (freedom + dimensions) * np.log1p(square / freedom)
    return value


def linear_proposal(u: Floats, residual: Floats, weight: Floats) -> tuple[Floats, Floats, float]:
    """Return mean, covariance and ln evidence (against a perfect fit) of a Gaussian fit: residual = e0 + B u.

    ``residual`` is whitened (observed less expected); what the line misses widens the noise of each channel.
    """
    count, size = u.shape
    ones = np.concatenate([np.ones((count, 1)), u], axis=1)
    weighted = ones * weight[:, None]
    normal = weighted.T @ ones
    normal[np.diag_indices(size + 1)] += 1e-3 * np.trace(normal) / (size + 1)
    fit = np.linalg.solve(normal, weighted.T @ residual)
    missed = weight @ (residual - ones @ fit) ** 2
    noise = 1.0 / (1.0 + missed)
    slope, start = fit[1:], fit[0]
    precision = np.eye(size) + (slope * noise) @ slope.T
    cover = np.linalg.inv(precision)
    mean = -cover @ ((slope * noise) @ start)
    left = start + mean @ slope
    square = float(noise @ (left * left) + mean @ mean)
    log_evidence = -0.5 * square + 0.5 * float(np.linalg.slogdet(cover)[1]) + 0.5 * float(np.sum(np.log(noise)))
    return mean, cover, log_evidence


def tempered(log_weight: Floats, wanted: float) -> Floats:
    """Return weights flattened until at least ``wanted`` draws count."""
    shifted = log_weight - np.max(log_weight)
    power = 1.0
    for _ in range(24):
        weight: Floats = np.exp(power * shifted)
        if weight.sum() ** 2 / np.sum(weight**2) >= wanted:
            break
        power *= 0.6
    return weight / weight.sum()


def refine(block: Block, evaluate: Evaluate, generator: np.random.Generator, size: int) -> None:
    """Add one round of proposal draws to a block, and weight all of its draws as one mixture."""
    total = block.log_weight + block.log_likelihood
    used = block.u[:, :size]
    weight = tempered(total, 2.5 * (size + 1))
    mean, cover, _ = linear_proposal(used, block.residual, weight)
    if block.effective > 2.0 * size:
        # enough good draws: their own moments are better than the line's
        good = block.weights
        mean = good @ used
        cover = (used - mean).T @ ((used - mean) * good[:, None]) + 0.02 * np.eye(size)
    draws, shape = propose(mean, WIDEN**2 * cover, DRAWS_ROUND, generator)
    log_likelihood, residual = evaluate(draws)
    block.u = np.concatenate([used, draws])
    block.log_likelihood = np.concatenate([block.log_likelihood, log_likelihood])
    block.residual = np.concatenate([block.residual, residual])
    block.proposals.append((mean, shape, DRAWS_ROUND))
    block.log_weight = mixture_weight(block)


def propose(mean: Floats, cover: Floats, count: int, generator: np.random.Generator) -> tuple[Floats, Floats]:
    """Return draws of a Student proposal and the inverse of its Cholesky factor."""
    factor = np.linalg.cholesky(cover + 1e-10 * np.eye(len(mean)))
    normal = generator.standard_normal((count, len(mean)))
    stretch = np.sqrt(generator.chisquare(FREEDOM_PROPOSAL, count) / FREEDOM_PROPOSAL)
    return mean + (normal @ factor.T) / stretch[:, None], np.linalg.inv(factor)


def mixture_weight(block: Block) -> Floats:
    """Return ln of prior density over the density of the mixture that the draws of a block come from."""
    size = block.u.shape[1]
    log_prior = -0.5 * np.sum(block.u**2, axis=1) - 0.5 * size * np.log(2.0 * np.pi)
    total = block.prior_count + sum(count for _, _, count in block.proposals)
    parts = [np.log(block.prior_count / total) + log_prior] if block.prior_count else []
    from math import lgamma, log, pi

    constant = (
        lgamma(0.5 * (FREEDOM_PROPOSAL + size))
        - lgamma(0.5 * FREEDOM_PROPOSAL)
        - 0.5 * size * log(FREEDOM_PROPOSAL * pi)
    )
    for mean, inverse, count in block.proposals:
        distance = np.sum(((block.u - mean) @ inverse.T) ** 2, axis=1)
        log_density = (
            constant
            + float(np.sum(np.log(np.abs(np.diag(inverse)))))
            - 0.5 * (FREEDOM_PROPOSAL + size) * np.log1p(distance / FREEDOM_PROPOSAL)
        )
        parts.append(np.log(count / total) + log_density)
    stack = np.stack(parts)
    top = np.max(stack, axis=0)
    mixed: Floats = log_prior - top - np.log(np.sum(np.exp(stack - top), axis=0))
    return mixed


def chi_square_quantile(probability: float, freedom: int) -> float:
    """Return the quantile of chi-square by Wilson and Hilferty's cube (1931); within 1 % above 5 degrees of freedom."""
    from statistics import NormalDist

    z = NormalDist().inv_cdf(probability)
    ratio = 2.0 / (9.0 * freedom)
    return float(freedom * (1.0 - ratio + z * np.sqrt(ratio)) ** 3)


def normalised(log_values: Any) -> Floats:
    """Return exp(log_values) normalised to sum 1."""
    values = np.asarray(log_values, dtype=float)
    weight: Floats = np.exp(values - np.max(values))
    return weight / weight.sum()
