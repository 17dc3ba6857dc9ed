"""Four writers in processes of their own, killed at random moments: nothing acknowledged lost, nothing doubled."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import time
from collections import Counter

from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, import_lines, verify
from combust.edge.logbook.listing import list_visits
from combust.edge.logbook.visits import NewVisit, add, read_visits
from tests.edge.test_logbook_hard import in_child
from tests.long import LONG

WRITERS, KILLS = 4, 200 if LONG else 24
LONGEST_S = 0.08  # an entry takes about half of it on a slow disk: kills meet every moment of one
ANSWER_S = 0.01


def text_of(writer, number):
    return f"writer {writer} line {number}"


def lines_of(told):
    """How many lines a writer has been told that they are kept."""
    return told.read_text().count("\n") if told.exists() else 0


def write_on(path, told_path, writer):
    """Send one line after the other, each under its own key; go on behind the last one that was acknowledged.

    What was on its way when the process was killed is sent again, as a page does that lost the network.
    """
    number = lines_of(told_path)
    with Logbook(path, create=True) as book, told_path.open("a", buffering=1) as told:
        while True:
            note = ("note", None, {"text": text_of(writer, number)})
            add(book, [NewVisit(f"V{number % 3}", "heater-0312", {}, [note])], key=f"key {writer} of line {number:06d}")
            time.sleep(ANSWER_S)  # the answer is on its way: who is killed now has to send the line again
            told.write(f"{text_of(writer, number)}\n")
            number += 1


def test_four_writers_killed_at_random_moments(tmp_path):
    """Two hundred kills in the long form. SIGKILL cannot be caught: what is left is what the disk and SQLite hold."""
    path, rng = tmp_path / "fleet.book", random.Random(2026)
    told = [tmp_path / f"told{writer}" for writer in range(WRITERS)]
    Logbook(path, create=True).close()

    def begin(writer):
        return in_child(lambda: write_on(path, told[writer], writer))

    running = [begin(writer) for writer in range(WRITERS)]
    try:
        for _ in range(KILLS):
            time.sleep(rng.uniform(0.0, LONGEST_S))
            writer = rng.randrange(WRITERS)
            os.kill(running[writer], signal.SIGKILL)
            assert os.waitpid(running[writer], 0)[1] == signal.SIGKILL
            running[writer] = begin(writer)
        while not all(map(lines_of, told)) or sum(map(lines_of, told)) <= WRITERS:  # until each has said something
            time.sleep(0.02)
    finally:
        for pid in running:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
    acknowledged = [line for one in told for line in one.read_text().split("\n")[:-1]]
    with Logbook(path) as book:
        held = Counter(body["text"] for visit in read_visits(book) for body in visit.of_kind("note"))
        found, rows = verify(book), list_visits(book)[0]
        read = {visit.visit_id: len(visit.entries) for visit in read_visits(book)}
        export = export_lines(book)
    assert len(acknowledged) == len(set(acknowledged)) > WRITERS
    assert set(acknowledged) <= set(held)
    assert set(held.values()) == {1}
    assert len(held) <= len(acknowledged) + WRITERS  # at most the one on its way of each
    assert found.broken == ()
    assert {row["label"]: row["entries"] for row in rows} == read  # one row a visit, kept by the same transaction
    with Logbook(tmp_path / "again.book", create=True) as again:
        assert import_lines(again, export).refused == ()
        assert export_lines(again) == export
    print(f"\n{KILLS} kills, {len(acknowledged)} acknowledged, {len(held)} in the book")


def test_a_backup_while_a_writer_writes(tmp_path):
    """The copy is whole at every moment, each entry behind those before it; the writer is never refused."""
    path, told = tmp_path / "fleet.book", tmp_path / "told"
    Logbook(path, create=True).close()
    writer = in_child(lambda: write_on(path, told, 0))
    try:
        sizes = []
        for number in range(8):
            while lines_of(told) <= 2 * number:  # it goes on, however slow the machine
                time.sleep(0.01)
            before = lines_of(told)
            with Logbook(path, read_only=True) as book:
                book.copy_to(tmp_path / f"{number}.copy")
            with Logbook(tmp_path / f"{number}.copy", read_only=True) as copy:
                assert verify(copy).broken == ()
                notes = sum(len(visit.of_kind("note")) for visit in read_visits(copy))
            assert notes >= before
            sizes.append(notes)
        assert os.waitpid(writer, os.WNOHANG) == (0, 0)  # it still writes
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
    assert sizes == sorted(sizes)
    assert sizes[-1] > sizes[0]
    plain = sqlite3.connect(tmp_path / "7.copy")
    assert plain.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    plain.close()
