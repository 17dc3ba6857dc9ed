"""One reading of a visit, put together from its parts: what it says and the stops that it holds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from combust.application.reading.result import ReadingResult, interpret, safety_of
from combust.data.errors import CombustError
from combust.data.vocabulary import inputs, quantities
from combust.domain.safety import Safety


@dataclass(slots=True)
class Taken:
    """One reading of a visit put together from its parts: name, time, values, and keys over the instrument's range.

    ``typed`` holds what was typed in another unit, ``works`` how often work was done before it.
    """

    key: str
    at: str
    values: dict[str, Any]
    over: dict[str, float] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    works: int = 0

    @property
    def safety(self) -> Safety:
        """The safety state of what was read; CO over the range counts as just above it."""
        return safety_of(self.row)

    @property
    def row(self) -> dict[str, Any]:
        """The reading as the ranking takes it: CO over the range counts there too."""
        counted = {key: inputs()[key].for_stops(least, at_least=True) for key, least in self.over.items()}
        values = {**self.values, **counted}
        return {
            key: value for key, value in values.items() if key in inputs() and key not in ("visit_id", "reading_id")
        }

    @property
    def after(self) -> bool:
        """Whether it was taken after the work."""
        return self.values.get("phase") == "after"

    @property
    def result(self) -> ReadingResult | None:
        """What the reading says; None when it holds nothing to interpret."""
        try:
            return interpret({key: value for key, value in self.values.items() if key in quantities()})
        except CombustError:
            return None


def replace_place(one: Taken, place: object) -> Taken:
    """Return a reading with the place that was said last."""
    return replace(one, values={**one.values, "location": place} if place else one.values)
