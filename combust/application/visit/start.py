"""A start as the heater's own document describes it: phases, fuel of failed attempts, earliest restart."""

from __future__ import annotations

import math
from dataclasses import dataclass

from combust.application.safety import own_limits
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, fields_of, need_fields
from combust.data.tables import load_table
from combust.data.told import Rows, Told
from combust.domain.heater import Heater, StartTimes
from combust.domain.limits import Finding, cautions, finding, finding_kinds, in_order, limit
from combust.domain.result import Assumed, Result, many, shown
from combust.kernel.fuel_delivery import SECONDS_PER_HOUR, delivered_while_attempting

ARGUMENTS = fields_of(
    {
        "cycles": {"band": (0, 20), "hint": "Count the failed starts, up to 20."},
        "cut_at_s": {"band": (0.0, 1e6), "unit": "s", "hint": "Give seconds after switch-on, 0 or more."},
    }
)


@dataclass(frozen=True, slots=True)
class StartPhase(Told):
    """One phase of a start: from and to [s after switch-on], pump frequency [Hz, 0 = silent, None = unknown], glow."""

    name: str
    number: int
    label: str
    begin_s: float
    end_s: float
    pump_hz: float | None
    glow: bool
    blower: str

    @property
    def in_words(self) -> str:
        """The label, with the pump's frequency where it pulses."""
        return self.label + (f", pump {self.pump_hz:g} Hz" if self.pump_hz else "")


@dataclass(frozen=True)
class StartTimeline(Result):
    """A start whose attempts all fail, up to the earliest restart; None = the profile does not tell.

    Attributes
    ----------
    phases : tuple of StartPhase
    earliest_restart_s : float or None
        After the switch-on [s]; None too where no further start is allowed (``stopped``).
    fuel_on_s, fuel_ml_per_cycle : float or None
        Time with fuel [s] and fuel dosed [ml] in one failed start that nobody cut short.
    fuel_ml_last : float or None
        Fuel of the last failed start [ml], of which only the time before ``cut_at_s`` counts.
    fuel_ml, fuel_g, fuel_heat_kj, full_firing_s : float or None
        Fuel of all ``cycles``, its mass, net heat, and how long full stage would burn on it.
    glow_wh : float or None
        Electric energy of the glow in one failed start.
    """

    phases: tuple[StartPhase, ...]
    cycles: int
    earliest_restart_s: float | None
    fuel_on_s: float
    glow_wh: float | None
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    assumed: tuple[Assumed, ...]
    cut_at_s: float | None = None
    fuel_ml_per_cycle: float | None = None
    fuel_ml_last: float | None = None
    fuel_ml: float | None = None
    fuel_g: float | None = None
    fuel_heat_kj: float | None = None
    full_firing_s: float | None = None
    stopped: bool = False
    calculated = True

    def lines(self) -> Rows:
        """Return (label, text) lines; what cannot be told says so."""

        rows = [(f"{phase.begin_s:.0f} to {phase.end_s:.0f} s", phase.in_words) for phase in self.phases]
        restart = shown(self.earliest_restart_s, ".0f", "s after the last switch-on, when all attempts fail")
        rows.append(("earliest restart", "none: no further start, see the stop" if self.stopped else restart))
        rows.append(("fuel of one failed start", shown(self.fuel_ml_per_cycle, ".1f", "ml")))
        if self.cycles:
            heat = "" if self.fuel_heat_kj is None else f" = {self.fuel_g or 0.0:.1f} g, {self.fuel_heat_kj:.0f} kJ"
            burns = "" if self.full_firing_s is None else f", {self.full_firing_s:.0f} s of full stage"
            many = f"fuel of {self.cycles} failed start{'s' if self.cycles > 1 else ''}"
            cut = "" if self.cut_at_s is None else ", the last one cut short"
            rows.append((many + cut, shown(self.fuel_ml, ".1f", "ml") + heat + burns))
        return [*rows, ("glow energy of one", shown(self.glow_wh, ".1f", "Wh"))]


def start_times(heater: Heater) -> StartTimes:
    """Return the start programme of a profile; raises CombustError when it is not there.

    Raises
    ------
    CombustError
        The profile has no [start].
    """
    start = heater.start
    if start is None or not start.attempt_s or not start.preheat_s:
        why = "is not in the profile; no times are built in"
        hint = (
            "Add [start] with check_s, preheat_s, attempt_s, attempt_pump_hz, cool_down_s: see the heater's document."
        )
        raise CombustError(Fault("start", None, "missing", why=why, hint=hint))
    return start


def start_timeline(
    heater: Heater, *, cycles: int = 1, cut_at_s: float | None = None, stopped: bool = False
) -> StartTimeline:
    """Return the timeline of a start whose attempts all fail, with its fuel and the earliest restart.

    Every time and the number of attempts come from the profile; none is built in.

    Parameters
    ----------
    heater : Heater
        Its [start] must have preheat_s and attempt_s.
    cycles : int
        Failed starts so far [-], 0 or more (others are refused), each with all its attempts; 0 when none has failed,
        and then no fuel is claimed.
    cut_at_s : float, optional
        When the power was taken away in the last of them [s after switch-on], 0 or more (others are refused): fuel
        counts up to there.
    stopped : bool
        Whether no further start is allowed: then no restart is told.

    Returns
    -------
    StartTimeline
        Phases [s], fuel [ml].

    Raises
    ------
    CombustError
        No start programme in the profile, or impossible arguments.

    References
    ----------
    The heater's own document, as its profile has it.

    Examples
    --------
    >>> times = {"check_s": 4, "preheat_s": [50, 45], "attempt_s": [75, 75], "attempt_pump_hz": 1.5, "cool_down_s": 200}
    >>> plate = {"fuel": "diesel_b7", "stroke_ul": 24, "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}}
    >>> timeline = start_timeline(Heater.from_dict(plate | {"start": times}))
    >>> timeline.earliest_restart_s, round(timeline.fuel_ml, 2)
    (449.0, 5.4)
    """
    start = start_times(heater)
    need_fields({"cycles": cycles, "cut_at_s": cut_at_s}, ARGUMENTS)
    phases = phases_of(start)
    findings: list[Finding] = []
    cooled = phases[-1].end_s if start.cool_down_s is not None else None
    restart = None if stopped else cooled
    fuel_on = sum(start.attempt_s)
    before_cut = math.inf if cut_at_s is None else cut_at_s
    asked = [max(0.0, min(one.end_s, before_cut) - one.begin_s) for one in phases if one.name == "attempt"]
    fuel = _fuel(heater, start, cycles, sum(asked), findings)
    longest = limit("attempt_longest")
    if fuel_on > longest:
        findings.append(finding("fuel_on_long", fuel_on_s=fuel_on, longest_s=longest))
    if restart is not None:
        findings.append(finding("no_shortening", restart_s=restart))
    elif cooled is None:
        findings.append(finding("cool_down_unknown"))
    if cut_at_s is not None:
        findings.append(_cut(phases, cooled, cut_at_s))
    glow_s = sum(phase.end_s - phase.begin_s for phase in phases if phase.glow)
    glow = heater.glow_a * heater.nominal_v * glow_s / SECONDS_PER_HOUR if heater.glow_a and heater.nominal_v else None
    no_check = Assumed("check_s", 0.0, "s", "not in the profile: every time is at least what is shown")
    return StartTimeline(
        phases=phases,
        cycles=cycles,
        earliest_restart_s=restart,
        fuel_on_s=fuel_on,
        glow_wh=glow,
        findings=in_order(findings),
        cautions=tuple(cautions()),
        assumed=(no_check,) if start.check_s is None else (),
        cut_at_s=cut_at_s,
        stopped=stopped,
        **fuel,
    )


def phases_of(start: StartTimes) -> tuple[StartPhase, ...]:
    """Return the phases of a start whose attempts all fail, in order; a missing check or cool-down is left out."""
    words = load_table("start_guide")["phase"]
    rows: list[tuple[str, int, float | None]] = [("self_check", 0, start.check_s)]
    for number, (preheat, attempt) in enumerate(zip(start.preheat_s, start.attempt_s, strict=True), 1):
        rows += [("preheat", number, preheat), ("attempt", number, attempt)]
    phases: list[StartPhase] = []
    for name, number, seconds in [*rows, ("cool_down", 0, start.cool_down_s)]:
        if seconds is not None:
            begin = phases[-1].end_s if phases else 0.0
            pump, glow = start.attempt_pump_hz if name == "attempt" else 0.0, name in ("preheat", "attempt")
            label, blower = words[name]["label"].format(number=number), words[name]["blower"]
            phases.append(StartPhase(name, number, label, begin, begin + seconds, pump, glow, blower))
    return tuple(phases)


def _fuel(heater: Heater, start: StartTimes, cycles: int, last_s: float, findings: list[Finding]) -> dict[str, float]:
    """Return the fuel of failed starts, of the last of which the pump was asked for ``last_s``."""
    stroke_ul, pump_hz = heater.stroke_ul, start.attempt_pump_hz
    if not stroke_ul or not pump_hz:
        missing = [key for key, there in (("stroke_ul", stroke_ul), ("start.attempt_pump_hz", pump_hz)) if not there]
        findings.append(finding("fuel_unknown", missing=" and ".join(missing)))
        return {}
    each = delivered_while_attempting(stroke_ul, pump_hz, sum(start.attempt_s))
    last = delivered_while_attempting(stroke_ul, pump_hz, last_s)
    dosed = each * (cycles - 1) + last if cycles else 0.0
    found = {"fuel_ml_per_cycle": each, "fuel_ml_last": last, "fuel_ml": dosed}
    if heater.fuel.density_kg_per_m3:
        grams = dosed * heater.fuel.density_kg_per_m3 * 1e-3
        found |= {"fuel_g": grams, "fuel_heat_kj": grams * heater.fuel.net_heating_value_mj_per_kg}
    flows = [stage.fuel_l_per_h for stage in heater.stages.values() if stage.fuel_l_per_h]
    if flows:
        found["full_firing_s"] = dosed * 1e-3 * SECONDS_PER_HOUR / max(flows)
    count = many(cycles, "failed start")
    if dosed:
        findings.append(finding("fuel_pooled", count=count, fuel_ml=dosed, minutes=limit("clean_burn")))
    return found


def _cut(phases: tuple[StartPhase, ...], restart: float | None, cut_at_s: float) -> Finding:
    cool = next((phase for phase in phases if phase.name == "cool_down"), None)
    where = next((phase.label for phase in phases if phase.begin_s <= cut_at_s < phase.end_s), None)
    if where is None and restart is not None:
        return finding("power_cut_cold", cut_s=cut_at_s)
    if cut_at_s <= next(phase.begin_s for phase in phases if phase.name == "attempt"):
        return finding("power_cut_before_fuel", cut_s=cut_at_s)
    lost = 0.0 if cool is None else cool.end_s - max(cut_at_s, cool.begin_s)
    return finding("power_cut", cut_s=cut_at_s, phase=where or "the cool-down", lost_s=lost)


def emergency_findings(words: tuple[str, ...]) -> list[Finding]:
    """Return the stop of each emergency word (fire, exhaust_smell, co_alarm, unwell); raises on an unknown word.

    Raises
    ------
    CombustError
        Words that are no emergency.
    """
    known = Field("emergency", "choice", "the emergency", choices=tuple(finding_kinds("emergency")))
    faults = [fault for word in words for fault in known.faults_of(word)]
    if faults:
        raise CombustError(faults)
    return [finding(word) for word in words]


def starts_used_up(failed: int, allowed: int | None) -> Finding | None:
    """Return the stop after the allowed failed starts; what the document allows counts as one until it is entered."""
    if not own_limits(failed_starts=failed, allowed_starts=math.nan if allowed is None else allowed)["starts_used_up"]:
        return None
    number = "1 (the document's number was not entered)" if allowed is None else allowed
    return finding("starts_used_up", failed=failed, allowed=number)
