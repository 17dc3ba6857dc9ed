"""Levels, prices, heaters and scoring numbers of the mystery heater, from the shipped table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, NamedTuple

from combust.application.causes.catalogue import HEALTHY, Cause, shipped_priors
from combust.application.causes.seen_answers import SETTING
from combust.application.words import needed
from combust.data.errors import CombustError, Fault
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.heater import Heater

LEVELS = ("easy", "medium", "hard")
ACTIONS = ("move_outdoors", "wait", "start_again")
FREE_OF_COST = ("move_outdoors", "cab_co")  # safety costs no points
UNTOLD = "cannot_be_told"  # the answer where no check that can be afforded tells the cause
TWO = "two_at_once"


def table() -> dict[str, Any]:
    """Return the shipped table."""
    return load_table("mystery")


@cache
def heaters() -> dict[str, Heater]:
    """Return the invented heaters by name; kept, since the inference keeps its draws for each."""
    return {row["heater_id"]: Heater.from_dict(row) for row in table()["heater"]}


class Price(NamedTuple):
    """What a check or an action costs: minutes, money (invented), risk points."""

    minutes: float
    money: float
    risk: float

    @property
    def weight(self) -> float:
        """Return all of it as minutes [min]."""
        row = table()["price"]
        return float(self.minutes + self.money / row["money_per_minute"] + self.risk * row["minutes_per_risk"])

    def __str__(self) -> str:
        return f"{self.minutes:g} min, money {self.money:g}, risk {self.risk:g}"


@cache
def prices() -> dict[str, Price]:
    """Return the price of every check and action."""
    checks, rows = shipped_priors().checks, table()["price"]["check"]
    found = {name: Price(checks[name].minutes, row["money"], row["risk"]) for name, row in rows.items()}
    return found | {name: Price(row["minutes"], 0.0, 0.0) for name, row in table()["action"].items()}


def price_of(steps: Iterable[str]) -> Price:
    """Return what some steps cost together."""
    return Price(*map(sum, zip((0, 0, 0), *(prices()[step] for step in steps), strict=True)))


def needs_of(step: str) -> tuple[str, ...]:
    """Return what a check or an action needs: ``burning``, ``cold``, ``fuel_work``."""
    checks = shipped_priors().checks
    return tuple(checks[step].needs) if step in checks else ("burning",) if step == "start_again" else ()


def weight_of(steps: Iterable[str]) -> float:
    """Return the cost of some steps as minutes, what safety asks for left out [min]."""
    return price_of(step for step in steps if step not in FREE_OF_COST).weight


def price_rows() -> list[dict[str, Any]]:
    """Return every check and action with words, what it costs and its risk."""
    checks, actions = shipped_priors().checks, table()["action"]
    rows = {
        name: {"text": about.sentence, "risk_text": about.risk, "heater": needed(about.needs)}
        for name, about in checks.items()
    }
    rows |= {name: {"text": about["text"], "risk_text": "", "heater": ""} for name, about in actions.items()}
    return [{"name": name, **rows[name], "price": price} for name, price in prices().items()]


def told_columns(row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (column, value with unit) of a result."""
    units = {key: quantities()[key].unit for key in row if key in quantities()}
    words = {key: ("no", "yes")[value] if isinstance(value, bool) else value for key, value in row.items()}
    shown = {key: f"{value:g}" if isinstance(value, float) else str(value) for key, value in words.items()}
    return [(key, f"{text} {units.get(key, '')}".strip()) for key, text in shown.items()]


def in_words(row: Mapping[str, Any]) -> str:
    """Return a result in one line."""
    return " · ".join(f"{key} {text}" for key, text in told_columns(row))


def dealt_causes() -> dict[str, Cause]:
    """Return the causes that a case can hold: of its gas, against a baseline that is its heater's own and healthy.

    A wrong fuel setting is none: the first reading gives it away, as the CO2 is worked out with it.
    """
    every = shipped_priors().causes.items()
    plain = {name: cause for name, cause in every if not cause.baseline and not cause.asked_by}
    return {name: cause for name, cause in plain.items() if name != SETTING}


def answers() -> dict[str, str]:
    """Return every answer that is one word, with what it means."""
    return {name: cause.label for name, cause in dealt_causes().items()} | {UNTOLD: table()["untold"]["label"]}


def sets_of_kind() -> dict[str, list[list[str]]]:
    """Return the sets of causes of each kind of case, as the shares of the kinds are stated."""
    faults = [one for one in dealt_causes().values() if one.name != HEALTHY]
    return {
        "healthy": [[HEALTHY]],
        "measurement": [[one.name] for one in faults if one.measurement],
        "single": [[one.name] for one in faults if not one.measurement],
        "double": [list(pair) for pair in table()["pairs"]["names"]],
    }


def in_a_hurry(budget: float) -> bool:
    """Return whether a visit pays for less than a usual one: only then a case may end untold."""
    return bool(budget < table()["limits"]["budget"])


@cache
def prior(budget: float) -> dict[frozenset[str], float]:
    """Return the probability of each answer before anything is read, as cases are dealt; they sum to 1.

    ``budget`` is what the visit pays for.
    """
    shares = table()["kinds"]
    untold = shares["untold_in_a_hurry" if in_a_hurry(budget) else "untold"]
    found = {frozenset(one): shares[kind] / len(sets) for kind, sets in sets_of_kind().items() for one in sets}
    return {one: share * (1.0 - untold) for one, share in found.items()} | {frozenset((UNTOLD,)): untold}


def topics() -> dict[str, list[list[str]]]:
    """Return every word that a case can be ordered by, with the sets of causes that it stands for."""
    named = {word: [[name] for name in names] for word, names in table()["topic"].items()}
    every = {name: [[name]] for name in dealt_causes()}
    return named | every | {TWO: sets_of_kind()["double"]}


def answer_text(causes: Iterable[str]) -> str:
    """Return a set of causes as one word: ``healthy``, ``fuel_over`` or ``fuel_over+supply_low``."""
    return "+".join(sorted(causes))


def answer_of(text: str) -> frozenset[str]:
    """Return the causes of an answer; an unknown cause, or more than two, is refused.

    Raises
    ------
    CombustError
        A word that is no answer.
    """
    known = answers()
    names = frozenset(part.strip() for part in text.replace(" ", "").split("+"))
    wrong = sorted(names - set(known))
    if wrong or len(names) > 2 or (len(names) == 2 and names & {HEALTHY, UNTOLD}):
        why = f"names {wrong[0][:40] or 'nothing'}, which is no cause" if wrong else "is not one cause, nor two faults"
        hint = f"Use one of {', '.join(known)}, or two faults joined by +."
        raise CombustError(Fault("answer", text[:80], "unknown_name", why=why, hint=hint))
    return names
