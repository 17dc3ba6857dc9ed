"""Class sheets of the mystery heater: pages for the learners, a key for the instructor, results without names."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from combust.application.mystery import Answer, Dealer, MysteryCase, Score
from combust.application.mystery.case import sealed_names
from combust.application.mystery.rules import in_words, price_rows, table
from combust.application.mystery.scoring import points
<<<<<<< HEAD
from combust.application.words import needed
from combust.data.vocabulary import quantities
from combust.domain.limits import cautions
from combust.edge.reports.html import template
=======
from combust.edge.reports.html import page
>>>>>>> main

RESULT_COLUMNS = ("learner", "case_id", "level", "total", *points(), "minutes", "breaches")


<<<<<<< HEAD
def price_rows() -> list[dict[str, Any]]:
    """Return every check and action with words, what it costs and its risk."""
    checks, actions = shipped_convictions().checks, table()["action"]
    rows = []
    for name, price in prices().items():
        about = checks.get(name)
        rows.append(
            {
                "name": name,
                "text": about.sentence if about else actions[name]["text"],
                "risk_text": about.risk if about else "",
                "heater": needed(about.needs) if about else "",
                "minutes": price.minutes,
                "money": price.money,
                "risk": price.risk,
            }
        )
    return rows


def told_columns(row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (column, value with unit) of a result."""
    known = quantities()
    told = []
    for key, value in row.items():
        unit = known[key].unit if key in known else ""
        text = f"{value:g}" if isinstance(value, float) else str(value)
        told.append((key, f"{text} {unit}".strip()))
    return told


=======
>>>>>>> main
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
<<<<<<< HEAD
    rows = []
    for number, case in enumerate(cases, 1):
        row: dict[str, Any] = {"number": number, "lines": str(case).splitlines(), "case": case, "answer": None}
        row["stops"] = list(case.visit().safety.lines())
        row["baseline"] = [told_columns(one.reading) for one in case.heater.baselines]
        if answers is not None:
            row["answer"] = answers[number - 1]
            row["results"] = [(name, told_columns(case.result(name))) for name in sealed_names()]
        rows.append(row)
    page: str = template("mystery.html.j2").render(
=======
    rows = [
        {
            "number": number,
            "case": case,
            "lines": str(case).splitlines(),
            "stops": [finding.text for finding in case.visit().stops()],
            "baseline": [in_words(one.reading) for one in case.heater.baselines],
            "answer": answers[number - 1] if answers else None,
            "results": [(name, in_words(case.result(name))) for name in sealed_names()] if answers else [],
        }
        for number, case in enumerate(cases, 1)
    ]
    return page(
        "mystery",
>>>>>>> main
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
