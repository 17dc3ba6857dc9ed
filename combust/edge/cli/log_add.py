"""``combust log add``: the readings of a table into visits of a book, again and again while the table grows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from combust.application.safety import told_first
from combust.data.errors import CombustError, Fault, first_few
from combust.data.moments import last_day_read
from combust.domain.result import many, plain
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import Updated
from combust.edge.cli.options import key_option, rejects_option, table_options
from combust.edge.logbook.book import Logbook
from combust.edge.tables.reader import Entries
from combust.edge.tables.table_map import TableMap

if TYPE_CHECKING:
    from combust.edge.logbook.growing import Grown
    from combust.edge.logbook.visit_tables import TableVisit

REFUSED = "row {} refused: {}"


@answers("add", strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.argument("source", metavar="FILE")
@rejects_option
@table_options
@key_option()
def command(book: str, source: str, rejects: str | None, mapping: TableMap, key_file: str | None) -> Answer:
    """Take the readings of a table into visits, CSV or Parquet.

    Use it for what was written down elsewhere, also again and again with a sheet that grows. The logbook is made when
    it is not there. What is read at the heater is typed with combust visit enter.

    A row that stands in the book already is not entered again: same visit, time, stage, phase and values, also where
    the book was corrected since. A repeated reading has another time (taken_at), or a name of its own (reading_id).
    Rows with neither are counted: as many as the book holds of the same values are known.

    A visit is taken whole or not at all: where one row is refused, the new rows of its visit wait. Put them right in
    the table, or in --rejects, and add it again. A closed visit takes nothing more until combust visit reopen.

    \b
    Example:
      combust log add winter.book data/larkfell_visits.csv
    """
    from combust.edge.logbook.growing import lost_visits, take_in, waiting
    from combust.edge.logbook.visit_tables import codes_of_row, name_of_visit, safety_of_visits, visits_of_table

    visits, table = visits_of_table(source, mapping=mapping)
    table.notes += _later_than_tomorrow(visits)
    lost = lost_visits((line, name_of_visit(values)) for line, values in table.lost.items())
    rows = {row.line: row for visit in visits for row in visit.rows}

    def refuse(line: int, faults: Sequence[Fault]) -> None:
        table.refuse(line, faults, codes_of_row(rows[line]))

    def safety() -> Safety:
        return safety_of_visits(visits, table.stops, {line for line, _ in table.refused})

    if not Path(book).exists():
        held_back = waiting(visits, lost)
        if len(held_back) == sum(len(visit.rows) for visit in visits):
            for line, faults in held_back:
                refuse(line, faults)
            raise _refusal(source, table, rejects, safety())

    def last(done: Grown) -> None:
        for line, faults in done.refused:
            refuse(line, faults)
        if not done.written and not done.known:
            raise _refusal(source, table, rejects, of_all([done.safety]))
        _write_rejects(rejects, table)

    def judged() -> Safety:
        return of_all([safety()], refused=len(table.refused))

    with told_first(judged), Logbook(book, create=True, key_file=key_file) as opened:
        done = take_in(opened, visits, lost, last)
    found = of_all([safety(), done.safety], refused=len(table.refused))
    return _answer(source, table, done, rejects, found, opened.notes)


def _later_than_tomorrow(visits: Iterable[TableVisit]) -> list[str]:
    last = last_day_read().isoformat()
    days = {one.visit_id: [str(body.get("taken_at") or "")[:10] for _, _, body in one.entries] for one in visits}
    later = [f"{name} ({max(own)})" for name, own in days.items() if max(own, default="") > last]
    kept = "It is kept, and counts in no history before that day; its stops do."
    return [f"Later than tomorrow: {first_few(later, 3)}. Are year and clock right? {kept}"] if later else []


def _refusal(source: str, table: Entries, rejects: str | None, safety: Safety) -> CombustError:
    """Return the error of a table of which nothing can be taken; its rows are told, and written to the rejects."""
    output.tell_notes([*table.notes, *table.told(REFUSED)])
    _write_rejects(rejects, table)
    hint = f"Mend the rows{f'; they stand in {rejects}' if rejects else ' named above'}. Nothing was taken."
    error = CombustError(Fault("file", source, "missing", why="holds no row that can be taken", hint=hint))
    error.safety = safety
    return error


def _answer(
    source: str, table: Entries, done: Grown, rejects: str | None, safety: Safety, notes: Iterable[str]
) -> Answer:
    """Tell what was written, what is known and what is refused."""
    known, refused = len(done.known), len(table.refused)
    lines = [
        f"Written: visit {it.visit_id}, revision {it.revision}, {many(it.entries, 'entry')}." for it in done.written
    ]
    where = f" (to {rejects})" if rejects and refused else ""
    lines.append(f"{many(table.rows, 'row')}: {table.rows - known - refused} taken, {refused} refused{where}.")
    if known:
        lines.append(f"{many(known, 'row')} {'was' if known == 1 else 'were'} in the book already.")
    said = [f"note: {text}" for text in (*notes, *table.notes, *done.notes, *table.told(REFUSED))]
    if refused:
        said.append(f"note: Put them right in {rejects or source} and add it again: what is in the book counts once.")
    counts = {"rows": table.rows, "known": known, "refused": refused, "rejects": rejects}
    return Answer({"written": plain(done.written), **counts}, "\n".join(lines), safety, notes=said, in_full=True)


def _write_rejects(path: str | None, table: Entries) -> None:
    from combust.edge.tables.rejects import write_rejects

    reasons: dict[int, str] = {}
    for line, why in table.refused:
        reasons[line] = f"{reasons[line]} {why}" if line in reasons else why
    if path and table.table:
        write_rejects(path, table.table.source, reasons)
