"""A case in two halves: what a learner holds, and the trainer's key with every result and the answer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from combust.application.mystery.played_visit import PlayedVisit, begin
from combust.application.mystery.rules import LEVELS, answer_of, answer_text, heaters, prices, table
from combust.application.reading.result import safety_of
from combust.data.errors import CombustError, Fault
from combust.data.told import Rows, Told
from combust.domain.heater import Heater
from combust.domain.reading import check_values
from combust.domain.result import plain
from combust.domain.safety import Safety

CONTEXT = ("stage", "altitude_m", "intake_temp_c", "location", "co2_origin")
FIRST = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm")


@dataclass(frozen=True, slots=True)
class MysteryCase(Told):
    """A case as the learner holds it: what is shown at the beginning, and nothing else in any form.

    Attributes
    ----------
    case_id : str
    level, heater_id, site : str
    budget : float
        What the visit pays for: minutes, money and risk together as minutes [min].
    context, first : mapping
        Stage, height, temperature, location; the first reading (O2, CO and the CO2 that the analyser calculates).
    """

    case_id: str
    level: str
    heater_id: str
    site: str
    budget: float
    context: Mapping[str, Any]
    first: Mapping[str, Any]

    @property
    def heater(self) -> Heater:
        """Return the profile of the heater, with its healthy baseline."""
        return heaters()[self.heater_id]

    @property
    def safety(self) -> Safety:
        """The safety state of what is known at the beginning."""
        return safety_of({"fuel": self.heater.fuel.name, **self.context, **self.first})

    @property
    def baseline(self) -> list[dict[str, Any]]:
        """Return the healthy readings of this heater, stage by stage."""
        keys = (
            *("stage", "altitude_m", "intake_temp_c", "o2_dry_pct", "co_dry_ppm", "flue_temp_c", "air_in_temp_c"),
            *("air_out_temp_c", "supply_v", "blower_rpm", "pump_hz", "intake_static_pa", "exhaust_static_pa"),
        )
        read = [{key: getattr(one.reading, key) for key in keys} for one in self.heater.baselines]
        return [{key: value for key, value in row.items() if value is not None} for row in read]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"format": table()["format"], **plain(self), "baseline": plain(self.baseline)}

    @classmethod
    def from_dict(cls, given: Any) -> MysteryCase:
        """Return a case from its JSON.

        Raises
        ------
        CombustError
            When it is no case, or of another format.
        """
        _need(isinstance(given, dict) and given.get("format") == table()["format"], "it is no case of this version")
        kinds = {"context": dict, "first": dict, "budget": float}
        for name in cls.__slots__:
            _need(type(given.get(name)) is kinds.get(name, str), f"{name} is missing or of another kind")
        _need(0.0 <= given["budget"] <= 1000.0, "what it pays for cannot be")
        _need(given["heater_id"] in heaters() and given["level"] in LEVELS, "heater or level is not known")
        _need(_is_first_reading(given["context"], given["first"]), "the first reading is not acceptable")
        held = cls(**{name: given[name] for name in cls.__slots__})
        _need(held.context["stage"] in {row["stage"] for row in held.baseline}, "its heater has no such stage")
        return held

    def lines(self) -> Rows:
        """Return no rows: the sentences say what a learner knows."""
        return []

    def opening(self) -> tuple[str, ...]:
        """Return what a learner knows, in sentences."""
        fuel, place, first = self.heater.fuel.label, self.context, self.first
        healthy = next(row for row in self.baseline if row["stage"] == place["stage"])
        return (
            f"Case {self.case_id}, level {self.level}: heater {self.heater_id}, {fuel}, at {self.site}.",
            f"The heater stands {place['location']}, stage {place['stage']}, {place['altitude_m']:g} m, "
            f"{place['intake_temp_c']:g} °C at the intake.",
            f"First reading: O2 {first['o2_dry_pct']:g} %, CO {first['co_dry_ppm']:g} ppm, "
            f"CO2 {first['co2_dry_pct']:g} % as the analyser calculates it.",
            f"Healthy baseline: O2 {healthy['o2_dry_pct']:g} %, CO {healthy['co_dry_ppm']:g} ppm, at "
            f"{healthy['altitude_m']:g} m and {healthy['intake_temp_c']:g} °C; it is this heater's own.",
            f"The visit pays for {self.budget:g} minutes, money and risk counted in.",
        )


@dataclass(frozen=True, slots=True)
class CaseKey:
    """The trainer's half of a case: every result, the answer, the reference. Never hand it to a learner.

    Attributes
    ----------
    case : MysteryCase
    results : mapping
        Check -> columns; also ``start_again``.
    causes : frozenset of str
        What is wrong.
    right : frozenset of str
        The answer: the causes, or ``cannot_be_told``.
    steps : tuple of str
        Checks in the order that the look-ahead of the ranking chooses.
    reached : tuple of float
        Probability of the causes by the first reading and after each of the steps [-].
    left_open : int
        Answers that the first reading leaves open (from a tenth of the most probable one's share).
    seed : int
    """

    case: MysteryCase
    results: Mapping[str, Mapping[str, Any]] = field(repr=False)
    causes: frozenset[str] = field(repr=False)
    right: frozenset[str] = field(repr=False)
    steps: tuple[str, ...] = field(repr=False)
    reached: tuple[float, ...] = field(repr=False)
    left_open: int
    seed: int

    @property
    def text(self) -> str:
        """Return the answer as one word."""
        return answer_text(self.right)

    def result(self, name: str) -> Mapping[str, Any]:
        """Return the result of one check."""
        return self.results[name]

    def visit(self) -> PlayedVisit:
        """Return the visit at its beginning."""
        return begin(self.case.heater.fuel.name, self.case.context, self.case.first, self.result, self.case.budget)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        held = {name: plain(getattr(self, name)) for name in self.__slots__ if name not in ("causes", "right")}
        return {**held, "case": self.case.to_dict(), "causes": answer_text(self.causes), "right": self.text}

    @classmethod
    def from_dict(cls, given: Any) -> CaseKey:
        """Return a key from its JSON.

        Raises
        ------
        CombustError
            When it is no key.
        """
        kinds: dict[str, type] = {"case": dict, "results": dict, "causes": str, "right": str, "steps": list}
        kinds |= {"reached": list, "left_open": int, "seed": int}
        _need(isinstance(given, dict), "it is no key of a case")
        for name, kind in kinds.items():
            _need(type(given.get(name)) is kind, f"{name} is missing or of another kind")
        results = given["results"]
        wanted = set(prices()) - {"move_outdoors", "wait"}
        _need(set(results) >= wanted, "results are missing")
        for name in wanted:
            _need(is_result(name, results[name]), f"the result of {name} cannot be")
        _need("flame" in results["start_again"], "a start has no end")
        _need(all(map(is_step, given["steps"])), "a step is not known")
        shares = all(isinstance(one, int | float) and 0.0 <= one <= 1.0 for one in given["reached"])
        _need(shares, "what was reached is no probability")
        return cls(
            MysteryCase.from_dict(given["case"]),
            results=results,
            causes=answer_of(given["causes"]),
            right=answer_of(given["right"]),
            steps=tuple(given["steps"]),
            reached=tuple(map(float, given["reached"])),
            left_open=given["left_open"],
            seed=given["seed"],
        )


def is_step(given: Any) -> bool:
    """Return whether this is the name of a check or an action."""
    return isinstance(given, str) and given in prices()


def is_result(step: str, given: Any) -> bool:
    """Return whether a step can show this: values that a reading can have; only moving outdoors gives a place."""
    if not isinstance(given, dict):
        return False
    flame = step != "start_again" or isinstance(given.get("flame", True), bool)
    place = "location" not in given or (step == "move_outdoors" and given["location"] == "outdoors")
    row = {key: value for key, value in given.items() if (step, key) != ("start_again", "flame")}
    checked, faults = check_values(row)
    return flame and place and not faults and checked == row


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
    """A case with the steps made so far; a new one for every step. It holds the key: it is the trainer's.

    Examples
    --------
    >>> from combust.application.mystery import Dealer
    >>> play = Play(Dealer("a sentence for the example").deal(8, "easy")).take("ambient_air")
    >>> sorted(play.visit().shown["ambient_air"])
    ['ambient_co_ppm', 'ambient_o2_pct']
    """

    key: CaseKey
    steps: tuple[str, ...] = ()

    @classmethod
    def outdoors(cls, key: CaseKey, steps: Iterable[str] = ()) -> Play:
        """Return the play of some checks as the reference makes them: a heater that stands indoors is moved first."""
        first = () if key.case.context["location"] == "outdoors" else ("move_outdoors",)
        return cls(key, (*first, *steps))

    @property
    def case(self) -> MysteryCase:
        """The learner's half."""
        return self.key.case

    def visit(self) -> PlayedVisit:
        """Return the visit after all steps."""
        visit = self.key.visit()
        for step in self.steps:
            visit.take(step)
        return visit

    def take(self, name: str) -> Play:
        """Return the play after one more check or action; see :meth:`PlayedVisit.take`."""
        self.visit().take(name)
        return Play(self.key, (*self.steps, name))

    @property
    def readings(self) -> list[dict[str, Any]]:
        """Return the rows read so far, as ``rank_causes`` takes them."""
        return self.visit().readings
