"""Two causes at once: every pair screened by adding the effects of its members, the promising ones drawn in full."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from combust.application.causes import posterior as post
from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.draws import PAIR_SIZE, SINGLE_SIZE, Variant
from combust.application.causes.engine import Engine
from combust.application.causes.evidence import UNSTEADY
from combust.application.causes.posterior import Posterior, Visit, loose_of
from combust.application.causes.stage_reading import Values
from combust.application.heater.structure import STRUCTURE
from combust.kernel.types import Floats

FULL_PAIRS = 10  # pairs that are drawn in full
SCREEN_DRAWS = 64
SCREEN_KEEP = 48  # pairs whose line is fitted after the plain mean of the screen


def posterior_with_pairs(engine: Engine, readings: Sequence[Values]) -> tuple[Visit, dict[Variant, Floats], Posterior]:
    """Return a visit, the residuals of the prior draws and the posterior over single causes and pairs."""
    visit, residuals, result = engine.posterior(readings, pairs=True)
    weigh_pairs(engine, visit, residuals, result, np.random.default_rng([engine.seed, 3, visit.dimensions]))
    return visit, residuals, result


def weigh_pairs(
    engine: Engine,
    visit: Visit,
    residuals: Mapping[Variant, Floats],
    result: Posterior,
    generator: np.random.Generator,
) -> None:
    """Give every pair its evidence: a screen for all, draws in full for those that may matter."""
    pairs = [key for key in result.log_prior if len(key) == 2]
    if visit.dimensions == 0:
        for key in pairs:
            result.log_evidence[key] = visit.seen_under({variant.cause for variant in key})
        return
    screened = _screen(engine, visit, residuals, pairs)
    for key, value in zip(pairs, screened["log_evidence"].tolist(), strict=True):
        result.log_evidence[key] = value
    hope = screened["hope"] + np.array([result.log_prior[key] for key in pairs])
    if visit.steady is None:  # nobody watched: a second cause of that kind is no news to the first
        for index, key in enumerate(pairs):
            partner = [variant for variant in key if variant.cause != UNSTEADY]
            if len(partner) == 1:
                result.log_evidence[key] = result.log_evidence[(partner[0],)]
                hope[index] = -np.inf
    single = max(result.log_evidence[key] + result.log_prior[key] for key in result.blocks)
    order = np.argsort(-hope)[:FULL_PAIRS]
    chosen = [pairs[index] for index in order if hope[index] > max(single, float(np.max(hope))) - 6.0]
    if chosen:
        _draw_in_full(engine, visit, result, chosen, generator)


def _screen(engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats], pairs: list[Any]) -> dict[str, Floats]:
    """Return ln evidence of the additive approximation: residual(a, b) = residual(a) + residual(b) - residual(healthy).

    All variants share the structure draws, so their residuals may be added draw by draw.
    """
    healthy = next(variant for variant in residuals if variant.cause == HEALTHY)
    names = [variant for variant in residuals if variant.cause != HEALTHY]
    place = {variant: index for index, variant in enumerate(names)}
    base = residuals[healthy][:SCREEN_DRAWS]
    shift = np.stack(
        [visit.in_usual_units(residuals[variant][:SCREEN_DRAWS], loose_of((variant,))) - base for variant in names]
    )
    a = np.array([place[key[0]] for key in pairs])
    b = np.array([place[key[1]] for key in pairs])
    loose = [loose_of(key) for key in pairs]
    # A pair with a loose member is weighed in that member's own units.
    start, effect = {}, {}
    square = np.empty((len(pairs), len(base)))
    for kind in set(loose):
        start[kind], effect[kind] = shift + base, shift
        if kind:
            own = visit.whitening[kind]
            start[kind] = own.whitened(visit.usual.difference(start[kind]))
            effect[kind] = shift @ (visit.usual.inverse @ own.matrix)
        some = np.array([one == kind for one in loose])
        square[some] = _squares(start[kind], effect[kind], a[some], b[some])
    log_likelihood = post.student_log(square, engine.freedom, visit.dimensions)
    offset = np.array([engine.constant(visit, key) for key in pairs])
    top = log_likelihood.max(axis=1)
    mean = top + np.log(np.mean(np.exp(log_likelihood - top[:, None]), axis=1))
    hope = mean + offset
    # Where the best draws are few, a line through them says how well the pair could fit.
    few = np.argsort(-(top + offset))[:SCREEN_KEEP]
    u = [_pair_normals(engine, pairs[index]) for index in few]
    weight = post.tempered(log_likelihood[few], 1.8 * PAIR_SIZE)
    total = [start[loose[index]][a[index]] + effect[loose[index]][b[index]] for index in few]
    _, _, logs = post.linear_proposals(u, total, weight)
    half = 0.5 * (engine.freedom + visit.dimensions)
    line = -half * np.log1p(np.maximum(0.0, -2.0 * logs) / (2.0 * half)) + offset[few]
    hope[few] = np.maximum(hope[few], line)
    return {"log_evidence": mean + offset, "hope": hope}


def _squares(start: Floats, effect: Floats, a: Any, b: Any) -> Floats:
    """Return |start[a] + effect[b]|² of every draw (pair, draw) without forming the sums."""
    crossed = start.transpose(1, 0, 2) @ effect.transpose(1, 2, 0)
    alone = np.einsum("vnd,vnd->vn", start, start)[a] + np.einsum("vnd,vnd->vn", effect, effect)[b]
    found: Floats = np.maximum(alone + 2.0 * crossed[:, a, b].T, 0.0)
    return found


def _pair_normals(engine: Engine, key: Any) -> Floats:
    """Return the normals of the screen's draws of a pair: shared structure, then each member's own."""
    first, second = (engine.prior_u[variant][:SCREEN_DRAWS] for variant in key)
    return np.concatenate([first, second[:, len(STRUCTURE) : SINGLE_SIZE]], axis=1)


def _draw_in_full(
    engine: Engine, visit: Visit, result: Posterior, chosen: list[Any], generator: np.random.Generator
) -> None:
    """Start every chosen pair from prior draws through the real forward model, then refine like a single cause."""
    draws = [_pair_normals(engine, key) for key in chosen]
    for key, drawn in zip(chosen, engine.drawn(visit, chosen, draws), strict=True):
        likelihood = engine.log_likelihood(visit, drawn.residual, key)
        count = len(drawn.u)
        block = post.Block(drawn.u, likelihood, drawn.residual, np.zeros(count), count)
        block.sizes = drawn.sizes
        block.settle()
        result.blocks[key] = block
        result.log_evidence[key] = block.log_evidence
    engine.refine(visit, result, generator, chosen, PAIR_SIZE)
