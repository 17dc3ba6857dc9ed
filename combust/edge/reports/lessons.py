"""Printable pages of the trainer's room: exercise sheet, its key, misconception cards."""

from __future__ import annotations

from combust.application.lessons.exercises import STANDARD_FUEL, exercise_sheet
from combust.application.lessons.misconceptions import misconception_cards
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.edge.reports.html import page


def exercise_pages(seed: int | None = None, *, fuel: Fuel | str = STANDARD_FUEL) -> tuple[str, str]:
    """Return (sheet, key) of one seed as self-contained HTML; None = the standard numbers.

    Raises
    ------
    CombustError
        Unknown fuel or a seed that cannot be.
    """
    burnt = get_fuel(fuel)
    facts = {"seed": seed, "fuel": str(burnt), "exercises": exercise_sheet(seed, fuel=burnt)}
    return (
        page("exercises", **facts, title="Exercises at the heater", key=False),
        page("exercises", **facts, title="Key to the exercises, for the trainer", key=True),
    )


def card_page() -> str:
    """Return the misconception cards as one self-contained HTML page."""
    return page("cards", cards=misconception_cards())
