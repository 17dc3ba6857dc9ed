"""Levels, prices, heaters and scoring numbers of the mystery heater, from the shipped table."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from combust.application.causes.catalogue import shipped_priors
from combust.data.errors import CombustError, Fault
from combust.data.tables import load_table
from combust.domain.heater import Heater

LEVELS = ("easy", "medium", "hard")
ACTIONS = ("move_outdoors", "wait", "start_again")


def table() -> dict[str, Any]:
    """Return the shipped table."""
    return load_table("mystery")


@cache
def heaters() -> dict[str, Heater]:
    """Return the invented heaters by name; kept, since the inference keeps its draws for each."""
    return {row["heater_id"]: Heater.from_dict(row) for row in table()["heater"]}


@dataclass(frozen=True, slots=True)
class Price:
    """What a check or an action costs: minutes, money (invented), risk points, and all of it as minutes."""

    minutes: float
    money: float
    risk: float

    @property
    def weight(self) -> float:
        """Return the cost as minutes [min]."""
        row = table()["price"]
        return float(self.minutes + self.money / row["money_per_minute"] + self.risk * row["minutes_per_risk"])


@cache
def prices() -> dict[str, Price]:
    """Return the price of every check and action."""
    checks, rows = shipped_priors().checks, table()["price"]["check"]
    found = {name: Price(checks[name].minutes, row["money"], row["risk"]) for name, row in rows.items()}
    return found | {name: Price(row["minutes"], 0.0, 0.0) for name, row in table()["action"].items()}


def checked_level(level: str) -> str:
    """Return the level, or refuse an unknown one.

    Raises
    ------
    CombustError
        Unknown level.
    """
    if level not in LEVELS:
        raise CombustError(Fault("level", level, "unknown_name", why="is no level", hint=f"Use {', '.join(LEVELS)}."))
    return level


def checked_salt(salt: str) -> str:
    """Return the salt, or refuse one that is guessed too easily.

    Raises
    ------
    CombustError
        The salt is missing or too short.
    """
    least = table()["limits"]["salt_characters"]
    if not isinstance(salt, str) or len(salt.strip()) < least:
        hint = f"Take a sentence of {least} characters or more that nobody else knows, and keep it."
        raise CombustError(
            Fault("salt", None, "missing", why="is missing or too short to keep an answer sealed", hint=hint)
        )
    return salt


def checked_seed(seed: int) -> int:
    """Return the seed, or refuse what is no whole number from 0.

    Raises
    ------
    CombustError
        No whole number, or outside the band.
    """
    if isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed < 2**63:
        raise CombustError(Fault("seed", seed, "not_a_number", why="is no whole number from 0", hint="Give e.g. 7."))
    return seed


def answer_text(causes: frozenset[str]) -> str:
    """Return a set of causes as one word: ``healthy``, ``fuel_over`` or ``fuel_over+supply_low``."""
    return "+".join(sorted(causes))


def answer_of(text: str) -> frozenset[str]:
    """Return the causes of an answer; an unknown cause, or more than two, is refused.

    Raises
    ------
    CombustError
        A word that is no answer.
    """
    known = shipped_priors().causes
    names = frozenset(part.strip() for part in text.replace(" ", "").split("+"))
    wrong = sorted(names - set(known))
    if wrong or len(names) > 2 or (len(names) == 2 and "healthy" in names):
        why = f"names {wrong[0][:40] or 'nothing'}, which is no cause" if wrong else "is not one cause, nor two faults"
        hint = f"Use one of {', '.join(known)}, or two faults joined by +."
        raise CombustError(Fault("answer", text[:80], "unknown_name", why=why, hint=hint))
    return names
