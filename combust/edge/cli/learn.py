"""``combust learn``: what the visits of a logbook teach, proved before it is used."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from combust.application.learning.confirmed import NotCounted
from combust.application.learning.learn import learn
from combust.application.learning.said import Learning
from combust.application.learning.taught import Marks, Taught, taught
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import Written
from combust.edge.cli.options import instrument_option, table_options
from combust.edge.cli.progress import with_progress
from combust.edge.logbook.keyboard import this_moment
from combust.edge.logbook.taught import visits_in
from combust.edge.tables.anonymous import is_anonymous, read_anonymous, taught_by
from combust.edge.tables.table_map import TableMap


@answers("learn", strict="nothing is learnt")
@click.argument("book", metavar="BOOK")
@click.option(
    "--out",
    type=Written(".toml", own=("# What a logbook taught",)),
    metavar="FILE",
    help="Write what was learnt (.toml), where it proved itself.",
)
@click.option("--causes", "causes_file", metavar="FILE", help="TOML file with priors and spreads of your own.")
@click.option("--heaters", "folder", metavar="DIR", help="Folder of profiles, for visits that keep none.")
@instrument_option
@table_options
def command(
    book: str,
    out: str | None,
    causes_file: str | None,
    folder: str | None,
    instrument_class: str | None,
    mapping: TableMap,
) -> Answer:
    """Learn from closed visits what this fleet's heaters are like.

    Use it when a book holds some dozens of closed visits of several heaters: how their exchangers and air paths behave,
    how far the readings scatter and, from visits whose cause was confirmed (found CAUSE, a repair, a good reading after
    it), how often each cause is met. It is proved on heaters left out, and used only where it foretells them better by
    more than twice the standard error; else it says why not, and which checks would help. No stop and no limit reads
    it. No prior is learnt below a tenth of the shipped one, and of three dangers never below the whole of it:
    exhaust drawn into the intake, a leak of exchanger or exhaust joint,
    another fuel in the tank.
    Their share in an answer can still fall, and then the answer says so. BOOK is a logbook, a table of visits with the
    columns found, repair (what was done) and closed_at, or an anonymous table of other workshops (combust share).

    Every heater needs a profile with a healthy reading.

    \b
    Examples:
      combust learn winter.book --out learnt.toml

    \b
    Next: combust cause BOOK --learnt learnt.toml     (each answer says that it used it)
    """
    others = NotCounted()
    lessons, marks, told, tables = _lessons_in(book, folder, mapping, others)
    how: dict[str, Any] = {"tables": tables, "causes": causes_file, "instrument": instrument_class}
    how["checksum"] = marks.checksum
    how["learnt_at"] = this_moment().isoformat(timespec="seconds")
    work = partial(learn, lessons, **how)
    found: Learning = with_progress("Learning", lambda show: work(progress=show))
    found = replace(found, not_counted=others.counts)
    files = {out: found.learnt.to_toml()} if out and found.learnt else {}
    notes = [f"note: {one}" for one in told]
    if out and not files:
        older = " The one that stands there is of an earlier run: it stays as it was." if Path(out).exists() else ""
        notes.append(f"Nothing is learnt: {out} was not written.{older}")
    elif out:
        notes.append(f"Written: {out}")
    return Answer(found, files=files, notes=notes, strict=found.learnt is None)


def _lessons_in(
    source: str, folder: str | None, mapping: TableMap, others: NotCounted
) -> tuple[list[Taught], Marks, list[str], int]:
    """Return (what a book or a table teaches, what its checksum is of, what is to be told of it, anonymous tables)."""
    if is_anonymous(source):
        rows = read_anonymous(source)
        names = {str(row["contribution"]) for row in rows}
        return list(taught_by(rows)), Marks(names), [], len(names)
    marks = Marks()
    with visits_in(source, folder, mapping=mapping) as (visits, _, told):
        return list(taught(marks.of(others.of(visits, healthy=True)))), marks, told, 0
