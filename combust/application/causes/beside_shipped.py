"""An answer with what was learnt beside that without it: a danger that became less probable is told, its checks stay.

It costs a second answer for each visit: only so is it known what learning moved, by whatever way.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import replace

from combust.application.causes.catalogue import Priors, label_of
from combust.application.causes.visit_result import LEAST_SHOWN, NextCheck, VisitResult
from combust.domain.limits import finding

LESS_DANGER = "learnt_less_danger"
LESS = 0.75  # of the share without learning, from which it is told


def beside_shipped(found: VisitResult, shipped: VisitResult, priors: Priors) -> VisitResult:
    """Return an answer with what was learnt, which says where learning made a dangerous cause less probable.

    Checks that tell a dangerous cause come no later than without learning. Causes that would be told without it are
    named: what was read does not speak against them.
    """
    dangerous = [cause for cause in priors.causes.values() if cause.dangerous]
    less = []
    for cause in dangerous:
        before, after = (one.marginal.get(cause.name, 0.0) for one in (shipped, found))
        if before >= LEAST_SHOWN and after < LESS * before:
            words = f"{label_of(cause.name)} ({cause.name}) {100.0 * after:.1f} %, without it {100.0 * before:.1f} %"
            less.append(f"{words} ({' or '.join(cause.watched_by)})")
    more = (finding(LESS_DANGER, causes="; ".join(less)),) if less else ()
    watching = {name for cause in dangerous for name in cause.watched_by}
    order = no_later(found.next_checks, shipped.next_checks, watching)
    told = {cause.cause for cause in shipped.causes if cause.probability >= LEAST_SHOWN}
    lowered = tuple(cause.cause for cause in found.causes if cause.probability < LEAST_SHOWN and cause.cause in told)
    return replace(found, findings=(*more, *found.findings), next_checks=order, lowered=lowered)


def no_later(
    found: tuple[NextCheck, ...], shipped: tuple[NextCheck, ...], watching: Container[str]
) -> tuple[NextCheck, ...]:
    """Return checks in their order, those that watch a danger no later than they stand in the shipped order."""
    order = list(found)
    for place, check in enumerate(shipped):
        if check.check in watching:
            here = next((index for index, one in enumerate(order) if one.check == check.check), None)
            if here is None:
                order.insert(place, check)
            elif here > place:
                order.insert(place, order.pop(here))
    return tuple(order)
