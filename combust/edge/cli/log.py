"""``combust log``: the book of visits: list, show, verify, export, take in; the procedure; a series judged steady."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.application.reading.result import interpret, safety_of
from combust.application.safety import told_first
from combust.application.visit.record import facts_of, sections, status
from combust.application.visit.steady import visit_procedure
from combust.application.visit.visit import Visit
from combust.application.visit.wording import every_entry
from combust.data.errors import CombustError, Fault, printable
from combust.data.told import text_of_rows
from combust.domain.reading import Reading
from combust.domain.result import many, plain
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import EXPORTED, Updated, Written
from combust.edge.cli.group import NearGroup
from combust.edge.cli.log_add import command as add_command
from combust.edge.cli.options import key_option, table_options
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.listing import list_visits
from combust.edge.logbook.photos import Photos, folder_of
from combust.edge.logbook.visits import NewVisit, add, read_visit, read_visits
from combust.edge.next_command import next_command

if TYPE_CHECKING:
    from combust.edge.logbook.exchange import Verified
    from combust.edge.tables.series import Series
    from combust.edge.tables.table_map import TableMap


@click.group("log", cls=NearGroup, short_help="The book of visits: list, show, verify, export, take in.")
def command() -> None:
    """Look into a logbook that cannot be rewritten; add tables and books.

    Use it beside combust visit: entries are only ever added, each chained to the one before; a correction stands beside
    what it corrects.

    \b
    Example:
      combust log add winter.book data/larkfell_visits.csv
      combust log show winter.book
      combust log verify winter.book

    \b
    Next: combust visit --help    (the visit at the keyboard)
    """


command.add_command(add_command)


LAST = 50
LISTED = {"safety": "state", "visit": "visit_id", "revision": "revision", "heater": "heater_id"} | {
    "opened": "opened",
    "readings": "readings",
    "checksum": "checksum",
    "status": "status",
}


@answers("show", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", metavar="TEXT", help="Which visit; without it they are listed.")
@click.option("--revision", type=int, metavar="NUMBER", help="Which revision (default the latest).")
@click.option("--heater-id", metavar="TEXT", help="List the visits of one heater.")
@click.option(
    "--last", type=click.IntRange(min=0), default=LAST, help=f"How many are listed (default {LAST}; 0 = all)."
)
def show_command(book: str, visit_id: str | None, revision: int | None, heater_id: str | None, last: int) -> Answer:
    """Show a visit with everything in it, or list the latest.

    The list tells the safety state of each visit, what its record lacks, and the checksum at its end; of the one visit
    that is open each entry with its number too.

    \b
    Example:
      combust log show winter.book --visit-id W301
    """
    with Logbook(book, read_only=True) as opened:
        if visit_id is None:
            return _listed(opened, heater_id, last)
        record = read_visit(opened, visit_id, revision)
    facts = {**facts_of(record), "stops": record.stops}
    return Answer(facts, _shown(record), record.safety)


def _listed(opened: Logbook, heater_id: str | None, last: int) -> Answer:
    """List the latest visits: only what these hold is read, and judged by the limits of today."""
    from combust.edge.logbook.exchange import ends_told

    records = read_visits(opened, heater_id=heater_id, last=last)
    count = list_visits(opened, heater_id=heater_id, last=1)[1]
    rows = [
        {
            **one.to_dict(),
            "state": one.safety.state.replace("_", " "),
            "status": f"BROKEN at {one.broken}; {status(one)}" if one.broken else status(one),
            "checksum": " + ".join(text[:16] for text, _ in ends_told(one)),
        }
        for one in records
    ]
    pairs = zip(rows, records, strict=True)
    counted = [{**row, "readings": len(one.readings), "opened": one.opened_at[:10]} for row, one in pairs]
    notes = [f"note: older visits not listed: {count - len(rows)}; --last 0 lists all."] if count > len(rows) else []
    told = output.text_of_table(LISTED, counted)
    still = [one for one in records if not one.closed_at]
    if len(still) == 1:
        line = next_command("visit", "correct", opened.path, "NUMBER", "...")
        told += f"\n\nEntries of {printable(still[0].visit_id)}, by number; correct one: {line}\n{_entries(still[0])}"
    if records:
        show = next_command("log", "show", opened.path, "--visit-id", records[-1].visit_id)
        notes.append(f"note: what a visit holds, each entry with its number: {show}")
    return Answer({"visits": rows, "count": count}, told, notes=notes)


def _entries(record: Visit) -> str:
    """Return the entries of a visit with the numbers that a correction wants."""
    rows = [(printable(number), printable(f"{kind}: {text}")) for number, _, _, kind, text in every_entry(record)]
    return text_of_rows(rows, wrap=110)


def _shown(record: Visit) -> str:
    """Return a record as text; control characters in its words are shown as question marks."""
    texts = [text_of_rows([*record.lines(), ("status", printable(status(record)))])]
    for part in sections(record):
        cells = [[printable(cell) for cell in row] for row in part.rows]
        if part.head and cells:
            rows = [dict(zip(part.head, row, strict=True)) for row in cells]
            table = output.text_of_table({name: name for name in part.head}, rows)
        else:
            table = text_of_rows([(row[0], row[1]) for row in cells] or [(part.nothing, "")])
        texts.append(f"\n{part.title}\n{table}")
    return "\n".join(texts)


@answers("export", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option("--out", required=True, type=EXPORTED, metavar="FILE", help="Where they go: .csv, .parquet or .jsonl.")
@click.option("--heater-id", metavar="TEXT", help="Of one heater only.")
@click.option("--every-revision", is_flag=True, help="Also revisions that were corrected since.")
def export_command(book: str, out: str, heater_id: str | None, every_revision: bool) -> Answer:
    """Write the readings as a table, or every entry as JSON Lines.

    The keys of the glossary are the columns of a table, the safety state is the first. JSON Lines (.jsonl) hold every
    entry with its hash: combust log import takes them in again, byte for byte the same. Photographs go into the folder
    FILE.photos beside it.

    \b
    Example:
      combust log export winter.book --out readings.csv
    """
    from combust.edge.logbook.exchange import carry_photos, export_lines
    from combust.edge.logbook.visit_tables import export_visits

    with Logbook(book, read_only=True) as opened:
        if Path(out).suffix == ".jsonl":
            text = export_lines(opened)
            entries, photos = text.count("\n"), carry_photos(text, [book], out)
            said, notes = f"{many(entries, 'entry')}{_with_photos(photos)}: {out}", photos.told()
            facts = {"out": out, "entries": entries, "photos": photos}
            return Answer(facts, said, notes=_noted(notes), files={out: text})
        records = read_visits(opened, heater_id=heater_id, every_revision=every_revision)
    rows = export_visits(records, out)
    facts = {"out": out, "rows": rows, "visits": len(records)}
    return Answer(facts, f"{many(rows, 'row')} of {many(len(records), 'visit')}: {out}")


@answers("import", command, strict="an entry was not taken")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.argument("sources", metavar="FILE ...", nargs=-1, required=True)
@key_option()
def import_command(book: str, sources: tuple[str, ...], key_file: str | None) -> Answer:
    """Take other books in, or what was exported as JSON Lines.

    Use it after a week offline: each entry once, whatever the order; a visit that was continued in two books keeps both
    chains. Nothing is taken when anything does not fit. Photographs come with it from the folder FILE.photos beside it.

    \b
    Example:
      combust log import all.book winter.book
    """
    from combust.edge.logbook.exchange import carry_photos, import_lines, lines_of

    text = "".join(map(lines_of, sources))
    with Logbook(book, create=True, key_file=key_file) as opened:
        taken = import_lines(opened, text)
    photos = carry_photos(text, sources, book)
    said = f"{many(taken.new, 'entry')} taken in, here already: {taken.known}{_with_photos(photos)}."
    said += f" NOT taken: {len(taken.refused)}." if taken.refused else ""
    notes = [f"not taken: {printable(text)}" for text in taken.refused]
    facts = {**plain(taken), "photos": photos}
    return Answer(facts, said, notes=[*notes, *_noted(photos.told())], strict=bool(taken.refused))


def _with_photos(photos: Photos) -> str:
    return f", photographs: {photos.here}" if photos.here or photos.missing or photos.changed else ""


def _noted(texts: Iterable[str]) -> list[str]:
    return [f"note: {text}" for text in texts]


@answers("verify", command, strict="an entry does not fit")
@click.argument("book", metavar="BOOK")
@click.option("--head", metavar="CHECKSUM", help="A checksum that a sheet printed: is all it told still here?")
@key_option("The key of the book: finds a chain that was computed anew.")
def verify_command(book: str, head: str | None, key_file: str | None) -> Answer:
    """Verify every chain: the first entry of every change is named.

    A chain that was computed anew still fits in itself: it is found with --key-file, or with --head and a printed
    sheet; one that was shortened is found with --head only.

    \b
    Example:
      combust log verify winter.book
    """
    from combust.edge.logbook.exchange import holds_head, verify
    from combust.edge.logbook.keys import read_key

    with Logbook(book, read_only=True) as opened:
        found = verify(opened, read_key(key_file) if key_file else None)
        held = None if head is None else holds_head(opened, head)
    rows = [("entries", f"{found.entries} in {found.chains} chains")]
    rows += [("BROKEN", f"{printable(text)}: changed outside combust, do not rely on it") for text in found.broken]
    rows += [] if found.broken else [("chains", "every entry fits the one before it")]
    if found.photos.here or found.photos.missing:
        rows.append(("photographs", f"{found.photos.here} are here and are what the chain says"))
    rows += [
        ("NOT HERE", f"photograph {name}: copy it into {folder_of(opened.path).name}") for name in found.photos.missing
    ]
    rows += _of_key(found)
    if held is not None:
        rows.append(
            ("checksum", "stands in this book" if held else "NOT in this book: entries are gone or were made anew")
        )
    strict = bool(found.broken or found.unproven) or held is False
    return Answer({**plain(found), "head_held": held}, text_of_rows(rows), strict=strict)


def _of_key(found: Verified) -> list[tuple[str, str]]:
    """Return rows of what the key proves, or what cannot be proven without it."""
    if found.unproven:
        return [
            ("NOT PROVEN", f"{printable(text)}: of another book, or made anew without the key")
            for text in found.unproven
        ]
    if found.unproven is not None:
        return [("key", "proves every entry; only a checksum on a sheet tells that none is gone from the end")]
    if found.key:
        said = f"this book has one ({found.key}): with --key-file a chain that was computed anew is found too"
    else:
        said = "this book has none: a chain that was computed anew is found only with --head and a printed sheet"
    return [("key", said)]


@answers("backup", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option(
    "--out", required=True, type=Written(), metavar="FILE", help="Where the copy goes; it must not be there yet."
)
def backup_command(book: str, out: str) -> Answer:
    """Copy a book while others write to it.

    Its photographs, in the folder BOOK.photos beside it, are copied too; one that is missing is named.

    \b
    Example:
      combust log backup winter.book --out winter-copy.book
    """
    from combust.edge.logbook.exchange import carry_photos, export_lines

    if Path(out).exists():
        why, hint = "is there already", "Give a new name: a book is never overwritten."
        raise CombustError(Fault("file", out, "twice", why=why, hint=hint))
    with Logbook(book, read_only=True) as opened:
        opened.copy_to(Path(out))
    with Logbook(out, read_only=True) as copied:  # what others wrote meanwhile is not in the copy
        photos = carry_photos(export_lines(copied), [book], out)
    return Answer({"out": out, "photos": photos}, f"Copied{_with_photos(photos)}: {out}", notes=_noted(photos.told()))


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
@click.option(
    "--into", "book", type=Updated(), metavar="BOOK", help="Take the steady window into the open visit of a book."
)
@click.option("--visit-id", metavar="TEXT", help="Which visit; needed when several are open.")
def series_command(path: str, mapping: TableMap, book: str | None, visit_id: str | None) -> Answer:
    """Judge whether a logged series was steady, average it, keep it.

    Not steady: no lambda, and why; nothing is then taken into a visit.

    \b
    Example:
      combust log series data/larkfell_series.csv
    """
    from combust.edge.tables.series import judge_series, read_series

    series = read_series(path, mapping=mapping)
    result, values = judge_series(series)
    if book:
        with told_first(Safety(tuple(series.stops))):
            if values is None:
                output.tell_notes(series.notes)
                why, hint = f"is not steady: {' '.join(result.why)}", "Wait and log again; nothing was written."
                raise CombustError(Fault("series", path, "not_steady", why=why, hint=hint))
            _keep_series(book, visit_id, series, values)
    reading = interpret(Reading(**values)) if values else None
    safety = of_all([Safety(tuple(series.stops)), reading.safety if reading else safety_of({})])
    facts = result.to_dict() | {"notes": series.notes, "reading": reading}
    rows = [*result.lines(), *(reading.lines() if reading else []), *(("note", note) for note in series.notes)]
    return Answer(facts, text_of_rows(rows), safety, strict=not result.steady)


def _keep_series(book: str, visit_id: str | None, series: Series, values: dict[str, Any]) -> None:
    """Add the steady mean to the open visit, with the stop of the series."""
    from combust.edge.logbook.keyboard import the_open_visit
    from combust.edge.logbook.visit_tables import entries_of_series

    with Logbook(book) as opened:
        visit = the_open_visit(opened, visit_id)
        add(opened, [NewVisit(visit.visit_id, values.get("heater_id"), {}, entries_of_series(series, values))])
