"""``combust readings``: interpret a table of readings."""

from __future__ import annotations

from typing import Any

import click

from combust.application.safety import told_first
from combust.data.errors import CombustError, Fault
from combust.domain.catalogue import get_fuel
from combust.domain.result import many, plain
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import TABLES, Written
from combust.edge.cli.options import fuels_option, instrument_option, rejects_option, table_options
from combust.edge.cli.progress import with_progress


@answers("readings", strict="a row has a stop, a warning or is refused", json=" with the counts")
@click.argument("source", metavar="IN")
@click.option(
    "--out",
    required=True,
    type=Written(*TABLES, own=("safety",)),
    metavar="FILE",
    help="Where the results go: .csv or .parquet.",
)
@rejects_option
@table_options
@click.option("--fuel", "fuel_name", metavar="NAME", help="Fuel of rows without one (default diesel).")
@fuels_option
@instrument_option
def command(source: str, out: str, fuel_name: str | None, instrument_class: str | None, **options: Any) -> Answer:
    """Interpret a table of readings, CSV or Parquet.

    Use it for a day's or a decade's readings. CSV of any spreadsheet is read: comma, semicolon or tab, decimal comma,
    byte order mark. Every row is accounted for; refused rows stay in place with their reasons, or go to --rejects.

    A map file (--save-map, --map FILE.toml) holds [headings] ("O2" = "o2_dry_pct"), [whole_file] (fuel = "diesel_b7")
    and [marks]: what your instrument writes in place of a number ("---" = "" is not measured; under [marks.co_dry_ppm]
    "OL" = ">4000" is over the range, and stops). [words.KEY] holds words of another language: under [words.phase]
    "vor Reparatur" = "before". A unit may stand behind a number (210 m, 689 ft) or in a row below the headings. Of
    several maps each table takes those whose headings it has. All of this holds for every command that takes a table.

    \b
    Example:
      combust readings data/larkfell_readings.csv --out output/interpreted.csv

    \b
    Next: combust history --help   (the same heaters over the winters)
    """
    from combust.edge.tables.readings import interpret_file

    options["instrument"] = instrument_class
    options["default_fuel"] = get_fuel(fuel_name, catalogue=options["catalogue"]) if fuel_name else None
    counts = with_progress("Interpreting", lambda show: interpret_file(source, out, progress=show, **options))
    rejects = options["rejects"]
    if counts.refused and not counts.interpreted:
        why = f"holds no row that can be taken ({counts.refused} refused)"
        hint = f"Mend the rows; the reasons stand in {rejects or out}."
        with told_first(counts.safety()):
            raise CombustError(Fault("file", source, "missing", why=why, hint=hint))
    where = f"{counts.refused} refused" + (f" (to {rejects})" if rejects else " (kept in place, results empty)")
    lines = [
        f"{many(counts.rows, 'row')}: {counts.interpreted} interpreted, {where if counts.refused else 'none refused'}."
    ]
    lines += [f"{many(counts.blank, 'blank line')} passed over."] if counts.blank else []
    notes = [f"note: {text}" for text in counts.notes]
    stood_in = "; ".join(f"{text} ({many(number, 'row')})" for text, number in counts.assumed.items())
    notes += [f"note: Not entered, so assumed (column assumed): {stood_in}."] if stood_in else []
    notes += [f"What such a word means: combust word {code}" for code in [*counts.findings][:1]]
    return Answer(
        {"out": out, "rejects": rejects, **plain(counts)},
        "\n".join([*lines, f"Results: {out}"]),
        counts.safety(),
        notes=notes,
        strict=bool(counts.refused),
    )
