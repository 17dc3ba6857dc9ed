"""``combust reading``: interpret one flue-gas reading."""

from __future__ import annotations

from typing import Any

import click

from combust.application.reading.result import interpret
from combust.domain.catalogue import load_fuels
from combust.domain.reading import Reading
from combust.edge.cli import output
from combust.edge.cli.options import quantity_options, stops_of_refused, values_of

FIGURE_ENDINGS = (".png", ".svg")


@click.command("reading", short_help="Interpret one flue-gas reading.")
@quantity_options()
@click.option(
    "--instrument-class", metavar="NAME", help="Analyser class (portable, garage_0) or a .toml file of yours."
)
@click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
@click.option("--figure", metavar="FILE", help="Draw the reading on the CO2-O2 plane (.png or .svg).")
@click.option("--out", metavar="FILE", help="Write the JSON object to a file as well.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--strict", is_flag=True, help="End with exit code 4 when there is a stop or a warning.")
def command(
    instrument_class: str | None,
    fuels_file: str | None,
    figure: str | None,
    out: str | None,
    as_json: bool,
    strict: bool,
    **options: Any,
) -> None:
    """Interpret one flue-gas reading.

    Use it at the heater: type what the analyser shows. O2 is enough for lambda; CO, temperatures, altitude and a
    measured CO2 say more. Stops go to stdout and stderr, other findings and cautions to stderr. Other units:
    --altitude-ft, --flue-temp-f, --pressure-inhg, --co-dry-pct and so on.

    \b
    Example:
      combust reading --fuel diesel --o2-dry 8.2 --co-dry 150 --flue-temp 300 --intake-temp 20 --location outdoors

    \b
    Next: combust cause --help     (which fault it may be)
    """
    with stops_of_refused(options):
        values = values_of(options)
        if out is not None:
            output.writable_name(out)
        if figure is not None:
            output.writable_name(figure, FIGURE_ENDINGS)
        catalogue = load_fuels(fuels_file) if fuels_file else None
        result = interpret(Reading(**values), instrument=instrument_class, catalogue=catalogue)
    output.say_result(result, as_json=as_json)
    if out is not None:
        output.write_text(out, output.json_text(result.to_dict()) + "\n")
    if figure is not None:
        from combust.edge.figures.gas_plane import draw_plane
        from combust.edge.figures.style import save

        save(draw_plane(result), figure)
        click.echo(f"Figure: {figure}", err=True)
    output.leave_strict(strict, result.findings)
