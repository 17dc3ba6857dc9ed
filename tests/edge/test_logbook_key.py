"""The key of a book: what was computed anew is found with it, and what stays unproven without it is said."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import sqlite3
from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.chain import NAMES, hash_of
from combust.edge.logbook.exchange import export_lines, head_of, import_lines, verify
from combust.edge.logbook.keys import Key, key_at, read_key
from combust.edge.logbook.visits import NewVisit, add, read_visit
from combust.edge.whole_file import whole_file
from tests.edge.runs import call
from tests.edge.test_logbook import NOT_CHECKED, WHOLE, visit


@pytest.fixture
def keyed(tmp_path):
    """Return (book, key file): the key lies in a folder of its own, as on a stick."""
    (tmp_path / "stick").mkdir()
    book, key = tmp_path / "w.book", tmp_path / "stick" / "winter.key"
    with Logbook(book, create=True, key_file=key) as opened:
        add(opened, [visit(*WHOLE)])
    return book, key


def made_anew(path, old, new):
    """Change a word and compute every hash behind it anew, past the program: each entry fits again."""
    plain = sqlite3.connect(path)
    plain.row_factory = sqlite3.Row
    plain.executescript("DROP TRIGGER chain_update; DROP TRIGGER chain_delete; DROP TRIGGER chain_replace;")
    names: dict[str, str] = {}
    for row in plain.execute("SELECT * FROM entry ORDER BY number").fetchall():
        held = {name: row[name] for name in NAMES}
        held["body"] = held["body"].replace(old, new)
        held["after"] = " ".join(names.get(one, one) for one in held["after"].split())
        names[row["hash"]] = hash_of(held)
        told = (held["body"], held["after"], names[row["hash"]], row["entry_pk"])
        plain.execute("UPDATE entry SET body = ?, after = ?, hash = ? WHERE entry_pk = ?", told)
    for name, statement in GUARDS.items():
        plain.execute(f"CREATE TRIGGER {name} {statement}")
    plain.commit()
    plain.close()


NEVER = "BEGIN SELECT RAISE(ABORT, 'closed record'); END"
GUARDS = {
    "chain_update": f"BEFORE UPDATE ON entry {NEVER}",
    "chain_delete": f"BEFORE DELETE ON entry {NEVER}",
    "chain_replace": f"BEFORE INSERT ON entry WHEN NEW.hash = 'x' {NEVER}",
}


def test_a_chain_that_was_computed_anew_is_found_with_the_key(keyed):
    book, key = keyed
    with Logbook(book, read_only=True) as opened:
        assert verify(opened, read_key(key)).unproven == ()
        head = head_of(read_visit(opened, "V017"))
    made_anew(book, "210.0", "21.0")
    with Logbook(book, read_only=True) as opened:
        assert verify(opened).broken == ()  # in itself it fits
        found = verify(opened, read_key(key))
    assert found.unproven
    assert "visit V017" in found.unproven[0]
    told = call("log", "verify", str(book), "--key-file", str(key), "--strict")
    assert (told.code, "NOT PROVEN" in told.out) == (4, True)
    assert call("log", "verify", str(book), "--head", head, "--strict").code == 4  # a printed sheet finds it too


def test_without_the_key_it_says_what_it_cannot_prove(keyed, tmp_path):
    book, key = keyed
    told = call("log", "verify", str(book), "--strict")
    assert told.code == 0
    assert "with --key-file a chain that was computed anew is found too" in told.out
    with Logbook(tmp_path / "plain.book", create=True) as plain:
        add(plain, [visit()])
    assert "found only with --head and a printed sheet" in call("log", "verify", str(tmp_path / "plain.book")).out
    facts = json.loads(call("log", "verify", str(book), "--json").out)
    assert facts["key"] == read_key(key).name
    assert facts["unproven"] is None


@pytest.mark.published
def test_the_mark_is_hmac_sha256_as_the_standard_computes_it():
    """RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?" (as printed there)."""
    mark = Key(b"Jefe").prove("what do ya want for nothing?")
    assert mark.partition(":")[2] == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_the_marks_of_a_book_are_those_of_its_key_file(keyed):
    """Worked out from the two files with the standard library alone."""
    book, key = keyed
    secret = bytes.fromhex(key.read_text().split()[1])
    plain = sqlite3.connect(book)
    rows = plain.execute("SELECT hash, mac FROM entry").fetchall()
    plain.close()
    assert len(rows) == 6
    for name, mark in rows:
        assert mark.partition(":")[2] == hmac.new(secret, name.encode(), hashlib.sha256).hexdigest()


def test_the_book_remembers_that_it_has_a_key_and_never_the_key(keyed):
    book, key = keyed
    secret = key.read_text().split()[1]
    assert secret.encode() not in book.read_bytes()
    assert bytes.fromhex(secret) not in book.read_bytes()
    assert secret not in repr(read_key(key))
    assert key.stat().st_mode & 0o077 == 0
    with Logbook(book) as opened:
        assert opened.key_name == read_key(key).name
        assert secret not in export_lines(opened)


def test_a_stick_that_is_not_there_keeps_nobody_from_writing(keyed):
    """The entry is chained; it is told as unproven until one that stands behind it is proven."""
    book, key = keyed
    away = key.rename(key.with_name("away"))
    with Logbook(book) as opened:
        assert "not proven" in opened.notes[0]
        add(opened, [visit(NOT_CHECKED)])
        found = verify(opened, read_key(away))
        assert found.unproven == (f"visit V017, book {opened.origin}, entry 7 and 1 more",)
    away.rename(key)
    with Logbook(book) as opened:
        assert opened.notes == []
        add(opened, [NewVisit("V017", None, {}, [NOT_CHECKED])])
        assert verify(opened, read_key(key)).unproven == ()


def test_keys_of_two_books_are_told_apart(keyed, tmp_path):
    book, key = keyed
    other = key_at(tmp_path / "other.key")
    with Logbook(book) as opened, Logbook(tmp_path / "o.book", create=True, key_file=tmp_path / "other.key") as second:
        add(second, [visit(visit_id="V9")])
        import_lines(opened, export_lines(second))
        assert ["V9" in text for text in verify(opened, read_key(key)).unproven or ()] == [True]
        assert ["V017" in text for text in verify(opened, other).unproven or ()] == [True]
    with pytest.raises(CombustError, match="not the key of this book"):
        Logbook(book, key_file=tmp_path / "other.key")
    with Logbook(tmp_path / "plain.book", create=True):
        pass
    with pytest.raises(CombustError, match="made without a key"):
        Logbook(tmp_path / "plain.book", key_file=key)


@pytest.mark.parametrize("text", ["", "a sentence", "combust-logbook-key-1\n" + "z" * 64, "combust-logbook-key-1\nab"])
def test_what_is_no_key_is_refused_and_left_as_it_is(tmp_path, text):
    (tmp_path / "k").write_text(text)
    with pytest.raises(CombustError, match="no file of a key"):
        Logbook(tmp_path / "w.book", create=True, key_file=tmp_path / "k")
    assert (tmp_path / "k").read_text() == text


def test_a_key_from_the_command_line(tmp_path):
    book, key = str(tmp_path / "w.book"), str(tmp_path / "w.key")
    assert call("visit", "open", book, "heater-0312", "--key-file", key).code == 0
    assert call("visit", "enter", book, "outdoors", "o2", "8.2").code == 0
    assert "proves every entry" in call("log", "verify", book, "--key-file", key, "--strict").out
    assert "BOOK" not in Path(key).read_text()


DEAL = ("--seed", "7", "--level", "easy")


@pytest.mark.parametrize("kind", ["logbook", "key", "device", "pipe"])
def test_out_overwrites_neither_logbook_nor_key_nor_device(keyed, tmp_path, kind):
    book, key = keyed
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "salt.txt").write_text("a sentence that nobody else knows")
    kept = {"logbook": book, "key": key, "device": Path("/dev/null"), "pipe": tmp_path / "pipe"}[kind]
    before = kept.read_bytes() if kept.is_file() else kept.stat().st_mode
    out = ["--out", str(kept)]
    for typed in (
        ["visit", "print", str(book), "--visit-id", "V017", *out],
        ["log", "export", str(book), *out],
        ["reading", "--o2-dry-pct", "8.2", "--fuel", "diesel_b7", *out],
        ["mystery", "deal", *DEAL, "--salt-file", str(tmp_path / "salt.txt"), *out],
    ):
        assert call(*typed).code == 3, typed
    with pytest.raises(CombustError, match="never overwritten"), whole_file(kept):
        pass
    assert (kept.read_bytes() if kept.is_file() else kept.stat().st_mode) == before


def test_out_overwrites_no_input(keyed, tmp_path):
    """A salt, a profile, a table, the file that is read: under whatever name they are reached."""
    salt = tmp_path / "salt.txt"
    salt.write_text("a sentence that nobody else knows")
    (tmp_path / "link").symlink_to(salt)
    for out in (salt, tmp_path / "link", tmp_path / "stick" / ".." / "salt.txt"):
        done = call("mystery", "deal", *DEAL, "--salt-file", str(salt), "--out", str(out))
        assert done.code == 3
        assert "is the input" in done.err
    assert salt.read_text() == "a sentence that nobody else knows"
    assert (tmp_path / "link").is_symlink()
