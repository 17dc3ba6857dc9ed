"""Printable pages of the trainer's room: exercise sheet, its key, misconception cards."""

from __future__ import annotations

from combust import __version__
from combust.application.lessons.exercises import STANDARD_FUEL, exercise_sheet
from combust.application.lessons.misconceptions import misconception_cards
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.limits import cautions
from combust.edge.reports.html import template


def exercise_pages(seed: int | None = None, *, fuel: Fuel | str = STANDARD_FUEL) -> tuple[str, str]:
    """Return (sheet, key) of one seed as self-contained HTML; None = the standard numbers.

    Raises
    ------
    CombustError
        Unknown fuel or a seed that cannot be.
    """
    burnt = get_fuel(fuel)
    exercises = exercise_sheet(seed, fuel=burnt)
    page = template("exercises.html.j2")
    facts = {"seed": seed, "fuel": str(burnt), "version": __version__, "cautions": cautions(), "exercises": exercises}
    return (
        page.render(**facts, title="Exercises at the heater", key=False),
        page.render(**facts, title="Key to the exercises, for the trainer", key=True),
    )


def card_page() -> str:
    """Return the misconception cards as one self-contained HTML page."""
    page: str = template("cards.html.j2").render(cards=misconception_cards(), cautions=cautions(), version=__version__)
    return page
