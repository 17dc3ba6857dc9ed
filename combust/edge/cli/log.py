"""``combust log``: add to a logbook, show, close, export; the visit's procedure; a series judged steady or not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from combust.application.reading.result import interpret, safety_of
from combust.application.visit.record import CHECKS, EVENT, HEAD, VisitRecord, alarm_findings, safety_now, sections
from combust.application.visit.steady import visit_procedure
from combust.data.errors import CombustError, Fault, printable
from combust.domain.reading import WORTH_TELLING, Reading
from combust.domain.result import text_of_rows
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.group import NearGroup
from combust.edge.cli.options import field_options, quantity_options, table_options, values_of
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import NewVisit, Written, add, close_visit, entries_of, read_visit, read_visits, revise

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


# kind of an entry of one text -> the option that gives it
TEXTS = {"adjustment": "adjustments", "not_checked": "not_checked", "note": "notes"}


# What a reading of the worst CO of a series has in common with its steady mean.
KEPT = ("heater_id", "taken_at", "phase", "location", "fuel", "stage", "probe_leak_test")


@command.command("add", short_help="Add a reading, checks, work or a whole table to a visit.")
@click.argument("book", metavar="BOOK")
@field_options(HEAD.values())
@quantity_options()
@click.option("--check", "checks", multiple=True, metavar="NAME=RESULT", help="A check that was done; give it again.")
@click.option("--adjustment", "adjustments", multiple=True, metavar="TEXT", help="Work or adjustment; give it again.")
@click.option("--not-checked", "not_checked", multiple=True, metavar="TEXT", help="What was NOT checked.")
@click.option("--text-note", "notes", multiple=True, metavar="TEXT", help="A note on the visit.")
@click.option("--event", "events", multiple=True, metavar="WORD", help=f"For the history: {', '.join(EVENT.choices)}.")
@click.option("--from", "source", metavar="FILE", help="Take readings from a table, CSV or Parquet.")
@click.option(
    "--series", "series_file", metavar="FILE", help="Take the reading from a logged series, if it was steady."
)
@table_options
@click.option("--revise", "again", is_flag=True, help="Open a new revision of a closed visit first.")
@click.option("--reason", metavar="TEXT", help="Why it is revised.")
@click.option("--drop", multiple=True, metavar="KEY", help="Entry that the revision leaves out (see log show).")
@answers(strict="")
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
    entries += [("check", None, _check_of(text)) for text in checks]
    entries += [("event", None, {"event": EVENT.checked(word), "at": reading.taken_at}) for word in events]
    visit_id = reading.visit_id
    if not visit_id:
        hint = "Give --visit-id, for example V017."
        raise CombustError(Fault("visit_id", None, "missing", why="is missing", hint=hint))
    told = any(key in content for key in WORTH_TELLING)
    read = interpret(reading).safety if told else safety_of(content)
    safety = of_all([Safety((*(series.stops if series else ()), *alarm_findings(head))), read])
    with output.told_first(safety), Logbook(book, create=not again) as opened:
        _tell_backup(opened)
        visit = NewVisit(visit_id, reading.heater_id, head, entries)
        written = [revise(opened, visit, reason or "", drop=drop)] if again else add(opened, [visit], of_now=True)
    before = written[0].revision - 1
    notes = [f"note: {text}" for text in (series.notes if series else ())]
    notes += [f"Revision {before + 1} is open; revision {before} stays readable."] if again else []
    return _written(written, safety, notes=notes, in_full=any(one.opens for one in written))


def _check_of(text: str) -> dict[str, str]:
    name, _, result = text.partition("=")
    if name.strip() not in CHECKS or not result.strip():
        hint = f'Write it like --check "supply_voltage=12.1 V at glow". Checks: {", ".join(CHECKS)}.'
        raise CombustError(Fault("check", text, "format", why="is no check with a result", hint=hint))
    return {"check": name.strip(), "result": result.strip()}


def _from_series(path: str, mapping: TableMap, values: dict[str, Any]) -> tuple[Series, dict[str, Any]]:
    from combust.edge.tables.series import judge_series, read_series

    series = read_series(path, mapping=mapping)
    with output.told_first(Safety(tuple(series.stops))):
        result, averaged = judge_series(series)
        if averaged is None:
            output.tell_notes(series.notes)
            why, hint = f"is not steady: {' '.join(result.why)}", "Wait and log again; nothing was written."
            raise CombustError(Fault("series", path, "not_steady", why=why, hint=hint))
    return series, {**averaged, **{key: value for key, value in values.items() if value is not None}}


def _add_table(book: str, source: str, mapping: TableMap) -> Answer:
    from combust.edge.logbook.visit_tables import visits_of_table

    table = visits_of_table(source, mapping=mapping)
    output.tell_notes(table.notes)
    for row, why in table.refused:
        click.echo(f"row {row} refused: {why}", err=True)
    readings = [body for visit in table.visits for kind, _, body in visit.entries if kind == "reading"]
    past = Safety((*table.stops, *(one for visit in table.visits for one in alarm_findings(visit.head))))
    safety = of_all([past, *map(safety_of, readings)], refused=len(table.refused)) if table.visits else past
    with output.told_first(safety):
        if not table.visits:
            why, hint = "holds no row that can be taken", "Mend the rows named above; nothing was written."
            raise CombustError(Fault("file", source, "missing", why=why, hint=hint))
        with Logbook(book, create=True) as opened:
            _tell_backup(opened)
            written = add(opened, table.visits)
    refused = len(table.refused)
    told = f"{table.rows} rows: {table.rows - refused} taken, {refused} refused."
    return _written(written, safety, told, {"rows": table.rows, "refused": refused}, in_full=True)


def _written(
    written: list[Written], safety: Safety, told: str = "", counts: Mapping[str, int] | None = None, **how: Any
) -> Answer:
    rows = [{"visit_id": one.visit_id, "revision": one.revision, "entries": one.entries} for one in written]
    lines = [f"Written: visit {one.visit_id}, revision {one.revision}, {one.entries} entries." for one in written]
    return Answer({"written": rows, **(counts or {})}, "\n".join(filter(None, [*lines, told])), safety, **how)


def _tell_backup(book: Logbook) -> None:
    if book.backup:
        click.echo(f"note: an older logbook was brought up to date; a copy of it is {book.backup}", err=True)


@command.command("show", short_help="Show a visit, or list them all.")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", metavar="TEXT", help="Which visit; without it they are listed.")
@click.option("--revision", type=int, metavar="NUMBER", help="Which revision (default the latest).")
@click.option("--heater-id", metavar="TEXT", help="List the visits of one heater.")
@answers(strict="")
def show_command(book: str, visit_id: str | None, revision: int | None, heater_id: str | None) -> Answer:
    """Show a visit with everything in it, or list all visits with what they lack.

    \b
    Example:
      combust log show winter.book --visit-id V017
    """
    with Logbook(book, read_only=True) as opened:
        if visit_id is None:
            records = read_visits(opened, heater_id=heater_id)
            headings = ("safety", "visit", "revision", "heater", "opened", "readings", "status")
            table = output.text_of_table(headings, [_listed(record) for record in records])
            return Answer({"visits": [record.to_dict() for record in records]}, table)
        record = read_visit(opened, visit_id, revision)
    safety = safety_now(record)
    return Answer(record.to_dict() | {"stops": safety.stops}, _shown(record), safety)


def _listed(record: VisitRecord) -> tuple[str, ...]:
    count = len(record.readings)
    heater = record.heater_id or ""
    state = safety_now(record).state.replace("_", " ")
    return (state, record.visit_id, str(record.revision), heater, record.opened_at[:10], str(count), record.status)


def _shown(record: VisitRecord) -> str:
    """Return a record as text; control characters in its words are shown as question marks."""
    texts = [text_of_rows(record.lines())]
    for part in sections(record):
        cells = [[printable(cell) for cell in row] for row in part.rows]
        rows = [(row[0], row[1]) for row in cells] or [(part.nothing, "")]
        table = output.text_of_table(part.head, cells) if part.head and cells else text_of_rows(rows)
        texts.append(f"\n{part.title}\n{table}")
    return "\n".join(texts)


@command.command("close", short_help="Close a visit: checked, sealed, unchangeable.")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", required=True, metavar="TEXT", help="Which visit.")
@click.option("--incomplete", is_flag=True, help="Close although something is missing; the record says so for ever.")
@answers(strict="")
def close_command(book: str, visit_id: str, incomplete: bool) -> Answer:
    """Close a visit: mandatory fields checked, limits written down, sealed, unchangeable.

    Use it when the record is whole. A visit with work in it needs a reading after the work and CO inside and outside
    the cab; without them it stays open.

    \b
    Example:
      combust log close winter.book --visit-id V017 --incomplete
    """
    with Logbook(book) as opened:
        _tell_backup(opened)
        record = close_visit(opened, visit_id, incomplete=incomplete)
    return Answer(record, f"Visit {printable(visit_id)}, revision {record.revision}: {record.status}.")


@command.command("export", short_help="Write the readings of a logbook as a table.")
@click.argument("book", metavar="BOOK")
@click.option("--out", required=True, metavar="FILE", help="Where they go: .csv or .parquet.")
@click.option("--heater-id", metavar="TEXT", help="Of one heater only.")
@click.option("--every-revision", is_flag=True, help="Also revisions that were corrected since.")
@answers(strict="")
def export_command(book: str, out: str, heater_id: str | None, every_revision: bool) -> Answer:
    """Write the readings of a logbook as a table, the keys of the glossary as columns.

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


@command.command("procedure", short_help="Print the steps of a visit, to follow or to edit.")
@click.option("--file", "path", metavar="FILE", help="Your own procedure (TOML with [[part]]).")
@answers(strict="")
def procedure_command(path: str | None) -> Answer:
    """Print the steps of a visit, to follow or to edit: looking comes first.

    \b
    Example:
      combust log procedure
    """
    parts = visit_procedure(path)
    texts = ["\n".join([f"\n{part['title']}", *(f"  [ ] {step}" for step in part["steps"])]) for part in parts]
    return Answer({"part": parts}, "\n".join(texts), in_full=True)


@command.command("series", short_help="Judge whether a logged series was steady, and average it.")
@click.argument("path", metavar="FILE")
@table_options
@answers(strict="it is not steady")
def series_command(path: str, mapping: TableMap) -> Answer:
    """Judge whether a logged series was steady, and average the steady window. Not steady: no lambda, and why.

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
