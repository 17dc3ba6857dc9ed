"""One line of the benchmark table, how times are taken, and how the table is written."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import NamedTuple

import numpy as np


class Timing(NamedTuple):
    """Shortest of several times [s], and how far the median lies above it [%]."""

    best: float
    spread_pct: float


@dataclass(frozen=True)
class Effort:
    """How much is measured: ``quick`` takes under a minute, the full run some minutes and 6 GB of disk.

    The ``least`` run takes a tenth of the quick one: it shows that the same work is compared, and tells no time.
    """

    quick: bool
    least: bool = False

    def pick(self, quick: int, full: int) -> int:
        """Return the smaller number in a quick run; a tenth of what is more than a few in the least one."""
        if self.least and quick >= 10:
            return quick // 10
        return quick if self.quick else full

    def seconds(self, quick: float, full: float) -> float:
        """Return for how many seconds something is watched."""
        return 0.1 * quick if self.least else quick if self.quick else full

    def timed(
        self, work: Callable[[], object], rounds: int = 5, clock: Callable[[], float] = time.perf_counter
    ) -> Timing:
        """Return the time of a call: of some rounds, each as often as the clock needs; of one call in the least run."""
        start = clock()
        work()
        once = max(clock() - start, 1e-9)
        return Timing(once, 0.0) if self.least else timed(work, rounds, clock, once)


@dataclass(frozen=True)
class Record:
    """One comparison: ours and the peer's figure in one unit, told as ours over peer's.

    ``goal`` is a limit on ``goal_of`` ("ours" or "ratio"), to be kept from below unless ``at_least``. ``difference`` is
    the largest difference between what ours and the peer computed, relative unless said in ``checked``; it must stay
    under ``allowed``, or the times compare different work.
    """

    group: str
    name: str
    unit: str
    ours: float
    peer_name: str = ""
    peer: float | None = None
    spread_pct: float | None = None
    goal: float | None = None
    goal_of: str = "ours"
    at_least: bool = False
    difference: float | None = None
    allowed: float | None = None
    checked: str = ""
    notes: dict[str, float] = field(default_factory=dict)

    @property
    def ratio(self) -> float | None:
        """Ours over the peer's."""
        return None if self.peer is None else self.ours / self.peer

    @property
    def met(self) -> bool | None:
        """Whether the goal is met; None without one."""
        value = self.ours if self.goal_of == "ours" else self.ratio
        if self.goal is None or value is None:
            return None
        return value >= self.goal if self.at_least else value <= self.goal

    @property
    def same(self) -> bool | None:
        """Whether ours and the peer computed the same; None where there is nothing to compare."""
        if self.difference is None or self.allowed is None:
            return None
        return self.difference <= self.allowed

    def to_dict(self) -> dict[str, object]:
        """Return the record with what follows from it."""
        return {**asdict(self), "ratio": self.ratio, "met": self.met, "same": self.same}


def timed(work: Callable[[], object], rounds: int, clock: Callable[[], float], once: float) -> Timing:
    """Return the time of a call that takes about ``once`` s; short ones are repeated until a millisecond has passed."""
    inner = max(1, round(1e-3 / once))
    times = []
    for _ in range(rounds):
        start = clock()
        for _ in range(inner):
            work()
        times.append((clock() - start) / inner)
    return timing_of(times)


def timing_of(times: Sequence[float]) -> Timing:
    """Return best and spread of some times."""
    best = float(min(times))
    return Timing(best, 100.0 * (float(np.median(times)) / best - 1.0))


def apart(ours: object, theirs: object) -> float:
    """Return the largest relative difference of two arrays; both must be finite."""
    a, b = np.asarray(ours, dtype=float), np.asarray(theirs, dtype=float)
    if a.shape != b.shape or not (np.all(np.isfinite(a)) and np.all(np.isfinite(b))):
        return float("inf")
    return float(np.max(np.abs(a - b) / np.maximum(np.abs(b), 1e-300)))


def _figure(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def _ratio(one: Record) -> str:
    ratio = one.ratio
    if ratio is None:
        return ""
    return f"{ratio:.2f}" if ratio >= 0.1 else f"1/{1.0 / ratio:,.0f}"


def _goal(one: Record) -> str:
    if one.goal is None:
        return ""
    sign = "≥" if one.at_least else "≤"
    value = f"1/{1.0 / one.goal:.0f}" if one.goal_of == "ratio" and one.goal < 0.1 else _figure(one.goal)
    return f"{one.goal_of} {sign} {value}: {'met' if one.met else 'MISSED'}"


def _check(one: Record) -> str:
    if one.same is None:
        return one.checked
    words = f"{one.difference:.0e} ≤ {one.allowed:.0e}" if one.same else f"{one.difference:.0e} > {one.allowed:.0e} NO"
    return f"{one.checked}: {words}"


HEADINGS = ("what", "peer of the same run", "ours/peer", "spread", "ours", "peer's", "unit", "goal", "same?")


def table(records: Sequence[Record]) -> str:
    """Return the table as Markdown, columns of one width."""
    rows = [HEADINGS]
    for one in records:
        spread = "" if one.spread_pct is None else f"+{one.spread_pct:.0f} %"
        told = (f"{one.group}: {one.name}", one.peer_name, _ratio(one), spread, _figure(one.ours), _figure(one.peer))
        rows.append((*told, one.unit, _goal(one), _check(one)))
    widths = [max(len(row[index]) for row in rows) for index in range(len(HEADINGS))]
    lines = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |" for row in rows
    ]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    return "\n".join(lines) + "\n"
