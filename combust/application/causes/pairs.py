"""Two causes at once: every pair screened by adding the effects of its members, which also finds where it may fit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.draws import Variant
from combust.application.causes.evidence import UNSTEADY
from combust.application.causes.posterior import Hypothesis, Loose, Posterior, Visit, loose_of, student_log
from combust.application.causes.sharpen import MOST, Start
from combust.application.heater.structure import STRUCTURE
from combust.kernel.types import Floats

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine

SCREEN_DRAWS = 24  # of each member: each draw of the one with each of the other


class Pairs(NamedTuple):
    """The pairs that are weighed, with the places of their members among the variants.

    Pairs with the same loose causes stand together (``kinds``). ``unwatched``: pair -> its other member, where one is
    an unsteady reading.
    """

    keys: list[Hypothesis]
    log_prior: Floats
    variants: list[Variant]
    first: Any
    second: Any
    kinds: dict[Loose, slice]
    unwatched: dict[Hypothesis, Hypothesis]

    @classmethod
    def of(cls, log_prior: Mapping[Hypothesis, float]) -> Pairs:
        """Return the pairs among hypotheses."""
        both: list[Hypothesis] = [key for key in log_prior if len(key) == 2]
        keys = sorted(both, key=lambda key: sorted(loose_of(key)))
        variants = list(dict.fromkeys(variant for key in keys for variant in key))
        place = {variant: index for index, variant in enumerate(variants)}
        first, second = (np.array([place[key[member]] for key in keys], dtype=int) for member in (0, 1))
        kinds: dict[Loose, slice] = {}
        for index, key in enumerate(keys):
            kind = loose_of(key)
            kinds[kind] = slice(kinds[kind].start if kind in kinds else index, index + 1)
        others: dict[Hypothesis, Hypothesis] = {key: tuple(one for one in key if one.cause != UNSTEADY) for key in keys}
        unwatched: dict[Hypothesis, Hypothesis] = {key: one for key, one in others.items() if len(one) == 1}
        return cls(keys, np.array([log_prior[key] for key in keys]), variants, first, second, kinds, unwatched)


def screened(
    engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats], result: Posterior
) -> dict[Hypothesis, Start]:
    """Give every pair the evidence of the additive approximation, and return the best draws of the most hopeful ones.

    residual(a, b) = residual(a) + residual(b) - residual(healthy), the last at the structure of b: each draw of a meets
    each of b. A pair with a loose member is weighed in that member's own units. Of a reading that nobody watched, no
    pair with an unsteady reading is hopeful: a second cause of that kind is no news to the first.
    """
    pairs = engine.pairs(visit.weighed)
    constant = _constants(visit, pairs)
    if visit.dimensions == 0:
        result.log_evidence |= zip(pairs.keys, constant.tolist(), strict=True)
        return {}
    base = next(residuals[variant] for variant in residuals if variant.cause == HEALTHY)[:SCREEN_DRAWS]
    units = [visit.in_usual_units(residuals[one][:SCREEN_DRAWS], loose_of((one,))) for one in pairs.variants]
    usual = np.stack(units)
    value = np.empty((len(pairs.keys), SCREEN_DRAWS**2), dtype=np.float32)
    for kind, some in pairs.kinds.items():
        start, effect = usual, usual - base
        if kind:
            own = visit.whitening[kind]
            start = own.whitened(visit.usual.difference(start))
            effect = effect @ (visit.usual.inverse @ own.matrix)
        square = _squares(start.astype(np.float32), effect.astype(np.float32), pairs.first[some], pairs.second[some])
        value[some] = student_log(square, engine.freedom, visit.dimensions).reshape(len(square), -1)
    best = value.argmax(axis=1)
    top = value[np.arange(len(value)), best]
    constant += top
    evidence = constant + np.log(np.mean(np.exp(value - top[:, None]), axis=1))
    result.log_evidence |= zip(pairs.keys, evidence.tolist(), strict=True)
    kept = pairs.unwatched if visit.steady is None else {}
    order = [int(index) for index in np.argsort(-constant - pairs.log_prior) if pairs.keys[index] not in kept]
    return {
        pairs.keys[index]: Start(float(constant[index]), _normals(engine, pairs.keys[index], int(best[index])))
        for index in order[:MOST]
    }


def as_the_other_alone(pairs: Pairs, result: Posterior) -> None:
    """Give a pair with an unsteady reading that nobody watched the evidence of its other member: it is no news."""
    for key, other in pairs.unwatched.items():
        result.log_evidence[key] = result.log_evidence[other]


def _constants(visit: Visit, pairs: Pairs) -> Floats:
    """Return the part of ln likelihood that all draws of a pair share: what was seen, and the wider noise."""
    seen = np.array([visit.seen[variant.cause] for variant in pairs.variants])
    value: Floats = seen[pairs.first] + seen[pairs.second]
    for kind, some in pairs.kinds.items():
        value[some] += visit.wider(kind)
    if visit.seen_twice:
        value -= [visit.seen_twice.get(frozenset((one.cause, other.cause)), 0.0) for one, other in pairs.keys]
    return value


def _squares(start: Any, effect: Any, first: Any, second: Any) -> Any:
    """Return |start[first] + effect[second]|² (pair, draw of first, draw of second) without forming the sums."""
    square = 2.0 * start[first] @ effect[second].transpose(0, 2, 1)
    square += np.einsum("vnd,vnd->vn", start, start)[first][:, :, None]
    square += np.einsum("vnd,vnd->vn", effect, effect)[second][:, None]
    return np.maximum(square, 0.0, out=square)


def _normals(engine: Engine, key: Hypothesis, place: int) -> Floats:
    """Return the normals of a pair of draws: structure and first cause of the one, second cause of the other."""
    first, second = (engine.prior_u[one][draw] for one, draw in zip(key, divmod(place, SCREEN_DRAWS), strict=True))
    return np.concatenate([first, second[len(STRUCTURE) :]])
