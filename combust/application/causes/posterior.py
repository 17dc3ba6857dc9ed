"""From draws to probabilities: the draws of each hypothesis, a visit in the model's terms, the posterior over all."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import lgamma, log, pi
from typing import Any, NamedTuple, TypeVar

import numpy as np

from combust.application.causes.draws import Variant
from combust.application.causes.evidence import LOOSE, UNSTEADY, Observation
from combust.application.causes.stage_reading import StageReading
from combust.kernel.tails import shares_of_logs
from combust.kernel.types import Floats

KEPT = 8192  # hypotheses whose names are kept: those of the few engines that are kept
FREEDOM_PROPOSAL = 9.0  # of the tails of a proposal

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


class Proposal(NamedTuple):
    """A Student distribution of normals: its middle and the Cholesky factor of its width."""

    middle: Floats
    factor: Floats

    def drawn(self, standard: Floats) -> Floats:
        """Return draws from standard ones, of which the first columns are used."""
        draws: Floats = self.middle + standard[:, : len(self.middle)] @ self.factor.T
        return draws

    def log_density(self, u: Floats) -> Floats:
        """Return ln density at normals."""
        size, inverse = len(self.middle), np.linalg.inv(self.factor)
        half = 0.5 * (FREEDOM_PROPOSAL + size)
        constant = lgamma(half) - lgamma(0.5 * FREEDOM_PROPOSAL) - 0.5 * size * log(FREEDOM_PROPOSAL * pi)
        constant -= float(np.sum(np.log(np.diag(self.factor))))
        distance = np.sum(((u - self.middle) @ inverse.T) ** 2, axis=1)
        density: Floats = constant - half * np.log1p(distance / FREEDOM_PROPOSAL)
        return density


@dataclass
class Block:
    """Draws of one hypothesis: normals, ln likelihood, whitened residuals, ln(prior density over density drawn from).

    ``proposals``: where those that are no prior draws come from, and how many of them from each.
    """

    u: Floats
    log_likelihood: Floats
    residual: Floats
    log_weight: Floats
    log_evidence: float = 0.0
    effective: float = 0.0
    weights: Floats = field(default_factory=lambda: np.zeros(0))
    sizes: dict[str, Floats] = field(default_factory=dict)
    proposals: list[tuple[Proposal, int]] = field(default_factory=list)

    def settle(self) -> None:
        """Work out ln evidence (mean likelihood over the prior), posterior weights and their effective number."""
        self.weights, log_sum = shares_of_logs(self.log_weight + self.log_likelihood)
        self.log_evidence = float(log_sum) - log(len(self.weights))
        self.effective = 1.0 / float(self.weights @ self.weights)


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


@lru_cache(maxsize=KEPT)
def loose_of(hypothesis: Hypothesis) -> Loose:
    """Return the causes of a hypothesis that widen what is expected."""
    return frozenset(variant.cause for variant in hypothesis if variant.cause in LOOSE)


@lru_cache(maxsize=KEPT)
def causes_of(hypothesis: Hypothesis) -> tuple[str, ...]:
    """Return the names of the causes of a hypothesis, in order."""
    return tuple(sorted({variant.cause for variant in hypothesis}))


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

    def wider(self, loose: Loose) -> float:
        """Return ln density at the middle under loose causes, over that without one."""
        return self.whitening[loose].log_density - self.usual.log_density

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
    explained: dict[tuple[str, ...], float] = field(default_factory=dict)
    unsteady_most: float = 1.0

    def effective(self, key: Hypothesis) -> float:
        """Return the effective number of draws of a hypothesis, 0 where it has none of its own."""
        return self.blocks[key].effective if key in self.blocks else 0.0

    def shares(self, log_evidence: dict[Hypothesis, float]) -> dict[Hypothesis, float]:
        """Return the probability of hypotheses by their ln evidence and prior, nothing held back."""
        values, _ = shares_of_logs(np.array([value + self.log_prior[key] for key, value in log_evidence.items()]))
        return dict(zip(log_evidence, values.tolist(), strict=True))

    def probabilities(self) -> dict[Hypothesis, float]:
        """Return the probability of every hypothesis (by variant); the evidence must be final."""
        if not self.settled:
            keys = list(self.log_prior)
            values, _ = shares_of_logs(np.array([self.log_prior[key] + self.log_evidence[key] for key in keys]))
            unsteady = [UNSTEADY in causes_of(key) for key in keys]
            self.settled = dict(zip(keys, held_back(values, unsteady, self.unsteady_most), strict=True))
        return self.settled

    def explanations(self) -> dict[tuple[str, ...], float]:
        """Return the probability of every set of causes (names in order), most probable first."""
        if not self.explained:
            self.explained = added_up((causes_of(key), share) for key, share in self.probabilities().items())
        return self.explained

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
    value: Floats = -0.5 * (freedom + dimensions) * np.log(1.0 + square / freedom)
    return value


def sums_as_factors(first: Floats, second: Floats, freedom: float) -> tuple[Any, Any]:
    """Return two factors, float32, whose product is 1 + |first + second|² / freedom of each row with each row.

    ``first`` (..., n, d) and ``second`` (..., m, d) give (..., n, d + 2) and (..., m, d + 2).
    """
    a, b = (np.asarray(part / np.sqrt(freedom), dtype=np.float32) for part in (first, second))
    one_a, one_b = (np.ones((*part.shape[:-1], 1), dtype=np.float32) for part in (a, b))
    square_a, square_b = (np.sum(part * part, axis=-1, keepdims=True) for part in (a, b))
    return np.concatenate([2.0 * a, square_a + 1.0, one_a], axis=-1), np.concatenate([b, one_b, square_b], axis=-1)


def student_of_factors(left: Any, right: Any, freedom: float, dimensions: int) -> Any:
    """Return ln of Student's density (..., n, m) of the sums behind two factors, up to a constant."""
    value = left @ right.swapaxes(-1, -2)
    np.log(np.maximum(value, 1.0, out=value), out=value)
    value *= -0.5 * (freedom + dimensions)
    return value
