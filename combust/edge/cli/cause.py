"""``combust cause``: rank the causes of each visit and say what to check next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from combust.application.causes.rank import rank_causes
from combust.data.errors import CombustError, Fault
from combust.data.fields import is_missing
from combust.domain.catalogue import load_fuels
from combust.domain.heater import Heater
from combust.domain.limits import Finding
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.options import quantity_options, stops_of_refused, table_options, values_of
from combust.edge.cli.progress import with_progress

if TYPE_CHECKING:
    from combust.edge.tables.table_map import TableMap

MANY = 8  # visits that take long enough for a progress bar


@click.command("cause", short_help="Rank the causes of a visit, and say what to check next.")
@click.argument("source", metavar="[VISITS]", required=False)
@click.option("--heater", "profile", required=True, metavar="PROFILE", help="The heater's profile (.toml).")
@table_options
@click.option("--causes", "causes_file", metavar="FILE", help="TOML file with priors and spreads of your own.")
@click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
@click.option("--instrument-class", metavar="NAME", help="Analyser class (portable, garage_0) or a .toml file.")
@click.option("--seed", default=1, show_default=True, metavar="N", help="Same seed, same answer.")
@click.option("--no-pairs", is_flag=True, help="Do not weigh two causes at once (faster).")
@click.option("--figure", metavar="FILE", help="Draw how each check moved the first visit's causes (.png or .svg).")
@click.option("--out", metavar="FILE", help="Write the JSON object to a file as well.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--strict", is_flag=True, help="End with exit code 4 when there is a stop or a warning.")
@quantity_options(skip=("heater_id", "visit_id", "fuel"))
def command(
    source: str | None,
    profile: str,
    mapping: TableMap,
    causes_file: str | None,
    fuels_file: str | None,
    instrument_class: str | None,
    seed: int,
    no_pairs: bool,
    figure: str | None,
    out: str | None,
    as_json: bool,
    strict: bool,
    **options: Any,
) -> None:
    """Rank the causes of a visit, and say what to check next.

    Use it when a reading is not what the heater's baseline says: for a table of visits of one heater, or for one
    reading with its evidence as options. It says what cannot be told apart, which check to make next within the
    safety order, and what to adjust, if a trim is the answer at all.

    \b
    Examples:
      combust cause --heater data/heaters/heater-0312.toml data/larkfell_visits.csv
      combust cause --heater data/heaters/heater-0312.toml --o2-dry 4.84 --stage high --location outdoors

    \b
    Next: combust log add --help   (write down what was found and done)
    """
    heater = Heater.load(profile, catalogue=load_fuels(fuels_file) if fuels_file else None)
    how: dict[str, Any] = {"seed": seed, "pairs": not no_pairs, "instrument": instrument_class, "causes": causes_file}
    with stops_of_refused(options):
        readings, refused, stops = _readings(source, mapping, options, heater)
        if len(readings) < MANY:
            found = rank_causes(heater, readings, **how)
        else:
            found = with_progress("Weighing", lambda show: rank_causes(heater, readings, progress=show, **how))
    missed = sum("is another heater" not in text for text in refused)
    safety = of_all([found.safety, Safety(tuple(stops))], refused=missed)
    if len(found) > 1:
        for visit in found:
            if visit.safety.alarming:
                click.secho(f"Visit {visit.visit_id}: {visit.safety.state.replace('_', ' ')}", err=True, bold=True)
    output.tell_safety(safety, as_json=as_json)
    if as_json:
        output.say_json({**found.to_dict(), "safety": safety.to_dict(), "refused": refused})
    else:
        for visit in found:
            output.say_lines([("", text) for text in visit.safety.lines() if len(found) > 1 and visit.safety.alarming])
            click.echo(output.text_of_result(visit, wrap=110) + "\n")
        output.say_lines([*found.lines()[-1:], ("", "a stated convention, editable with --causes")])
    _say_refused(refused)
    output.tell_rest(safety)
    if out:
        table = {**found.to_dict(), "safety": safety.to_dict(), "refused": refused}
        output.write_text(out, output.json_text(table) + "\n")
    if figure:
        _draw(heater, readings, figure, seed, not no_pairs)
    output.leave_strict(strict, safety.findings)


def _readings(
    source: str | None, mapping: TableMap, options: dict[str, Any], heater: Heater
) -> tuple[list[Any], list[str], list[Finding]]:
    """Return the readings of the table, or the one of the options, the refused rows and their stop conditions."""
    values = {key: value for key, value in values_of(options).items() if not is_missing(value)}
    if source is None:
        if not values:
            hint = "Give a table, or what was read: --o2-dry 4.84 --stage high --location outdoors"
            raise CombustError(Fault("VISITS", None, "missing", why="and evidence options are both missing", hint=hint))
        return [values], [], []
    if values:
        told = ", ".join(values)
        raise CombustError(
            Fault(
                "options", told, "conflict", why="stand beside a table of visits", hint="Give the table or the options."
            )
        )
    from combust.edge.tables.visits import read_visits

    table = read_visits(source, mapping=mapping, heater_id=heater.heater_id)
    output.tell_notes(table.notes)
    if not table.readings:
        hint = "Mend the row and read the table again."
        with output.told_first(Safety(tuple(table.stops))):
            raise CombustError([Fault("row", text, "format", why="was refused", hint=hint) for text in table.refused])
    return list(table.readings), table.refused, table.stops


def _say_refused(refused: list[str]) -> None:
    """Print refused rows on stderr; rows of other heaters as one line, since a day's table holds many heaters."""
    others = [text for text in refused if "is another heater" in text]
    if others:
        click.echo(f"{len(others)} rows of other heaters passed over.", err=True)
    for text in refused:
        if text not in others:
            click.echo(f"refused, {text}", err=True)


def _draw(heater: Heater, readings: list[Any], figure: str, seed: int, pairs: bool) -> None:
    from combust.edge.figures.causes import draw_steps
    from combust.edge.figures.style import save

    name = readings[0].get("visit_id")
    rows = [row for row in readings if row.get("visit_id") == name and row.get("phase") == readings[0].get("phase")]
    save(draw_steps(heater, rows, seed=seed, pairs=pairs), figure)
    click.echo(f"Figure: {figure}", err=True)
