"""``combust cause``: rank the causes of each visit and say what to check next."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import click

from combust.application.causes.catalogue import get_priors
from combust.application.causes.rank import rank_causes
from combust.application.causes.visit_result import CausesResult
from combust.application.learning.learnt import Learnt
from combust.application.safety import told_first
from combust.application.visit.meaning import heater_for
from combust.application.visit.standing import before_work, standing
from combust.application.visit.taken import of_rows
from combust.data.errors import CombustError, Fault
from combust.data.told import text_of_rows
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.reading import Reading
from combust.domain.result import many
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import fuels_option, instrument_option, quantity_options, table_options, values_of
from combust.edge.cli.progress import with_progress
from combust.edge.figures.causes import draw_steps
from combust.edge.next_command import next_command

if TYPE_CHECKING:
    from combust.edge.tables.reader import Entries

DRAWN = ("seed", "pairs", "catalogue", "learnt")  # what a figure of the steps is ranked with too
MANY = 8  # visits that take long enough for a progress bar


@answers("cause", figure="Draw how each check moved the first visit's causes (.png or .svg).", out=True)
@click.argument("source", metavar="[VISITS or BOOK]", required=False)
@click.option("--heater", "profile", metavar="PROFILE", help="The heater's profile (.toml); a visit of a book has it.")
@click.option("--visit-id", metavar="TEXT", help="Which visit of a BOOK; needed unless one alone is open.")
@table_options
@click.option("--causes", "causes_file", metavar="FILE", help="TOML file with priors and spreads of your own.")
@click.option("--learnt", metavar="FILE", help="What a logbook taught (combust learn); each answer says so.")
@fuels_option
@instrument_option
@click.option("--seed", default=1, show_default=True, metavar="N", help="Same seed, same answer.")
@click.option("--no-pairs", is_flag=True, help="Do not weigh two causes at once (faster).")
@quantity_options(skip=("heater_id", "visit_id", "fuel"))
def command(
    source: str | None, profile: str | None, visit_id: str | None, catalogue: Catalogue | None, **options: Any
) -> Answer:
    """Rank the causes of a visit, and say what to check next.

    Use it when a reading is not what the heater's baseline says: for a visit of a logbook, with nothing typed again,
    for a table of visits of one heater, or for one reading with its evidence as options. It says what cannot be told
    apart, which check to make next within the safety order, and what to adjust, if a trim is the answer at all.

    \b
    Examples:
      combust cause --heater data/heaters/heater-0312.toml data/larkfell_visits.csv
      combust cause --heater data/heaters/heater-0312.toml --o2-dry 4.84 --stage high --location outdoors

    Of a visit of a logbook the readings after the last work count; --phase before ranks them as found, before the work.

    \b
    Next: combust visit --help     (the same in one thread, written down as you go: combust cause BOOK)
    """
    from combust.edge.logbook.keyboard import is_book

    heater = Heater.load(profile, catalogue=catalogue) if profile else None
    how: dict[str, Any] = {"seed": options["seed"], "pairs": not options["no_pairs"]}
    how |= {"instrument": options["instrument_class"], "causes": options["causes_file"], "catalogue": catalogue}
    how["learnt"] = Learnt.load(options["learnt"]) if options["learnt"] else None
    if source is not None and (visit_id is not None or is_book(source)):
        return _of_book(source, visit_id, heater, options, how)
    if heater is None:
        hint = "Give --heater PROFILE (combust profile new writes one), or a logbook with the visit."
        raise CombustError(Fault("--heater", None, "missing", why="is needed", hint=hint))
    return _of_table(source, heater, options, how)


def _of_book(book: str, visit_id: str | None, heater: Heater | None, options: dict[str, Any], how: Any) -> Answer:
    """Answer for one visit of a logbook: the same judgement as where it stands, with everything that is behind it."""
    from combust.edge.logbook.keyboard import visit_in

    typed = values_of({key: given for key, given in options.items() if isinstance(given, tuple)})
    as_found = typed == {"phase": "before"}
    if typed and not as_found:
        why, hint = "stand beside a logbook", f"Type them into the visit: {next_command('visit', 'enter', book, '...')}"
        raise CombustError(Fault("options", ", ".join(typed), "conflict", why=why, hint=hint))
    visit = before_work(visit_in(book, visit_id)) if as_found else visit_in(book, visit_id)
    heater = heater_for(visit, heater)
    found = standing(visit, heater=heater, **how)
    if found.causes is None:
        with told_first(found.safety):
            hint = found.next_check or f"Type it: {next_command('visit', 'enter', book, '...')}"
            raise CombustError(Fault("visit", visit.visit_id, "missing", why=found.why_not.rstrip("."), hint=hint))
    result = CausesResult((found.causes,), get_priors(how["causes"]).shares, how["seed"])
    supply = [row for row in found.lines() if row[0] == "supply"]
    supply += [("learnt", found.causes.learnt)] if found.causes.learnt else []
    rows = [*found.causes.lines(), *supply, *result.lines()[-1:], ("", "a stated convention, editable with --causes")]
    readings = [Reading(**one.row) for one in visit.last_taken]
    draw = (
        partial(draw_steps, heater, readings, name=visit.visit_id, **{key: how[key] for key in DRAWN})
        if heater
        else None
    )
    safety = of_rows([(f"visit {visit.visit_id}, as found", found.safety)]) if as_found else found.safety
    return Answer({**result.to_dict(), "refused": []}, text_of_rows(rows, wrap=110), safety, draw=draw)


def _of_table(source: str | None, heater: Heater, options: dict[str, Any], how: Any) -> Answer:
    """Answer for the visits of a table, or for the one reading of the options."""
    from combust.edge.tables.visits import IS_OTHER

    readings, table = _visits(source, options, heater)
    stopped = [
        f"visit {values.get('visit_id', 'without a name')}, row {line} ({', '.join(codes)})"
        for line, values, codes in table.stopped
    ]
    rank = partial(rank_causes, heater, readings, stopped=stopped, **how)
    found = rank() if len(readings) < MANY else with_progress("Weighing", lambda show: rank(progress=show))
    refused = [f"row {line}: {why}" for line, why in sorted(table.refused)]
    of_others = [text for text in refused if IS_OTHER in text]  # a day's table holds many heaters
    missed = [f"refused, {text}" for text in table.told(without=IS_OTHER)]
    alarming = [visit for visit in found if len(found) > 1 and visit.safety.alarming]
    notes = [f"Visit {visit.visit_id}: {visit.safety.state.replace('_', ' ')}" for visit in alarming]
    notes += [f"note: {text}" for text in table.notes]
    notes += [f"{many(len(of_others), 'row')} of other heaters passed over."] if of_others else []
    parts = []
    for visit in found:
        parts += [text_of_rows(("", text) for text in visit.safety.lines())] if visit in alarming else []
        parts.append(output.text_of_result(visit, wrap=110) + "\n")
    parts.append(text_of_rows([*found.lines()[-1:], ("", "a stated convention, editable with --causes")]))
    first = readings[0]
    of_first = [one for one in readings if (one.visit_id, one.phase) == (first.visit_id, first.phase)]
    return Answer(
        {**found.to_dict(), "refused": refused},
        "\n".join(parts),
        of_all([found.safety, Safety(tuple(table.stops))], refused=len(refused) - len(of_others)),
        notes=[*notes, *missed],
        draw=partial(draw_steps, heater, of_first, **{key: how[key] for key in DRAWN}),
    )


def _visits(source: str | None, options: dict[str, Any], heater: Heater) -> tuple[list[Reading], Entries]:
    """Return the readings of the table and its entries, or the one reading of the options."""
    from combust.edge.tables.reader import Entries
    from combust.edge.tables.visits import read_visits

    values = values_of({key: given for key, given in options.items() if isinstance(given, tuple)})
    if source is None:
        if not values:
            hint = "Give a table, or what was read: --o2-dry 4.84 --stage high --location outdoors"
            raise CombustError(Fault("VISITS", None, "missing", why="and evidence options are both missing", hint=hint))
        return [Reading(**values)], Entries(1)
    if values:
        why, hint = "stand beside a table of visits", "Give the table or the options."
        raise CombustError(Fault("options", ", ".join(values), "conflict", why=why, hint=hint))
    readings, table = read_visits(source, mapping=options["mapping"], heater_id=heater.heater_id)
    if not readings:
        output.tell_notes(table.notes)
        hint = "Mend the row and read the table again."
        told = [text.partition(": ") for text in table.told()]
        with told_first(Safety(tuple(table.stops))):
            raise CombustError(
                [Fault(row, None, "refused", why=f"was refused: {why}", hint=hint) for row, _, why in told]
            )
    return readings, table
