"""``combust profile``: write a commented heater profile, or check one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from combust.application.heater.profile_check import check_profile
from combust.application.heater.profile_template import profile_template
from combust.data.errors import CombustError, Fault
from combust.data.told import text_of_rows
from combust.domain.catalogue import Catalogue
from combust.domain.result import shown
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import Written
from combust.edge.cli.group import NearGroup
from combust.edge.cli.options import fuels_option
from combust.edge.cli.output import text_of_table
from combust.edge.next_command import next_command

COLUMNS = (
    {"stage": "stage", "fuel l/h": "fuel_l_per_h:.3f", "by pump": "fuel_l_per_h_by_pump:.3f"}
    | {"heat in kW": "heat_input_kw:.2f", "useful kW": "useful_heat_kw:.2f", "eff. %": "efficiency_net_pct:.0f"}
    | {"band": "band", "healthy lambda": "healthy", "at reference": "air_ratio_at_reference:.2f"}
)


@click.group("profile", cls=NearGroup, short_help="Write a commented heater profile, or check one.")
def command() -> None:
    """Write a commented heater profile, or check one.

    Use it once for each heater: a profile holds its stages, its healthy reading and the limits of its own document,
    and is what causes, sites and history compare with.

    \b
    Examples:
      combust profile new --fuel diesel_b7 --out output/my_heater.toml
      combust profile check data/heaters/heater-0312.toml

    \b
    Next: combust cause --help     (what a profile is good for)
    """


@answers("new", command, strict="", json=" with the text of the profile in it")
@click.option("--heater-id", metavar="TEXT", help="Your own number for the heater.")
@click.option("--fuel", metavar="NAME", help="Fuel it burns: a catalogue name or a formula.")
@click.option("--stage", "stages", metavar="NAME", multiple=True, help="Heat stage; give it again [high, low].")
@click.option(
    "--out", type=Written(), metavar="FILE", help="Write the file instead of printing it; it must not exist yet."
)
def new(heater_id: str | None, fuel: str | None, stages: tuple[str, ...], out: str | None) -> Answer:
    """Write a commented profile to fill in.

    Use it with the heater's plate and its own document at hand. Every line says what to write, in which unit, between
    which limits, and where to find it.

    \b
    Examples:
      combust profile new
      combust profile new --heater-id heater-0312 --fuel diesel_b7 --stage high --out output/heater-0312.toml
    """
    text = profile_template(heater_id=heater_id, fuel=fuel, stages=stages or ("high", "low"))
    if out is None:
        return Answer({"profile": text, "out": None}, text.rstrip("\n"))
    if Path(out).exists():
        why, hint = "exists already", "Give another name; a profile that someone filled in is not written over."
        raise CombustError(Fault("out", out, "conflict", why=why, hint=hint))
    next_step = f'Wrote {out}. Fill in every "?", then: {next_command("profile", "check", out)}'
    return Answer({"profile": text, "out": out}, next_step, files={out: text})


@answers("check", command)
@click.argument("file", metavar="FILE")
@fuels_option
def check(file: str, catalogue: Catalogue | None) -> Answer:
    """Check a profile: every fault at once, with its line.

    Use it after each change of the file. A profile with faults is not accepted (exit code 3); findings are told and
    it is accepted.

    \b
    Examples:
      combust profile check data/heaters/heater-0312.toml
      combust profile check data/heaters/heater-0107.toml --json
    """
    found = check_profile(file, catalogue=catalogue)
    table = text_of_table(COLUMNS, map(_row, found.stages))
    head = text_of_rows([("profile", f"{file}: accepted"), *found.lines()])
    return Answer({**found.to_dict(), "file": file}, f"{head}\n\n{table}", found.safety)


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    band = row["air_ratio_band"]
    healthy = shown(row["air_ratio"], ".2f", u=row["air_ratio_u"], untold="").removesuffix(" (95 %)")
    return {**row, "band": f"{band[0]:g} to {band[1]:g}" if band else "", "healthy": healthy}
