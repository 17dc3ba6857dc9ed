"""From draws to probabilities: prior draws first, then proposals where the evidence is sharper than they are.

Every variant has its own stratified prior draws. Where few of them fit, a Gaussian proposal from a weighted linear fit
of the channels is drawn from, and all draws of the variant are weighted as one mixture (multiple importance sampling),
so the estimate stays that of the stated prior.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from math import lgamma, log, pi
from typing import Any, TypeVar

import numpy as np

from combust.application.causes.draws import Variant
from combust.application.causes.evidence import LOOSE, UNSTEADY, Observation
from combust.application.causes.stage_reading import StageReading
from combust.kernel.types import Floats

DRAWS_OF_ROUND = (112, 224, 448)  # of a hypothesis that matters little; twice as many for the leading one
WANTED = 150.0  # the whole posterior should rest on more than 100 effective draws
WIDEN = 1.1
FREEDOM_PROPOSAL = 9.0

Hypothesis = tuple[Variant, ...]
Key = TypeVar("Key", str, tuple[str, ...])


def added_up(parts: Iterable[tuple[Key, float]]) -> dict[Key, float]:
    """Return key -> the sum of its shares, the largest first."""
    shares: dict[Key, float] = {}
    for key, share in parts:
        shares[key] = shares.get(key, 0.0) + share
    return dict(sorted(shares.items(), key=lambda item: (-item[1], item[0])))


def held_back(shares: Any, unsteady: Sequence[bool], most: float) -> list[float]:
    """Return shares of which the unsteady ones together have at most ``most``; the others take the rest."""
    shares, loose = np.asarray(shares, dtype=float), np.asarray(unsteady)
    whole, held = float(shares.sum()), float(shares[loose].sum())
    if held > most * whole and held < whole:
        shares = np.where(loose, shares * most / held, shares * (1.0 - most) / (whole - held)) * whole
    told: list[float] = shares.tolist()
    return told


@dataclass
class Block:
    """Draws of one hypothesis: normals, whitened residuals, ln likelihood, ln(prior density over mixture density)."""

    u: Floats
    log_likelihood: Floats
    residual: Floats
    log_weight: Floats
    prior_count: int
    proposals: list[tuple[Floats, Floats, int]] = field(default_factory=list)
    log_evidence: float = 0.0
    effective: float = 0.0
    weights: Floats = field(default_factory=lambda: np.zeros(0))
    sizes: dict[str, Floats] = field(default_factory=dict)

    def settle(self) -> None:
        """Work out ln evidence (mean likelihood over the prior), posterior weights and their effective number."""
        total = self.log_weight + self.log_likelihood
        top = float(np.max(total))
        weight = np.exp(total - top)
        whole = float(np.sum(weight))
        self.log_evidence = top + float(np.log(whole / len(weight)))
        self.weights = weight / whole
        self.effective = whole * whole / float(np.sum(weight * weight))


@dataclass(frozen=True, slots=True)
class Whitening:
    """From differences to units of the joint uncertainty and back; under loose causes it is shifted and wider."""

    matrix: Floats
    inverse: Floats
    shift: Floats
    log_density: float

    @classmethod
    def of(cls, covariance: Floats, shift: Floats) -> Whitening:
        """Return the whitening of a joint covariance, and ln of its density at the middle up to a constant."""
        lower: Any = np.linalg.cholesky(covariance)
        return cls(np.linalg.inv(lower).T, lower.T, shift, -float(np.sum(np.log(np.diag(lower)))))

    def whitened(self, difference: Floats) -> Floats:
        """Return observed less expected in units of the joint uncertainty."""
        return (difference - self.shift) @ self.matrix

    def difference(self, residual: Floats) -> Floats:
        """Return observed less expected from whitened residuals."""
        return residual @ self.inverse + self.shift


Loose = frozenset[str]  # which of the causes that widen the expectation a hypothesis holds
NOT_LOOSE: Loose = frozenset()


def loose_of(hypothesis: Hypothesis) -> Loose:
    """Return the causes of a hypothesis that widen what is expected."""
    return frozenset(variant.cause for variant in hypothesis if variant.cause in LOOSE)


@dataclass
class Visit:
    """A visit in the model's terms: rows, observed channels, whitening by loose causes, what was seen.

    ``steady``: whether a reading was watched and was steady; None = nobody watched. ``weighed``: the causes that the
    evidence can speak about.
    """

    rows: list[StageReading]
    needed: list[frozenset[str]]
    found: list[Observation]
    whitening: dict[Loose, Whitening]
    seen: dict[str, float]
    seen_twice: dict[frozenset[str], float]
    steady: bool | None
    weighed: dict[str, float]

    def seen_under(self, causes: Collection[str]) -> float:
        """Return ln probability of what was seen under one or two causes, over that without a cause."""
        return sum(self.seen[name] for name in causes) - self.seen_twice.get(frozenset(causes), 0.0)

    @property
    def dimensions(self) -> int:
        """Number of observed channels."""
        return len(self.found)

    @property
    def usual(self) -> Whitening:
        """The whitening without a loose cause."""
        return self.whitening[NOT_LOOSE]

    def in_usual_units(self, residual: Floats, loose: Loose) -> Floats:
        """Return residuals of a loose hypothesis in the units of the others."""
        return self.usual.whitened(self.whitening[loose].difference(residual)) if loose else residual

    def noise(self, loose: Loose) -> Floats:
        """Return the covariance of a reading around a draw in usual units."""
        back = self.whitening[loose].inverse @ self.usual.matrix
        return back.T @ back


@dataclass
class Posterior:
    """Blocks of all hypotheses with their prior shares; keys are tuples of one or two variants."""

    blocks: dict[Hypothesis, Block]
    log_prior: dict[Hypothesis, float]
    log_evidence: dict[Hypothesis, float] = field(default_factory=dict)
    settled: dict[Hypothesis, float] = field(default_factory=dict)
    unsteady_most: float = 1.0

    def probabilities(self) -> dict[Hypothesis, float]:
        """Return the probability of every hypothesis (by variant); the evidence must be final."""
        if not self.settled:
            keys = list(self.log_prior)
            values = normalised([self.log_prior[key] + self.log_evidence[key] for key in keys])
            unsteady = [any(variant.cause == UNSTEADY for variant in key) for key in keys]
            self.settled = dict(zip(keys, held_back(values, unsteady, self.unsteady_most), strict=True))
        return self.settled

    def explanations(self) -> dict[tuple[str, ...], float]:
        """Return the probability of every set of causes (names in order), most probable first."""
        shares = self.probabilities().items()
        return added_up((tuple(sorted({variant.cause for variant in key})), share) for key, share in shares)

    def effective_samples(self) -> float:
        """Return the effective number of draws behind the whole posterior."""
        share = self.probabilities()
        square = sum(p * p / self.blocks[key].effective for key, p in share.items() if key in self.blocks)
        total = sum(p for key, p in share.items() if key in self.blocks)
        return total * total / square if square > 0.0 else 0.0


def student_log(square: Floats, freedom: float, dimensions: int) -> Floats:
    """Return ln of Student's density of a squared distance, up to a constant; 0 without dimensions."""
    if dimensions == 0:
        return np.zeros_like(square)
    value: Floats = -0.5 * (freedom + dimensions) * np.log1p(square / freedom)
    return value


def linear_proposals(u: Sequence[Floats], residual: Sequence[Floats], weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Return mean, covariance and ln evidence (against a perfect fit) of Gaussian fits: residual = e0 + B u.

    One entry for each hypothesis (H): u (n, k), whitened residual (observed less expected) (n, d), a row (n) of weight.
    What the line misses widens the noise of each channel. Each is fitted by itself: its draws fit the cache.
    """
    (count, size), dimensions = np.shape(u[0]), np.shape(residual[0])[1]
    fit, missed = np.empty((len(u), size + 1, dimensions)), np.empty((len(u), dimensions))
    ones, ridge = np.ones((count, size + 1)), np.arange(size + 1)
    for index, (normals, gap, share) in enumerate(zip(u, residual, weight, strict=True)):
        ones[:, 1:] = normals
        weighted = ones.T * share
        normal = weighted @ ones
        normal[ridge, ridge] += 1e-3 * np.trace(normal) / (size + 1)
        fit[index] = np.linalg.solve(normal, weighted @ gap)
        left = gap - ones @ fit[index]
        missed[index] = share @ np.square(left, out=left)
    noise = 1.0 / (1.0 + missed)
    slope, start = fit[:, 1:], fit[:, 0]
    scaled = slope * noise[:, None, :]
    precision = np.eye(size) + scaled @ slope.transpose(0, 2, 1)
    cover: Any = np.linalg.inv(precision)
    mean: Floats = -np.einsum("hij,hj->hi", cover, np.einsum("hkd,hd->hk", scaled, start))
    missing = start + np.einsum("hk,hkd->hd", mean, slope)
    square = np.sum(noise * missing * missing, axis=1) + np.sum(mean * mean, axis=1)
    log_evidence: Floats = -0.5 * square - 0.5 * np.linalg.slogdet(precision)[1] + 0.5 * np.sum(np.log(noise), axis=1)
    return mean, cover, log_evidence


def tempered(log_weight: Floats, wanted: float) -> Floats:
    """Return weights (H, n) flattened until at least ``wanted`` draws of each row count."""
    shifted = log_weight - np.max(log_weight, axis=1, keepdims=True)
    power = np.ones((len(shifted), 1))
    weight: Floats = np.exp(shifted)
    for _ in range(24):
        few = np.sum(weight, axis=1) ** 2 < wanted * np.sum(weight * weight, axis=1)
        if not few.any():
            break
        power[few] *= 0.6
        weight[few] = np.exp(power[few] * shifted[few])
    weight /= weight.sum(axis=1, keepdims=True)
    return weight


def next_proposal(block: Block, size: int) -> tuple[Floats, Floats]:
    """Return mean and covariance of the next proposal of a block: its own moments when enough draws count."""
    used = block.u[:, :size]
    good = block.weights
    if block.effective > 2.0 * size:
        mean = good @ used
        return mean, (used - mean).T @ ((used - mean) * good[:, None]) + 0.02 * np.eye(size)
    weight = tempered((block.log_weight + block.log_likelihood)[None], 2.5 * (size + 1))
    means, covers, _ = linear_proposals([used], [block.residual], weight)
    return means[0], covers[0]


@dataclass(frozen=True, slots=True)
class Drawn:
    """Evaluated draws of a proposal: normals, whitened residuals, and the size of each cause."""

    u: Floats
    residual: Floats
    sizes: dict[str, Floats]


def extend(block: Block, drawn: Drawn, log_likelihood: Floats, mean: Floats, shape: Floats) -> None:
    """Add the evaluated draws of a proposal to a block, and weight all of its draws as one mixture."""
    draws, residual = drawn.u, drawn.residual
    block.sizes = {name: np.concatenate([block.sizes[name], size]) for name, size in drawn.sizes.items()}
    block.u = np.concatenate([block.u[:, : draws.shape[1]], draws])
    block.log_likelihood = np.concatenate([block.log_likelihood, log_likelihood])
    block.residual = np.concatenate([block.residual, residual])
    block.proposals.append((mean, shape, len(draws)))
    block.log_weight = mixture_weight(block)
    block.settle()


def propose(mean: Floats, cover: Floats, count: int, generator: np.random.Generator) -> tuple[Floats, Floats]:
    """Return draws of a Student proposal and the inverse of its Cholesky factor."""
    factor = np.linalg.cholesky(cover + 1e-10 * np.eye(len(mean)))
    normal = generator.standard_normal((count, len(mean)))
    stretch = np.sqrt(generator.chisquare(FREEDOM_PROPOSAL, count) / FREEDOM_PROPOSAL)
    draws: Floats = mean + (normal @ factor.T) / stretch[:, None]
    return draws, np.linalg.inv(factor)


def mixture_weight(block: Block) -> Floats:
    """Return ln of prior density over the density of the mixture that the draws of a block come from."""
    size = block.u.shape[1]
    log_prior = -0.5 * np.sum(block.u**2, axis=1) - 0.5 * size * np.log(2.0 * np.pi)
    total = block.prior_count + sum(count for _, _, count in block.proposals)
    parts = [np.log(block.prior_count / total) + log_prior] if block.prior_count else []
    half = 0.5 * (FREEDOM_PROPOSAL + size)
    constant = lgamma(half) - lgamma(0.5 * FREEDOM_PROPOSAL) - 0.5 * size * log(FREEDOM_PROPOSAL * pi)
    for mean, inverse, count in block.proposals:
        distance = np.sum(((block.u - mean) @ inverse.T) ** 2, axis=1)
        narrow = constant + float(np.sum(np.log(np.abs(np.diag(inverse)))))
        parts.append(np.log(count / total) + narrow - half * np.log1p(distance / FREEDOM_PROPOSAL))
    mixed: Floats = log_prior - np.logaddexp.reduce(parts)
    return mixed


def normalised(log_values: Any) -> Floats:
    """Return exp(log_values) normalised to sum 1."""
    values = np.asarray(log_values, dtype=float)
    weight: Floats = np.exp(values - np.max(values))
    share: Floats = weight / weight.sum()
    return share
