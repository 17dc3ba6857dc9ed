"""How often the ranking was right, by visits whose cause was confirmed, and which reading misled it where it was not.

What it said is worked out anew, by this version, from what was entered before the repair: a logbook keeps entries and
no answers. What opening the unit showed is left out of it, since that is the answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp, log
from typing import Any

from combust.application.causes.catalogue import HEALTHY, get_priors
from combust.application.causes.rank import rank_causes
from combust.application.learning.confirmed import NO_HEALTHY, Confirmed, NotCounted, confirm
from combust.application.learning.learnt import Learnt, with_learnt
from combust.application.learning.taught import Marks
from combust.application.visit.visit import Visit
from combust.application.visit.words import SETTINGS
from combust.data.errors import CombustError
from combust.data.told import Rows
from combust.domain.heater import Heater
from combust.domain.result import Result, many
from combust.kernel.uncertainty import wilson_interval

EDGES = (0.0, 0.5, 0.8, 0.9, 0.95, 1.0)  # what it said, in classes
FEW = 5  # of fewer nothing is told but the count
MOST_WRONG = 40  # visits that are told one by one; all of them are counted
LEAST = 1e-4  # a share below it is not told from it
NOT_READ = (*SETTINGS, "stage", "arrangement", "phase", "taken_at", "heater_id", "reading_id", "note", "strokes")
TOO_FEW = "too few to say"
SETTLED = 0.5  # below it nothing is settled, whatever comes first
INSTEAD = "Take later visits, or heaters that were left out."
SAME = f"These are the visits it was learnt from: no proof. {INSTEAD}"
SAME_DAYS = "{} of {} were read from {} to {}, as the visits it was learnt from were: the same visits are no proof. "
SAME_DAYS += INSTEAD


def percent(share: float) -> str:
    """Return a share in whole per cent."""
    return f"{100.0 * share:.0f} %"


@dataclass(frozen=True, slots=True)
class Misled:
    """A column and how far its reading spoke for the wrong cause against the confirmed one.

    ``times`` is the factor of the odds that it brought [-]; ``turns`` whether the confirmed cause leads without it.
    """

    column: str
    times: float
    turns: bool


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of one confirmed visit.

    Attributes
    ----------
    visit_id, day, kind : str
        ``kind`` is the type of heater in words.
    cause, said : str
        The confirmed cause, and the one that it named first.
    probability, of_cause : float
        What it gave to the one that it named, and to the confirmed one [-].
    fits : bool
        Whether it said that the readings fit the causes in the list.
    misled : tuple of Misled
        Where it was wrong, the readings that spoke for the wrong cause, the strongest first.
    alike : tuple of str
        The causes that it said it cannot tell apart yet, the one that it named first among them.
    """

    visit_id: str
    day: str
    kind: str
    cause: str
    said: str
    probability: float
    of_cause: float
    fits: bool
    misled: tuple[Misled, ...] = ()
    alike: tuple[str, ...] = ()

    @property
    def among(self) -> bool:
        """Whether it told the confirmed cause as one of several that it cannot tell apart."""
        return self.cause in self.alike

    @property
    def wrong(self) -> bool:
        """Whether it named another cause: of several that it cannot tell apart, with more than half of the whole."""
        return not (self.right or (self.among and self.probability < SETTLED))

    @property
    def right(self) -> bool:
        """Whether the cause that it named first was the confirmed one."""
        return self.said == self.cause


@dataclass(frozen=True, slots=True)
class Share:
    """How many of some were right: count, 95 % interval (Wilson 1927), and what was said on average [-].

    ``tied`` were not told apart, and in ``among`` of them the confirmed cause is one of those that were named.
    """

    name: str
    right: int
    of: int
    said: float
    tied: int = 0
    among: int = 0

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval of the share."""
        return wilson_interval(self.right, self.of)

    @property
    def words(self) -> str:
        """The share in words; a small number is a count and no share."""
        if self.of < FEW:
            return f"{self.right} of {self.of}; {TOO_FEW}"
        low, high = self.interval
        return f"{self.right} of {self.of}: {percent(self.right / self.of)} ({percent(low)} to {percent(high)})"

    @property
    def verdict(self) -> str:
        """Whether that is less or more often than it said; else how far from it the counts still let it be."""
        low, high = self.interval
        if self.of < FEW:
            return TOO_FEW
        if low <= self.said <= high:
            points = round(100.0 * max(high - self.said, self.said - low))
            return f"no difference found, up to {many(points, 'point')} could hide"
        return "less often than it said" if self.said > high else "more often than it said"


def kind_of(heater: Heater) -> str:
    """Return the type of a heater in words: blower, size and fuel; its profile names no type.

    Examples
    --------
    >>> kind_of(Heater.from_dict({"fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}}))
    'blower not known, size not known, diesel'
    """
    heats = [one.useful_heat_kw for one in heater.stages.values() if one.useful_heat_kw]
    size = f"{round(max(heats)):d} kW" if heats else "size not known"
    blower = "blower not known" if heater.blower == "unknown" else f"{heater.blower.replace('_', ' ')} blower"
    return f"{blower}, {size}, {heater.fuel.family or heater.fuel.name}"


def season_of(day: str) -> str:
    """Return the winter that a day belongs to, from July to June.

    Examples
    --------
    >>> season_of("2026-01-12"), season_of("2026-07-01"), season_of("")
    ('winter 2025/26', 'winter 2026/27', 'day not known')
    """
    if len(day) < len("2026-01") or not (day[:4] + day[5:7]).isdigit():
        return "day not known"
    first = int(day[:4]) - (int(day[5:7]) < 7)
    return f"winter {first}/{(first + 1) % 100:02d}"


def judge(one: Confirmed, **how: Any) -> Said | None:
    """Return what the ranking says of a confirmed visit; None where it ranks nothing.

    Parameters
    ----------
    one : Confirmed
    **how
        As :func:`~combust.application.causes.rank.rank_causes` takes it.
    """
    try:
        found = rank_causes(one.heater, one.rows, **{**how, "next_checks": False})[0]
    except CombustError:
        return None
    if not found.ranked:
        return None
    shares = {cause.cause: cause.probability for cause in found.causes}
    said = Said(
        one.visit_id, one.day, kind_of(one.heater), one.cause, found.top.cause, found.top.probability,
        shares.get(one.cause, 0.0), found.fits,
        alike=found.cannot_separate[0] if found.cannot_separate else (),
    )  # fmt: skip
    if not said.wrong:
        return said
    return replace(said, misled=_misled(one, said.said, how))


def _misled(one: Confirmed, wrong: str, how: Any) -> tuple[Misled, ...]:
    """Return the columns that spoke for the wrong cause: the odds with all of them over those without one of them."""
    how = {**how, "next_checks": False, "pairs": False}
    with_all = _odds(one, wrong, "", how)
    told = []
    for column in dict.fromkeys(key for row in one.rows for key in row if key not in NOT_READ):
        without = _odds(one, wrong, column, how)
        if with_all is not None and without is not None and with_all - without > log(1.1):
            told.append(Misled(column, round(exp(with_all - without), 2), without < 0.0))
    return tuple(sorted(told, key=lambda row: -row.times))


def _odds(one: Confirmed, wrong: str, column: str, how: Any) -> float | None:
    """Return ln of the odds of the wrong cause against the confirmed one without a column; None without an answer."""
    rows = [{key: value for key, value in row.items() if key != column} for row in one.rows]
    try:
        shares = {cause.cause: cause.probability for cause in rank_causes(one.heater, rows, **how)[0].causes}
    except CombustError:
        return None
    return log(max(shares.get(wrong, 0.0), LEAST)) - log(max(shares.get(one.cause, 0.0), LEAST))


class Tally:
    """Counts of what was said, one confirmed visit after the other."""

    def __init__(self) -> None:
        self.groups: dict[str, dict[str, list[float]]] = {}
        self.pairs: Counter[tuple[str, str]] = Counter()
        self.misled: Counter[tuple[str, str, str]] = Counter()
        self.turned: Counter[tuple[str, str, str]] = Counter()
        self.looks: Counter[tuple[str, str]] = Counter()
        self.wrong: list[Said] = []

    def add(self, said: Said) -> None:
        """Count one."""
        places = [*pairwise(EDGES)]
        low, high = next((low, high) for low, high in places if said.probability < high or high == EDGES[-1])
        by = {"all": "all", "said": f"{percent(low)} to {percent(high)}", "cause": said.cause, "kind": said.kind}
        for group, name in {**by, "winter": season_of(said.day)}.items():
            held = self.groups.setdefault(group, {}).setdefault(name, [0, 0, 0.0, 0, 0])
            held[0] += said.right
            held[1] += 1
            held[2] += said.probability
            held[3] += bool(said.alike)
            held[4] += said.among
        self.pairs[said.cause, said.said] += 1
        if said.misled:
            first = said.misled[0]
            self.misled[said.cause, said.said, first.column] += 1
            self.turned[said.cause, said.said, first.column] += first.turns
        if said.wrong:
            self.wrong = sorted([*self.wrong, said], key=lambda one: -one.probability)[:MOST_WRONG]

    def shares(self, group: str) -> tuple[Share, ...]:
        """Return the shares of a group, in order of their names."""
        held = sorted(self.groups.get(group, {}).items())
        return tuple(Share(name, int(one[0]), int(one[1]), one[2] / one[1], *map(int, one[3:])) for name, one in held)


@dataclass(frozen=True)
class HowRight(Result):
    """How often the ranking was right.

    Attributes
    ----------
    visits : int
        Closed and open ones that were looked at.
    not_counted : mapping
        Why a visit confirms nothing, or was not ranked -> how many.
    named : mapping
        The same reason -> (visit, why with its numbers) of the first of them, as :class:`NotCounted` names them.
    by_word : int
        Confirmed by a person's word alone: that nothing was wrong.
    overall : Share or None
    by_said, by_cause, by_kind, by_winter : tuple of Share
    confusion : tuple of (confirmed, said, count)
    wrong : tuple of Said
        The surest first, at most ``MOST_WRONG``.
    misled : tuple of (confirmed, said, column, count, turned)
        The column that spoke most for the wrong cause; ``turned``: so often the confirmed one leads without it.
    looks : tuple of (column, verdict, count)
    learnt, proof : str
        What was learnt and used, in words, and why that is not proved here; "" where nothing speaks against it.
    """

    visits: int
    not_counted: dict[str, int]
    named: dict[str, tuple[tuple[str, str], ...]]
    by_word: int
    overall: Share | None
    by_said: tuple[Share, ...]
    by_cause: tuple[Share, ...]
    by_kind: tuple[Share, ...]
    by_winter: tuple[Share, ...]
    confusion: tuple[tuple[str, str, int], ...]
    wrong: tuple[Said, ...]
    misled: tuple[tuple[str, str, str, int, int], ...]
    looks: tuple[tuple[str, str, int], ...]
    learnt: str = ""
    proof: str = ""
    calculated = True

    @property
    def first(self) -> str:
        """How often it named the confirmed cause first, in words."""
        return self.overall.words if self.overall else "nothing can be told: no visit has a confirmed cause"

    @property
    def not_apart(self) -> str:
        """Of the visits that were not told apart, in how many the confirmed cause is named; "" without any."""
        return f"{self.overall.among} of {self.overall.tied}" if self.overall and self.overall.tied else ""

    def lines(self) -> Rows:
        """Return the answer in a few rows."""
        rows = [("proof", self.proof)] if self.proof else []
        rows += [("with what was learnt from", self.learnt)] if self.learnt else []
        rows.append(("named the confirmed cause first", self.first))
        rows += [("not told apart", f"the right one among those named in {self.not_apart}")] if self.not_apart else []
        rows += [(f"when it said {one.name}", f"{one.words}, {one.verdict}") for one in self.by_said if one.of >= FEW]
        few = sum(one.of for one in self.by_said if one.of < FEW)
        rows += [("in classes with fewer than five", f"{few}; {TOO_FEW}")] if few else []
        return [*rows, ("visits", f"{self.visits}, with a confirmed cause {sum(one.of for one in self.by_said)}")]


def how_often_right(
    visits: Iterable[Visit], *, progress: Callable[[int], object] | None = None, **how: Any
) -> HowRight:
    """Return how often the ranking named the confirmed cause, over the visits of a logbook.

    Parameters
    ----------
    visits : iterable of Visit
        Looked at one after the other: memory does not grow with their number, time grows with it.
    progress : callable, optional
        Called with the number of visits that are done.
    **how
        As :func:`~combust.application.causes.rank.rank_causes` takes it: ``learnt`` or ``causes`` of one's own too.
    """
    priors = with_learnt(get_priors(how.pop("causes", None)), how.pop("learnt", None))
    tally, marks, others, count, by_word, days = Tally(), Marks(), NotCounted(), 0, 0, list[str]()
    for count, visit in enumerate(marks.of(others.of(visits)), 1):
        found, _ = confirm(visit)
        said = judge(found, causes=priors, **how) if found else None
        if found is not None and said is None:
            others.add(visit, f"not ranked: {NO_HEALTHY}")
        elif found is not None and said is not None:
            tally.add(said)
            days.append(found.day)
            by_word += found.cause == HEALTHY
            tally.looks.update((look.column, look.verdict) for look in found.looks)
        if progress is not None:
            progress(count)
    overall = tally.shares("all")
    return HowRight(
        visits=count,
        not_counted=others.counts,
        named=others.named,
        by_word=by_word,
        overall=overall[0] if overall else None,
        by_said=tally.shares("said"),
        by_cause=tally.shares("cause"),
        by_kind=tally.shares("kind"),
        by_winter=tally.shares("winter"),
        confusion=tuple((*pair, number) for pair, number in sorted(tally.pairs.items())),
        wrong=tuple(tally.wrong),
        misled=tuple((*key, number, tally.turned[key]) for key, number in tally.misled.most_common()),
        looks=tuple((*key, number) for key, number in sorted(tally.looks.items())),
        learnt=priors.learnt.told if priors.learnt else "",
        proof=_no_proof(priors.learnt, marks.checksum, days) if priors.learnt else "",
    )


def _no_proof(learnt: Learnt, checksum: str, days: Sequence[str]) -> str:
    """Return why visits do not prove what was learnt: they taught it, or may have; "" where they cannot have."""
    book = learnt.book
    if book["checksum"] == checksum:
        return SAME
    within = sum(book["first"] <= day <= book["last"] for day in days if day)
    return SAME_DAYS.format(within, len(days), book["first"], book["last"]) if within else ""
