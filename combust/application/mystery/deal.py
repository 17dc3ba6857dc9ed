"""Dealing a case: drawn with the salt, refused when the first reading betrays it or the checks cannot prove it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from combust.application.causes.catalogue import HEALTHY, shipped_priors
from combust.application.causes.rank import engine_of, rank_causes
from combust.application.causes.visit_result import VisitResult
from combust.application.lessons.exercises import checked_seed
from combust.application.mystery import rules
from combust.application.mystery.case import ANSWER_BYTES, MysteryCase, seal_results
from combust.application.mystery.hidden import readings_of
from combust.application.mystery.played_visit import PlayedVisit, begin
from combust.application.mystery.seal import canonical, derived, master_key, numbers_of, opened, seal
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.domain.result import plain

KINDS = ("healthy", "measurement", "double", "single")  # of cases; the last has the share that is left


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer of a case, for the instructor: causes, reference steps and their cost, what proved the case.

    Attributes
    ----------
    causes : frozenset of str
    steps : tuple of str
        Cheapest checks of the reference ladder that prove the answer.
    first, best : float
        Probability of the right answer by the first reading, and by the reference checks [-].
    left_open : int
        Causes that the first reading leaves open (from a tenth of the most probable one's share).
    """

    causes: frozenset[str]
    steps: tuple[str, ...]
    first: float
    best: float
    left_open: int

    @property
    def text(self) -> str:
        """Return the causes as one word."""
        return rules.answer_text(self.causes)


class Dealer:
    """Deals and opens the cases of one salt. It is the instructor's: never hand it to a learner.

    Parameters
    ----------
    salt : str
        A sentence that only the instructor knows.

    Raises
    ------
    CombustError
        A salt that is guessed too easily.
    """

    def __init__(self, salt: str) -> None:
        least = rules.table()["limits"]["salt_characters"]
        if not isinstance(salt, str) or len(salt.strip()) < least:
            why = "is missing or too short to keep an answer sealed"
            hint = f"Take a sentence of {least} characters or more that nobody else knows, and keep it."
            raise CombustError(Fault("salt", None, "missing", why=why, hint=hint))
        self._key = master_key(salt)

    def __repr__(self) -> str:
        return "Dealer(salt kept)"

    def deal(self, seed: int, level: str = "medium") -> MysteryCase:
        """Return the case of a seed; the same seed and salt give the same case.

        Raises
        ------
        CombustError
            The seed gives no case that can be solved.
        """
        seed = checked_seed(seed, below=2**63)
        Field("level", "choice", choices=rules.LEVELS).checked(level)
        noise = numbers_of(self._key, seed, level)
        heater, site, context, held_back = _place(noise)
        bounds = np.cumsum([rules.table()["kinds"][kind] for kind in KINDS[:-1]])
        kind = KINDS[int(np.searchsorted(bounds, noise.random(), side="right"))]
        engine = engine_of(heater, shipped_priors(), instrument_class(None), 1)
        for _ in range(rules.table()["limits"]["tries"]):
            causes = _causes(kind, noise)
            found = readings_of(engine, causes, level, held_back, noise)
            results = plain(found | {"start_again": {"flame": held_back["flame"]}})
            answer = _proved(heater, causes, context, results)
            if answer is not None:
                return self._sealed(seed, level, heater, site, context, results, answer)
        why = "gives no case that can be solved"
        raise CombustError(Fault("seed", seed, "conflict", why=why, hint="Take another seed."))

    def _sealed(
        self, seed: int, level: str, heater: Heater, site: str, context: Any, results: Any, answer: Answer
    ) -> MysteryCase:
        nonce = derived(self._key, "nonce", seed, level).hex()[:32]
        case = MysteryCase(
            case_id=derived(self._key, "name", seed, level).hex()[:6].upper(),
            nonce=nonce,
            seed=seed,
            level=level,
            heater_id=str(heater.heater_id),
            site=site,
            context=context,
            first=results["first"],
            checks=seal_results(nonce, results),
            answer="",
        )
        sealed = plain(answer) | {"causes": sorted(answer.causes)}
        return replace(case, answer=seal(self._answer_key(case), sealed, ANSWER_BYTES, canonical(case.public())))

    def learner_id(self, name: str) -> str:
        """Return the id of a learner in results: the same for the same name and salt, and untold without the salt."""
        return derived(self._key, "learner", name.strip().lower()).hex()[:8]

    def _answer_key(self, case: MysteryCase) -> bytes:
        return derived(self._key, "answer", case.nonce)

    def open(self, case: MysteryCase) -> Answer:
        """Return the answer of a case.

        Raises
        ------
        CombustError
            Another salt, or a case that was altered.
        """
        sealed = opened(self._answer_key(case), case.answer, canonical(case.public()))
        if sealed is None:
            hint = "Give the salt it was dealt with, and the file as it was dealt."
            why = "does not open: another salt, or it was altered"
            raise CombustError(Fault("case", case.case_id, "conflict", why=why, hint=hint))
        return Answer(**sealed | {"causes": frozenset(sealed["causes"]), "steps": tuple(sealed["steps"])})


def mystery(seed: int, level: str = "medium", *, salt: str) -> MysteryCase:
    """Return the mystery heater of a seed: a case for the learner, with the answer sealed under the instructor's salt.

    Parameters
    ----------
    seed : int
        From 0; the same seed, level and salt give the same case. The seed alone gives nothing away.
    level : str
        ``easy``, ``medium`` or ``hard``.
    salt : str
        A sentence of twelve characters or more that only the instructor knows.

    Returns
    -------
    MysteryCase

    Raises
    ------
    CombustError
        Unknown level, seed or salt that cannot be.

    Examples
    --------
    >>> case = mystery(7, "easy", salt="a sentence for the example")
    >>> case == mystery(7, "easy", salt="a sentence for the example")
    True
    >>> case.nonce == mystery(7, "easy", salt="another sentence altogether").nonce
    False
    """
    return Dealer(salt).deal(seed, level)


def _place(noise: np.random.Generator) -> tuple[Heater, str, dict[str, Any], dict[str, Any]]:
    """Return heater, site, the context the learner sees, and what stays hidden of the place."""
    held = rules.table()
    heater = list(rules.heaters().values())[int(noise.integers(len(rules.heaters())))]
    site = held["site"][int(noise.integers(len(held["site"])))]
    chance = held["chance"]
    intake = round(float(noise.uniform(*site["intake_temp_c"])), 1)
    indoors, fumes, flame = noise.random() < chance["indoors"], noise.random() < chance["cab_co"], noise.random()
    cab = held["cab_co"]
    outside = float(round(noise.uniform(*cab["outside_ppm"])))
    inside = float(round(noise.uniform(*cab["fumes_ppm" if fumes else "usual_ppm"])))
    context = {
        "stage": max(heater.stages, key=lambda name: heater.stages[name].fuel_l_per_h or 0.0),
        "altitude_m": float(site["altitude_m"]),
        "intake_temp_c": intake,
        "location": "indoors" if indoors else "outdoors",
        "co2_origin": "calculated",
    }
    hidden = {**context, "cab_co_ppm": (inside, outside), "flame": flame >= chance["failed_start"]}
    return heater, site["name"], context, hidden


def _causes(kind: str, noise: np.random.Generator) -> list[str]:
    causes = rules.dealt_causes()
    pairs = rules.table()["pairs"]["names"]
    if kind == "healthy":
        return [HEALTHY]
    if kind == "double":
        return list(pairs[int(noise.integers(len(pairs)))])
    named = [one.name for one in causes.values() if one.name != HEALTHY and one.measurement == (kind == "measurement")]
    return [named[int(noise.integers(len(named)))]]


def _proved(
    heater: Heater, causes: Sequence[str], context: Mapping[str, Any], results: Mapping[str, Any]
) -> Answer | None:
    """Return the answer when the first reading leaves it open and allowed checks prove it, else None."""
    limits, right = rules.table()["limits"], frozenset(causes)

    def at_start() -> PlayedVisit:
        visit = begin(heater.fuel.name, context, results["first"], results.__getitem__)
        if not visit.outdoors:
            visit.take("move_outdoors")
        return visit

    first = judged(heater, at_start().readings)
    if probability_of(first, right) > limits["first_at_most"]:
        return None
    left_open = len(first.cannot_separate[0]) if first.cannot_separate else 1
    for names in ladder_of(right):
        visit = at_start()
        for name in names:
            if not visit.rule_broken_by(name) and not visit.refusal(name):
                visit.take(name)
        best = probability_of(judged(heater, visit.readings), right)
        if best >= limits["best_at_least"]:
            return Answer(right, tuple(visit.steps), round(probability_of(first, right), 4), round(best, 4), left_open)
    return None


def ladder_of(causes: frozenset[str]) -> list[list[str]]:
    """Return the reference sets of checks for an answer, each holding the one before it, in an order safety allows."""
    held, checks = rules.table()["ladder"], shipped_priors().checks
    chosen: list[str] = list(held["validity"])
    steps = [held[cause] for cause in sorted(causes)]
    ladder = []
    for number in range(max(len(one) for one in steps)):
        for one in steps:
            chosen += [name for name in (one[number] if number < len(one) else ()) if name not in chosen]
        rest = sorted(
            chosen[len(held["validity"]) :],
            key=lambda name: ("cold" in checks[name].needs, "burning" in checks[name].needs),
        )
        ladder.append([*held["validity"], *rest])
    return ladder


def judged(heater: Heater, readings: Sequence[Mapping[str, Any]]) -> VisitResult:
    """Return what the inference makes of readings."""
    return rank_causes(heater, readings, next_checks=False)[0]


def probability_of(result: VisitResult, causes: frozenset[str]) -> float:
    """Return the probability that a result gives to exactly these causes."""
    return sum(one.probability for one in result.explanations if frozenset(one.causes) == causes)
