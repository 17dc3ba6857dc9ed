"""The ideal observer: what the ranking makes of a visit, and the checks that its look-ahead chooses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from combust.application.causes.checks import NO_BITS
from combust.application.causes.rank import rank_causes
from combust.application.causes.visit_result import VisitResult
from combust.application.mystery import rules
from combust.application.mystery.played_visit import PlayedVisit
from combust.domain.heater import Heater

Shares = Mapping[frozenset[str], float]
NOTHING: frozenset[str] = frozenset()


class Reached(NamedTuple):
    """Where a reference visit ended: its steps, the shares of the answers at first and after each step."""

    steps: tuple[str, ...]
    shares: tuple[Shares, ...]

    @property
    def found(self) -> frozenset[str]:
        """The answer that was found, empty where none was."""
        return found_in(self.shares[-1])


def judged(heater: Heater, readings: Sequence[Mapping[str, Any]], *, next_checks: bool = False) -> VisitResult:
    """Return what the ranking makes of readings."""
    return rank_causes(heater, readings, next_checks=next_checks)[0]


def shares_of(result: VisitResult) -> dict[frozenset[str], float]:
    """Return the probability of each answer: in a case the baseline is the heater's own, and healthy."""
    dealt = set(rules.dealt_causes())
    shares: dict[frozenset[str], float] = {}
    for one in result.explanations:
        if dealt >= set(one.causes):
            shares[frozenset(one.causes)] = shares.get(frozenset(one.causes), 0.0) + one.probability
    whole = sum(shares.values())
    return {causes: share / whole for causes, share in sorted(shares.items(), key=lambda item: -item[1])}


def found_in(shares: Shares) -> frozenset[str]:
    """Return the answer that is certain enough, empty where none is."""
    least = rules.table()["limits"]["best_at_least"]
    return next((causes for causes, share in shares.items() if share >= least), NOTHING)


def reference(heater: Heater, visit: PlayedVisit) -> Reached:
    """Play a visit from where it stands by the look-ahead of the ranking, until an answer is found or nothing is left.

    Only what can be paid is taken, nothing that breaks a rule of safety, and no more once a stop condition stands.
    """
    if not visit.outdoors:
        visit.take("move_outdoors")
    result = judged(heater, visit.readings, next_checks=True)
    shares = [shares_of(result)]
    while not found_in(shares[-1]) and not visit.standing_stops():
        chosen = next((name for one in result.next_checks if _can(visit, name := one.check)), None)
        if chosen is None:
            break
        if "burning" in rules.needs_of(chosen) and not visit.running:
            visit.take("start_again")
            shares.append(shares[-1])
            if not visit.running:
                continue
        visit.take(chosen)
        result = judged(heater, visit.readings, next_checks=True)
        shares.append(shares_of(result))
    steps = tuple(step for step in visit.made if step != "move_outdoors")
    return Reached(steps, tuple(shares))


def _can(visit: PlayedVisit, name: str) -> bool:
    """Return whether the reference can make a check now, where it must with a new start before."""
    if name not in rules.prices() or name in NO_BITS or name in visit.made or visit.rule_broken_by(name):
        return False
    again = "burning" in rules.needs_of(name) and not visit.running
    if again and visit.failed_start:
        return False
    return visit.can_pay(*(("start_again",) if again else ()), name)
