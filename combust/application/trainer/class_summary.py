"""What a class made of one heater: how sure it was of the right cause, what misled it, how good its per cents are.

References
----------
Brier, G. W., Verification of forecasts expressed in terms of probability, Monthly Weather Review 78
(1950) 1-3 (definition from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from combust.application.causes.catalogue import shipped_priors
from combust.application.trainer.class_heater import class_causes
from combust.application.trainer.class_people import FULL, Learner, Question
from combust.application.trainer.classroom import Classroom
from combust.data.told import Rows
from combust.domain.result import Result, many

EDGES = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0)  # per cent: bins of the calibration, convention of this project
COLUMNS = (
    *("learner", "heater", "name", "share_on_the_answer", "most_likely", "its_share", "checks"),
    *("votes", "votes_that_came_true"),
)


@dataclass(frozen=True, slots=True)
class Bin:
    """Statements between two per cents: how many, and how many of their causes were the answer."""

    low: float
    high: float
    said: int
    right: int


@dataclass(frozen=True, slots=True)
class ClassSummary(Result):
    """What a class made of one heater.

    Attributes
    ----------
    note : str
        That it is simulated.
    answer : str
        What was hidden, in words.
    learners, statements : int
        Phones in the class; those that stated causes.
    mean_share : float or None
        Mean probability that was given to the answer [-]; None without a statement.
    brier : float or None
        Mean Brier score of the statements, 0 = sure and right, 2 = sure and wrong.
    misled, misled_by : str, int
        The wrong cause that most held to be the likeliest ("" = nobody), and how many did.
    calibration : tuple of Bin
        What was said with so many per cent, and how much of it was right.
    votes : tuple of (str, str, str)
        Question, shares of the answers in words, what happened.
    columns : tuple of str
        Of a table: ``COLUMNS``, then one for each question that was closed.
    rows : tuple of dict
        One row a learner, for that table.
    """

    note: str
    answer: str
    learners: int
    statements: int
    mean_share: float | None
    brier: float | None
    misled: str
    misled_by: int
    calibration: tuple[Bin, ...]
    votes: tuple[tuple[str, str, str], ...]
    columns: tuple[str, ...]
    rows: tuple[Mapping[str, str | float | None], ...]
    calculated = True
    unshown = ("columns", "rows")

    def opening(self) -> tuple[str, ...]:
        """Return that it is simulated: no heater is judged."""
        return (self.note,)

    def lines(self) -> Rows:
        """Return the rows for the trainer."""
        rows = [("answer", self.answer), ("learners", str(self.learners)), ("statements", str(self.statements))]
        if self.mean_share is not None and self.brier is not None:
            rows.append(("mean share on the answer", f"{FULL * self.mean_share:.0f} %"))
            rows.append(("mean Brier score", f"{self.brier:.2f} (0 = sure and right, 2 = sure and wrong)"))
            rows.append(("commonest wrong cause", f"{self.misled}, {self.misled_by}" if self.misled else "none"))
        rows += [
            (f"said with {one.low:.0f} to {one.high:.0f} %", f"{many(one.said, 'time')}, {one.right} of them right")
            for one in self.calibration
            if one.said
        ]
        return rows


def label_of(cause: str) -> str:
    """Return what a cause is called in a class; nobody has a baseline there."""
    about = shipped_priors().causes[cause]
    return about.label_without_baseline or about.label


def in_words(causes: Iterable[str]) -> str:
    """Return some causes in words, as one text."""
    return ", ".join(label_of(cause) for cause in causes)


def share_on(counted: Mapping[str, float], truth: Iterable[str]) -> float:
    """Return the probability that a statement gives to the answer, all causes of it together [-]."""
    return sum(counted[cause] for cause in truth)


def brier_of(counted: Mapping[str, float], truth: Iterable[str]) -> float:
    """Return the Brier score of a statement over the answer and every other cause.

    Parameters
    ----------
    counted : mapping
        Cause -> probability, all causes of a class.
    truth : iterable of str
        The causes that were hidden; they count as one answer.

    Examples
    --------
    >>> round(brier_of({"fuel_over": 0.7, "fuel_under": 0.2, "healthy": 0.1}, ["fuel_over"]), 2)
    0.14
    """
    right = tuple(truth)
    wrong = sum(share**2 for cause, share in counted.items() if cause not in right)
    return (1.0 - share_on(counted, right)) ** 2 + wrong


def calibration_of(stated: Iterable[Mapping[str, float]], truth: Iterable[str]) -> tuple[Bin, ...]:
    """Return how much of what was said with so many per cent was right.

    Parameters
    ----------
    stated : iterable of mapping
        Of each learner, cause -> per cent; an answer of several causes is right where it names one of them.
    truth : iterable of str

    Examples
    --------
    >>> calibration_of([{"fuel_over": 90.0, "healthy": 10.0}], ["healthy"])[0]
    Bin(low=0.0, high=20.0, said=1, right=1)
    """
    right = frozenset(truth)
    return _bins((share, cause in right) for one in stated for cause, share in one.items())


def _bins(said: Iterable[tuple[float, bool]]) -> tuple[Bin, ...]:
    every, bins = list(said), []
    for low, high in pairwise(EDGES):
        inside = [right for share, right in every if low < share <= high]
        bins.append(Bin(low, high, len(inside), sum(inside)))
    return tuple(bins)


def summary_of(room: Classroom) -> ClassSummary:
    """Return what a class made of its heater so far; where everybody drove one's own, each is held against that.

    Parameters
    ----------
    room : Classroom
    """
    people = sorted(room.people.by_seat.items(), key=lambda one: one[1].number)
    truths = {seat: room.truth_at(room.place_of(one)) for seat, one in people}
    said = [(one, truths[seat]) for seat, one in people if one.counted]
    wrong = [cause for one, truth in said if (cause := likeliest(one)) not in truth]
    misled = max(class_causes(), key=wrong.count) if wrong else ""
    questions = [one for one in room.people.questions if not one.open]
    return ClassSummary(
        note=room.heater.session.display().note,
        answer=_of_all(truths.values()) if room.own else in_words(room.truth),
        learners=len(people),
        statements=len(said),
        mean_share=_mean([share_on(one.counted, truth) for one, truth in said]),
        brier=_mean([brier_of(one.counted, truth) for one, truth in said]),
        misled=label_of(misled) if misled else "",
        misled_by=wrong.count(misled),
        calibration=_bins((share, name in truth) for one, truth in said for name, share in one.stated.items()),
        votes=tuple(_told(one) for one in questions),
        columns=(*COLUMNS, *map(_heading, questions)),
        rows=tuple(_row(room, seat, one, questions, truths[seat]) for seat, one in people),
    )


def _of_all(truths: Iterable[Sequence[str]]) -> str:
    """Return the answers of many heaters in words, each with how many learners had it."""
    counted = Counter(in_words(truth) for truth in truths)
    return "; ".join(f"{answer} ({count})" for answer, count in sorted(counted.items()))


def likeliest(one: Learner) -> str:
    """Return the cause that a learner gave the most; of equal ones the first in the list of causes."""
    return max(class_causes(), key=lambda cause: one.stated.get(cause, 0.0))


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _told(asked: Question) -> tuple[str, str, str]:
    shares = zip(asked.answers, asked.shares, strict=True)
    told = " · ".join(f"“{answer}” {FULL * share:.0f} %" for answer, share in shares)
    return asked.text, told, "" if asked.happened is None else asked.answers[asked.happened]


def _heading(asked: Question) -> str:
    return f"vote {asked.number}: {asked.text}"


def _row(
    room: Classroom, seat: str, one: Learner, questions: Sequence[Question], truth: Sequence[str]
) -> Mapping[str, str | float | None]:
    voted = [asked for asked in room.people.questions if seat in asked.votes]
    first = likeliest(one) if one.counted else ""
    values = (
        *(one.number, room.place_of(one), one.name, round(share_on(one.counted, truth), 4) if first else None),
        *(label_of(first) if first else "", one.stated.get(first, 0.0) / FULL if first else None),
        *(sum(seat in seats for seats in room.people.wanted.values()), len(voted)),
        sum(asked.votes[seat] == asked.happened for asked in voted),
    )
    said = {_heading(asked): asked.answers[asked.votes[seat]] if seat in asked.votes else "" for asked in questions}
    return {**dict(zip(COLUMNS, values, strict=True)), **said}
