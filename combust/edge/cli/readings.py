"""``combust readings``: interpret a table of readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from combust import __version__
from combust.domain.catalogue import get_fuel, load_fuels
from combust.domain.result import plain
from combust.edge.cli import output
from combust.edge.cli.options import table_options
from combust.edge.cli.progress import with_progress

if TYPE_CHECKING:
    from combust.edge.tables.table_map import TableMap


@click.command("readings", short_help="Interpret a table of readings, CSV or Parquet.")
@click.argument("source", metavar="IN")
@click.option("--out", required=True, metavar="FILE", help="Where the results go: .csv or .parquet.")
@click.option("--rejects", metavar="FILE", help="Where refused rows go, with their reasons.")
@table_options
@click.option("--fuel", "fuel_name", metavar="NAME", help="Fuel of rows without one (default diesel).")
@click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
@click.option(
    "--instrument-class", metavar="NAME", help="Analyser class (portable, garage_0) or a .toml file of yours."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with the counts.")
@click.option("--strict", is_flag=True, help="End with exit code 4 when a row has a stop, a warning or is refused.")
def command(
    source: str,
    out: str,
    rejects: str | None,
    mapping: TableMap,
    fuel_name: str | None,
    fuels_file: str | None,
    instrument_class: str | None,
    as_json: bool,
    strict: bool,
) -> None:
    """Interpret a table of readings, CSV or Parquet.

    Use it for a day's or a decade's readings. CSV of any spreadsheet is read: comma, semicolon or tab, decimal comma,
    byte order mark. Every row is accounted for; refused rows stay in place with their reasons, or go to --rejects.

    A map file (--save-map, --map FILE.toml) holds [headings] ("O2" = "o2_dry_pct"), [whole_file] (fuel = "diesel_b7")
    and [marks]: what your instrument writes in place of a number ("---" = "" is not measured; under [marks.co_dry_ppm]
    "OL" = ">4000" is over the range, and stops).

    \b
    Example:
      combust readings data/larkfell_readings.csv --out output/interpreted.csv

    \b
    Next: combust history --help   (the same heaters over the winters)
    """
    from combust.edge.tables.readings import interpret_file

    catalogue = load_fuels(fuels_file) if fuels_file else None
    counts = with_progress(
        "Interpreting",
        lambda show: interpret_file(
            source,
            out,
            rejects=rejects,
            mapping=mapping,
            instrument=instrument_class,
            catalogue=catalogue,
            default_fuel=get_fuel(fuel_name, catalogue=catalogue) if fuel_name else None,
            progress=show,
        ),
    )
    safety = counts.safety()
    facts: dict[str, Any] = {"safety": safety.to_dict(), "out": out, "rejects": rejects, **plain(counts)}
    output.tell_safety(safety, as_json=as_json)
    if as_json:
        output.say_json({**facts, "version": __version__})
    else:
        where = f", {counts.refused} refused" + (f" (to {rejects})" if rejects else " (kept in place, results empty)")
        click.echo(
            f"{counts.rows} rows: {counts.interpreted} interpreted{where if counts.refused else ', none refused'}."
        )
        if counts.blank:
            click.echo(f"{counts.blank} blank lines passed over.")
        click.echo(f"Results: {out}")
    output.tell_notes(counts.notes)
    if counts.findings:
        click.echo(f"What such a word means: combust word {next(iter(counts.findings))}", err=True)
    output.tell_rest(safety)
    output.leave_strict(strict, safety.findings)
    if strict and counts.refused:
        raise click.exceptions.Exit(output.EXIT_STRICT)
