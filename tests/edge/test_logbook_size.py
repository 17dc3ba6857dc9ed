"""A book of many visits: what is read to open, list and write it does not grow with what it holds. No clock."""

from __future__ import annotations

import sqlite3

import pytest

from combust.edge.logbook import book as book_module
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.listing import free_name, is_there, list_visits, names
from combust.edge.logbook.visits import NewVisit, add, close_visit, read_visit, read_visits
from tests.benchmarks.logbook import fill
from tests.edge.test_logbook import WHOLE, visit


@pytest.fixture
def watched(monkeypatch):
    """What SQLite is asked: the tables that are read, and how many steps its machine makes."""

    class Watched(sqlite3.Connection):
        def __init__(self, *arguments, **options):
            super().__init__(*arguments, **options)
            self.read, self.steps = set(), 0
            self.set_authorizer(self.asked)
            self.set_progress_handler(self.step, 1)

        def asked(self, action, table, _column, _database, _trigger):
            if action == sqlite3.SQLITE_READ:
                self.read.add(table)
            return sqlite3.SQLITE_OK

        def step(self):
            self.steps += 1
            return 0

    connect = sqlite3.connect
    monkeypatch.setattr(book_module.sqlite3, "connect", lambda *given, **how: connect(*given, factory=Watched, **how))


def book_of(tmp_path, visits, notes=0):
    path = tmp_path / f"{visits}-{notes}.book"
    fill(path, visits)
    with Logbook(path) as book:
        for number in range(notes):
            add(book, [NewVisit("W000001", None, {}, [("note", None, {"text": f"line {number}"})])])
    return path


def test_opening_and_listing_read_no_entry(tmp_path, watched):
    with Logbook(book_of(tmp_path, 30), read_only=True) as book:
        assert list(names(book)) == [f"W{number:06d}" for number in range(30)]
        rows, count = list_visits(book, last=7)
        assert [row["label"] for row in rows] == [f"W{number:06d}" for number in range(23, 30)]
        assert (count, {row["readings"] for row in rows}, {row["entries"] for row in rows}) == (30, {1}, {2})
        assert list_visits(book, heater_id="HEATER-0003")[1] == 1
        assert is_there(book, "w000007 ")
        assert free_name(book) == "V031"
        assert "entry" not in book.connection.read
        assert "summary" in book.connection.read


def steps_of(path, work):
    with Logbook(path) as book:
        before = book.connection.steps
        work(book)
        return book.connection.steps - before


def one_more(book):
    add(book, [NewVisit("W000002", None, {}, [("note", None, {"text": "x"})])], key="request 1 of this")


def last_five(book):
    assert len(read_visits(book, last=5)) == 5


def one_read(book):
    assert len(read_visit(book, "W000009").readings) == 1


@pytest.mark.parametrize(("work", "more"), [(one_more, 1.3), (last_five, 2.0), (one_read, 1.3)])
def test_work_on_a_visit_does_not_grow_with_the_book(tmp_path, watched, work, more):
    """Ten times the visits: the steps of SQLite's machine stay; a count over the index of visits is one step each."""
    few, many = (steps_of(book_of(tmp_path, visits), work) for visits in (40, 400))
    assert many < more * few + 3 * 360 * (work is last_five)
    assert few > 20


def test_a_long_visit_costs_no_other(tmp_path, watched):
    """Three hundred entries in one visit: listing and another visit take the same steps."""
    short, long = book_of(tmp_path, 40), book_of(tmp_path, 40, notes=300)
    assert steps_of(long, one_more) == pytest.approx(steps_of(short, one_more), rel=0.3)
    assert steps_of(long, list_visits) == steps_of(short, list_visits)


def test_the_row_of_a_visit_is_kept_by_the_transaction_that_writes_it(tmp_path):
    with Logbook(tmp_path / "w.book", create=True) as book:
        add(book, [visit(*WHOLE)])
        assert [(row["is_open"], row["readings"], row["revision"]) for row in list_visits(book)[0]] == [(1, 2, 1)]
        close_visit(book, "V017")
        assert list_visits(book)[0][0]["is_open"] == 0
        with pytest.raises(RuntimeError):
            fail_in_the_middle(book)
        assert list_visits(book, only_open=True) == ([], 0)


def fail_in_the_middle(book):
    with book.writing() as connection:
        connection.execute("UPDATE summary SET is_open = 1")
        raise RuntimeError
