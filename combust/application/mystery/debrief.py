"""The debrief of a played case: what each check did, which reading shows it, the best order, a belief."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log2
from typing import Any

from combust.application.lessons.misconceptions import misconception_card
from combust.application.mystery import rules
from combust.application.mystery.case import Play
from combust.application.mystery.ideal import judged, shares_of
from combust.application.mystery.scoring import Score, Statement, score
from combust.data.told import Rows
from combust.data.units import chance_in_words
from combust.domain.result import Result

TOLD = 3  # answers named after each step
LEAST = 1e-4


@dataclass(frozen=True, slots=True)
class Moved:
    """What one step did: its result in words, the leading answers after it, and the bits it gave to the causes."""

    step: str
    showed: str
    leading: Mapping[str, float]
    share: float
    bits: float


@dataclass(frozen=True, slots=True)
class Debrief(Result):
    """A played case explained.

    Attributes
    ----------
    score : Score
    causes : str
        What was wrong, also where it could not be told.
    steps : tuple of Moved
        The first reading, then each check.
    shows : str
        The reading that speaks most for the causes, among all that was bought or the reference bought.
    best_order : tuple of (step, probability of the causes after it)
    belief : mapping
        The card of a misconception that may lie behind a wrong choice: belief, truth, show; empty when right.
    """

    score: Score
    causes: str
    steps: tuple[Moved, ...]
    shows: str
    best_order: tuple[tuple[str, float], ...]
    belief: Mapping[str, str]

    def opening(self) -> tuple[str, ...]:
        """Return what the score opens with."""
        return self.score.opening()

    def lines(self) -> Rows:
        """Return points, the way of the causes, the reading that shows it, the best order, the belief."""
        rows = list(self.score.lines())
        if self.score.right == rules.UNTOLD:
            rows.append(("what was wrong", f"{self.causes}; with what this visit pays for it cannot be told"))
        for number, one in enumerate(self.steps):
            leading = ", ".join(f"{name} {chance_in_words(share)}" for name, share in one.leading.items())
            rows.append((f"{number}. {one.step}", f"{one.showed or 'no result'}; then {leading} ({one.bits:+.1f} bit)"))
        rows.append(("what shows it", self.shows))
        order = ", ".join(f"{step} ({chance_in_words(share)})" for step, share in self.best_order)
        rows.append(("best order", order or "nothing: the first reading is all that can be had"))
        if self.belief:
            rows.append(("a belief behind it", f"{self.belief['belief']} {self.belief['truth']} {self.belief['show']}"))
        return rows


def debrief(play: Play, statement: Statement) -> Debrief:
    """Return the debrief of a played case."""
    key, result = play.key, score(play, statement)
    steps = _moved(play)
    bought = [one for one in steps[1:] if one.showed]
    every = bought + [one for one in _moved(Play.outdoors(key, key.steps))[1:] if one.showed]
    best = max(every or steps, key=lambda one: one.bits)
    shows = f"{best.step}: {best.showed} ({best.bits:+.1f} bit)"
    if result.right == rules.UNTOLD or best.bits <= 0.0:
        shows = "no reading that this visit pays for"
    order = tuple(zip(key.steps, key.reached[1:], strict=False))
    return Debrief(result, rules.answer_text(key.causes), tuple(steps), shows, order, belief_of(play, result))


def _moved(play: Play) -> list[Moved]:
    """Return what the first reading and each step did to the answers."""
    key, visit = play.key, play.key.visit()
    shares = shares_of(judged(key.case.heater, visit.readings))
    share = shares.get(key.causes, 0.0)
    prior = rules.prior(key.case.budget).get(key.causes, LEAST)
    moved = [_one("first reading", key.case.first, shares, share, prior)]
    for step in play.steps:
        shown = visit.take(step)
        if shown and step not in rules.ACTIONS:
            shares = shares_of(judged(key.case.heater, visit.readings))
        before, share = share, shares.get(key.causes, 0.0)
        moved.append(_one(step, shown, shares, share, before))
    return moved


def _one(
    step: str, shown: Mapping[str, Any], shares: Mapping[frozenset[str], float], share: float, was: float
) -> Moved:
    leading = {rules.answer_text(causes): round(value, 4) for causes, value in list(shares.items())[:TOLD]}
    bits = log2(max(share, LEAST) / max(was, LEAST))
    return Moved(step, rules.in_words(shown), leading, round(share, 4), round(bits, 2) + 0.0)


def belief_of(play: Play, result: Score) -> dict[str, str]:
    """Return the misconception that may lie behind what was held most probable; nothing where that was right."""
    said, right = set(result.top.split("+")) - {""}, set(play.key.causes)
    if not said or result.top == result.right:
        return {}
    height = float(play.case.context["altitude_m"])
    for row in rules.table()["misled"]:
        fits = [said & set(row.get("said", said)), right & set(row.get("right", right))]
        if all(fits) and height >= row.get("above_m", -1000.0):
            card = misconception_card(row["card"])
            return {"name": card.name, "belief": card.belief, "truth": card.truth, "show": card.show}
    return {}
