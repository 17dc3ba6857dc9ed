"""Two causes at once: every pair screened by adding the effects of its members, which also finds where it may fit."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Any, NamedTuple

import numpy as np

from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.draws import Variant
from combust.application.causes.evidence import UNSTEADY
from combust.application.causes.posterior import (
    Hypothesis,
    Loose,
    Posterior,
    Visit,
    loose_of,
    student_of_factors,
    sums_as_factors,
)
from combust.application.causes.sharpen import MOST, Start
from combust.application.heater.structure import STRUCTURE
from combust.kernel.types import Floats

BLOCK = 64  # pairs that are worked together, small enough for the cache
SCREEN_DRAWS = 24  # of each member: each draw of the one with each of the other


class Pairs(NamedTuple):
    """The pairs that are weighed, with the places of their members among the variants.

    Pairs with the same loose causes stand together (``kinds``), in blocks. ``unwatched``: pair -> its other member,
    where one is an unsteady reading.
    """

    keys: list[Hypothesis]
    log_prior: Floats
    variants: list[Variant]
    first: Any
    second: Any
    kinds: dict[Loose, list[slice]]
    unwatched: dict[Hypothesis, Hypothesis]

    @classmethod
    def of(cls, log_prior: Mapping[Hypothesis, float]) -> Pairs:
        """Return the pairs among hypotheses."""
        both: list[Hypothesis] = [key for key in log_prior if len(key) == 2]
        keys = sorted(both, key=lambda key: sorted(loose_of(key)))
        variants = list(dict.fromkeys(variant for key in keys for variant in key))
        place = {variant: index for index, variant in enumerate(variants)}
        first, second = (np.array([place[key[member]] for key in keys], dtype=int) for member in (0, 1))
        kinds: dict[Loose, list[slice]] = {}
        for kind, some in groupby(enumerate(keys), lambda item: loose_of(item[1])):
            numbers = [index for index, _ in some]
            ends = range(numbers[0], numbers[-1] + 1, BLOCK)
            kinds[kind] = [slice(start, min(start + BLOCK, numbers[-1] + 1)) for start in ends]
        others: dict[Hypothesis, Hypothesis] = {key: tuple(one for one in key if one.cause != UNSTEADY) for key in keys}
        unwatched: dict[Hypothesis, Hypothesis] = {key: one for key, one in others.items() if len(one) == 1}
        return cls(keys, np.array([log_prior[key] for key in keys]), variants, first, second, kinds, unwatched)


def screened(
    pairs: Pairs,
    visit: Visit,
    residuals: Mapping[Variant, Floats],
    result: Posterior,
    *,
    prior_u: Mapping[Variant, Floats],
    freedom: float,
) -> dict[Hypothesis, Start]:
    """Give every pair the evidence of the additive approximation, and return the best draws of the most hopeful ones.

    residual(a, b) = residual(a) + residual(b) - residual(healthy), the last at the structure of b: each draw of a meets
    each of b. A pair with a loose member is weighed in that member's own units. Of a reading that nobody watched, no
    pair with an unsteady reading is hopeful: a second cause of that kind is no news to the first.
    """
    constant = _constants(visit, pairs)
    if visit.dimensions == 0:
        result.log_evidence |= zip(pairs.keys, constant.tolist(), strict=True)
        return {}
    base = next(residuals[variant] for variant in residuals if variant.cause == HEALTHY)[:SCREEN_DRAWS]
    usual = np.stack([visit.in_usual_units(residuals[one][:SCREEN_DRAWS], loose_of((one,))) for one in pairs.variants])
    top, mean = np.empty(len(pairs.keys)), np.empty(len(pairs.keys))
    best = np.empty(len(pairs.keys), dtype=int)
    for kind, parts in pairs.kinds.items():
        left, right = sums_as_factors(*_in_units_of(visit, kind, usual, base), freedom)
        for some in parts:
            of_some = left[pairs.first[some]], right[pairs.second[some]]
            value = student_of_factors(*of_some, freedom, visit.dimensions).reshape(-1, SCREEN_DRAWS**2)
            best[some], highest = value.argmax(axis=1), value.max(axis=1)
            mean[some] = np.exp(value - highest[:, None]).mean(axis=1)
            top[some] = highest
    constant += top
    evidence = constant + np.log(mean)
    result.log_evidence |= zip(pairs.keys, evidence.tolist(), strict=True)
    kept = pairs.unwatched if visit.steady is None else {}
    order = [int(index) for index in np.argsort(-constant - pairs.log_prior) if pairs.keys[index] not in kept]
    return {
        pairs.keys[index]: Start(float(constant[index]), _normals(prior_u, pairs.keys[index], int(best[index])))
        for index in order[:MOST]
    }


def _in_units_of(visit: Visit, kind: Loose, usual: Floats, base: Floats) -> tuple[Floats, Floats]:
    """Return residuals and effects in the units of loose causes, from those in usual units and the healthy ones."""
    if not kind:
        return usual, usual - base
    own = visit.whitening[kind]
    return own.whitened(visit.usual.difference(usual)), (usual - base) @ (visit.usual.inverse @ own.matrix)


def as_the_other_alone(pairs: Pairs, result: Posterior) -> None:
    """Give a pair with an unsteady reading that nobody watched the evidence of its other member: it is no news."""
    for key, other in pairs.unwatched.items():
        result.log_evidence[key] = result.log_evidence[other]


def _constants(visit: Visit, pairs: Pairs) -> Floats:
    """Return the part of ln likelihood that all draws of a pair share: what was seen, and the wider noise."""
    seen = np.array([visit.seen[variant.cause] for variant in pairs.variants])
    value: Floats = seen[pairs.first] + seen[pairs.second]
    for kind, parts in pairs.kinds.items():
        for some in parts:
            value[some] += visit.wider(kind)
    if visit.seen_twice:
        value -= [visit.seen_twice.get(frozenset((one.cause, other.cause)), 0.0) for one, other in pairs.keys]
    return value


def _normals(prior_u: Mapping[Variant, Floats], key: Hypothesis, place: int) -> Floats:
    """Return the normals of a pair of draws: structure and first cause of the one, second cause of the other."""
    first, second = (prior_u[one][draw] for one, draw in zip(key, divmod(place, SCREEN_DRAWS), strict=True))
    return np.concatenate([first, second[len(STRUCTURE) :]])
