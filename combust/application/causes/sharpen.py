"""Where the evidence is sharper than the prior draws: the top of each hypothesis that matters, and a batch around it.

Gauss-Newton steps find the tops, many hypotheses in one forward run. How the likelihood falls off around one (Laplace)
tells how much the hypothesis matters and how wide to draw. A batch is drawn there; with the prior draws it is weighed
as one mixture (importance sampling), so that the estimate stays that of the stated prior. Where the likelihood is not
as round as that, one more batch is drawn around what the first one found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log, pi
from typing import Any, NamedTuple, Protocol

import numpy as np

from combust.application.causes.draws import PAIR_SIZE
from combust.application.causes.posterior import (
    FREEDOM_PROPOSAL,
    Block,
    Hypothesis,
    Posterior,
    Proposal,
    Visit,
    student_log,
)
from combust.application.heater.structure import stratified_normals
from combust.kernel.types import Floats

BATCH, PARTS = 384, 3  # draws around the top of a leading hypothesis; of the others a part
BATCHES = 3  # at most: the second is drawn for one visit in ten
LEADS = 0.3
ENOUGH = 150.0  # the whole posterior should rest on more than 100 effective draws
WIDEN = 1.1
STEPS, STEP = 2, 0.05  # of Gauss-Newton, and the difference behind its slopes
MOST, NEAR = 16, 10.0  # single causes, and pairs, that climb at most; how far [ln] their best draw may lie below all
MOST_TOPS, NEAR_TOPS = 10, 6.0  # those of them that go on after the first step
FARTHEST_START, FARTHEST_TOP = 3.0, 4.0  # standard deviations of the prior


class Weighing(Protocol):
    """What is needed of an engine: tails of the likelihood, draws around 0, and what draws of hypotheses come to."""

    freedom: float
    batch: Floats

    def drawn(
        self, visit: Visit, keys: Sequence[Hypothesis], draws: Sequence[Floats]
    ) -> tuple[list[Floats], list[dict[str, Floats]]]:
        """Return whitened residuals and sizes of draws of several hypotheses."""

    def log_likelihood(self, visit: Visit, residual: Floats, hypothesis: Hypothesis) -> Floats:
        """Return ln likelihood of draws."""

    def constant(self, visit: Visit, hypothesis: Hypothesis) -> float:
        """Return the part of ln likelihood that all draws of a hypothesis share."""


class Start(NamedTuple):
    """The best draw of a hypothesis: its ln likelihood and its normals."""

    log_likelihood: float
    u: Floats

    @classmethod
    def of(cls, block: Block) -> Start:
        """Return the best draw of a block."""
        best = int(np.argmax(block.log_likelihood))
        return cls(float(block.log_likelihood[best]), block.u[best])


class Top(NamedTuple):
    """The top of a hypothesis: its ln evidence by Laplace, and where to draw."""

    log_evidence: float
    proposal: Proposal


def standard_batch(generator: np.random.Generator) -> Floats:
    """Return draws (BATCH, PAIR_SIZE) of a Student distribution around 0, in layers; each part is layered by itself."""
    normal = np.concatenate([stratified_normals(BATCH // PARTS, PAIR_SIZE, generator) for _ in range(PARTS)])
    stretched: Floats = normal / np.sqrt(generator.chisquare(FREEDOM_PROPOSAL, (BATCH, 1)) / FREEDOM_PROPOSAL)
    return stretched


def sharpen(engine: Weighing, visit: Visit, result: Posterior, starts: Mapping[Hypothesis, Start]) -> None:
    """Draw around the tops of the hypotheses that matter more than their draws so far can carry."""
    tops = climb(engine, visit, result, starts)
    proposals = {key: top.proposal for key, top in tops.items()}
    result.log_evidence |= {key: top.log_evidence for key, top in tops.items() if key not in result.blocks}
    for _ in range(BATCHES):
        # A top speaks for a hypothesis of which no draw came near it.
        far = {key: tops[key].log_evidence for key in proposals if result.effective(key) < 7.0}
        share = result.shares(result.log_evidence | far)
        proposals = {key: one for key, one in proposals.items() if _too_few(share[key], result.effective(key))}
        if not proposals:
            return
        counts = [BATCH if share[key] > LEADS else BATCH // PARTS for key in proposals]
        _draw(engine, visit, result, proposals, counts)
        proposals = {key: around(result.blocks[key]) for key in proposals}


def _too_few(share: float, effective: float) -> bool:
    """Return True where a hypothesis matters more than its effective draws can carry."""
    carried = share * share * ENOUGH <= effective
    return not carried or (share > 0.02 and effective < 20.0) or (share > 0.002 and effective < 7.0)


def climb(
    engine: Weighing, visit: Visit, result: Posterior, starts: Mapping[Hypothesis, Start]
) -> dict[Hypothesis, Top]:
    """Return the tops of the most hopeful hypotheses, by Gauss-Newton steps from their best draws.

    After the first step only those go on whose top, as the slopes foretell it, is near the best one.
    """
    hope = {key: start.log_likelihood + result.log_prior[key] for key, start in starts.items()}
    least = max(hope.values()) - NEAR
    order = [key for key in sorted(hope, key=lambda key: -hope[key]) if hope[key] > least]
    order = [key for key in order if result.effective(key) < ENOUGH]
    keys = [key for members in (1, 2) for key in [key for key in order if len(key) == members][:MOST]]
    if not keys:
        return {}
    place = np.zeros((len(keys), max(len(starts[key].u) for key in keys)))  # what a single cause does not use stays 0
    for row, key in zip(place, keys, strict=True):
        row[: len(starts[key].u)] = np.clip(starts[key].u, -FARTHEST_START, FARTHEST_START)
    for step in range(STEPS):
        place, factor, value = _newton(engine, visit, keys, place)
        if step < STEPS - 1:
            hoped = value + [result.log_prior[key] for key in keys]
            kept = [index for index in np.argsort(-hoped)[:MOST_TOPS] if hoped[index] > hoped.max() - NEAR_TOPS]
            keys, place = [keys[index] for index in kept], place[kept]
    sizes = [len(starts[key].u) for key in keys]
    return {
        key: Top(float(value[index]), Proposal(place[index, :size], WIDEN * factor[index, :size, :size]))
        for index, (key, size) in enumerate(zip(keys, sizes, strict=True))
    }


def _newton(engine: Weighing, visit: Visit, keys: list[Hypothesis], place: Floats) -> tuple[Floats, Floats, Floats]:
    """Return places (hypothesis, normal) after one step, Cholesky factors of the covariance there, ln evidence.

    Slopes are differences, of all hypotheses in one forward run. Near its top Student's likelihood is steeper or
    flatter than the Gaussian of the step.
    """
    unit = np.eye(place.shape[1])
    around = np.concatenate([np.zeros((1, len(unit))), STEP * unit])
    residual = np.stack(engine.drawn(visit, keys, list(place[:, None] + around))[0])
    slope = (residual[:, 1:] - residual[:, :1]) / STEP
    square = slope @ slope.transpose(0, 2, 1)
    aim = residual[:, 0] - (place[:, None] @ slope)[:, 0]
    top: Any = -np.linalg.solve(unit + square, slope @ aim[:, :, None])[:, :, 0]
    place = np.clip(top, -FARTHEST_TOP, FARTHEST_TOP)
    missed = np.sum((aim + (place[:, None] @ slope)[:, 0]) ** 2, axis=1)
    steeper = (engine.freedom + visit.dimensions) / (engine.freedom + missed)
    factor: Any = np.linalg.cholesky(np.linalg.inv(unit + steeper[:, None, None] * square))
    value = student_log(missed, engine.freedom, visit.dimensions) - 0.5 * np.sum(place**2, axis=1)
    value += np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    value += [engine.constant(visit, key) for key in keys]
    return place, factor, value


def _draw(
    engine: Weighing, visit: Visit, result: Posterior, proposals: Mapping[Hypothesis, Proposal], counts: list[int]
) -> None:
    """Draw a batch from each proposal, all in one forward run, and add it to the block of its hypothesis."""
    draws = [one.drawn(engine.batch[:count]) for one, count in zip(proposals.values(), counts, strict=True)]
    residuals, sizes = engine.drawn(visit, list(proposals), draws)
    for (key, proposal), u, residual, size in zip(proposals.items(), draws, residuals, sizes, strict=True):
        likelihood = engine.log_likelihood(visit, residual, key)
        drawn = Block(u, likelihood, residual, np.zeros(len(u)), sizes=size, proposals=[(proposal, len(u))])
        result.blocks[key] = block = mixed(result.blocks.get(key), drawn)
        result.log_evidence[key] = block.log_evidence


def around(block: Block) -> Proposal:
    """Return a proposal with the moments of the draws of a block, flattened until enough of them count."""
    weight, size = block.weights, block.u.shape[1]
    while weight @ weight * 2.5 * size > 1.0:
        weight = np.sqrt(weight)
        weight /= weight.sum()
    mean = weight @ block.u
    off = block.u - mean
    factor: Any = np.linalg.cholesky(off.T @ (off * weight[:, None]) + 0.02 * np.eye(size))
    return Proposal(mean, WIDEN * factor)


def mixed(block: Block | None, drawn: Block) -> Block:
    """Return the draws that a hypothesis has, if any, with those of a batch, all weighed as one mixture."""
    parts = [drawn] if block is None else [block, drawn]
    u, likelihood, residual = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("u", "log_likelihood", "residual")
    )
    proposals = [one for part in parts for one in part.proposals]
    count, size = u.shape
    of_prior = count - sum(drawn for _, drawn in proposals)
    log_prior = -0.5 * np.sum(u**2, axis=1) - 0.5 * size * log(2.0 * pi)
    density = [log_prior + log(of_prior / count)] if of_prior else []
    density += [one.log_density(u) + log(drawn / count) for one, drawn in proposals]
    sizes = {name: np.concatenate([part.sizes[name] for part in parts]) for name in drawn.sizes}
    found = Block(u, likelihood, residual, log_prior - np.logaddexp.reduce(density), sizes=sizes, proposals=proposals)
    found.settle()
    return found
