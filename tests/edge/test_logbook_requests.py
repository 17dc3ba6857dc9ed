"""A request that is sent again, because its answer was lost on the way, adds nothing and is answered the same."""

from __future__ import annotations

import sqlite3
import threading
import uuid

import pytest

from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, import_lines, verify
from combust.edge.logbook.visits import NewVisit, add, answered, close_visit, read_visit, read_visits, reopen
from tests.edge.test_logbook import WHOLE, visit

FIRST, SECOND = "6f1c1c1e-9a55-4d57-9d70-3c1d2f6f8a01", "6f1c1c1e-9a55-4d57-9d70-3c1d2f6f8a02"


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "winter.book", create=True) as opened:
        yield opened


def note(text, visit_id="V017"):
    return NewVisit(visit_id, None, {}, [("note", None, {"text": text})])


def test_sent_again_it_adds_nothing_and_is_answered_the_same(book):
    first = add(book, [visit(*WHOLE), note("snow", "V018")], key=FIRST)
    held = export_lines(book)
    assert answered(book, FIRST) == first
    add(book, [note("between the two")], key=SECOND)
    assert add(book, [visit(*WHOLE), note("snow", "V018")], key=FIRST) == first
    assert add(book, [note("read anew and other words")], key=SECOND)[0].entries == 1
    assert answered(book, "a key that never came") is None
    assert export_lines(book).count("\n") == held.count("\n") + 1
    assert read_visit(book, "V017").of_kind("note") == [{"text": "between the two"}]


def test_closing_and_opening_again_can_be_sent_twice(book):
    add(book, [visit(*WHOLE)])
    closed = close_visit(book, "V017", key=FIRST)
    assert close_visit(book, "V017", key=FIRST) == closed
    again = reopen(book, "V017", "hours forgotten", key=SECOND)
    assert reopen(book, "V017", "hours forgotten", key=SECOND) == again
    assert (again.revision, again.closed_at) == (2, None)
    assert close_visit(book, "V017", key=FIRST) == again  # a late repeat of the first closes nothing
    with pytest.raises(CombustError, match="still open"):
        reopen(book, "V017", "hours forgotten", key=str(uuid.uuid4()))


def test_a_book_that_took_this_one_in_knows_the_request(book, tmp_path):
    first = add(book, [visit(*WHOLE)], key=FIRST)
    with Logbook(tmp_path / "office.book", create=True) as office:
        import_lines(office, export_lines(book))
        assert add(office, [visit(*WHOLE)], key=FIRST) == first
        assert export_lines(office) == export_lines(book)


def test_a_key_names_one_request(book):
    """One that was used elsewhere, or a counter that begins anew, would lose words without a word: it is refused."""
    add(book, [visit(), note("x", "V018")])
    add(book, [note("first")], key=FIRST)
    with pytest.raises(CombustError, match="was used for visit V017") as caught:
        add(book, [note("other", "V018")], key=FIRST)
    assert caught.value.code == "conflict"
    for key in ("1", "request", "x" * 201, "two\nlines and more"):
        with pytest.raises(CombustError):
            add(book, [note("y")], key=key)
    assert read_visit(book, "V018").of_kind("note") == [{"text": "x"}]


def test_what_was_refused_can_be_sent_again(book):
    with pytest.raises(CombustError):
        add(book, [NewVisit("V017", None, {"co_alarm": "maybe"}, [])], key=FIRST)
    assert answered(book, FIRST) is None
    assert add(book, [NewVisit("V017", None, {"co_alarm": "works"}, [])], key=FIRST)[0].opens


def test_the_database_itself_keeps_a_key_single(book):
    add(book, [visit()], key=FIRST)
    columns = "origin, visit_id, number, kind, entry_key, at, body, request, part, after"
    row = book.connection.execute(f"SELECT {columns} FROM entry WHERE request IS NOT NULL").fetchone()
    for how in ("INSERT", "INSERT OR REPLACE", "INSERT OR IGNORE"):
        with pytest.raises(sqlite3.IntegrityError):
            book.connection.execute(f"{how} INTO entry ({columns}, hash) VALUES (?,?,?,?,?,?,?,?,?,?,'h')", tuple(row))


def test_sent_from_two_tabs_at_once(book):
    """Six threads with one key: one writes, each is told the same."""
    told = []

    def send():
        with Logbook(book.path) as own:
            told.append(add(own, [note("once")], key=FIRST))

    threads = [threading.Thread(target=send) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(told) == 6
    assert all(one == told[0] for one in told)
    assert read_visits(book)[0].of_kind("note") == [{"text": "once"}]
    assert verify(book).broken == ()
