"""What an engine hands on: a visit in the model's terms, and the posterior over its hypotheses."""

from __future__ import annotations

from dataclasses import dataclass, field

from combust.application.causes import evidence as ev
from combust.application.causes import posterior as post
from combust.application.causes.draws import Variant
from combust.application.causes.rows import Row
from combust.kernel.types import Floats

Hypothesis = tuple[Variant, ...]


@dataclass
class Visit:
    """A visit in the model's terms: rows, observed channels, whitening (steady and unsteady), what was seen."""

    rows: list[Row]
    needed: list[frozenset[str]]
    found: list[ev.Observation]
    observed: Floats
    whiten: Floats
    whiten_unsteady: Floats
    whiten_inverse: Floats
    shift_unsteady: Floats
    log_unsteady: float
    seen: dict[str, float]
    covariance: Floats

    @property
    def dimensions(self) -> int:
        """Number of observed channels."""
        return len(self.found)


@dataclass
class Posterior:
    """Blocks of all hypotheses with their prior shares; keys are tuples of one or two variants."""

    blocks: dict[Hypothesis, post.Block]
    log_prior: dict[Hypothesis, float]
    log_evidence: dict[Hypothesis, float] = field(default_factory=dict)
    settled: dict[Hypothesis, float] = field(default_factory=dict)

    def probabilities(self) -> dict[Hypothesis, float]:
        """Return the probability of every hypothesis (by variant); the evidence must be final."""
        if not self.settled:
            keys = list(self.log_prior)
            values = post.normalised([self.log_prior[key] + self.log_evidence[key] for key in keys])
            self.settled = dict(zip(keys, values.tolist(), strict=True))
        return self.settled

    def effective_samples(self) -> float:
        """Return the effective number of draws behind the whole posterior."""
        share = self.probabilities()
        square = sum(p * p / self.blocks[key].effective for key, p in share.items() if key in self.blocks)
        total = sum(p for key, p in share.items() if key in self.blocks)
        return total * total / square if square > 0.0 else 0.0
