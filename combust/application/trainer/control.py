"""The controller of the simulated heater: a start programme as the profile tells it, relight, run-on, trips, lock-out.

Every time comes from the profile's [start], every threshold from its [control]; where the profile does not tell one, a
convention of ``heater_dynamics.toml`` stands in. No heater's own logic is copied.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from combust.application.visit.start import start_times
from combust.data.errors import CombustError, Fault
from combust.data.tables import load_table
from combust.data.told import Told
from combust.domain.heater import ControlRules, Heater, StartTimes
from combust.domain.result import Assumed

FOREVER = float("inf")
ASKS_FUEL = ("attempt", "settle", "running")
AT_WORK = ("self_check", "preheat", *ASKS_FUEL)


class Rules(NamedTuple):
    """What the controller goes by: temperatures [°C], times [s], counts, speeds over the low stage's."""

    flame_seen_c: float
    flame_lost_c: float
    hot_start_c: float
    outlet_trip_c: float
    relights: int
    failed_starts_allowed: int
    settle_s: float
    under_voltage_s: float
    sensor_lag_s: float
    preheat_speed: float
    attempt_speed: float
    run_on_speed: float
    cool_down_s: float
    cutout_v: float


class Seen(NamedTuple):
    """What the controller sees: flame sensor and outlet [°C], voltage at its plug [V], thermostat, power."""

    sensor_c: float
    outlet_c: float
    plug_v: float
    warm_enough: bool
    powered: bool


@dataclass(frozen=True, slots=True)
class Event(Told):
    """Something that happened: when [s of the heater], a word for machines, a sentence."""

    at_s: float
    code: str
    text: str


@dataclass(slots=True)
class Phase(Told):
    """What the controller is doing: a word of the start guide or of the trainer, since and until when [s]."""

    name: str = "off"
    number: int = 0
    begin_s: float = 0.0
    end_s: float = FOREVER


def rules_of(heater: Heater) -> tuple[Rules, StartTimes, tuple[Assumed, ...]]:
    """Return rules and start programme of a profile, and the conventions that stood in for what it does not tell.

    Raises
    ------
    CombustError
        No start programme, no pump frequency of an attempt, or a flame that is lost above where it is seen.
    """
    start = start_times(heater)
    if not start.attempt_pump_hz:
        hint = "Add attempt_pump_hz under [start]: see the heater's document."
        raise CombustError(Fault("start.attempt_pump_hz", None, "missing", why="is not in the profile", hint=hint))
    table = load_table("heater_dynamics")["control"]
    told = {one.name: getattr(heater.control, one.name) for one in fields(ControlRules)}
    told["cool_down_s"] = start.cool_down_s
    values: dict[str, Any] = {}
    assumed = []
    for key, row in table.items():
        given = told.get(key)
        values[key] = float(row["value"]) if given is None else float(given)
        if given is None and key in told:
            assumed.append(Assumed(key, values[key], row["unit"], row["origin"]))
    if values["flame_lost_c"] >= values["flame_seen_c"]:
        why, hint = "is not below flame_seen_c", "Give both under [control]."
        raise CombustError(Fault("flame_lost_c", values["flame_lost_c"], "conflict", unit="°C", why=why, hint=hint))
    counts = {key: int(values.pop(key)) for key in ("relights", "failed_starts_allowed")}
    return Rules(**values, **counts, cutout_v=heater.cutout_v or 0.0), start, tuple(assumed)


class BurnerControl:
    """The controller: what it asks for, by the time and what it sees.

    Parameters
    ----------
    rules : Rules
    start : StartTimes
        Preheats and attempts of a start, self-check.
    """

    def __init__(self, rules: Rules, start: StartTimes) -> None:
        self.rules, self.start = rules, start
        self.phase = Phase()
        self.events: list[Event] = []
        self.failed_starts = 0
        self.locked = ""  # why, "" = not locked
        self.wanted = False
        self.relights_left = rules.relights
        self._relighting = False
        self._then = "off"
        self._low_since: float | None = None
        self._fuel_given = False  # since the start was asked for

    # ---- what people do --------------------------------------------------------------------------------------------
    def request_heat(self, now: float, seen: Seen, on: bool = True) -> None:
        """Ask for heat, or no longer."""
        self._tell(now, "heat_asked" if on else "heat_ended", "Heat is asked for." if on else "No more heat is asked.")
        self.wanted = on
        if not seen.powered:
            self.wanted = False
            self._tell(now, "no_power", "Nothing happens: there is no power.")
        elif on and self.locked:
            self._tell(now, "still_locked", f"Nothing happens: locked ({self.locked}).")
        elif on and self.phase.name in ("off", "stopped"):
            self.relights_left = self.rules.relights
            self._begin(now, seen)
        elif on and self.phase.name in ("run_on", "cool_down"):
            self._tell(now, "not_shortened", "The run-on is not shortened; ask again when it has ended.")
        elif not on and self.phase.name in AT_WORK:
            self._run_on(now, "off")
        elif not on and self.phase.name == "standby":
            self._enter(now, "off")
        if not on:
            self._then = "off" if self._then in ("start", "standby") else self._then

    def release_lockout(self, now: float) -> None:
        """Release a lock-out: the failed starts are forgotten, not their fuel."""
        told = "The lock-out is released. The cause is still there, and so is the fuel."
        self._tell(now, "released", told if self.locked else "Nothing was locked; the failed starts are forgotten.")
        self.failed_starts, self.locked = 0, ""
        if self.phase.name == "locked":
            self._enter(now, "stopped")
        self._then = "stopped" if self._then == "locked" else self._then

    # ---- time passes -----------------------------------------------------------------------------------------------
    def update(self, now: float, seen: Seen) -> None:
        """Go on to what follows at a moment."""
        name = self.phase.name
        if not seen.powered:
            if name != "no_power":
                self.wanted = False
                self._then = "off"
                self._enter(now, "no_power")
                self._tell(now, "power_cut", "The power is gone: everything stands at once, without run-on.")
            return
        if name == "no_power":
            self._tell(now, "power_back", "The power is back.")
            self._enter(now, "locked" if self.locked else "off")
        elif seen.outlet_c > self.rules.outlet_trip_c and name in AT_WORK:
            self._lock(now, "outlet too hot")
            self._tell(now, "overheat", f"The outlet passed {self.rules.outlet_trip_c:g} °C: fuel off, run-on, locked.")
            self._run_on(now, "locked")
        elif self._voltage_fails(now, seen):
            self.wanted = False
            self._tell(now, "under_voltage", f"Below {self.rules.cutout_v:g} V for too long: it switches off.")
            self._run_on(now, "off")
        elif name == "attempt" and seen.sensor_c > self.rules.flame_seen_c:
            self._tell(now, "flame_seen", "The controller sees a flame.")
            self._enter(now, "settle", seconds=self.rules.settle_s)
        elif name in ("settle", "running") and seen.sensor_c < self.rules.flame_lost_c:
            self._flame_lost(now)
        elif name == "running" and seen.warm_enough:
            self._tell(now, "warm_enough", "Warm enough: run-on, then standby.")
            self._run_on(now, "standby")
        elif name == "standby" and not seen.warm_enough:
            self._tell(now, "cold_again", "The thermostat asks again: it starts by itself.")
            self.relights_left = self.rules.relights
            self._begin(now, seen)
        elif now >= self.phase.end_s:
            self._next(now, seen)

    def _next(self, now: float, seen: Seen) -> None:
        name, number = self.phase.name, self.phase.number
        if name == "self_check":
            self._enter(now, "preheat", 1, self.start.preheat_s[0])
        elif name == "preheat":
            self._enter(now, "attempt", number, self.start.attempt_s[number - 1])
        elif name == "attempt" and number < len(self.start.attempt_s) and not self._relighting:
            self._enter(now, "preheat", number + 1, self.start.preheat_s[number])
        elif name == "attempt":
            self._failed(now)
        elif name == "settle":
            self.failed_starts = 0
            self._enter(now, "running")
        elif self._then == "start":
            self._begin(now, seen, cold=True)
        else:
            self._enter(now, self._then)

    def _begin(self, now: float, seen: Seen, cold: bool = False) -> None:
        self._relighting = self._fuel_given = False
        if not cold and seen.sensor_c > self.rules.hot_start_c:
            self._tell(now, "still_hot", "The flame sensor is still hot: run-on first, old heat is no flame.")
            self._run_on(now, "start")
        elif seen.warm_enough:
            self._tell(now, "warm_enough", "Warm enough already: it waits for the thermostat.")
            self._enter(now, "standby")
        else:
            self._enter(now, "self_check", seconds=self.start.check_s or 0.0)

    def _flame_lost(self, now: float) -> None:
        if self.relights_left > 0:
            self.relights_left -= 1
            self._relighting = True
            self._tell(now, "flame_lost", "The flame is lost: it tries to relight by itself.")
            self._enter(now, "preheat", 1, self.start.preheat_s[0])
        else:
            self._tell(now, "flame_lost", "The flame is lost, and no relight is left.")
            self._failed(now)

    def _failed(self, now: float) -> None:
        self.failed_starts += 1
        self.wanted = False
        self._tell(now, "start_failed", f"Failed start {self.failed_starts}: cool-down. Its fuel lies in the burner.")
        if self.failed_starts >= self.rules.failed_starts_allowed:
            self._lock(now, "failed starts")
        self._enter(now, "cool_down", seconds=self.rules.cool_down_s)
        self._then = "locked" if self.locked else "stopped"

    def _lock(self, now: float, why: str) -> None:
        self.locked, self.wanted = why, False
        self._tell(now, "locked", f"Locked: {why}.")

    def _run_on(self, now: float, then: str) -> None:
        if self.phase.name in ("self_check", "preheat") and not self._fuel_given:  # nothing has burnt, nothing to cool
            self._enter(now, then)
            return
        self._enter(now, "run_on", seconds=self.rules.cool_down_s)
        self._then = then

    def _voltage_fails(self, now: float, seen: Seen) -> bool:
        if self.phase.name not in AT_WORK or seen.plug_v >= self.rules.cutout_v:
            self._low_since = None
            return False
        self._low_since = now if self._low_since is None else self._low_since
        return now - self._low_since >= self.rules.under_voltage_s

    def _enter(self, now: float, name: str, number: int = 0, seconds: float = FOREVER) -> None:
        self.phase = Phase(name, number, now, now + seconds)
        self._fuel_given = self._fuel_given or name == "attempt"
        self._low_since = None if name not in AT_WORK else self._low_since
        self._tell(now, "phase", phase_label(name, number))

    def _tell(self, now: float, code: str, text: str) -> None:
        self.events.append(Event(now, code, text))


def phase_label(name: str, number: int = 0) -> str:
    """Return the words of a phase: the start guide's, or the trainer's."""
    guide, own = load_table("start_guide")["phase"], load_table("trainer_scenarios")["phase"]
    label: str = (guide if name in guide else own)[name]["label"]
    return label.format(number=number)


def seen_phase(name: str) -> str:
    """Return what somebody at the heater takes a phase for, in the start guide's words."""
    own = load_table("trainer_scenarios")["phase"]
    return str(own[name]["stands_for"]) if name in own else name
