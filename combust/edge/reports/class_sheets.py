"""Class sheets of the mystery heater: pages for the learners, a key for the instructor, results without names."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from combust.application.mystery import Dealer, MysteryCase, Score
from combust.application.mystery.case import sealed_names
from combust.application.mystery.rules import in_words, price_rows, table
from combust.application.mystery.scoring import points
from combust.edge.reports.html import page

RESULT_COLUMNS = ("learner", "case_id", "level", "total", *points(), "minutes", "breaches")


def class_pages(cases: Sequence[MysteryCase], dealer: Dealer, *, title: str = "Mystery heaters") -> tuple[str, str]:
    """Return (sheet, key) of some cases as self-contained HTML: no answer and no result on the sheet.

    Raises
    ------
    CombustError
        A case that does not open with the dealer's salt.
    """
    opened = [(case, dealer.open(case)) for case in cases]
    facts = {"rules": table(), "prices": price_rows(), "checks": sealed_names(), "in_words": in_words}
    sheet = page("mystery", **facts, title=title, key=False, rows=[(case, None) for case in cases])
    return sheet, page("mystery", **facts, title=f"{title}: the instructor's key", key=True, rows=opened)


def results_csv(scores: Iterable[tuple[str, Score]], dealer: Dealer) -> str:
    """Return the results of a class as CSV with anonymised ids, in the order of the ids; answers are not in it."""
    learners = [(dealer.learner_id(name), ";".join(one.breaches), one) for name, one in scores]
    rows = [
        (learner, one.case_id, one.level, one.total, *one.parts.values(), one.minutes, breaches)
        for learner, breaches, one in learners
    ]
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([RESULT_COLUMNS, *sorted(rows)])
    return text.getvalue()
