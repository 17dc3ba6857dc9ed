"""What the learner holds: a case with sealed results and a sealed answer, and the steps made so far."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from combust.application.mystery.played_visit import PlayedVisit, begin
from combust.application.mystery.rules import LEVELS, heaters, prices, table
from combust.application.mystery.seal import canonical, opened, seal
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater
from combust.domain.reading import check_values
from combust.domain.result import plain

CONTEXT = ("stage", "altitude_m", "intake_temp_c", "location", "co2_origin")
FIRST = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm")
CHECK_BYTES = 320
ANSWER_BYTES = 1280


@dataclass(frozen=True, slots=True)
class MysteryCase:
    """A case as the learner holds it: the first reading in plain words, all else sealed.

    The results of checks are sealed with keys that follow from the case itself, so that nobody reads them by accident;
    whoever writes a program for it can open them without paying. The answer is sealed with a key that follows from the
    instructor's salt alone: without the salt it cannot be opened, nor the case be drawn again from its seed.

    Attributes
    ----------
    case_id, nonce : str
        Name of the case and a random number of it.
    seed : int
    level, heater_id, site : str
    context, first : mapping
        Stage, height, temperature, location; the first reading (O2, CO and the CO2 that the analyser calculates).
    checks : mapping
        Sealed result of every check.
    answer : str
        Sealed answer.
    """

    case_id: str
    nonce: str
    seed: int
    level: str
    heater_id: str
    site: str
    context: Mapping[str, Any]
    first: Mapping[str, Any]
    checks: Mapping[str, str] = field(repr=False)
    answer: str = field(repr=False)

    @property
    def heater(self) -> Heater:
        """Return the profile of the heater, with its healthy baseline."""
        return heaters()[self.heater_id]

    def result(self, name: str) -> dict[str, Any]:
        """Return the result of one check."""
        found = opened(result_key(self.nonce, name), self.checks[name])
        _need(found is not None, f"the result of {name} does not open")
        return found or {}

    def visit(self) -> PlayedVisit:
        """Return the visit at its beginning."""
        return begin(self.heater.fuel.name, self.context, self.first, self.result)

    def public(self) -> dict[str, Any]:
        """Return everything but the sealed answer, which is bound to it."""
        return {key: value for key, value in self.to_dict().items() if key != "answer"}

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"format": table()["format"], **plain(self)}

    @classmethod
    def from_dict(cls, given: Any) -> MysteryCase:
        """Return a case from its JSON.

        Raises
        ------
        CombustError
            When it is no case, or of another format.
        """
        _need(isinstance(given, dict) and given.get("format") == table()["format"], "it is no case of this version")
        kinds = {"seed": int, "context": dict, "first": dict, "checks": dict}
        for name in cls.__slots__:
            _need(type(given.get(name)) is kinds.get(name, str), f"{name} is missing or of another kind")
        _need(given["heater_id"] in heaters() and given["level"] in LEVELS, "heater or level is not known")
        sealed = {name: type(text) for name, text in given["checks"].items()}
        _need(sealed == dict.fromkeys(sealed_names(), str), "the sealed checks are not complete")
        _need(_is_first_reading(given["context"], given["first"]), "the first reading is not acceptable")
        return cls(**{name: given[name] for name in cls.__slots__})

    def __str__(self) -> str:
        fuel, place, first = self.heater.fuel.label, self.context, self.first
        return (
            f"Case {self.case_id}, level {self.level}: heater {self.heater_id}, {fuel}, at {self.site}.\n"
            f"The heater stands {place['location']}, stage {place['stage']}, {place['altitude_m']:g} m, "
            f"{place['intake_temp_c']:g} °C at the intake.\n"
            f"First reading: O2 {first['o2_dry_pct']:g} %, CO {first['co_dry_ppm']:g} ppm, "
            f"CO2 {first['co2_dry_pct']:g} % as the analyser calculates it."
        )


def sealed_names() -> tuple[str, ...]:
    """Return the names that have a sealed result in every case."""
    return tuple(name for name in prices() if name not in ("move_outdoors", "wait"))


def result_key(nonce: str, name: str) -> bytes:
    """Return the key of one result: it follows from the case."""
    return hashlib.sha256(canonical(["result", nonce, name])).digest()


def seal_results(nonce: str, results: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """Return every result sealed, all equally long."""
    return {name: seal(result_key(nonce, name), results[name], CHECK_BYTES) for name in sealed_names()}


def _is_first_reading(context: Mapping[str, Any], first: Mapping[str, Any]) -> bool:
    """Return True for a place and a first reading with all that a case has, and nothing that a reading cannot have."""
    given = {**context, **first}
    checked, faults = check_values(given)
    complete = set(context) == set(CONTEXT) and set(first) == set(FIRST)
    return complete and not faults and checked == given and context["location"] in ("indoors", "outdoors")


def _need(good: bool, why: str) -> None:
    """Refuse a case that is not as it was dealt."""
    if not good:
        hint = "Take the file as it was dealt."
        raise CombustError(Fault("case", None, "format", why=f"cannot be used: {why}", hint=hint))


@dataclass(frozen=True, slots=True)
class Play:
    """A case with the steps made so far; a new one for every step.

    Examples
    --------
    >>> from combust.application.mystery import mystery
    >>> play = Play(mystery(7, "easy", salt="a sentence for the example"))
    >>> play = play.take("ambient_air")
    >>> sorted(play.visit().shown["ambient_air"])
    ['ambient_co_ppm', 'ambient_o2_pct']
    """

    case: MysteryCase
    steps: tuple[str, ...] = ()

    def visit(self) -> PlayedVisit:
        """Return the visit after all steps."""
        visit = self.case.visit()
        for step in self.steps:
            visit.take(step)
        return visit

    def take(self, name: str) -> Play:
        """Return the play after one more check or action; see :meth:`PlayedVisit.take`."""
        self.visit().take(name)
        return Play(self.case, (*self.steps, name))

    @property
    def readings(self) -> list[dict[str, Any]]:
        """Return the rows read so far, as ``rank_causes`` takes them."""
        return self.visit().readings

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"case": self.case.to_dict(), "steps": list(self.steps)}

    @classmethod
    def from_dict(cls, given: Any) -> Play:
        """Return a play from its JSON; every step is made again."""
        _need(isinstance(given, dict) and isinstance(given.get("steps"), list), "it holds no case with steps")
        play = cls(MysteryCase.from_dict(given.get("case")), tuple(str(step) for step in given["steps"]))
        play.visit()
        return play
