"""A visit played step by step: what was read, where the heater stands, whether it runs, which rules were broken."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from combust.application.causes.checks import NEW_ROW
from combust.application.mystery.rules import ACTIONS, Price, needs_of, price_of, prices, table, weight_of
from combust.application.reading.result import safety_of
from combust.data.errors import CombustError, Fault
from combust.domain.safety import Safety, forbids, of_all

OF_PLACE = ("indoors", "location_unknown")
OF_CAB = ("cab_co_everyone_out", "cab_co_level", "cab_co_rise")
Results = Callable[[str], Mapping[str, Any]]


@dataclass
class PlayedVisit:
    """Where a visit stands; changed only by :meth:`take`.

    Attributes
    ----------
    readings : list of dict
        Rows as the library takes them, to give to ``rank_causes``.
    steps : list of str
        Checks and actions in the order they were asked for, refused ones left out; what broke a rule is among them.
    made : list of str
        Those that were made: one that broke a rule is not, costs nothing, and can be made once the rule is kept.
    breaches : list of str
        Codes of the safety rules that were broken.
    """

    fuel: str
    context: Mapping[str, Any]
    results: Results
    budget: float
    readings: list[dict[str, Any]] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)
    shown: dict[str, dict[str, Any]] = field(default_factory=dict)
    made: list[str] = field(default_factory=list)
    breaches: list[str] = field(default_factory=list)
    running: bool = True
    failed_start: bool = False
    starts: int = 0

    @property
    def outdoors(self) -> bool:
        """Return whether the heater stands outdoors now."""
        return bool(self.readings[0]["location"] == "outdoors")

    @property
    def used(self) -> Price:
        """Return the minutes, money and risk points used."""
        return price_of(self.made)

    @property
    def safety(self) -> Safety:
        """The safety state of what was read so far."""
        return of_all(safety_of({"fuel": self.fuel, **row}) for row in self.readings)

    def can_pay(self, *names: str) -> bool:
        """Return whether the budget of the visit reaches for some more steps."""
        return weight_of((*self.made, *names)) <= self.budget

    def standing_stops(self) -> set[str]:
        """Return the codes of the stop conditions that do not go away by moving outdoors."""
        return {finding.code for finding in self.safety.stops} - set(OF_PLACE)

    def refusal(self, name: str) -> str:
        """Return why a step makes no sense now (it costs nothing and breaks no rule), or an empty text."""
        senseless = {
            "move_outdoors": (self.outdoors, "the heater already stands outdoors."),
            "start_again": (self.running, "the heater is running."),
            "wait": (not self.failed_start, "there is nothing to wait for."),
        }
        if name in senseless:
            idle, why = senseless[name]
            return why if idle else ""
        if name in self.made:
            return "that check was made already; its result stands on the record."
        if name in self.steps and (code := self.rule_broken_by(name)):
            return f"that was tried already, and the safety rule against it still stands. {table()['breach'][code]}"
        if not self.can_pay(name):
            return "the time and the money of this visit do not reach for it."
        if "burning" in needs_of(name) and not self.running and not self.rule_broken_by(name):
            return "the heater is off: start it again first."
        return ""

    def rule_broken_by(self, name: str) -> str:
        """Return the code of the safety rule that a step would break now, or an empty text."""
        needs, stops = needs_of(name), self.standing_stops()
        runs, starts, indoors = "burning" in needs, name == "start_again", not self.outdoors
        early = name == "exhaust_duct_off" and (indoors or "port_pressures" not in self.made)
        pushed = name == "move_outdoors" and "gasoline_in_diesel_heater" in stops
        rules = (
            ("exhaust_off_early", early),
            ("running_indoors", runs and indoors),
            ("fuel_indoors", "fuel_work" in needs and indoors),
            ("cab_co_ignored", runs and bool(stops & set(OF_CAB))),
            ("stop_ignored", forbids(dict.fromkeys(stops, True), needs) or pushed),
            ("repeated_starts", starts and self.failed_start),
        )
        return next((code for code, broken in rules if broken), "")

    def take(self, name: str) -> dict[str, Any]:
        """Make a check or an action and return the columns it gives; a broken rule ends it without a result.

        Raises
        ------
        CombustError
            Unknown step, or one that makes no sense now.
        """
        if name not in prices():
            why, hint = "is no check and no action", f"Use {', '.join(prices())}."
            raise CombustError(Fault("step", name, "unknown_name", why=why, hint=hint))
        if why := self.refusal(name):
            raise CombustError(Fault("step", name, "conflict", why="cannot be done now", hint=why.capitalize()))
        code = self.rule_broken_by(name)
        self.steps.append(name)
        if code:
            self.breaches.append(code)
            return {}
        self.made.append(name)
        self.shown[name] = self._act(name) if name in ACTIONS else self._check(name)
        return self.shown[name]

    def _act(self, name: str) -> dict[str, Any]:
        if name == "move_outdoors":
            for row in self.readings:
                row["location"] = "outdoors"
            self.running = True
            return {"location": "outdoors"}
        if name == "wait":
            self.failed_start = False
            return {}
        self.starts += 1
        self.running = self.starts > 1 or bool(self.results("start_again")["flame"])
        self.failed_start = not self.running
        return {"flame": self.running}

    def _check(self, name: str) -> dict[str, Any]:
        result = dict(self.results(name))
        if "cold" in needs_of(name):
            self.running = False
        if name in NEW_ROW:
            context = {key: self.readings[0][key] for key in self.context}
            self.readings.append({**context, **result})
        else:
            self.readings[0].update(result)
        return result


def begin(
    fuel: str, context: Mapping[str, Any], first: Mapping[str, Any], results: Results, budget: float
) -> PlayedVisit:
    """Return a visit with the first reading on its record."""
    return PlayedVisit(fuel, context, results, budget, [{**context, **first}])
