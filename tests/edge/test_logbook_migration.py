"""Logbooks of older versions: brought over with a backup, their seals still verified, killed on the way."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import sqlite3

import pytest

from combust.application.visit.record import status
from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, holds_head, import_lines, verify
from combust.edge.logbook.listing import list_visits
from combust.edge.logbook.schema import APPLICATION_ID, STEPS, VERSION
from combust.edge.logbook.visits import add, read_visit, read_visits
from tests.edge.test_logbook_hard import digest, in_child, one

MIGRATION_S = 0.003


def old_book(path):
    """Write a logbook as version 1 made it: one closed and one open visit."""
    plain = sqlite3.connect(path)
    for statement in STEPS[0]:
        plain.execute(statement)
    plain.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    plain.execute("PRAGMA user_version = 1")
    for number, visit_id in enumerate(("V1", "V2"), 1):
        plain.execute(
            "INSERT INTO visit (visit_id, revision, heater_id, opened_at, head) VALUES (?, 1, 'heater-0312', ?, '{}')",
            (visit_id, "2025-01-12T09:00:00+00:00"),
        )
        plain.execute(
            "INSERT INTO entry (visit_pk, kind, entry_key, entered_at, body) VALUES (?, 'reading', 'R1', ?, ?)",
            (number, "2025-01-12T09:00:00+00:00", '{"o2_dry_pct": 8.2, "fuel": "diesel_b7"}'),
        )
    plain.execute("UPDATE visit SET closed_at = '2025-01-12T10:00:00+00:00' WHERE visit_id = 'V1'")
    plain.commit()
    plain.close()


def test_an_older_schema_is_migrated_with_a_backup(tmp_path):
    path = tmp_path / "old.book"
    old_book(path)
    before = digest(path)
    with Logbook(path, read_only=True) as book:  # reading alone changes nothing
        assert status(read_visit(book, "V1")) == "closed, complete"
    assert digest(path) == before
    with Logbook(path) as book:
        assert book.version == VERSION
        assert book.backup is not None
        assert read_visit(book, "V1").readings == [{"o2_dry_pct": 8.2, "fuel": "diesel_b7"}]
        assert read_visit(book, "V1").broken is None
        add(book, [one("V2", "R2")])
        with pytest.raises(CombustError, match="closed"):
            add(book, [one("V1", "R2")])
    copy = sqlite3.connect(book.backup)
    assert copy.execute("PRAGMA user_version").fetchone()[0] == 1
    assert copy.execute("SELECT count(*) FROM entry").fetchone()[0] == 2
    copy.close()
    with Logbook(path) as again:
        assert again.backup is None


def sealed_book(path):
    """Write a logbook as version 2 made it: a visit closed, revised with one reading left out, closed again."""
    plain = sqlite3.connect(path)
    for statement in (*STEPS[0], *STEPS[1]):
        plain.execute(statement)
    plain.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    plain.execute("PRAGMA user_version = 2")
    entries = [
        ("reading", "R1", "2025-01-12T09:00:00+00:00", '{"o2_dry_pct": 8.2, "fuel": "diesel_b7"}'),
        ("reading", "R2", "2025-01-12T09:10:00+00:00", '{"o2_dry_pct": 9.9, "fuel": "diesel_b7"}'),
        ("note", "note-1", "2025-01-12T09:11:00+00:00", '{"text": "snow"}'),
    ]
    changed = [*entries[:1], ("reading", "R3", "2025-01-13T09:00:00+00:00", '{"o2_dry_pct": 8.9}'), entries[2]]
    for revision, held, head in ((1, entries, {"who": "T. Larkwood"}), (2, changed, {"who": "N. Fellstone"})):
        columns = "visit_pk, visit_id, revision, heater_id, opened_at, reason, head"
        query = f"INSERT INTO visit ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?)"
        day = f"2025-01-{11 + revision}T09:00:00+00:00"
        plain.execute(query, (revision, "V1", revision, "heater-0312", day, "misread", json.dumps(head)))
        for entry in held:
            plain.execute(
                "INSERT INTO entry (visit_pk, kind, entry_key, entered_at, body) VALUES (?,?,?,?,?)", (revision, *entry)
            )
        text = json.dumps(
            ["V1", revision, head, sorted(held)], ensure_ascii=False, sort_keys=True
        )  # the seal as it was
        seal = hashlib.sha256(text.encode()).hexdigest()
        plain.execute("UPDATE visit SET closed_at = ?, seal = ? WHERE visit_pk = ?", (day, seal, revision))
    plain.commit()
    plain.close()


def test_a_sealed_book_is_brought_over_and_its_seals_are_still_verified(tmp_path):
    """A revision becomes the correction that it was; a change of what was sealed is found as before."""
    path = tmp_path / "old.book"
    sealed_book(path)
    with Logbook(path) as book:
        visit = read_visit(book, "V1")
        assert (visit.revision, visit.broken, visit.reason) == (2, None, "misread")
        assert [reading["o2_dry_pct"] for reading in visit.readings] == [8.2, 8.9]
        first = read_visit(book, "V1", 1)
        assert [reading["o2_dry_pct"] for reading in first.readings] == [8.2, 9.9]
        assert (first.head["who"], visit.head["who"]) == ("T. Larkwood", "N. Fellstone")
        assert verify(book).broken == ()
        with pytest.raises(CombustError, match="cannot be changed"):
            add(book, [one("V1", "R4")])
        book.connection.execute("DROP TRIGGER entry_update")
        book.connection.execute("UPDATE sealed_entry SET body = replace(body, '9.9', '8.0')")
        assert verify(book).broken == ("visit V1, sealed revision 1",)
        assert "sealed revision 1" in str(read_visit(book, "V1").broken)


def chained_book(path):
    """Write a logbook as version 3 made it: two books' chains of one visit, each hash over the one before it."""
    plain = sqlite3.connect(path)
    for statement in (*STEPS[0], *STEPS[1], *STEPS[2]):
        plain.execute(statement)
    plain.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    plain.execute("PRAGMA user_version = 3")
    heads = []
    for origin, co in (("a" * 16, 540.0), ("b" * 16, 61.0)):
        previous = ""
        entries = [
            ("opened", "opened-1", None, {"heater_id": "heater-0312", "profile": None}),
            ("reading", "reading-1", None, {"o2_dry_pct": 8.2, "co_dry_ppm": co, "location": "outdoors"}),
            ("correction", "correction-1", 2, {"values": {"co_dry_ppm": co / 10}, "reason": "misread"}),
        ]
        for number, (kind, key, corrects, body) in enumerate(entries, 1):
            text = json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            row = [origin, "V1", number, kind, key, f"2026-01-12T09:0{number}:00+00:00", "N. Fellstone", corrects, text]
            whole = json.dumps([previous, *row], ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            previous = hashlib.sha256(whole.encode()).hexdigest()
            names = "origin, visit_id, number, kind, entry_key, at, who, corrects, body, hash"
            plain.execute(f"INSERT INTO entry ({names}) VALUES (?,?,?,?,?,?,?,?,?,?)", (*row, previous))
        heads.append(previous)
    plain.commit()
    plain.close()
    return heads


def test_chains_of_the_version_before_keep_their_hashes(tmp_path):
    """Sheets that were printed then still verify; each correction meets the entry of its own book; both go on."""
    heads = chained_book(tmp_path / "old.book")
    with Logbook(tmp_path / "old.book") as book:
        assert verify(book).broken == ()
        assert all(holds_head(book, head) for head in heads)
        visit = read_visit(book, "V1")
        assert sorted(row["co_dry_ppm"] for row in visit.readings) == [6.1, 54.0]
        assert len(visit.branches) == 2
        assert [row["entries"] for row in list_visits(book)[0]] == [6]
        add(book, [one("v1", "R9")])
        assert len(read_visit(book, "V1").branches) == 1
        assert verify(book).broken == ()
        lines = export_lines(book)
    old = "".join(f"{json.dumps(without_after(line))}\n" for line in lines.splitlines())
    with Logbook(tmp_path / "new.book", create=True) as new:  # an export of that time held no hashes before
        assert import_lines(new, "".join(f"{line}\n" for line in old.splitlines()[:6])).refused == ()
        assert all(holds_head(new, head) for head in heads)


def without_after(line):
    return {name: value for name, value in json.loads(line).items() if name != "after"}


def test_killed_while_migrating(tmp_path):
    """Fifteen kills, more until one met it: the book is whole, old or new, and the next command finishes the work."""
    rng, ends = random.Random(7), set()
    for number in range(150):
        path = tmp_path / f"{number}.book"
        old_book(path)
        child = in_child(lambda path=path: Logbook(path).close(), rng.uniform(1e-5, MIGRATION_S))
        ends.add(os.waitpid(child, 0)[1])
        with Logbook(path) as book:
            assert book.version == VERSION
            assert len(read_visits(book)) == 2
            assert book.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        if number >= 14 and signal.SIGPROF in ends:
            break
    assert signal.SIGPROF in ends
