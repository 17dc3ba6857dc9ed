"""``combust visit``: one thread from looking and reading to the sheet that is handed over, every number typed once."""

from __future__ import annotations

import shlex
import sys
from typing import Any

import click

from combust.application.learning.confirmed import unconfirmed
from combust.application.safety import told_first
from combust.application.visit.meaning import whole_safety
from combust.application.visit.provisional import question
from combust.application.visit.record import cause_not_said, facts_of, handed_back, may_close, status
from combust.application.visit.standing import standing
from combust.application.visit.visit import Visit
from combust.application.visit.wording import told, written_since
from combust.data.errors import CombustError, Fault, printable
from combust.data.told import text_of_rows
from combust.domain.result import many
from combust.domain.safety import of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import SHEET, Updated
from combust.edge.cli.group import NearGroup
from combust.edge.cli.options import key_option
from combust.edge.logbook import keyboard
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.typed import SENTENCES, WORDS, stops_typed
from combust.edge.logbook.visits import close_visit, read_visit, reopen
from combust.edge.tables.times import moment

# Numbers below zero and words that begin with a dash are words of the line, not options.
LINE: dict[str, Any] = {"ignore_unknown_options": True}


@click.group("visit", cls=NearGroup, short_help="One visit: type, see the next check, print the sheet.")
def command() -> None:
    """Hold the thread: look, read, check, repair, read again, write down.

    Use it at the heater: every number is typed once. After each line it tells the stops first, then lambda, the first
    causes, the next check in one sentence and what the record still lacks. Write short words and numbers; a unit may
    follow its number (689 F, 0.4 inH2O). Words you can type: combust visit words

    \b
    Example:
      combust visit day winter.book who "T. Larkwood" place "Fellarch depot" alarm works outdoors altitude 210 air 5
      combust visit open winter.book heater-0312 --heaters data/heaters
      combust visit enter winter.book high o2 4.84 flue 689 F co 120
      combust visit enter winter.book terminals intake_blocked

    \b
    Next: combust visit print --help   (the sheet to hand over)
    """


def _visit_option(function: Any) -> Any:
    return click.option("--visit-id", metavar="TEXT", help="Which visit; needed when several are open.")(function)


@answers("day", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.argument("words", metavar="WORD VALUE ...", nargs=-1, required=True)
@key_option()
def day_command(book: str, words: tuple[str, ...], key_file: str | None) -> Answer:
    """Enter what holds for the whole day: who, place, analyser, zero, leak test, units.

    Each visit that is opened on this day begins with it, with its age told. With units us a bare number is in °F, ft,
    inHg, inH2O, gal/h, BTU/h or AWG, and is told so; what is stored is metric. A unit behind a number always counts.

    \b
    Example:
      combust visit day winter.book analyser "portable 0017" zeroo2 20.9 zeroco 0 leak pass trap dry

    What combust learn wrote is used by every visit of the day after: learnt FILE (learnt none: no longer).
    """
    now, held = keyboard.this_moment(), Visit("")
    with told_first(lambda: stops_typed(words, now, held)):
        words = tuple(keyboard.with_files(words))
        held = keyboard.held_of_day(book, now)
        keyboard.look_over(words, now, held)
    with Logbook(book, create=True, key_file=key_file) as opened:
        values = keyboard.set_day(opened, words, now)
        typed = keyboard.day_of(opened, now)[2]
    rows = [(key, told(key, {**values, "typed": typed})) for key in values]
    return Answer({"day": values, "typed": typed}, text_of_rows([(key, printable(text)) for key, text in rows]))


day_command.context_settings = LINE


@answers("open", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.argument("heater", metavar="HEATER")
@click.argument("words", metavar="[WORD VALUE ...]", nargs=-1)
@click.option("--heaters", "folder", metavar="DIR", help="Folder of profiles; without it the causes are not ranked.")
@key_option()
@_visit_option
def open_command(
    book: str, heater: str, words: tuple[str, ...], folder: str | None, visit_id: str | None, key_file: str | None
) -> Answer:
    """Open the visit of one heater, with the settings of the day.

    \b
    Example:
      combust visit open next.book heater-0107 --heaters data/heaters --visit-id V018
    """
    now, held = keyboard.this_moment(), Visit("")
    with told_first(lambda: stops_typed(words, now, held)):
        words = tuple(keyboard.with_files(words))
        held = keyboard.held_of_day(book, now)
        held = keyboard.look_over(words, now, held, heater, folder)
        with Logbook(book, create=True, key_file=key_file) as opened:
            visit, notes = keyboard.open_visit(opened, visit_id, heater, folder, words, now)
            notes = [*opened.notes, *notes]
    return _answer(visit, notes=notes, in_full=True)


open_command.context_settings = LINE


def _answer(visit: Visit, *, before: Visit | None = None, notes: Any = (), in_full: bool = False) -> Answer:
    """Return where a visit stands; ``before`` it was written into: then what was written comes first."""
    found = standing(visit)
    written = [("written", text) for text in written_since(visit, before)] if before else []
    rows = [(label, printable(text)) for label, text in [*written, *found.lines()]]
    return Answer(
        found,
        text_of_rows(rows, wrap=110),
        found.safety.told_in(visit.units),
        notes=[f"note: {one}" for one in notes],
        in_full=in_full,
    )


@answers("enter", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.argument("words", metavar="[WORD VALUE ...]", nargs=-1)
@_visit_option
def enter_command(book: str, words: tuple[str, ...], visit_id: str | None) -> Answer:
    """Enter one line into the open visit, or several at a prompt.

    Without words it reads lines until an empty one. Sentences: repair TEXT, adjusted TEXT, note TEXT, unchecked TEXT,
    check NAME RESULT, missing FIELD REASON. Over the range of the instrument: co over 2000.
    What a check showed counts for the causes as a word or number that they know: check look_at_terminals clear.

    \b
    Example:
      combust visit enter winter.book high o2 8.3 co 48
      combust visit enter winter.book cab 1 outside 0 handed_back no
    """
    now, visit = keyboard.this_moment(), Visit("")
    with told_first(lambda: stops_typed(words, now, visit)), Logbook(book) as opened:
        before = visit = keyboard.the_open_visit(opened, visit_id)
        if words:
            visit = keyboard.enter(opened, visit, keyboard.with_files(words), now)
        elif sys.stdin is not None:
            before = visit = _prompt(opened, visit)
    return _answer(visit, before=before)


enter_command.context_settings = LINE


def _prompt(opened: Logbook, visit: Visit) -> Visit:
    """Read lines until an empty one; a refused line is told and the next one is read."""
    asks = sys.stdin.isatty()
    while True:
        if asks:
            click.echo(f"{visit.visit_id}> ", nl=False, err=True)
        line = sys.stdin.readline()
        if not line.strip():
            return visit
        try:
            words, now = _cut(line), keyboard.this_moment()
            with told_first(stops_typed(words, now, visit)):
                before, visit = visit, keyboard.enter(opened, visit, keyboard.with_files(words), now)
            _answer(visit, before=before).say(as_json=False, out=None, more={})
        except CombustError as error:
            output.complain(error)


def _cut(line: str) -> list[str]:
    try:
        return shlex.split(line)
    except ValueError as error:
        hint = "Close the quotes, or leave them out."
        raise CombustError(Fault("line", line.strip(), "format", why="has a quote too few", hint=hint)) from error


@answers("stand", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@_visit_option
def stand_command(book: str, visit_id: str | None) -> Answer:
    """Tell where the visit stands.

    \b
    Example:
      combust visit stand winter.book
    """
    with Logbook(book, read_only=True) as opened:
        return _answer(keyboard.the_open_visit(opened, visit_id))


@answers("correct", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.argument("number", metavar="NUMBER")
@click.argument("words", metavar="[WORD VALUE ...] [because ...]", nargs=-1)
@_visit_option
def correct_command(book: str, number: str, words: tuple[str, ...], visit_id: str | None) -> Answer:
    """Correct an entry by its number; old and new value stay side by side.

    Without values it is withdrawn. Each entry tells its number as it is written; combust log show tells them again.

    \b
    Example:
      combust visit correct winter.book 3 co 110 because misread
    """
    now, before = keyboard.this_moment(), Visit("")
    with told_first(lambda: stops_typed(words, now, before)), Logbook(book) as opened:
        before = keyboard.the_open_visit(opened, visit_id)
        visit = keyboard.enter(opened, before, ["correct", number, *words], now)
    return _answer(visit, before=before)


correct_command.context_settings = LINE


@answers("close", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@_visit_option
@click.option("--incomplete", is_flag=True, help="Close although something is missing; the record says so for ever.")
@click.option(
    "--baseline",
    type=Updated(),
    metavar="FILE",
    help="Write today's reading as a provisional baseline, or confirm one (.toml).",
)
def close_command(book: str, visit_id: str | None, incomplete: bool, baseline: str | None) -> Answer:
    """Close a visit: checked, and the limits it was judged by written down.

    A visit with work in it needs a reading after the work and CO inside and outside the cab, or the reason why they
    cannot be had (missing cab_co REASON); it is then not handed back. Of a heater without a healthy reading it asks
    whether today's may be a provisional one, or tells what that lacks: --baseline FILE writes the profile, wide and
    under suspicion until a second visit agrees, which the same option then confirms.

    \b
    Example:
      combust visit close winter.book --incomplete
    """
    with Logbook(book) as opened:
        visit = keyboard.the_open_visit(opened, visit_id)
        asked = question(visit)
        if baseline is not None:
            may_close(visit, incomplete=incomplete)  # nothing is written for a visit that stays open
            asked = keyboard.write_baseline(opened, visit, baseline)
        visit = close_visit(opened, visit.visit_id, incomplete=incomplete)
        notes = [f"note: {text}" for text in [*opened.notes, *([f"baseline: {asked}"] if asked else [])]]
    text = f"Visit {printable(visit.visit_id)}, revision {visit.revision}: {printable(status(visit))}."
    notes += [f"note: not said: {said}; then it teaches nothing"] if (said := cause_not_said(visit)) else []
    why = "" if said else unconfirmed(visit)
    notes += [f"note: will not count as confirmed: {why}"] if why else []
    safety, more = whole_safety(visit), {"baseline": asked, "not_confirmed": why or said}
    return Answer({**facts_of(visit, safety), **more}, text, safety, notes=notes)


@answers("reopen", command, strict="")
@click.argument("book", type=Updated(), metavar="BOOK")
@click.option("--visit-id", required=True, metavar="TEXT", help="Which visit.")
@click.option("--reason", required=True, metavar="TEXT", help="Why it is opened again; it stands on the record.")
def reopen_command(book: str, visit_id: str, reason: str) -> Answer:
    """Open a closed visit again; what was closed stays readable.

    \b
    Example:
      combust visit reopen winter.book --visit-id V001 --reason "hours forgotten"
    """
    with Logbook(book) as opened:
        visit = reopen(opened, visit_id, reason)
    return _answer(visit, notes=[f"revision {visit.revision} is open; revision {visit.revision - 1} stays readable."])


@answers("print", command, strict="")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", metavar="TEXT", help="Which visit.")
@click.option("--day", metavar="DAY", help="All visits of a day on one sheet: 2026-01-12, or today.")
@click.option("--revision", type=int, metavar="NUMBER", help="As it was at the end of a revision (default now).")
@click.option("--numbers", is_flag=True, help="Add the second sheet with every number.")
@click.option("--out", required=True, type=SHEET, metavar="FILE", help="Where the page goes (.html).")
def print_command(
    book: str, visit_id: str | None, day: str | None, revision: int | None, numbers: bool, out: str
) -> Answer:
    """Write the sheet to hand over: one A4 page; or that of a day.

    Use it for the customer and for the file. The browser prints it, no network needed. The sheet of a day has one row a
    visit, stops first and large.

    \b
    Example:
      combust visit print winter.book --visit-id V001 --out V001.html
      combust visit print winter.book --day today --out day.html

    \b
    Next: combust history --help   (what the winters say)
    """
    if (visit_id is None) == (day is None):
        why = "is asked for beside a day" if day else "is needed, or a day"
        hint = "Give --visit-id or --day, one of them."
        raise CombustError(Fault("visit_id", visit_id, "conflict" if day else "missing", why=why, hint=hint))
    if day is not None:
        return _print_day(book, day, out)
    from combust.edge.logbook.exchange import head_of
    from combust.edge.reports.visit_page import visit_page

    with Logbook(book, read_only=True) as opened:
        visit = read_visit(opened, str(visit_id), revision)
        head = head_of(visit)
    page, safety = visit_page(visit, head=head, numbers=numbers), whole_safety(visit).told_in(visit.units)
    facts = {"out": out, "status": status(visit), "head": head, "stops": safety.stops}
    facts["handed_back"] = handed_back(visit, safety)
    text = f"Visit {printable(visit.visit_id)}, {printable(status(visit))}: {out}"
    return Answer(facts, text, safety, files={out: page}, in_full=True)


def _print_day(book: str, day: str, out: str) -> Answer:
    """Return the answer of the sheet of a day; one without a visit is refused."""
    from combust.edge.logbook.day import latest_days, visits_of_day
    from combust.edge.logbook.exchange import head_of
    from combust.edge.reports.day_page import day_page

    asked = keyboard.this_moment().date().isoformat() if day == "today" else (moment(day) or "")[:10]
    with Logbook(book, read_only=True) as opened:
        visits = visits_of_day(opened, asked) if asked else []
        days = latest_days(opened)
        heads = {visit.visit_id: head_of(visit) for visit in visits}
    if not visits:
        why = "holds no visit of this book" if asked else "is no day"
        hint = f"The latest days are {', '.join(days)}." if days else "The book holds no visit yet."
        raise CombustError(Fault("day", day, "unknown_name" if asked else "format", why=why, hint=hint))
    safety = of_all(whole_safety(visit).told_in(visit.units) for visit in visits)
    facts = {"out": out, "day": asked, "visits": [*heads], "heads": heads, "stops": safety.stops}
    files: dict[str, Any] = {out: day_page(visits, asked, heads=heads)}
    return Answer(facts, f"{many(len(visits), 'visit')} on {asked}: {out}", safety, files=files, in_full=True)


@answers("words", command, strict="")
def words_command() -> Answer:
    """List the words that can be typed, with their units.

    \b
    Example:
      combust visit words
    """
    from combust.edge.tables.headings import USUAL_WORDS

    short: dict[str, list[str]] = {}
    for word, key in USUAL_WORDS.items():
        short.setdefault(key, []).append(word)
    rows = [
        {"key": key, "short": ", ".join(short.get(key, ())), "unit": record.unit, "words": " | ".join(record.choices)}
        for key, record in WORDS.items()
    ]
    columns = {"word": "key", "or short": "short", "unit": "unit", "one of": "words"}
    sentences = (
        f"Sentences: {', '.join(SENTENCES)}, check NAME RESULT, missing FIELD REASON, event WORD, correct NUMBER."
    )
    return Answer({"words": rows}, f"{output.text_of_table(columns, rows)}\n{sentences}")
