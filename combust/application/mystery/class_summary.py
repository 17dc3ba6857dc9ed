"""What a class made of its cases: mean, commonest wrong cause, calibration, cost; a row for each learner."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

from combust.application.mystery.scoring import Score
from combust.data.told import Rows
from combust.domain.result import Result, many

EDGES = (0.0, 0.5, 0.8, 0.95, 1.0001)  # of stated probabilities: one row of the calibration each
COLUMNS: tuple[str, ...] = (
    *("learner", "case_id", "level", "points", "reference", "cause", "cost", "safety", "said", "share", "right"),
    *("minutes", "reference_minutes", "breaches", "to_look_at"),
)


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Statements of one range of probabilities: how many, how sure on the average, how often right."""

    low: float
    high: float
    count: int
    stated: float
    right: float


@dataclass(frozen=True, slots=True)
class ClassSummary(Result):
    """The results of a class.

    Attributes
    ----------
    count : int
        Played cases.
    mean, reference : float
        Mean points of the class, and of the reference on the same cases.
    right : int
        Cases in which the answer held most probable was right.
    commonest_wrong : tuple of (answer that was said, how often)
    calibration : tuple of Calibrated
        Of the answer that each held most probable.
    cost, reference_cost : float
        Mean minutes, money and risk counted in [min].
    breaches : int
        Cases with a broken rule of safety.
    """

    count: int
    mean: float
    reference: float
    right: int
    commonest_wrong: tuple[tuple[str, int], ...]
    calibration: tuple[Calibrated, ...]
    cost: float
    reference_cost: float
    breaches: int

    def lines(self) -> Rows:
        """Return the rows of the summary."""
        wrong = ", ".join(f"{name} ({count})" for name, count in self.commonest_wrong) or "none"
        rows = [
            (
                "class",
                f"{many(self.count, 'played case')}, {self.right} right, {self.breaches} with a broken rule of safety",
            ),
            ("mean", f"{self.mean:.1f} points; the reference earned {self.reference:.1f}"),
            ("commonest wrong", wrong),
            (
                "cost",
                f"{self.cost:.0f} minutes, money and risk counted in; the reference used {self.reference_cost:.0f}",
            ),
        ]
        for one in self.calibration:
            told = f"{one.count} said, {100 * one.stated:.0f} % sure on the average, {100 * one.right:.0f} % right"
            rows.append((f"sure {100 * one.low:.0f} to {min(100, 100 * one.high):.0f} %", told))
        return rows


def class_summary(scores: Sequence[Score]) -> ClassSummary:
    """Return the summary of the scores of a class, at least one."""
    wrong = Counter(one.top for one in scores if one.top and one.top != one.right)
    calibration = []
    for low, high in pairwise(EDGES):
        some = [one for one in scores if one.top and low <= one.top_share < high]
        if some:
            right = fmean(one.top == one.right for one in some)
            calibration.append(Calibrated(low, high, len(some), fmean(one.top_share for one in some), right))
    return ClassSummary(
        count=len(scores),
        mean=fmean(one.total for one in scores),
        reference=fmean(one.reference for one in scores),
        right=sum(one.top == one.right for one in scores),
        commonest_wrong=tuple(wrong.most_common(3)),
        calibration=tuple(calibration),
        cost=fmean(one.cost for one in scores),
        reference_cost=fmean(one.reference_cost for one in scores),
        breaches=sum(bool(one.breaches) for one in scores),
    )


def rows_of(scores: Iterable[tuple[str, Score]], looks: Iterable[str]) -> list[tuple[object, ...]]:
    """Return one row a played case, in the order of the names; columns as ``COLUMNS``.

    ``looks`` holds of each what in its file is not as it was dealt and handed out, "" = nothing.
    """
    return sorted(
        (
            *(name, one.case_id, one.level, one.total, one.reference, *one.parts.values()),
            *(one.top, one.top_share, one.right, one.cost, one.reference_cost, ";".join(one.breaches), look),
        )
        for (name, one), look in zip(scores, looks, strict=True)
    )
