"""Class sheets of the mystery heater: pages for the learners, a key for the trainer, results of a class."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from combust.application.mystery import CaseKey, Score
from combust.application.mystery.class_summary import COLUMNS, rows_of
from combust.application.mystery.rules import answers, in_words, price_rows, prices, table
from combust.edge.reports.html import page
from combust.edge.tables.formulas import csv_of_rows


def class_pages(keys: Sequence[CaseKey], *, title: str = "Mystery heaters") -> tuple[str, str]:
    """Return (sheet, key) of some cases as self-contained HTML: no answer and no result on the sheet."""
    facts = {"rules": table(), "prices": price_rows(), "in_words": in_words, "answers": answers()}
    facts |= {"checks": [name for name in prices() if name in keys[0].results]}
    sheet = page("mystery", **facts, title=title, key=False, rows=[(one.case, None) for one in keys])
    rows = [(one.case, one) for one in keys]
    return sheet, page("mystery", **facts, title=f"{title}: the trainer's key", key=True, rows=rows)


def results_csv(scores: Iterable[tuple[str, Score]], looks: Iterable[str]) -> str:
    """Return the results of a class as CSV, in the order of the names or ids that are given."""
    return csv_of_rows(COLUMNS, rows_of(scores, looks))
