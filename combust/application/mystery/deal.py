"""Dealing a case: drawn with the salt, run by the simulated heater, proved by an ideal observer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.rank import engine_of
from combust.application.lessons.exercises import checked_seed
from combust.application.mystery import rules
from combust.application.mystery.case import CaseKey, MysteryCase
from combust.application.mystery.hidden import DoesNotRunError, Hidden, draw, readings_of
from combust.application.mystery.ideal import judged, reference, shares_of
from combust.application.mystery.played_visit import begin
from combust.application.mystery.secret import derived, master_key, need_strong, numbers_of
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.domain.result import plain

KINDS = ("healthy", "measurement", "double", "single")


class Dealer:
    """Deals the cases of one salt. It is the trainer's: never hand it to a learner.

    Parameters
    ----------
    salt : str
        A sentence that only the trainer knows.

    Raises
    ------
    CombustError
        A salt that is guessed too easily.
    """

    def __init__(self, salt: str) -> None:
        self._key = master_key(need_strong(salt))

    def __repr__(self) -> str:
        return "Dealer(salt kept)"

    def deal(
        self,
        seed: int,
        level: str = "medium",
        *,
        topic: str | None = None,
        heater: str | None = None,
        doubles: bool = True,
    ) -> CaseKey:
        """Return the case of a seed; the same seed, salt and order give the same case.

        Parameters
        ----------
        seed : int
        level : str
            ``easy``, ``medium`` or ``hard``.
        topic : str, optional
            What it is about: a word of ``rules.topics()``.
        heater : str, optional
            One of the invented heaters.
        doubles : bool
            Whether two causes at once may be dealt.

        Raises
        ------
        CombustError
            An unknown level, topic or heater; a seed that gives no case.
        """
        seed = checked_seed(seed, below=2**63)
        Field("level", "choice", choices=rules.LEVELS).checked(level)
        for what, word, known in (("topic", topic, rules.topics()), ("heater", heater, rules.heaters())):
            if word is not None:
                Field(what, "choice", choices=tuple(known)).checked(word)
        ordered = [word for word in (topic, heater, None if doubles else "no doubles") if word]
        noise = numbers_of(self._key, seed, level, *ordered)
        name = derived(self._key, "name", seed, level, *ordered).hex()[:6].upper()
        profile, site, context = _place(noise, heater)
        engine = engine_of(profile, shipped_priors(), instrument_class(None), 1)
        numbers = rules.table()["limits"]
        sets = rules.topics()[topic] if topic else _sets_of_kind(noise, doubles)
        hurry = noise.random() < numbers["short_share"]
        budget = float(numbers["short_budget" if hurry else "budget"])
        for _ in range(numbers["tries"]):
            causes = sets[int(noise.integers(len(sets)))]
            hidden = draw(engine, causes, rules.table()["level"][level]["severity"], noise)
            context["cab_co_ppm"] = _cab_air(hidden, noise)
            try:
                results = plain(readings_of(engine, hidden, level, context, noise))
            except DoesNotRunError:
                continue
            shown = {key: value for key, value in context.items() if key != "cab_co_ppm"}
            case = MysteryCase(name, level, str(profile.heater_id), site, budget, shown, results["first"])
            key = proved(profile, case, hidden, results, seed, untold=hurry)
            if key is not None:
                return key
        why = "gives no case that can be solved"
        raise CombustError(Fault("seed", seed, "conflict", why=why, hint="Take another seed."))

    @property
    def learners_secret(self) -> str:
        """What the ids of learners in results are made with; it goes into the trainer's key."""
        return derived(self._key, "learners").hex()[:32]


def mystery(seed: int, level: str = "medium", *, salt: str) -> MysteryCase:
    """Return the mystery heater of a seed as a learner sees it: the first reading and the healthy baseline.

    The trainer's half, with the results and the answer, is what ``Dealer(salt).deal(seed, level)`` returns.

    Parameters
    ----------
    seed : int
        0 or more [-], less is refused; the same seed, level and salt give the same case. The seed alone gives nothing
        away.
    level : str
        ``easy``, ``medium`` or ``hard``.
    salt : str
        A sentence of four different words or more that only the trainer knows.

    Returns
    -------
    MysteryCase
        First reading and healthy baseline, [units] in the keys.

    Raises
    ------
    CombustError
        Unknown level, seed or salt that cannot be.

    References
    ----------
    The simulated heater of this project: ``combust/application/mystery/hidden.py``.

    Examples
    --------
    >>> case = mystery(8, "easy", salt="a sentence for the example")
    >>> case == mystery(8, "easy", salt="a sentence for the example")
    True
    >>> case.case_id == mystery(8, "easy", salt="another sentence for this example").case_id
    False
    """
    return Dealer(salt).deal(seed, level).case


def _place(noise: np.random.Generator, wanted: str | None) -> tuple[Heater, str, dict[str, Any]]:
    """Return heater, site and the context that the learner sees."""
    held, known = rules.table(), rules.heaters()
    names = list(known)
    drawn = names[int(noise.integers(len(names)))]
    heater = known[wanted or drawn]
    site = held["site"][int(noise.integers(len(held["site"])))]
    intake = round(float(noise.uniform(*site["intake_temp_c"])), 1)
    context = {
        "stage": max(heater.stages, key=lambda name: heater.stages[name].fuel_l_per_h or 0.0),
        "altitude_m": float(site["altitude_m"]),
        "intake_temp_c": intake,
        "location": "indoors" if noise.random() < held["chance"]["indoors"] else "outdoors",
        "co2_origin": "calculated",
    }
    return heater, site["name"], context


def _cab_air(hidden: Hidden, noise: np.random.Generator) -> tuple[float, float]:
    """Return CO in the cab and outside [ppm]: fumes only where the heater breathes its own exhaust beside the cab."""
    held = rules.table()
    cab, chance = held["cab_co"], held["chance"]["cab_co"]
    fumes = noise.random() < chance and "exhaust_recirculated" in hidden.causes
    inside = float(round(noise.uniform(*cab["fumes_ppm" if fumes else "usual_ppm"])))
    return inside, float(round(noise.uniform(*cab["outside_ppm"])))


def _sets_of_kind(noise: np.random.Generator, doubles: bool) -> list[list[str]]:
    """Return the sets of causes of one kind, drawn by the stated shares."""
    stated = rules.table()["kinds"]
    shares = np.array([stated[kind] * float(doubles or kind != "double") for kind in KINDS])
    return rules.sets_of_kind()[KINDS[int(noise.choice(len(KINDS), p=shares / shares.sum()))]]


def proved(
    heater: Heater,
    case: MysteryCase,
    hidden: Hidden,
    results: Mapping[str, Mapping[str, Any]],
    seed: int,
    *,
    untold: bool,
) -> CaseKey | None:
    """Return the key of a case: found by the ideal observer, or untold where that may be; else None.

    A case that the first reading gives away, begins with a stop, or leads the ideal observer to another answer is
    none; where it cannot be told, the truth is among what is left open.
    """
    limits, causes = rules.table()["limits"], frozenset(hidden.causes)
    visit = begin(heater.fuel.name, case.context, case.first, results.__getitem__, case.budget)
    if visit.standing_stops():
        return None
    outdoors: Sequence[Mapping[str, Any]] = [{**visit.readings[0], "location": "outdoors"}]
    first = shares_of(judged(heater, outdoors))
    if max(first.values()) > limits["first_at_most"]:
        return None
    reached = reference(heater, visit)
    last = reached.shares[-1]
    top = max(last.values())
    left = untold and top <= limits["untold_at_most"] and last.get(causes, 0.0) >= limits["left_open"] * top
    if (reached.found != causes and not left) or visit.breaches:
        return None
    right = causes if reached.found == causes else frozenset((rules.UNTOLD,))
    top = max(first.values())
    return CaseKey(
        case=case,
        results=results,
        causes=causes,
        right=right,
        steps=reached.steps,
        reached=tuple(round(shares.get(causes, 0.0), 4) for shares in reached.shares),
        left_open=sum(share >= limits["left_open"] * top for share in first.values()),
        seed=seed,
    )
