"""Class sheets of the mystery heater: pages for the learners, a key for the instructor, results without names."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from combust.application.mystery import Answer, Dealer, MysteryCase, Score
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
    answers = [dealer.open(case) for case in cases]
    return _page(cases, None, title), _page(cases, answers, f"{title}: the instructor's key")


def _page(cases: Sequence[MysteryCase], answers: Sequence[Answer] | None, title: str) -> str:
    rows = [
        {
            "number": number,
            "case": case,
            "lines": str(case).splitlines(),
            "stops": list(case.visit().safety.lines()),
            "baseline": [in_words(one.reading) for one in case.heater.baselines],
            "answer": answers[number - 1] if answers else None,
            "results": [(name, in_words(case.result(name))) for name in sealed_names()] if answers else [],
        }
        for number, case in enumerate(cases, 1)
    ]
    return page(
        "mystery",
        title=title,
        key=answers is not None,
        rows=rows,
        prices=price_rows(),
        record=table()["record"]["field"],
        breaches=table()["breach"],
        cap=table()["score"]["cap_after_breach"],
    )


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
