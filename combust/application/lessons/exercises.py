"""Exercises with standard or random numbers, their worked answers, and a check that does not give them away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from combust.application.lessons import solutions
from combust.application.lessons.mistakes import mistakes
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number
from combust.data.tables import load_table
from combust.data.told import Several, Told
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.result import plain

STANDARD_FUEL = "diesel_b7"


@dataclass(frozen=True, slots=True)
class Asked(Told):
    """One number or word that is asked for: unit, decimals, what counts as right."""

    key: str
    label: str
    unit: str = ""
    digits: int = 2
    tolerance: float = 0.0
    choice: tuple[str, ...] = ()

    def text(self, value: Any) -> str:
        """Return an answer as it stands in a key."""
        if self.choice:
            return str(value)
        return f"{value + 0.0:.{self.digits}f} {self.unit}".strip()

    def is_right(self, mine: Any, value: Any) -> bool:
        """Return whether an answer counts as right."""
        if self.choice:
            return _word(mine) == _word(value)
        number = as_number(mine)
        return number is not None and bool(abs(number - value) <= self.tolerance * (1.0 + 1e-9))


def _word(said: Any) -> str:
    return " ".join(str(said).replace("_", " ").lower().split())


@dataclass(frozen=True, slots=True)
class Mistake:
    """A wrong number or word that a misconception leads to: of which answer, and when it comes out."""

    key: str
    value: Any
    when: str


@dataclass(frozen=True, slots=True)
class Marked(Told):
    """What is said of one answer: whether it is right, and which misconception it comes from ("" = none known)."""

    label: str
    right: bool
    when: str = ""

    @property
    def said(self) -> str:
        """The verdict in words."""
        return (
            "right" if self.right else f"not yet: this is what comes out when {self.when}" if self.when else "not yet"
        )


@dataclass(frozen=True)
class Exercise(Told):
    """One exercise. Its text shows no answer; ``key()`` is for the trainer.

    Attributes
    ----------
    number : int
        1 to 14, its place in the set.
    kind, title, lesson : str
        Name of the exercise, heading, number of the notebook it belongs to.
    question : str
    asked : tuple of Asked
    """

    number: int
    kind: str
    title: str
    lesson: str
    question: str
    asked: tuple[Asked, ...]
    _answers: Mapping[str, Any] = field(repr=False)
    _steps: tuple[str, ...] = field(repr=False)
    _mistakes: tuple[Mistake, ...] = field(repr=False, default=())
    caution: str = ""

    def check(self, /, **mine: Any) -> str:
        """Return which answers are right; of what is not, the misconception that it comes from, where one is known.

        Raises
        ------
        CombustError
            An answer to something that was not asked.
        """
        return ", ".join(f"{one.label}: {one.said}" for one in self.marked(**mine))

    def marked(self, /, **mine: Any) -> tuple[Marked, ...]:
        """Return what is said of each thing that was asked, as :meth:`check` does.

        Raises
        ------
        CombustError
            An answer to something that was not asked.
        """
        known = {one.key: one for one in self.asked}
        wrong = [key for key in mine if key not in known]
        if wrong:
            hint = f"Asked for: {', '.join(known)}."
            raise CombustError([Fault(key, mine[key], "unknown_name", why="was not asked", hint=hint) for key in wrong])
        return tuple(
            Marked(one.label, True)
            if key in mine and one.is_right(mine[key], self._answers[key])
            else Marked(one.label, False, self._when(one, mine.get(key)))
            for key, one in known.items()
        )

    def _when(self, asked: Asked, mine: Any) -> str:
        """Return which misconception an answer that is not right comes from: the nearest one within the tolerance."""
        fits = [one for one in self._mistakes if one.key == asked.key and asked.is_right(mine, one.value)]
        if not fits or asked.choice:
            return fits[0].when if fits else ""
        number = as_number(mine) or 0.0
        return min(fits, key=lambda one: abs(one.value - number)).when

    def key(self) -> dict[str, Any]:
        """Return answers and worked steps, for the trainer's sheet."""
        answers = [(one.label, one.text(self._answers[one.key])) for one in self.asked]
        return {"answers": answers, "steps": list(self._steps), "values": dict(self._answers)}

    def wrong(self) -> list[tuple[str, str, str]]:
        """Return the wrong answers that are known, for the trainer's notes: what was asked, what is said, when."""
        known = {one.key: one for one in self.asked}
        told = [one for one in self._mistakes if one.value != self._answers[one.key]]
        return [(known[one.key].label, known[one.key].text(one.value), one.when) for one in told]

    def _repr_html_(self) -> str:
        from html import escape

        words = [
            f"{one.key} ({' or '.join(one.choice) if one.choice else one.unit or 'no unit'})" for one in self.asked
        ]
        return (
            f"<p><b>{escape(self.title)}.</b> {escape(self.question)}</p><p>Answer: {escape(', '.join(words))}.</p>"
            f"<p><small>{escape(self.caution)}</small></p>"
        )

    def __str__(self) -> str:
        return f"{self.number}. {self.title}. {self.question}"


def exercise(kind: str, *, seed: int | None = None, fuel: Fuel | str = STANDARD_FUEL) -> Exercise:
    """Return an exercise with standard numbers, or with random numbers of a seed.

    Parameters
    ----------
    kind : str
        ``exercise_kinds()`` lists them.
    seed : int, optional
        0 or more [-], less is refused; the same seed gives the same numbers. None = the standard numbers.
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.

    Returns
    -------
    Exercise
        Question, numbers and key, each with its [unit].

    Raises
    ------
    CombustError
        Unknown kind, a seed below 0.

    References
    ----------
    The functions of the kernel; ``tests/application/test_lessons.py`` holds a source for each kind.

    Examples
    --------
    >>> one = exercise("pump_delivery")
    >>> one.check(deviation_pct=11.5, passes="no", new_air_ratio=1.435)
    'deviation: right, passes ±10 %: right, lambda then: right'
    """
    rows = {row["kind"]: (number, row) for number, row in enumerate(load_table("exercises")["exercise"], 1)}
    number, row = rows[Field("kind", "choice", choices=tuple(rows)).checked(kind)]
    numbers = row["standard"] if seed is None else _drawn(row["draw"], checked_seed(seed), number)
    burnt = get_fuel(fuel)
    values = plain({**numbers, **getattr(solutions, kind)(numbers, burnt)})
    shown = {**values, "fuel": burnt.name}
    asked = tuple(Asked(**{**one, "choice": tuple(one.get("choice", ()))}) for one in row["answers"])
    return Exercise(
        number,
        kind,
        row["title"],
        row["lesson"],
        row["question"].format(**shown),
        asked,
        values,
        tuple(step.format(**shown) for step in row["steps"]),
        _mistakes_of(row, values, burnt),
        load_table("exercises")["caution"],
    )


def _mistakes_of(row: Mapping[str, Any], values: Mapping[str, Any], fuel: Fuel) -> tuple[Mistake, ...]:
    """Return the mistakes that can be told from the right answer: a number as close as its tolerance tells nothing."""
    known = {**values, **mistakes(row["kind"], values, fuel)}
    tolerances = {one["key"]: one.get("tolerance", 0.0) for one in row["answers"]}
    found = [
        Mistake(one["key"], known[one["by"]] if "by" in one else one["word"], one["when"])
        for one in row.get("mistakes", ())
    ]
    return tuple(
        one
        for one in found
        if isinstance(one.value, str) or abs(one.value - values[one.key]) > 2.0 * tolerances[one.key]
    )


def exercise_kinds() -> tuple[str, ...]:
    """Return the names of all exercises in the order of the set."""
    return tuple(row["kind"] for row in load_table("exercises")["exercise"])


def exercise_sheet(seed: int | None = None, *, fuel: Fuel | str = STANDARD_FUEL) -> Several[Exercise]:
    """Return the whole set with the numbers of one seed.

    Parameters
    ----------
    seed : int, optional
        0 or more [-], less is refused; None = the standard numbers.
    fuel : Fuel or str
        Name, alias, or formula per carbon atom.

    Returns
    -------
    list of Exercise, one below the other in a notebook
        One of each kind, numbers with their [unit].

    Raises
    ------
    CombustError
        A seed below 0, an unknown fuel.

    References
    ----------
    As for :func:`exercise`.

    Examples
    --------
    >>> len(exercise_sheet()) == len(exercise_kinds())
    True
    """
    return Several(exercise(kind, seed=seed, fuel=fuel) for kind in exercise_kinds())


def checked_seed(seed: int, *, below: int = 2**32) -> int:
    """Return a seed that can be used, or refuse it.

    Raises
    ------
    CombustError
        No whole number, or outside the band.
    """
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or not 0 <= seed < below:
        why, hint = "is no seed", f"Give a whole number from 0 to {below - 1}."
        raise CombustError(Fault("seed", seed, "out_of_band", why=why, hint=hint))
    return int(seed)


def _drawn(bands: Mapping[str, list[float]], seed: int, number: int) -> dict[str, float]:
    """Return a number on the step grid of each band; each exercise has its own stream."""
    random = np.random.default_rng([seed, number])
    found = {}
    for key, (low, high, step) in bands.items():
        count = round((high - low) / step)
        found[key] = round(low + step * int(random.integers(0, count + 1)), 6)
    return found
