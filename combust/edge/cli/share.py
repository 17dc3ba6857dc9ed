"""``combust share``: the anonymous table that may leave a book, shown before it is written; several merged."""

from __future__ import annotations

from typing import Any

import click

from combust.application.learning.anonymous import FEWEST, FEWEST_HEATERS, FEWEST_VISITS, anonymous
from combust.application.learning.confirmed import NotCounted
from combust.application.learning.right_tables import not_counted
from combust.data.errors import CombustError, Fault
from combust.domain.safety import calculation
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import TABLES, Written
from combust.edge.cli.options import table_options
from combust.edge.cli.output import text_of_section, text_of_table
from combust.edge.logbook.taught import visits_in
from combust.edge.tables.anonymous import COLUMNS, is_anonymous, merged, read_anonymous, write_anonymous
from combust.edge.tables.table_map import TableMap

RULE = (
    "A row of readings has {} visits of {} heaters or more behind it, a count {} heaters; what has fewer is held back. "
)
RULE += "No ids, names, places, days, texts or photographs. "
RULE += "\nA row of kind visit is no visit: it is a weighted mean of all confirmed visits (mean_of) of one type with "
RULE += "cause and stages in common, before or after the work. Such rows share their visits: mean_of does not add up. "
RULE += "Rows of kind cause and look count visits; rows of kind healthy are the mean healthy reading in coarse steps."


@answers("share", strict="")
@click.argument("sources", metavar="BOOK|TABLE ...", nargs=-1, required=True)
@click.option("--heaters", "folder", metavar="DIR", help="Folder of profiles, for visits that keep none.")
@click.option(
    "--out",
    type=Written(*TABLES, own=("contribution",)),
    metavar="FILE",
    help="Write the table, when it was shown and agreed to (.csv or .parquet).",
)
@click.option("--yes", is_flag=True, help="It was shown before: write it without asking.")
@table_options
def command(sources: tuple[str, ...], folder: str | None, out: str | None, yes: bool, mapping: TableMap) -> Answer:
    """Make an anonymous table of confirmed visits, for learning elsewhere.

    Use it where another workshop is to learn from your visits. Everything that would leave the book is shown first; it
    is written when you agree (or with --yes). Several tables, of several workshops, become one; a contribution that
    comes twice counts once. combust learn reads the table like a book.

    \b
    Example:
      combust share winter.book
      combust share data/larkfell_logbook/visits.csv --heaters data/larkfell_logbook/heaters --out for_others.csv --yes

    \b
    Next: combust learn --help
    """
    tables, told, others = [], [], NotCounted()
    for source in sources:
        if is_anonymous(source):
            tables.append(read_anonymous(source))
            continue
        with visits_in(source, folder, mapping=mapping) as (visits, _, notes):
            made = anonymous(others.of(visits))
        tables.append(list(made.rows))
        told += [*notes, *(f"held back: {one}" for one in made.held_back)]
    found = merged(tables)
    told += found.told
    rows = [{key: row.get(key) for key in COLUMNS} for row in found.rows]
    used = [key for key in COLUMNS if any(row[key] is not None for row in rows)]
    shown = text_of_table({key: key for key in used}, rows) if rows else "Nothing may leave the book."
    text = f"{shown}\n\n{RULE.format(FEWEST_VISITS, FEWEST_HEATERS, FEWEST)}"
    facts: dict[str, Any] = {"rows": list(found.rows), "contributions": found.contributions, "told": told}
    facts["not_counted"] = others.counts
    if others.counts:
        text += f"\n\n{text_of_section(not_counted(others.counts, len(others.counts)))}"
    if out and rows and not yes:
        click.echo(text, err=True)  # stdout is for what was done
        if not _agreed():
            why, hint = "was not agreed to", "Nothing was written."
            raise CombustError(Fault("out", out, "refused", why=why, hint=hint))
    files: dict[str, Any] = {out: lambda path: write_anonymous(found.rows, path, others.counts)} if out else {}
    written = f"{text}\n\nWritten: {out}" if out else f"{text}\n\nNothing was written: --out FILE."
    return Answer(facts, written, calculation(), notes=[f"note: {one}" for one in told], files=files)


def _agreed() -> bool:
    """Return whether somebody says yes; where nobody can be asked, nobody did."""
    try:
        return click.confirm("May this leave the book?", err=True)
    except click.Abort:
        return False
