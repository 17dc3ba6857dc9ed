"""``combust log``: add to a logbook, show, close, export; the visit's procedure; a series judged steady or not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import click

from combust.application.reading.result import interpret, safety_of
from combust.application.visit.record import CHECKS, EVENT, HEAD, VisitRecord, alarm_findings, sections
from combust.application.visit.steady import visit_procedure
from combust.data.errors import CombustError, Fault, printable
from combust.data.fields import Field
from combust.domain.reading import WORTH_TELLING, Reading
from combust.domain.result import plain, text_of_rows
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.group import NearGroup
from combust.edge.cli.options import field_options, pairs_of, quantity_options, table_options, values_of
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import NewVisit, add, close_visit, entries_of, read_visit, read_visits, revise

if TYPE_CHECKING:
    from combust.edge.tables.series import Series
    from combust.edge.tables.table_map import TableMap


@click.group("log", cls=NearGroup, short_help="Keep visits and readings in a logbook that cannot be rewritten.")
def command() -> None:
    """Keep visits and readings in a logbook that cannot be rewritten.

    Use it at every visit: add as you go, close when it is whole. A closed record cannot be changed; a correction is a
    new revision and the old one stays readable.

    \b
    Example:
      combust log add winter.book --visit-id V017 --heater-id heater-0312 --who "T. Larkwood" \\
        --place "Fellarch depot" --co-alarm works --fuel diesel_b7 --stage high --o2-dry 8.2 --co-dry 54 \\
        --location outdoors
      combust log show winter.book --visit-id V017

    \b
    Next: combust report --help    (the visit as one page)
    """


LISTED = {"safety": "state", "visit": "visit_id", "revision": "revision", "heater": "heater_id"} | {
    "opened": "opened",
    "readings": "readings",
    "status": "status",
}
CHECK = Field("check", "choice", choices=CHECKS)
# kind of an entry of one text -> the option that gives it
TEXTS = {"adjustment": "adjustments", "not_checked": "not_checked", "note": "notes"}


# What a reading of the worst CO of a series has in common with its steady mean.
KEPT = ("heater_id", "taken_at", "phase", "location", "fuel", "stage", "probe_leak_test")


@answers("add", command, strict="")
@click.argument("book", metavar="BOOK")
@field_options(HEAD.values())
@quantity_options()
@click.option("--check", "checks", multiple=True, metavar="NAME=RESULT", help="A check that was done; give it again.")
@click.option("--adjustment", "adjustments", multiple=True, metavar="TEXT", help="Work or adjustment; give it again.")
@click.option("--not-checked", "not_checked", multiple=True, metavar="TEXT", help="What was NOT checked.")
@click.option("--text-note", "notes", multiple=True, metavar="TEXT", help="A note on the visit.")
@click.option("--event", "events", multiple=True, metavar="WORD", help=f"For the history: {', '.join(EVENT.choices)}.")
@click.option("--from", "source", metavar="FILE", help="Take readings from a table, CSV or Parquet.")
@click.option("--series", "series_file", metavar="FILE", help="Take the reading from a logged series, if steady.")
@table_options
@click.option("--revise", "again", is_flag=True, help="Open a new revision of a closed visit first.")
@click.option("--reason", metavar="TEXT", help="Why it is revised.")
@click.option("--drop", multiple=True, metavar="KEY", help="Entry that the revision leaves out (see log show).")
def add_command(
    book: str,
    source: str | None,
    series_file: str | None,
    mapping: TableMap,
    again: bool,
    reason: str | None,
    drop: tuple[str, ...],
    **options: Any,
) -> Answer:
    """Add a reading, checks, work or a whole table to a visit.

    Use it as you go: each call is one transaction, on the disk when it says "written". The logbook is made when it is
    not there.

    \b
    Example:
      combust log add winter.book --visit-id V017 --location outdoors --cab-co-in 1 --cab-co-out 0 --handed-back yes
    """
    head = {key: options.pop(key) for key in HEAD}
    if source:
        return _add_table(book, source, mapping)
    texts = {kind: options.pop(name) for kind, name in TEXTS.items()}
    checks, events = options.pop("checks"), options.pop("events")
    series, values = None, values_of(options)
    if series_file:
        series, values = _from_series(series_file, mapping, values)
    reading = Reading(**values)
    content = {key: value for key, value in reading.items() if key != "visit_id"}
    entries = entries_of(content)
    if series and series.worst:  # the stop of the series stands in the record too, not only its steady mean
        same = {key: value for key, value in content.items() if key in KEPT}
        entries += entries_of({**same, **series.worst, "note": "The CO of the series that is a stop condition."})
    entries += [(kind, None, {"text": text.strip()}) for kind, many in texts.items() for text in many if text.strip()]
    results = pairs_of("check", checks, "supply_voltage=12.1 V at glow")
    entries += [("check", None, {"check": CHECK.checked(name), "result": result}) for name, result in results]
    entries += [("event", None, {"event": EVENT.checked(word), "at": reading.taken_at}) for word in events]
    if not reading.visit_id:
        hint = "Give --visit-id, for example V017."
        raise CombustError(Fault("visit_id", None, "missing", why="is missing", hint=hint))
    judged = interpret(reading).safety if any(key in content for key in WORTH_TELLING) else safety_of(content)
    safety = of_all([Safety((*(series.stops if series else ()), *alarm_findings(head))), judged])
    visit = NewVisit(reading.visit_id, reading.heater_id, head, entries)
    correction = (reason or "", drop) if again else None
    return _write(book, [visit], safety, notes=series.notes if series else (), correction=correction)


def _from_series(path: str, mapping: TableMap, values: dict[str, Any]) -> tuple[Series, dict[str, Any]]:
    from combust.edge.tables.series import judge_series, read_series

    series = read_series(path, mapping=mapping)
    with output.told_first(Safety(tuple(series.stops))):
        result, averaged = judge_series(series)
        if averaged is None:
            output.tell_notes(series.notes)
            why, hint = f"is not steady: {' '.join(result.why)}", "Wait and log again; nothing was written."
            raise CombustError(Fault("series", path, "not_steady", why=why, hint=hint))
    return series, {**averaged, **values}


def _add_table(book: str, source: str, mapping: TableMap) -> Answer:
    from combust.edge.logbook.visit_tables import visits_of_table

    visits, table = visits_of_table(source, mapping=mapping)
    notes = [*table.notes, *table.told("row {} refused: {}")]
    readings = [body for visit in visits for kind, _, body in visit.entries if kind == "reading"]
    past = Safety((*table.stops, *(one for visit in visits for one in alarm_findings(visit.head))))
    if not visits:
        output.tell_notes(notes)
        why, hint = "holds no row that can be taken", "Mend the rows named above; nothing was written."
        with output.told_first(past):
            raise CombustError(Fault("file", source, "missing", why=why, hint=hint))
    counts = {"rows": table.rows, "refused": len(table.refused)}
    safety = of_all([past, *map(safety_of, readings)], refused=len(table.refused))
    return _write(book, visits, safety, notes=notes, counts=counts)


def _write(
    book: str,
    visits: list[NewVisit],
    safety: Safety,
    *,
    notes: Iterable[str],
    correction: tuple[str, tuple[str, ...]] | None = None,
    counts: Mapping[str, int] = MappingProxyType({}),
) -> Answer:
    """Write visits, or the correction of one (its reason, and keys of entries to drop), and tell what was written.

    ``counts`` are those of the rows of a table.
    """
    with output.told_first(safety), Logbook(book, create=correction is None) as opened:
        written = [revise(opened, visits[0], *correction)] if correction else add(opened, visits)
    said = [f"note: {text}" for text in (*opened.notes, *notes)]
    for one in written if correction else ():
        said.append(f"Revision {one.revision} is open; revision {one.revision - 1} stays readable.")
    lines = [f"Written: visit {one.visit_id}, revision {one.revision}, {one.entries} entries." for one in written]
    if counts:
        lines.append(f"{counts['rows']} rows: {counts['rows'] - counts['refused']} taken, {counts['refused']} refused.")
    in_full = bool(counts) or any(one.opens for one in written)
    return Answer({"written": plain(written), **counts}, "\n".join(lines), safety, notes=said, in_full=in_full)


@answers("show", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", metavar="TEXT", help="Which visit; without it they are listed.")
@click.option("--revision", type=int, metavar="NUMBER", help="Which revision (default the latest).")
@click.option("--heater-id", metavar="TEXT", help="List the visits of one heater.")
def show_command(book: str, visit_id: str | None, revision: int | None, heater_id: str | None) -> Answer:
    """Show a visit with everything in it, or list them all.

    The list tells the safety state of each visit and what its record lacks.

    \b
    Example:
      combust log show winter.book --visit-id V017
    """
    with Logbook(book, read_only=True) as opened:
        if visit_id is None:
            records = read_visits(opened, heater_id=heater_id)
            rows = [{**record.to_dict(), "state": record.safety.state.replace("_", " ")} for record in records]
            counted = [{**row, "readings": len(row["readings"]), "opened": row["opened_at"][:10]} for row in rows]
            return Answer({"visits": rows}, output.text_of_table(LISTED, counted))
        record = read_visit(opened, visit_id, revision)
    return Answer({**record.to_dict(), "stops": record.stops}, _shown(record), record.safety)


def _shown(record: VisitRecord) -> str:
    """Return a record as text; control characters in its words are shown as question marks."""
    texts = [text_of_rows(record.lines())]
    for part in sections(record):
        cells = [[printable(cell) for cell in row] for row in part.rows]
        if part.head and cells:
            rows = [dict(zip(part.head, row, strict=True)) for row in cells]
            table = output.text_of_table({name: name for name in part.head}, rows)
        else:
            table = text_of_rows([(row[0], row[1]) for row in cells] or [(part.nothing, "")])
        texts.append(f"\n{part.title}\n{table}")
    return "\n".join(texts)


@answers("close", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", required=True, metavar="TEXT", help="Which visit.")
@click.option("--incomplete", is_flag=True, help="Close although something is missing; the record says so for ever.")
def close_command(book: str, visit_id: str, incomplete: bool) -> Answer:
    """Close a visit: checked, sealed, unchangeable.

    Use it when the record is whole; the limits it was judged by are written down. A visit with work in it needs a
    reading after the work and CO inside and outside the cab; without them it stays open.

    \b
    Example:
      combust log close winter.book --visit-id V017 --incomplete
    """
    with Logbook(book) as opened:
        record = close_visit(opened, visit_id, incomplete=incomplete)
        notes = [f"note: {text}" for text in opened.notes]
    return Answer(record, f"Visit {printable(visit_id)}, revision {record.revision}: {record.status}.", notes=notes)


@answers("export", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option("--out", required=True, metavar="FILE", help="Where they go: .csv or .parquet.")
@click.option("--heater-id", metavar="TEXT", help="Of one heater only.")
@click.option("--every-revision", is_flag=True, help="Also revisions that were corrected since.")
def export_command(book: str, out: str, heater_id: str | None, every_revision: bool) -> Answer:
    """Write the readings of a logbook as a table.

    The keys of the glossary are its columns, the safety state is the first.

    \b
    Example:
      combust log export winter.book --out readings.csv
    """
    from combust.edge.logbook.visit_tables import export_visits

    with Logbook(book, read_only=True) as opened:
        records = read_visits(opened, heater_id=heater_id, every_revision=every_revision)
    rows = export_visits(records, out)
    facts = {"out": out, "rows": rows, "visits": len(records)}
    return Answer(facts, f"{rows} rows of {len(records)} visits: {out}")


@answers("procedure", command, strict="")
@click.option("--file", "path", metavar="FILE", help="Your own procedure (TOML with [[part]]).")
def procedure_command(path: str | None) -> Answer:
    """Print the steps of a visit, to follow or to edit.

    Looking comes first.

    \b
    Example:
      combust log procedure
    """
    parts = visit_procedure(path)
    texts = ["\n".join([f"\n{part['title']}", *(f"  [ ] {step}" for step in part["steps"])]) for part in parts]
    return Answer({"part": parts}, "\n".join(texts), in_full=True)


@answers("series", command, strict="it is not steady")
@click.argument("path", metavar="FILE")
@table_options
def series_command(path: str, mapping: TableMap) -> Answer:
    """Judge whether a logged series was steady, and average it.

    Not steady: no lambda, and why.

    \b
    Example:
      combust log series data/larkfell_series.csv
    """
    from combust.edge.tables.series import judge_series, read_series

    series = read_series(path, mapping=mapping)
    result, values = judge_series(series)
    reading = interpret(Reading(**values)) if values else None
    safety = of_all([Safety(tuple(series.stops)), reading.safety if reading else safety_of({})])
    facts = result.to_dict() | {"notes": series.notes, "reading": reading}
    rows = [*result.lines(), *(reading.lines() if reading else []), *(("note", note) for note in series.notes)]
    return Answer(facts, text_of_rows(rows), safety, strict=not result.steady)
