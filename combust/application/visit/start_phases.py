"""Which phase can a heater be in now? What was seen and heard against the start programme of its profile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from combust.application.visit.start import phases_of, start_times
from combust.data.fields import fields_of, need_fields, need_rows
from combust.data.tables import load_table, read_toml
from combust.domain.heater import Heater
from combust.domain.limits import Finding, finding, in_order, limit
from combust.domain.result import Result

PUMP = ("pulsing", "silent", "never")
FOREVER = float("inf")
BEFORE_FUEL = ("self_check", "preheat", "attempt", "standby")
ARGUMENTS = fields_of(
    {
        "since_request_s": {"band": (0.0, 86_400.0), "unit": "s", "hint": "Give seconds, from 0 up to 86400 (a day)."},
        "requests": {"band": (1, 1000), "hint": "Count every start request, the last one too."},
        "pump": {"kind": "choice", "choices": PUMP, "hint": "Listen again; leave it out when nobody listened."},
    }
)
INTERLOCK = fields_of(
    {"name": {"meaning": "what it is"}, "look": {"meaning": "what to look at"}}, kind="text", required=True
)


@dataclass(frozen=True, slots=True)
class Possible:
    """A phase that what was seen and heard allows, and how long it can still last [s] (None = until someone acts)."""

    name: str
    label: str
    lasts_at_most_s: float | None


@dataclass(frozen=True)
class PhaseAnswer(Result):
    """Phases possible now, what is ruled out and why, what to do now.

    ``may_dose_by_itself``: a start, a relight or a restart may be under way: it may give fuel next.
    """

    possible: tuple[Possible, ...]
    ruled_out: Mapping[str, str]
    do_now: tuple[str, ...]
    wait_at_most_s: float | None
    findings: tuple[Finding, ...]
    may_dose_by_itself: bool = False
    calculated = True


@dataclass(frozen=True, slots=True)
class _Window:
    name: str
    label: str
    earliest_s: float
    latest_s: float
    burnt: bool  # whether the burner must have been given fuel to get here
    again: bool = False  # of a relight, or of a (re)start from standby: by itself, at any time


def possible_phases(
    heater: Heater,
    *,
    since_request_s: float,
    requests: int = 1,
    pump: str | None = None,
    blower: bool | None = None,
    air_warm: bool | None = None,
    stopped: bool = False,
) -> PhaseAnswer:
    """Return the phases a heater can be in, from the time since the last start request and what is seen and heard.

    A heater may relight by itself, and its thermostat may let it wait in standby, from the request on, and start it at
    any moment: such a glow looks like one that stands, and doses next. It is ruled out only by what is seen.

    Parameters
    ----------
    heater : Heater
        Its [start] gives every time; each may be off by the tolerance in ``start_guide.toml``.
    since_request_s : float
        Since the LAST request [s]. With more than one request an earlier one may be the one that counts.
    requests : int
    pump : {'pulsing', 'silent', 'never'}, optional
        ``silent`` = not now; ``never`` = no pulse since the request, with someone listening.
    blower, air_warm : bool, optional
        None = not looked.
    stopped : bool
        Whether no further start is allowed: then nothing is said of another one.

    Raises
    ------
    CombustError
        No start programme, or impossible arguments.
    """
    need_fields({"since_request_s": since_request_s, "requests": requests, "pump": pump}, ARGUMENTS)
    windows = _windows(heater)
    possible: list[Possible] = []
    ruled_out: dict[str, str] = {}
    again = False
    for window in windows:
        why = _why_not(window, since_request_s, requests == 1, pump, blower, air_warm)
        if why:
            ruled_out[window.label] = why
            continue
        left = None if window.latest_s == FOREVER else max(0.0, window.latest_s - since_request_s)
        possible.append(Possible(window.name, window.label, left))
        again = again or (window.again and window.name in ("self_check", "preheat"))
    ends = [window.latest_s for window in windows if window.name == "cool_down" and not window.again]
    automatic = load_table("start_guide")["phase"]
    waiting = any(automatic[phase.name]["automatic"] and phase.name != "running" for phase in possible)
    # A relight or restart may have begun this very moment: then all its attempts and its cool-down lie ahead.
    passed = 0.0 if again else since_request_s
    wait = max(0.0, ends[0] - passed) if waiting and ends else None
    findings = [] if possible else [finding("fits_no_phase")]
    doses = any(phase.name in BEFORE_FUEL for phase in possible)
    glow_ends = next(window.latest_s for window in windows if window.name == "preheat")
    overdue = pump == "never" and requests == 1 and since_request_s > glow_ends
    steps = _do_now(possible, None if overdue else wait, stopped, again, overdue)
    return PhaseAnswer(tuple(possible), ruled_out, steps, wait, in_order(findings), doses)


def _windows(heater: Heater) -> list[_Window]:
    """Return each phase with the earliest and latest time after an accepted switch-on."""
    phases = phases_of(start_times(heater))
    early, late = 1.0 - limit("start_time_spread"), 1.0 + limit("start_time_spread")
    words = load_table("start_guide")["phase"]
    burner_s = next(phase.begin_s for phase in phases if phase.name == "attempt")
    later = ("running", "run_on", "stopped")  # a trip or a power cut stops it at any time after the first fuel
    first = {phase.name: phase for phase in reversed(phases)}
    again = [(name, min(phase.begin_s, burner_s), phase.begin_s >= burner_s) for name, phase in first.items()]
    return [
        _Window("no_start", words["no_start"]["label"], 0.0, FOREVER, False),
        *(_Window(p.name, p.label, p.begin_s * early, p.end_s * late, p.begin_s >= burner_s) for p in phases),
        *(_Window(name, words[name]["label"], burner_s * early, FOREVER, True) for name in later),
        _Window("standby", words["standby"]["label"], 0.0, FOREVER, False),
        *(_Window(name, words[name]["again"], begin * early, FOREVER, fed, True) for name, begin, fed in again),
    ]


def _why_not(
    window: _Window, since: float, once: bool, pump: str | None, blower: bool | None, warm: bool | None
) -> str:
    """Return why a phase is ruled out, or an empty text."""
    seen = load_table("start_guide")["phase"][window.name]
    # An earlier request may be the one that counts: then more time has passed, and only the upper end can rule out.
    never, unburnt = pump == "never" and once, window.name in ("self_check", "preheat") and not window.again
    reasons = (
        (since > window.latest_s, f"it ends {window.latest_s:.0f} s after a switch-on at the latest"),
        (since < window.earliest_s and once, f"it begins {window.earliest_s:.0f} s after a switch-on at the earliest"),
        (pump == "pulsing" and seen["pump"] == "silent", "the pump pulses, and here it does not"),
        (pump in ("silent", "never") and seen["pump"] == "pulsing", "the pump is silent, and here it pulses"),
        (
            never and window.burnt,
            "no pump pulse at all since the request: the burner was never reached",
        ),
        (blower is False and seen["blower"] == "on", "the blower stands, and here it turns"),
        (blower is True and seen["blower"] == "off", "the blower turns, and here it stands"),
        (warm is True and once and unburnt, "the air is warm, and nothing has burnt yet"),
    )
    return next((why for ruled_out, why in reasons if ruled_out), "")


def _do_now(possible: list[Possible], wait: float | None, stopped: bool, again: bool, overdue: bool) -> tuple[str, ...]:
    names, waiting = {phase.name for phase in possible}, wait is not None
    at_work = not (waiting or overdue) and bool(
        names & {"run_on", "standby", "preheat", "attempt", "cool_down", "self_check"}
    )
    never_asked, failed = overdue and "no_start" in names, "stopped" in names
    burns = names <= {"running", "attempt"} and "running" in names
    glows = bool(names & {"self_check", "preheat"})
    still = "Only if it still stands then: " if waiting else ""
    steps = (
        (glows, "It may give fuel next, by itself: do not open it, do not reach into it."),
        (again, "It may start or relight by itself: take the request for heat away at the control."),
        (waiting, f"Wait, up to {wait or 0.0:.0f} s, with the power on; the heater is still at work by itself."),
        (waiting, "Do not ask again: another request does not shorten a cool-down."),
        (at_work, "Wait with the power on until the blower stops by itself."),
        (
            never_asked,
            "No fuel was ever asked for. Look at the start signal, the interlocks and a lock-out, in that order.",
        ),
        (never_asked, "Never bridge an interlock. The checklist is below; edit it for the vehicle."),
        (
            failed and "no_start" in names,
            still + "Pump and blower stand: read the fault code first, then go through the interlocks.",
        ),
        (
            failed,
            still + "A start has failed or may have failed: ventilate, look for pooled fuel, find the cause first.",
        ),
        (burns and len(names) > 1, "It burns, or it tries to: wait for the warm-up before a reading."),
        (names == {"running"} and not stopped, "It burns: wait for the warm-up before a reading."),
        (names == {"running"} and stopped, "It burns: switch it off and let it run down."),
        (not names, "Leave the power on, wait until everything stands still, then check the profile's times."),
    )
    return tuple(text for holds, text in steps if holds)


def interlocks(path: str | None = None) -> list[dict[str, str]]:
    """Return the checklist of start interlocks: the shipped one, or a user's TOML file with the same [[interlock]].

    Raises
    ------
    CombustError
        The file cannot be read, or an entry has no name or no look.
    """
    table = load_table("start_guide") if path is None else read_toml(path, quantity="interlocks")
    return need_rows(table.get("interlock"), "interlock", INTERLOCK)
