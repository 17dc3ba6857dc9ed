"""``combust right``: how often the ranking was right, by the closed visits of a logbook."""

from __future__ import annotations

from typing import Any

import click

from combust.application.causes.catalogue import get_priors
from combust.application.learning.learnt import with_learnt
from combust.application.learning.right import how_often_right
from combust.application.learning.right_tables import sections_of
from combust.data.told import text_of_rows
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import SHEET
from combust.edge.cli.options import table_options
from combust.edge.cli.output import text_of_section
from combust.edge.cli.progress import with_progress
from combust.edge.logbook.taught import visits_in
from combust.edge.tables.table_map import TableMap


@answers("right", strict="")
@click.argument("book", metavar="BOOK")
@click.option("--heaters", "folder", metavar="DIR", help="Folder of profiles, for visits that keep none.")
@click.option("--learnt", metavar="FILE", help="With what was learnt (combust learn) instead of the shipped priors.")
@click.option("--out", type=SHEET, metavar="FILE", help="Write the page (.html).")
@table_options
def command(book: str, folder: str | None, learnt: str | None, out: str | None, mapping: TableMap) -> Answer:
    """Tell how often the ranking named the cause that was confirmed.

    Use it before you lean on the shares: when it said 80 %, how often was it right? A cause is confirmed when the visit
    is closed, the cause was named (found exhaust_restricted), a repair was entered and the reading after it is good.
    What it said is worked out anew from what was entered before the repair. Told by what it said, by cause, by type, by
    winter, and where it was wrong, by the reading that misled it; small numbers as a count. BOOK is a logbook, or a
    table of visits with the columns found, repair and closed_at.

    \b
    Example:
      combust right winter.book --out output/right.html

    \b
    Next: combust share --help      (an anonymous table, for learning in another workshop)
    """
    from combust.edge.reports.right_page import right_page

    priors = with_learnt(get_priors(), learnt)
    with visits_in(book, folder, mapping=mapping) as (visits, size, told):

        def work(show: Any) -> Any:
            return how_often_right(visits, causes=priors, progress=show and (lambda done: show(done, size)))

        found = with_progress("visits", work)
    texts = [text_of_rows(found.lines())]
    texts += map(text_of_section, sections_of(found))
    texts += [f"Written: {out}"] if out else []
    source = f"{book}, with what was learnt from {priors.learnt.told}" if priors.learnt else book
    files: dict[str, Any] = {out: right_page(found, source=source)} if out else {}
    return Answer(found, "\n\n".join(texts), files=files, notes=[f"note: {one}" for one in told])
