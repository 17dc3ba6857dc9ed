"""``combust start``: timeline of a start, fuel of failed attempts, earliest restart, phases possible now, causes."""

from __future__ import annotations

from functools import partial
from typing import Any

import click

from combust.application.causes.rank import rank_causes
from combust.application.safety import told_first
from combust.application.visit.meaning import heater_for
from combust.application.visit.standing import standing
from combust.application.visit.start import StartTimeline, emergency_findings, start_timeline, starts_used_up
from combust.application.visit.start_phases import PUMP, PhaseAnswer, interlocks, possible_phases
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.tables import load_table, toml_value
from combust.data.told import text_of_rows
from combust.domain.heater import Heater
from combust.domain.limits import Finding
from combust.domain.result import shown
from combust.domain.safety import calculation, of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import Decorator, TypedFloat, quantity_options, values_of
from combust.edge.figures.timelines import draw_start
from combust.edge.next_command import next_command

Guide = list[dict[str, str]]
COUNTS = ("failed_starts", "allowed_failed_starts", "location")
EVIDENCE = (
    *COUNTS,
    *("start_event", "died_after_s", "start_smoke", "supply_glow_v", "cold_soak_c", "fuel_grade", "fuel_sample"),
    *("fuel_line", "terminals", "glow_element_test", "flame_sensor_test"),
    *("heating_air_smell", "joints", "cab_co_in_ppm", "cab_co_out_ppm"),
)


def _yes_no(name: str, text: str) -> Decorator:
    """Return an option with the words yes and no, which the command gets as a truth value."""

    def is_yes(_context: click.Context, _option: click.Parameter, word: str | None) -> bool | None:
        return None if word is None else word == "yes"

    return click.option(name, type=click.Choice(["yes", "no"]), callback=is_yes, help=text)


@answers("start", figure="Draw the timeline (.png or .svg).")
@click.argument("book", metavar="[BOOK]", required=False)
@click.option("--visit-id", metavar="TEXT", help="Which visit of a BOOK; needed unless one alone is open.")
@click.option("--heater", metavar="FILE", help="Heater profile; its [start] gives every time.")
@quantity_options(EVIDENCE)
@click.option(
    "--since-request", "since_request_s", type=TypedFloat(), metavar="S", help="Since the LAST start request [s]."
)
@click.option("--requests", default=1, metavar="COUNT", help="Start requests made in all.")
@click.option("--pump", metavar="WORD", help=f"What is heard of the pump ({', '.join(PUMP)}).")
@_yes_no("--blower", "Does the blower turn now?")
@_yes_no("--air-warm", "Is the heating air warm?")
@click.option("--cut-at", type=TypedFloat(), metavar="S", help="Show what a power cut at this time leaves undone [s].")
@click.option("--emergency", multiple=True, metavar="WORD", help="fire, exhaust_smell, co_alarm or unwell.")
@click.option("--interlocks", "interlock_file", metavar="FILE", help="Your own checklist (TOML) of the vehicle.")
@click.option("--checklist", is_flag=True, help="Print interlocks and temperature control, to look at or to edit.")
def command(book: str | None, heater: str | None, emergency: tuple[str, ...], checklist: bool, **asked: Any) -> Answer:
    """Show a start: times, fuel of failed attempts, earliest restart, causes.

    Use it when a heater does not start. Say what is seen and heard and it tells which phases are possible now; usually
    the answer is to wait. Every time comes from the profile. Say what happened (--start-event) and the causes are
    ranked with the next checks, in the same list as combust cause: no gas reading and no baseline is needed. With a
    BOOK it takes what was typed at the visit: lit_and_died died 40 cold soak -22 grade summer.

    \b
    Examples:
      combust start --heater data/heaters/heater-0312.toml --since-request 300 --pump never --blower no
      combust start --heater data/heaters/heater-0312.toml --start-event lit_and_died --died-after-s 90 \\
        --failed-starts 2 --allowed-failed-starts 3 --cold-soak -22 --fuel-grade summer --location outdoors

    \b
    Next: combust supply --help    (the usual reason is voltage)
    """
    findings = emergency_findings(emergency)
    told = values_of({key: given for key, given in asked.items() if isinstance(given, tuple)})
    visit = _visit_of(book, asked["visit_id"], told) if book else None
    told = _told_in(visit) if visit else told
    failed, allowed = int(told.get("failed_starts", 0)), told.get("allowed_failed_starts")
    used = starts_used_up(failed, None if allowed is None else int(allowed)) if failed else None
    findings += [used] if used else []
    first = of_all([calculation(*findings), *([visit.safety] if visit else [])])
    with told_first(first):  # whatever is wrong with a file
        guide = interlocks(asked["interlock_file"])
        profile = Heater.load(heater) if heater else None
        profile = heater_for(visit, profile) if visit else profile
        if profile and not emergency:  # nothing about a restart beside an emergency
            stopped = bool(used) or (visit is not None and not visit.safety.allows(("burning",)))
            return _of_heater(profile, visit, told, asked, guide if checklist else None, findings, stopped=stopped)
    if not checklist and not emergency:
        raise click.UsageError("Give --heater FILE (or --checklist). combust profile new writes a profile.")
    notes = load_table("start_guide")["temperature_control"]["notes"]
    facts = {"interlocks": guide, "temperature_control": notes, "findings": findings}
    return Answer(facts, _checklist(guide, notes), first)


def _visit_of(book: str, visit_id: str | None, told: dict[str, Any]) -> Visit:
    from combust.edge.logbook.keyboard import visit_in

    if told:
        why, hint = "stand beside a logbook", f"Type them into the visit: {next_command('visit', 'enter', book, '...')}"
        raise CombustError(Fault("options", ", ".join(told), "conflict", why=why, hint=hint))
    return visit_in(book, visit_id)


def _told_in(visit: Visit) -> dict[str, Any]:
    """Return what a visit holds of a start; of several the last."""
    return {key: value for one in visit.last_taken for key, value in one.row.items() if key in EVIDENCE}


def _of_heater(
    profile: Heater,
    visit: Visit | None,
    told: dict[str, Any],
    asked: dict[str, Any],
    guide: Guide | None,
    findings: list[Finding],
    *,
    stopped: bool,
) -> Answer:
    """Answer with the timeline of a heater, the phases possible now, and causes where something happened."""
    if visit is not None and profile.start is None:
        timeline, now = None, None  # the causes of a start need no times
    else:
        # The start that was cut is one that failed.
        cycles = max(int(told.get("failed_starts", 0)), 0 if asked["cut_at"] is None else 1)
        timeline, now = start_timeline(profile, cycles=cycles, cut_at_s=asked["cut_at"], stopped=stopped), None
        if asked["since_request_s"] is not None:
            seen = {key: asked[key] for key in ("since_request_s", "requests", "pump", "blower", "air_warm")}
            now = possible_phases(profile, stopped=stopped, **seen)
        findings = [*findings, *timeline.findings, *(now.findings if now else ())]
    never_started = now is not None and any(phase.name == "no_start" for phase in now.possible)
    every = interlocks(asked["interlock_file"])
    facts = (timeline.to_dict() if timeline else {}) | {"now": now, "interlocks": every, "findings": findings}
    text = _text(timeline, now, every if never_started else guide)
    safety = calculation(*findings)
    causes = None
    if visit is not None:
        found = standing(visit, heater=profile)
        causes, safety = found.causes, of_all([safety, found.safety])
    elif set(told) - set(COUNTS):
        (causes,) = rank_causes(profile, told)
        safety = of_all([safety, causes.safety])
    if causes is not None:
        facts = facts | {"visit": causes}
        text = "\n".join([text_of_rows(causes.lines(), wrap=110), "\nThe start", text])
    return Answer(facts, text, safety, draw=partial(draw_start, timeline) if timeline else None)


def _text(timeline: StartTimeline | None, now: PhaseAnswer | None, guide: Guide | None) -> str:
    lines: list[str] = []
    if now is not None:
        ends = [(one.label, shown(one.lasts_at_most_s, ".0f", "s more at most", untold="")) for one in now.possible]
        lines += [f"{index}. {step}" for index, step in enumerate(now.do_now, 1)]
        lines += ["\nPossible now", *(f"  {label} {left}".rstrip() for label, left in ends)]
        lines += ["\nRuled out", *(f"  {label}: {why}" for label, why in now.ruled_out.items())]
        lines.append("\nThe start programme of this heater, all attempts failing")
    lines.append(output.text_of_result(timeline) if timeline else "No start programme of this heater is known.")
    if guide:
        lines.append("\nInterlocks: look, never bridge")
        lines.append(text_of_rows((f"[ ] {row['name']}", row["look"]) for row in guide))
    return "\n".join(lines)


def _checklist(guide: Guide, notes: list[str]) -> str:
    lines = ["# Start interlocks of the vehicle: look, never bridge. Edit and give back with --interlocks FILE."]
    lines += [f"\n[[interlock]]\nname = {toml_value(row['name'])}\nlook = {toml_value(row['look'])}" for row in guide]
    return "\n".join([*lines, "\n# Temperature control", *(f"# - {note}" for note in notes)])
