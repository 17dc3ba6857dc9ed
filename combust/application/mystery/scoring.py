"""What a played case is worth: the learner's statement against the answer and against the evidence that was bought.

The confidence is scored by Brier's rule, which nobody can better by stating anything but what they believe.

References
----------
Brier, G. W., Verification of forecasts expressed in terms of probability, Monthly Weather Review 78
(1950) 1-3 (definition from memory).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import combinations, takewhile
from typing import Any

from combust.application.causes.catalogue import HEALTHY, shipped_priors
from combust.application.causes.visit_result import VisitResult
from combust.application.mystery import rules
from combust.application.mystery.case import Play
from combust.application.mystery.deal import Answer, Dealer, judged, probability_of
from combust.application.mystery.played_visit import OF_CAB, PlayedVisit
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.result import Result, Rows

FREE_OF_COST = ("move_outdoors", "cab_co")  # safety costs no points
PART_OF_ONE = "Give a part of 1, not per cent: 0.8 for 80 %."


@dataclass(frozen=True, slots=True)
class Statement(Result):
    """What a learner says at the end of a visit.

    Parameters
    ----------
    probabilities : mapping
        Answer (``healthy``, ``fuel_over``, ``fuel_over+supply_low``) -> probability [-]; what is left of 1 means "I
        cannot tell" and is spread over all other answers.
    excluded : tuple of str
        Causes that the learner holds to be excluded.
    handed_back : bool
        Whether the heater is given back for use.
    record : mapping
        Text of each field of the record.
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
            why, hint = "sum to more than 1", "Lower them; what is left of 1 means that you cannot tell."
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
        Out of 100; never more than 40 after a breach of a safety rule.
    parts : mapping
        Points of each part; the two Brier parts can be negative.
    breaches : tuple of str
    reasons : mapping
        One sentence for each part.
    right : str
        The answer.
    """

    case_id: str
    level: str
    total: float
    parts: Mapping[str, float]
    breaches: tuple[str, ...]
    reasons: Mapping[str, str]
    right: str
    minutes: float

    def opening(self) -> tuple[str, ...]:
        """Return the total and the answer, then every breach of a safety rule."""
        sentences = rules.table()["breach"]
        breaches = (f"SAFETY: {sentences[code]} No more than 40 points." for code in self.breaches)
        return (f"Case {self.case_id}: {self.total:g} of 100. The answer was {self.right}.", *breaches)

    def lines(self) -> Rows:
        """Return the points of each part with the reason."""
        most = points()
        return [(key, f"{value:g} of {most[key]:g}: {self.reasons[key]}") for key, value in self.parts.items()]


def points() -> dict[str, float]:
    """Return the points of each part; they sum to 100."""
    row = rules.table()["score"]
    return {key: float(row[key]) for key in ("cause", "family", "exclusion", "cost", "validity", "record", "safety")}


def hypotheses() -> tuple[frozenset[str], ...]:
    """Return every answer there is: healthy, each cause, each two."""
    faults = [name for name in rules.dealt_causes() if name != HEALTHY]
    return tuple(map(frozenset, [("healthy",), *combinations(faults, 1), *combinations(faults, 2)]))


def beliefs(probabilities: Mapping[str, float]) -> dict[frozenset[str], float]:
    """Return the stated probabilities over every answer; what is left of 1 is spread evenly over the rest."""
    named = {rules.answer_of(text): value for text, value in probabilities.items()}
    rest = [one for one in hypotheses() if one not in named]
    left = max(0.0, 1.0 - sum(named.values())) / len(rest)
    return {one: named.get(one, left) for one in hypotheses()}


def brier(stated: Mapping[Any, float], right: Any) -> float:
    """Return Brier's score of stated probabilities, 0 (sure and right) to 2 (sure and wrong).

    References
    ----------
    Brier 1950, for one occasion (from memory).

    Examples
    --------
    >>> round(brier({"rain": 0.7, "no rain": 0.3}, "rain"), 6)  # 0.3^2 + 0.3^2
    0.18
    """
    return float(sum((value - (one == right)) ** 2 for one, value in stated.items()))


def by_family(stated: Mapping[frozenset[str], float]) -> dict[frozenset[str], float]:
    """Return probabilities gathered by the families of their causes."""
    total: dict[frozenset[str], float] = defaultdict(float)
    for causes, value in stated.items():
        total[family_of(causes)] += value
    return total


def family_of(causes: Iterable[str]) -> frozenset[str]:
    """Return the families of some causes."""
    return frozenset(rules.table()["family"][cause] for cause in causes)


def score(dealer: Dealer, play: Play, statement: Statement) -> Score:
    """Return the score of a played case; it takes the instructor's dealer to open the answer.

    Parameters
    ----------
    dealer : Dealer
        Of the salt that the case was dealt with.
    play : Play
        The steps count; results are read from the sealed case, not from what the file says was shown.
    statement : Statement

    Raises
    ------
    CombustError
        The case does not open with this salt, or was altered.
    """
    answer = dealer.open(play.case)
    visit = play.visit()
    found = judged(play.case.heater, visit.readings)
    breaches = list(dict.fromkeys(visit.breaches + _hand_back_breach(visit, statement)))
    most = points()
    stated = beliefs(statement.probabilities)
    wrong = brier(stated, answer.causes), brier(by_family(stated), family_of(answer.causes))
    given = statement.probabilities.get(answer.text, 0.0)
    families = " and ".join(sorted(family_of(answer.causes)))
    shares = {
        "cause": (1.0 - wrong[0], f"{100.0 * given:.0f} % were stated for {answer.text}; Brier score {wrong[0]:.2f}."),
        "family": (1.0 - wrong[1], f"Brier score over families {wrong[1]:.2f}; right: {families}."),
        "exclusion": _exclusion(found, statement, answer),
        "cost": _cost(found, visit, answer, bool(breaches)),
        "validity": _validity(visit),
        "record": _record(statement),
        "safety": _safety(visit, statement, bool(breaches)),
    }
    parts = {name: most[name] * share for name, (share, _) in shares.items()}
    total = max(0.0, sum(parts.values()))
    if breaches:
        total = min(total, float(rules.table()["score"]["cap_after_breach"]))
    return Score(
        case_id=play.case.case_id,
        level=play.case.level,
        total=round(total, 1),
        parts={name: round(value, 1) for name, value in parts.items()},
        breaches=tuple(breaches),
        reasons={name: reason for name, (_, reason) in shares.items()},
        right=answer.text,
        minutes=visit.used.minutes,
    )


def _hand_back_breach(visit: PlayedVisit, statement: Statement) -> list[str]:
    stops = visit.standing_stops()
    if not statement.handed_back or not stops:
        return []
    return ["cab_co_ignored" if stops & set(OF_CAB) else "stop_ignored"]


def _exclusion(found: VisitResult, statement: Statement, answer: Answer) -> tuple[float, str]:
    """Return the share of what the evidence excludes that the learner named; a wrong exclusion takes two right ones."""
    least = float(rules.table()["score"]["excluded_below"])
    shares = {**found.marginal, HEALTHY: probability_of(found, frozenset((HEALTHY,))) if found.valid else 0.0}
    # With the reading not valid no fault of the heater is excluded.
    judged_causes = (one for one in rules.dealt_causes().values() if found.valid or one.measurement)
    out = {name for name in (HEALTHY, *(one.name for one in judged_causes)) if shares.get(name, 0.0) < least}
    said = set(statement.excluded)
    if said & answer.causes:
        return 0.0, f"{', '.join(sorted(said & answer.causes))} was excluded and is the answer."
    right, wrong = len(said & out), len(said - out)
    share = max(0.0, right - 2.0 * wrong) / len(out) if out else 0.0
    return share, f"{right} of the {len(out)} that the readings exclude were named, {wrong} that they do not exclude."


def _cost(found: VisitResult, visit: PlayedVisit, answer: Answer, breach: bool) -> tuple[float, str]:
    """Return cost against the reference, as far as the evidence that was bought carries the answer."""
    if visit.standing_stops() and not breach:
        return 1.0, "A stop condition ended the visit: stopping is never too dear."
    known = min(1.0, probability_of(found, answer.causes) / rules.table()["limits"]["best_at_least"])
    best, used = (
        rules.price_of(step for step in steps if step not in FREE_OF_COST).weight
        for steps in (answer.steps, visit.steps)
    )
    share = known * min(1.0, best / used) if used > 0.0 else 0.0
    return share, (
        f"The cost was {used:g} (minutes, money and risk together) against {best:g} of the reference checks "
        f"({', '.join(answer.steps)}); what was read carries {100.0 * known:.0f} % of the answer."
    )


def _validity(visit: PlayedVisit) -> tuple[float, str]:
    """Return the share of validity checks made before any other check."""
    checks = shipped_priors().checks
    wanted = list(rules.table()["ladder"]["validity"])
    if visit.standing_stops():
        wanted = [name for name in wanted if "burning" not in checks[name].needs or name in visit.steps]
    early = list(takewhile(lambda step: step not in checks or step in wanted or step in FREE_OF_COST, visit.steps))
    done = [name for name in wanted if name in early and name in visit.shown]
    return len(done) / len(wanted), f"{len(done)} of {len(wanted)} validity checks came before any other."


def _record(statement: Statement) -> tuple[float, str]:
    held = rules.table()["record"]
    letters = {name: sum(map(str.isalpha, statement.record.get(name, ""))) for name in held["field"]}
    missing = [text for name, text in held["field"].items() if letters[name] < held["letters"]]
    reason = f"Missing: {'; '.join(missing)}." if missing else "Every field is filled."
    return 1.0 - len(missing) / len(held["field"]), reason


def _safety(visit: PlayedVisit, statement: Statement, breach: bool) -> tuple[float, str]:
    if breach:
        return 0.0, "A safety rule was broken."
    if statement.handed_back and "cab_co" not in visit.shown:
        return 0.0, "The heater was handed back without CO in the cab read."
    if not visit.outdoors:
        return 0.5, "No rule was broken, but the heater was left indoors."
    return 1.0, "No safety rule was broken in what was entered."
