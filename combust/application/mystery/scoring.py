"""What a played case is worth: bits of the right answer against the prior, less what was paid, less what safety asks.

The logarithm of a stated probability is a proper score: nobody can better it by stating anything but what they believe.
A stated probability is floored, and all are scaled back to 1 (so that it stays proper). Silence has no points at all.

References
----------
Good, I. J., Rational decisions, Journal of the Royal Statistical Society B 14 (1952) 107-114 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from combust.application.mystery import rules
from combust.application.mystery.case import CaseKey, Play
from combust.application.mystery.ideal import judged, shares_of
from combust.application.mystery.played_visit import OF_CAB, PlayedVisit
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.told import Rows
from combust.domain.result import Result

PART_OF_ONE = "Give a part of 1, not per cent: 0.8 for 80 %."


@dataclass(frozen=True, slots=True)
class Statement(Result):
    """What a learner says at the end of a visit.

    Parameters
    ----------
    probabilities : mapping
        Answer (``healthy``, ``fuel_over``, ``fuel_over+supply_low``) -> probability [-]; what is left
        of 1 is spread over all other answers by their prior. ``cannot_be_told`` is an answer too.
    excluded : tuple of str
        Causes that the learner holds to be excluded: nothing that is left goes to them.
    handed_back : bool
        Whether the heater is given back for use.
    record : mapping
        Text of each field of the record; it is kept for the trainer and earns no points.
    """

    probabilities: Mapping[str, float] = field(default_factory=dict)
    excluded: tuple[str, ...] = ()
    handed_back: bool = False
    record: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        probabilities: Mapping[str, Any],
        excluded: Iterable[str] = (),
        handed_back: bool = False,
        record: Mapping[str, str] | None = None,
    ) -> Statement:
        """Return a checked statement.

        Raises
        ------
        CombustError
            Unknown causes or record fields, probabilities that are none or sum to more than 1; all at once.
        """
        faults: list[Fault] = []
        stated: dict[str, float] = {}
        for text, value in probabilities.items():
            try:
                name = rules.answer_text(rules.answer_of(str(text)))
                number = Field(f"probability of {name}", low=0.0, high=1.0, hint=PART_OF_ONE).checked(value)
            except CombustError as error:
                faults.extend(error.faults)
                continue
            if name in stated:
                faults.append(Fault("probability", name, "conflict", why="is stated twice", hint="State it once."))
            stated[name] = number
        total = sum(stated.values())
        if total > 1.0 + 1e-9:
            why, hint = "sum to more than 1", "Lower them; what is left of 1 goes to all other answers."
            faults.append(Fault("probabilities", round(total, 3), "out_of_band", why=why, hint=hint))
        known = {"excluded": rules.dealt_causes(), "record": rules.table()["record"]["field"]}
        for what, names in (("excluded", excluded), ("record", record or {})):
            word = Field(what, "choice", choices=tuple(known[what]))
            faults += [fault for name in names for fault in word.faults_of(name)]
        if faults:
            raise CombustError(faults)
        return cls(stated, tuple(dict.fromkeys(excluded)), bool(handed_back), dict(record or {}))

    @classmethod
    def from_dict(cls, given: Any) -> Statement:
        """Return a statement from its JSON.

        Raises
        ------
        CombustError
            The statement is missing, or not as it was written.
        """
        if not isinstance(given, dict):
            hint = "State probabilities before it is scored: combust mystery play FILE --say CAUSE=0.8."
            raise CombustError(Fault("statement", None, "missing", why="is missing", hint=hint))
        said, out, record = given.get("probabilities", {}), given.get("excluded", []), given.get("record", {})
        if not (isinstance(said, dict) and isinstance(out, list) and isinstance(record, dict)):
            hint = "State it again: combust mystery play FILE --say CAUSE=0.8."
            raise CombustError(Fault("statement", None, "format", why="is not as it was written", hint=hint))
        texts = {str(key): str(text) for key, text in record.items()}
        return cls.of(said, [str(one) for one in out], given.get("handed_back") is True, texts)


@dataclass(frozen=True, slots=True)
class Score(Result):
    """Points of a played case, with the reasons.

    Attributes
    ----------
    total : float
        The sum of the parts; below 0 for sure and wrong. No more than 0 after a breach of a safety rule.
    parts : mapping
        Points: cause (bits against the prior), cost, safety (both 0 or less).
    reference : float
        What the look-ahead of the ranking earns on the same case.
    top, top_share : str, float
        The answer that was held most probable, and how probable ("" and 0 without a statement).
    right : str
        The answer.
    cost, reference_cost : float
        Minutes, money and risk as minutes [min].
    """

    case_id: str
    level: str
    total: float
    parts: Mapping[str, float]
    reference: float
    breaches: tuple[str, ...]
    reasons: Mapping[str, str]
    top: str
    top_share: float
    right: str
    cost: float
    reference_cost: float

    def opening(self) -> tuple[str, ...]:
        """Return the total and the answer, then every breach of a safety rule."""
        sentences, most = rules.table()["breach"], rules.table()["score"]["most_after_breach"]
        breaches = (f"SAFETY: {sentences[code]} No more than {most:g} points." for code in self.breaches)
        told = f"{self.total:g} points; the reference earned {self.reference:g}. The answer was {self.right}."
        return (f"Case {self.case_id}: {told}", *breaches)

    def lines(self) -> Rows:
        """Return the points of each part with the reason."""
        return [(key, f"{value:g}: {self.reasons[key]}") for key, value in self.parts.items()]


def beliefs(statement: Statement, prior: Mapping[frozenset[str], float]) -> dict[frozenset[str], float]:
    """Return the probabilities of every answer: as stated, the rest by the prior over what is not excluded; sum 1."""
    named = {rules.answer_of(text): value for text, value in statement.probabilities.items()}
    open_to = {one: share for one, share in prior.items() if one not in named and not one & set(statement.excluded)}
    open_to = open_to or {one: share for one, share in prior.items() if one not in named}
    left, whole = max(0.0, 1.0 - sum(named.values())), sum(open_to.values())
    return {one: named.get(one, left * open_to.get(one, 0.0) / whole) for one in (*prior, *(set(named) - set(prior)))}


def log_score(stated: Mapping[Any, float], prior: Mapping[Any, float], right: Any, floor: float) -> float:
    """Return ln2 of the stated probability of the right answer over its prior [bit].

    Every probability counts as no less than ``floor``, or than its prior where that is less; then all are scaled to 1.

    References
    ----------
    Good 1952 (from memory).

    Examples
    --------
    >>> log_score({"rain": 0.8, "dry": 0.2}, {"rain": 0.2, "dry": 0.8}, "rain", 0.01)  # 0.8 / 0.2 is two bits
    2.0
    """
    floored = {one: max(share, min(floor, prior.get(one, 0.0))) for one, share in stated.items()}
    return math.log2(floored[right] / sum(floored.values()) / prior[right])


def bits_of(shares: Mapping[frozenset[str], float], key: CaseKey) -> float:
    """Return the bits of the right answer of a case under probabilities of every answer [bit]."""
    return log_score(shares, rules.prior(key.case.budget), key.right, float(rules.table()["score"]["floor"]))


def score(play: Play, statement: Statement) -> Score:
    """Return the score of a played case.

    Parameters
    ----------
    play : Play
        The case with its key, and the steps that the trainer handed out.
    statement : Statement
    """
    key, visit, row = play.key, play.visit(), rules.table()["score"]
    breaches = list(dict.fromkeys(visit.breaches + _hand_back_breach(visit, statement)))
    prior = rules.prior(key.case.budget)
    stated = beliefs(statement, prior)
    bits, cost = bits_of(stated, key), rules.weight_of(visit.made)
    safety, why = _safety(visit, statement, breaches)
    parts = {"cause": row["points_per_bit"] * bits, "cost": -row["points_per_minute"] * cost, "safety": safety}
    total = sum(parts.values())
    top = max(statement.probabilities, key=lambda name: statement.probabilities[name], default="")
    given = 100.0 * stated.get(key.right, 0.0)
    before = 100.0 * prior[key.right]
    reference_cost = rules.weight_of(key.steps)
    return Score(
        case_id=key.case.case_id,
        level=key.case.level,
        total=_points(min(total, row["most_after_breach"]) if breaches else total),
        parts={name: _points(value) for name, value in parts.items()},
        reference=_points(row["points_per_bit"] * reference_bits(key) - row["points_per_minute"] * reference_cost),
        breaches=tuple(breaches),
        reasons={
            "cause": f"{given:.0f} % for {key.text}, which had {before:.1f} % before any reading: {bits:+.1f} bit.",
            "cost": f"{cost:g} minutes, money and risk counted in; the reference used {reference_cost:g}.",
            "safety": why,
        },
        top=top,
        top_share=statement.probabilities.get(top, 0.0),
        right=key.text,
        cost=cost,
        reference_cost=reference_cost,
    )


def _points(value: float) -> float:
    """Return points with one decimal, never -0."""
    return round(value, 1) + 0.0


def reference_bits(key: CaseKey) -> float:
    """Return the bits that the reference earns: it states what the ranking says, or that it cannot be told [bit]."""
    return bits_of(expert_belief(key, key.steps), key)


def expert_belief(key: CaseKey, steps: Iterable[str]) -> dict[frozenset[str], float]:
    """Return the probabilities of every answer that the ranking states after some steps.

    Where none is certain enough in a hurry, nearly all goes to ``cannot_be_told``.
    """
    play = Play.outdoors(key, (step for step in steps if step != "move_outdoors"))
    shares = shares_of(judged(key.case.heater, play.readings))
    least = float(rules.table()["limits"]["best_at_least"])
    untold = least if rules.in_a_hurry(key.case.budget) and max(shares.values()) < least else 0.0
    known = {one: shares.get(one, 0.0) * (1.0 - untold) for one in rules.prior(key.case.budget)}
    known[frozenset((rules.UNTOLD,))] = untold
    whole = sum(known.values())
    return {one: share / whole for one, share in known.items()}


def _hand_back_breach(visit: PlayedVisit, statement: Statement) -> list[str]:
    stops = visit.standing_stops()
    if not statement.handed_back or not stops:
        return []
    return ["cab_co_ignored" if stops & set(OF_CAB) else "stop_ignored"]


def _safety(visit: PlayedVisit, statement: Statement, breaches: list[str]) -> tuple[float, str]:
    row = rules.table()["score"]
    if breaches:
        return -row["breach"] * len(breaches), "A safety rule was broken."
    if statement.handed_back and "cab_co" not in visit.shown:
        return -row["no_cab_co"], "The heater was handed back without CO in the cab read."
    return 0.0, "No safety rule was broken in what was entered."
