"""``combust report``: the record of a visit as one printable page."""

from __future__ import annotations

import click

from combust.edge.cli.answer import Answer, answers
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import read_visit


@answers("report", strict="")
@click.argument("book", metavar="BOOK")
@click.option("--visit-id", required=True, metavar="TEXT", help="Which visit.")
@click.option("--revision", type=int, metavar="NUMBER", help="Which revision (default the latest).")
@click.option("--out", required=True, metavar="FILE", help="Where the page goes (.html).")
def command(book: str, visit_id: str, revision: int | None, out: str) -> Answer:
    """Write the record of a visit as one printable page.

    Use it for the customer and for the file: one HTML page with everything in it, no network needed, prints on A4.

    \b
    Example:
      combust report winter.book --visit-id V017 --out V017.html

    \b
    Next: combust history --help   (what the winters say)
    """
    from combust.edge.reports.visit_page import visit_page

    with Logbook(book, read_only=True) as opened:
        record = read_visit(opened, visit_id, revision)
    facts = {"out": out, "status": record.status, "stops": record.stops}
    return Answer(facts, f"Visit {visit_id}, {record.status}: {out}", record.safety, files={out: visit_page(record)})
