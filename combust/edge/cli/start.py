"""``combust start``: timeline of a start, fuel of failed attempts, earliest restart, phases possible now."""

from __future__ import annotations

from typing import Any

import click

from combust.application.visit.start import StartTimeline, emergency_findings, start_timeline, starts_used_up
from combust.application.visit.start_phases import PUMP, PhaseAnswer, interlocks, possible_phases
from combust.data.tables import load_table
from combust.domain.heater import Heater
from combust.domain.safety import Safety, calculation
from combust.edge.cli import output

YES_NO = click.Choice(["yes", "no"])


@click.command("start", short_help="Show a start with its times, fuel and the earliest restart.")
@click.option("--heater", metavar="FILE", help="Heater profile; its [start] gives every time.")
@click.option("--failed-starts", default=0, metavar="COUNT", help="Starts that have failed so far.")
@click.option("--allowed-failed-starts", type=int, metavar="COUNT", help="How many the unit's document allows.")
@click.option("--since-request", type=float, metavar="S", help="Seconds since the LAST start request [s].")
@click.option("--requests", default=1, metavar="COUNT", help="Start requests made in all.")
@click.option("--pump", metavar="WORD", help=f"What is heard of the pump ({', '.join(PUMP)}).")
@click.option("--blower", type=YES_NO, help="Does the blower turn now?")
@click.option("--air-warm", type=YES_NO, help="Is the heating air warm?")
@click.option("--cut-at", type=float, metavar="S", help="Show what a power cut at this time leaves undone [s].")
@click.option("--emergency", multiple=True, metavar="WORD", help="fire, exhaust_smell, co_alarm or unwell.")
@click.option("--interlocks", "interlock_file", metavar="FILE", help="Your own checklist (TOML) of the vehicle.")
@click.option("--checklist", is_flag=True, help="Print interlocks and temperature control, to look at or to edit.")
@click.option("--figure", metavar="FILE", help="Draw the timeline (.png or .svg).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--strict", is_flag=True, help="End with exit code 4 when there is a stop or a warning.")
def command(
    heater: str | None,
    failed_starts: int,
    allowed_failed_starts: int | None,
    since_request: float | None,
    requests: int,
    pump: str | None,
    blower: str | None,
    air_warm: str | None,
    cut_at: float | None,
    emergency: tuple[str, ...],
    interlock_file: str | None,
    checklist: bool,
    figure: str | None,
    as_json: bool,
    strict: bool,
) -> None:
    """Show a start: its times, fuel of failed attempts, earliest restart.

    Use it when a heater does not start. Say what is seen and heard and it tells which phases are possible now; usually
    the answer is to wait. Every time comes from the profile.

    \b
    Example:
      combust start --heater data/heaters/heater-0312.toml --since-request 300 --pump never --blower no

    \b
    Next: combust supply --help    (the usual reason is voltage)
    """
    findings = emergency_findings(emergency)
    used = starts_used_up(failed_starts, allowed_failed_starts) if failed_starts else None
    findings += [used] if used else []
    safety = calculation(*findings)
    output.tell_safety(safety, as_json=as_json)
    guide = interlocks(interlock_file)
    if heater is None:
        if not checklist and not emergency:
            raise click.UsageError("Give --heater FILE (or --checklist). combust profile new writes a profile.")
        _say_guide(guide, as_json, safety)
        output.tell_rest(safety)
        output.leave_strict(strict, findings)
        return
    profile = Heater.load(heater)
    timeline = start_timeline(profile, cycles=max(failed_starts, 1), cut_at_s=cut_at)
    answer = None
    if since_request is not None:
        answer = possible_phases(
            profile,
            since_request_s=since_request,
            requests=requests,
            pump=pump,
            blower=None if blower is None else blower == "yes",
            air_warm=None if air_warm is None else air_warm == "yes",
        )
    findings += [*timeline.findings, *(answer.findings if answer else ())]
    safety = calculation(*findings)
    if as_json:
        facts: dict[str, Any] = timeline.to_dict() | {"now": answer.to_dict() if answer else None}
        output.say_json(facts | {"safety": safety.to_dict(), "interlocks": guide, "findings": findings})
    else:
        _say(timeline, answer, guide if checklist or _never_started(answer) else None)
    output.tell_rest(safety)
    if figure:
        from combust.edge.figures.style import save
        from combust.edge.figures.timelines import draw_start

        save(draw_start(timeline), figure)
        click.echo(f"Figure: {figure}", err=True)
    output.leave_strict(strict, findings)


def _never_started(answer: PhaseAnswer | None) -> bool:
    return answer is not None and any(phase.name == "no_start" for phase in answer.possible)


def _say(timeline: StartTimeline, answer: PhaseAnswer | None, guide: list[dict[str, str]] | None) -> None:
    if answer is not None:
        for index, step in enumerate(answer.do_now, 1):
            click.echo(f"{index}. {step}")
        click.echo("\nPossible now")
        for phase in answer.possible:
            ends = "" if phase.lasts_at_most_s is None else f" (at most {phase.lasts_at_most_s:.0f} s more)"
            click.echo(f"  {phase.label}{ends}")
        click.echo("\nRuled out")
        for label, why in answer.ruled_out.items():
            click.echo(f"  {label}: {why}")
        click.echo("\nThe start programme of this heater, all attempts failing")
    output.say_rows(timeline)
    if guide:
        click.echo("\nInterlocks: look, never bridge")
        output.say_lines([(f"[ ] {row['name']}", row["look"]) for row in guide])


def _say_guide(guide: list[dict[str, str]], as_json: bool, safety: Safety) -> None:
    notes = load_table("start_guide")["temperature_control"]["notes"]
    if as_json:
        facts = {"safety": safety.to_dict(), "interlocks": guide, "temperature_control": notes}
        output.say_json({**facts, "findings": [one for one in safety.findings if one.code != "calculation_only"]})
        return
    click.echo("# Start interlocks of the vehicle: look, never bridge. Edit and give back with --interlocks FILE.")
    for row in guide:
        click.echo(f'\n[[interlock]]\nname = "{_toml(row["name"])}"\nlook = "{_toml(row["look"])}"')
    click.echo("\n# Temperature control")
    for note in notes:
        click.echo(f"# - {note}")


def _toml(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
