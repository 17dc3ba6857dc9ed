"""A logbook of many visits: one more entry against a bare SQLite insert with its fsync; opening and listing it."""

from __future__ import annotations

import sqlite3
import tempfile
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from combust.application.visit.visit import Visit
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.chain import Writer
from combust.edge.logbook.listing import list_visits
from combust.edge.logbook.summary import keep, key_for
from combust.edge.logbook.visits import NewVisit, add, read_visits
from tests.benchmarks.records import Effort, Record, Timing, timing_of

GROUP = "logbook"
READ = {"fuel": "diesel_b7", "stage": "high", "o2_dry_pct": 8.2, "co_dry_ppm": 54.0, "location": "outdoors"}
AT = "2026-01-12T09:00:00+00:00"
LISTED = 50


def records(effort: Effort) -> list[Record]:
    """Return one entry more, and opening and listing, in a book of many visits and in one of few."""
    many, few = effort.pick(400, 100_000), effort.pick(40, 1_000)
    with tempfile.TemporaryDirectory() as folder:
        large, small = Path(folder) / "large.book", Path(folder) / "small.book"
        fill(large, many)
        fill(small, few)
        with Logbook(large) as book:
            rows, total = list_visits(book, last=LISTED)
            shown = read_visits(book, last=LISTED)
        wrong = abs(total - many) + abs(len(rows) - min(LISTED, many)) + sum(len(one.readings) != 1 for one in shown)
        entry, bare = _entry_and_insert(large, Path(folder) / "bare.db", effort.pick(30, 300))
        ours, theirs = effort.timed(lambda: _listed(large), 5), effort.timed(lambda: _listed(small), 5)
    told = (f"add one entry, {many:,} visits in the book", "ms", 1e3 * entry.best, "sqlite3: bare insert with fsync")
    added = Record(GROUP, *told, 1e3 * bare.best, entry.spread_pct, goal=5.0, goal_of="ratio")
    what = f"open, list the last {LISTED} of {many:,} visits with their safety state"
    listing = Record(
        GROUP,
        what,
        "ms",
        1e3 * ours.best,
        f"the same of {few:,} visits",
        1e3 * theirs.best,
        ours.spread_pct,
        difference=float(wrong),
        allowed=0.0,
        checked="visits and readings listed",
    )
    return [added, listing]


def fill(path: Path, visits: int) -> None:
    """Make a book of visits of two entries each, in one transaction; chained and summarised as every other."""
    with Logbook(path, create=True) as book, book.writing() as connection:
        for number in range(visits):
            name, heater = f"W{number:06d}", f"heater-{number % 500:04d}"
            key = key_for(name, heater, AT, book.origin)
            writer = Writer(connection, name, key)
            visit = writer.append(Visit(name), "opened", {"heater_id": heater, "profile": None}, at=AT)
            visit = writer.append(visit, "reading", READ, at=AT)
            keep(connection, key, name, visit)


def _entry_and_insert(path: Path, bare_path: Path, rounds: int) -> tuple[Timing, Timing]:
    """Time an entry and a bare insert of as many bytes in turn, so that both meet the same disk."""
    bare = sqlite3.connect(bare_path, isolation_level=None)
    bare.execute("CREATE TABLE t (a INTEGER PRIMARY KEY, b TEXT)")
    ours, theirs, numbers = [], [], count()
    with Logbook(path) as book:
        for number in range(rounds):
            new = _next_entry(numbers)
            start = time.perf_counter()
            add(book, [new], key=f"request {number:08d}")
            ours.append(time.perf_counter() - start)
            start = time.perf_counter()
            bare.execute("INSERT INTO t (b) VALUES (?)", ("x" * 400,))
            theirs.append(time.perf_counter() - start)
    bare.close()
    return middle_of(ours), middle_of(theirs)


def middle_of(times: list[float]) -> Timing:
    """Return median and spread: the best of many waits for a disk tells little."""
    middle = sorted(times)[len(times) // 2]
    return Timing(middle, timing_of(times).spread_pct)


def _next_entry(numbers: Iterator[int]) -> NewVisit:
    number = next(numbers)
    return NewVisit(f"W{number * 7 % 40:06d}", None, {}, [("note", None, {"text": f"line {number}"})])


def _listed(path: Path) -> int:
    with Logbook(path, read_only=True) as book:
        return sum(visit.safety.alarming for visit in read_visits(book, last=LISTED))
