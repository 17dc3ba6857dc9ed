"""A book that was damaged or tampered with: what was changed is named, the rest is shown, no traceback."""

from __future__ import annotations

import random
import sqlite3

import pytest
from click.testing import CliRunner

from combust.application.visit.record import handed_back, status
from combust.data.errors import CombustError
from combust.edge.cli.log import command
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, import_lines, verify
from combust.edge.logbook.listing import list_visits
from combust.edge.logbook.visits import add, read_visit, read_visits
from tests.edge.test_logbook import CAB, NOT_CHECKED, WHOLE, WORK, reading, visit
from tests.edge.test_logbook_hard import one
from tests.long import LONG

BYTES = 3000 if LONG else 100


def told(book):
    """Let every way of reading a book run; return what is told of it."""
    visits = [(one.visit_id, one.safety.state, status(one), handed_back(one)) for one in read_visits(book)]
    return export_lines(book), list_visits(book), visits


def test_a_changed_byte_is_found_or_changes_nothing(tmp_path):
    """Three thousand bytes in the long form, over the whole file: named, refused, or everything is told as before."""
    path, changed, rng = tmp_path / "w.book", tmp_path / "x.book", random.Random(13)
    with Logbook(path, create=True) as book:
        for number in range(12):
            add(book, [one(f"V{number % 3}", f"R{number}", note="snow at the intake")])
        before = told(book)
    whole = path.read_bytes()
    counts = {"named": 0, "refused": 0, "nothing changed": 0}
    for _ in range(BYTES):
        place, value = rng.randrange(len(whole)), rng.randrange(1, 256)
        bytes_now = bytearray(whole)
        bytes_now[place] = (bytes_now[place] + value) % 256
        changed.write_bytes(bytes_now)
        try:
            with Logbook(changed, read_only=True) as book:
                found, now = verify(book).broken, told(book)
            assert found or now == before, (place, value)
            counts["named" if found else "nothing changed"] += 1
        except CombustError:
            counts["refused"] += 1
    print(f"\n{BYTES} changed bytes: {counts}")
    assert counts["named"] + counts["refused"] > BYTES // 20


def tamper(path, *statements):
    """Change a book past the program, its triggers taken away."""
    plain = sqlite3.connect(path)
    for name in ("update", "delete", "replace", "request"):
        plain.execute(f"DROP TRIGGER chain_{name}")
    for statement in statements:
        plain.execute(statement)
    plain.commit()
    plain.close()


@pytest.fixture
def path(tmp_path):
    """A book of two visits: V017 with entries 1 to 6, V018 with 1 to 3."""
    with Logbook(tmp_path / "w.book", create=True) as book:
        add(book, [visit(*WHOLE), visit(NOT_CHECKED, visit_id="V018")])
    return tmp_path / "w.book"


CHANGED = {
    "words": "UPDATE entry SET body = replace(body, 'intake hose', 'exhaust hose') WHERE kind = 'adjustment'",
    "a number": "UPDATE entry SET body = replace(body, '54.0', '5.0') WHERE number = 5 AND visit_id = 'V017'",
    "no number": "UPDATE entry SET body = replace(body, '54.0', '\"x\"') WHERE number = 5 AND visit_id = 'V017'",
    "no choice": "UPDATE entry SET body = replace(body, 'diesel_b7', 'water') WHERE number = 5 AND visit_id = 'V017'",
    "a list": "UPDATE entry SET body = '{\"over\": [1], \"typed\": 3}' WHERE number = 5 AND visit_id = 'V017'",
    "a blob": "UPDATE entry SET kind = x'ff00ff' WHERE number = 5 AND visit_id = 'V017'",
    "no text": "UPDATE entry SET at = CAST(x'fffe' AS TEXT) WHERE number = 5 AND visit_id = 'V017'",
    "no whole number": "UPDATE entry SET number = 'five' WHERE number = 5 AND visit_id = 'V017'",
    "another place": "UPDATE entry SET number = 9 WHERE number = 5 AND visit_id = 'V017'",
    "taken out": "DELETE FROM entry WHERE number = 4 AND visit_id = 'V017'",
    "who": "UPDATE entry SET who = 'N. Fellstone' WHERE number = 5 AND visit_id = 'V017'",
}


@pytest.mark.parametrize("what", CHANGED)
def test_what_was_changed_is_named_and_the_others_are_shown(path, what):
    tamper(path, CHANGED[what])
    with Logbook(path, read_only=True) as book:
        found = verify(book).broken[1:]  # the first tells that the triggers are gone
        assert found, what
        assert all("V017" in text for text in found)
        broken, whole = read_visit(book, "V017"), read_visit(book, "V018")
        assert broken.broken
        assert whole.broken is None
        assert whole.of_kind("not_checked") == [NOT_CHECKED[2]]
        assert any(row.get("co_dry_ppm") == 210.0 for row in broken.readings)  # the reading before the work stands
        told(book)
    shown = CliRunner().invoke(command, ["show", str(path), "--visit-id", "V017"])
    assert shown.exit_code == 0, shown.exception
    assert "BROKEN" in shown.stdout
    assert CliRunner().invoke(command, ["verify", str(path), "--strict"]).exit_code == 4


def test_a_book_that_was_changed_hands_no_heater_back(path):
    whole = (reading(o2_dry_pct=8.2, location="outdoors", **CAB), WORK)
    with Logbook(path) as book:
        add(book, [visit(*whole, reading(o2_dry_pct=8.2, phase="after", location="outdoors", **CAB), visit_id="V20")])
        assert handed_back(read_visit(book, "V20")) == "Handed back."
    tamper(path, "UPDATE entry SET who = 'nobody' WHERE visit_id = 'V20' AND number = 3")
    with Logbook(path, read_only=True) as book:
        assert "changed outside combust" in handed_back(read_visit(book, "V20"))


def test_several_changes_are_all_named(path):
    tamper(path, CHANGED["who"], "UPDATE entry SET at = '2020-01-01' WHERE number = 3 AND visit_id = 'V017'")
    with Logbook(path, read_only=True) as book:
        assert [text.rpartition(", ")[2] for text in verify(book).broken] == [
            "chain_request is gone from the file",
            "entry 3",
            "entry 5",
        ]


def test_a_page_of_the_file_that_is_gone(tmp_path):
    """A page of entries is overwritten: what stands on the others is still read, and taken into a new book."""
    path = tmp_path / "w.book"
    with Logbook(path, create=True) as book:
        for number in range(40):
            add(book, [one(f"V{number % 4}", f"R{number}", note="x" * 300)])
        page = book.connection.execute("PRAGMA page_size").fetchone()[0]
    whole = path.read_bytes()
    at = whole.rindex(b"x" * 300) // page * page
    path.write_bytes(whole[:at] + b"\xff" * page + whole[at + page :])
    with Logbook(path, read_only=True) as book:
        found = verify(book)
        assert any("cannot be read" in text for text in found.broken)
        kept = found.entries
    assert 30 < kept < 44  # four visits opened, forty readings, a page holds about five of them
    with Logbook(path, read_only=True) as book, Logbook(tmp_path / "new.book", create=True) as new:
        taken = import_lines(new, export_lines(book))
        assert taken.new > 30
        assert verify(new).broken == ()


def test_triggers_that_are_gone_are_told_at_opening(path):
    tamper(path)
    with Logbook(path) as book:
        assert "chain_update" in book.notes[0]
        assert "can be rewritten" in verify(book).broken[0]


def test_a_row_of_the_list_that_was_changed(path):
    tamper(path, "UPDATE summary SET is_open = 0 WHERE visit_id = 'V018'")
    with Logbook(path, read_only=True) as book:
        assert "the row that finds visit V018" in verify(book).broken
