"""The logbook under bad luck: killed at any moment, many writers, full disk, write protection, foreign files."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

import combust
from combust.application.visit.record import status
from combust.data.errors import CombustError
from combust.edge.cli import log, visit
from combust.edge.cli.main import main
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.schema import VERSION
from combust.edge.logbook.visit_tables import export_visits
from combust.edge.logbook.visits import NewVisit, add, close_visit, read_visit, read_visits
from tests.long import LONG

VALUES = {"fuel": "diesel_b7", "stage": "high", "o2_dry_pct": 8.2, "co_dry_ppm": 54.0, "location": "outdoors"}
KILLS, LONGEST_S = 100 if LONG else 40, 0.04
WRITERS, ROWS = 8, 200 if LONG else 50


def one(visit_id, key, **more):
    return NewVisit(visit_id, "heater-0312", {}, [("reading", key, VALUES | more)])


def digest(path):
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def in_child(work, killed_after=None):
    """Run work in a forked process that never comes back into the test; it is killed after some seconds of its work.

    The timer runs with the work of the process, so that as much is under way on a busy machine as on a quiet one.
    """
    pid = os.fork()
    if pid == 0:
        status = 1
        if killed_after is not None:
            signal.setitimer(signal.ITIMER_PROF, killed_after)  # nobody handles its signal: it ends the process at once
        try:
            work()
            status = 0
        finally:
            os._exit(status)
    return pid


def keys_in(path):
    """Return every reading of the book as "visit key", having let every way of reading it run."""
    with Logbook(path, read_only=True) as book:
        records = read_visits(book)
        check = book.connection.execute("PRAGMA integrity_check").fetchone()[0]
    assert check == "ok"
    for record in records:
        assert status(record)
    return {f"{record.visit_id} {one.key}" for record in records for one in record.taken}


def keys_or_none(path):
    """Return the readings, or None where the making of the book itself was cut off and nothing was acknowledged."""
    try:
        return keys_in(path)
    except CombustError as error:
        if error.code in ("missing", "empty"):
            return None
        raise


def test_killed_again_and_again_no_acknowledged_row_is_lost(tmp_path):
    """Killed at random moments of opening, making, writing and closing; what was acknowledged is there afterwards.

    A hundred times in the long form.
    """
    path, acknowledged = tmp_path / "winter.book", tmp_path / "acknowledged"
    rng = random.Random(6)
    acknowledged.touch()

    def write_on(round_number):
        with acknowledged.open("a", buffering=1) as told:
            for number in range(1000):
                visit_id = f"V{round_number}"
                with Logbook(path, create=True) as book:
                    add(book, [one(visit_id, f"R{number}")])
                told.write(f"{visit_id} R{number}\n")

    written: set[tuple[Path, str]] = set()
    for round_number in range(KILLS):
        if round_number % 10 == 0 and round_number:  # a new file now and then: killed while it is made
            path, acknowledged = tmp_path / f"{round_number}.book", tmp_path / f"{round_number}.acknowledged"
            acknowledged.touch()
        child = in_child(lambda number=round_number: write_on(number), rng.uniform(1e-5, LONGEST_S))
        assert os.waitpid(child, 0)[1] == signal.SIGPROF
        told = set(acknowledged.read_text().split("\n")[:-1])
        there = keys_or_none(path)
        if there is not None:
            assert told <= there
            assert len(there - told) <= round_number % 10 + 1  # at most the one on its way in each round
            written |= {(path, key) for key in there}
        else:
            assert told == set()
    assert len(written) > KILLS // 5  # the kills came while there was something to lose, also on a slow machine
    with Logbook(path, create=True) as book:
        add(book, [one("last", "R")])  # and it can still be written
        assert read_visit(book, "last").readings == [VALUES]
        assert export_visits(read_visits(book), tmp_path / "out.csv") == len(keys_in(path))


def test_eight_writers_lose_nothing(tmp_path):
    path = tmp_path / "fleet.book"

    def write(writer):
        with Logbook(path, create=True) as book, (tmp_path / f"told{writer}").open("w") as told:
            for row in range(ROWS):
                add(book, [one(f"V{row % 5}", f"W{writer}R{row}")])
                told.write(f"V{row % 5} W{writer}R{row}\n")

    children = [in_child(lambda number=number: write(number)) for number in range(WRITERS)]
    assert [os.waitpid(child, 0)[1] for child in children] == [0] * WRITERS
    told = {line.strip() for writer in range(WRITERS) for line in (tmp_path / f"told{writer}").open()}
    assert len(told) == WRITERS * ROWS
    assert keys_in(path) == told


def fill(book):
    for number in range(2000):
        add(book, [one("V2", f"R{number}", note="x" * 1000)])


def test_a_full_disk_leaves_the_book_as_it_was(tmp_path):
    """A file system of 256 kB where the machine lets us mount one, else SQLite's own limit on the pages."""
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", small], check=False).returncode == 0
    try:
        path = small / "winter.book"
        with Logbook(path, create=True) as book:
            add(book, [one("V1", "R1")])
            if not mounted:
                book.connection.execute("PRAGMA max_page_count = 40")
            with pytest.raises(CombustError) as caught:
                fill(book)
            assert caught.value.code == "disk_full"
            assert "disk is full" in str(caught.value)
            kept = {one.key for one in read_visit(book, "V2").taken}
            assert kept == {f"R{n}" for n in range(len(kept))}
            assert len(kept) > 3
        assert "V1 R1" in keys_in(path)
    finally:
        if mounted:
            subprocess.run(["umount", small], check=True)


def test_a_disk_that_refuses_while_writing(tmp_path):
    """The process may write 192 kB into a file and no more (RLIMIT_FSIZE): the system call fails in mid-transaction."""
    path = tmp_path / "winter.book"
    with Logbook(path, create=True) as book:
        add(book, [one("V1", "R1")])
    code = f"""
import resource
from combust.application.visit.record import status
from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import NewVisit, add
resource.setrlimit(resource.RLIMIT_FSIZE, (196608, 196608))
with Logbook({str(path)!r}) as book:
    try:
        for n in range(500):
            add(book, [NewVisit("V2", None, {{}}, [("note", None, {{"text": "x" * 2000}})])])
    except CombustError as error:
        print(error.code, n)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment(), check=True)
    assert done.stdout.startswith("disk_full"), done.stdout + done.stderr
    with Logbook(path) as book:
        assert len(read_visit(book, "V2").of_kind("note")) == int(done.stdout.split()[1])
        add(book, [one("V3", "R1")])


def environment():
    return {**os.environ, "PYTHONPATH": str(Path(combust.__file__).parents[1])}


def as_nobody(arguments, said):
    """Run the command line in a forked process that gave up the rights of root; its exit code and what it said."""

    def work():
        with said.open("w") as file:
            os.dup2(file.fileno(), 1)
            os.dup2(file.fileno(), 2)
            sys.stdout = sys.stderr = os.fdopen(1, "w")
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            try:
                main([str(argument) for argument in arguments])
            except SystemExit as stop:
                sys.stdout.flush()
                os._exit(int(stop.code or 0))
            sys.stdout.flush()

    return os.waitstatus_to_exitcode(os.waitpid(in_child(work), 0)[1]), said.read_text()


def test_a_write_protected_book_can_be_read_and_says_why_not_written(tmp_path):
    """As a user who may not write: root, whom no permission binds, becomes nobody for it."""
    shared = Path(f"/tmp/combust-{os.getpid()}-protected")
    shared.mkdir()
    try:
        path = shared / "winter.book"
        with Logbook(path, create=True) as book:
            add(book, [one("V1", "R1")])
        path.chmod(0o444)
        shared.chmod(0o555)
        before = digest(path)
        read, said = as_nobody(["log", "show", path, "--visit-id", "V1"], tmp_path / "read")
        assert read == 0, said
        assert "O2 %" in said
        assert " 8.2 " in said
        typed = ["visit", "enter", path, "note", "x"]
        written, said = as_nobody(typed, tmp_path / "written")
        assert written == 3, said
        assert "write-protected" in said
        assert "Traceback" not in said
        assert digest(path) == before
    finally:
        shared.chmod(0o755)
        shutil.rmtree(shared)


assert (log.command.name, visit.command.name) == (
    "log",
    "visit",
)  # imported now: the process without rights may not read the program

FOREIGN = {
    "text": b"visit_id,o2_dry_pct\nV1,8.2\n" * 50,
    "image": b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20,
    "short": b"S",
}


@pytest.mark.parametrize("kind", [*FOREIGN, "other_database", "damaged", "newer"])
def test_foreign_damaged_and_newer_files_are_left_alone(tmp_path, kind, capsys):
    path = tmp_path / "file"
    if kind in FOREIGN:
        path.write_bytes(FOREIGN[kind])
    elif kind == "other_database":
        plain = sqlite3.connect(path)
        plain.execute("CREATE TABLE visit (a)")
        plain.commit()
        plain.close()
    else:
        with Logbook(path, create=True) as book:
            add(book, [one("V1", f"R{n}") for n in range(1)])
            if kind == "newer":
                book.connection.execute(f"PRAGMA user_version = {VERSION + 1}")
        if kind == "damaged":
            path.write_bytes(path.read_bytes()[:2000] + os.urandom(3000))
    before = digest(path)
    typed = ("visit", "enter", path, "--visit-id", "V1", "note", "x")
    for arguments in (("log", "show", path), typed, ("visit", "close", path, "--visit-id", "V1")):
        with pytest.raises(SystemExit) as left:
            main([*map(str, arguments)])
        assert left.value.code == 3
        said = capsys.readouterr().err
        assert any(word in said for word in ("is not a logbook", "is damaged", "newer combust"))
    assert digest(path) == before
    assert [file.name for file in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("name", ["nowhere/winter.book", "winter.book", "."])
def test_a_book_that_is_not_there(tmp_path, name):
    with pytest.raises(CombustError):
        Logbook(tmp_path / name)
    with pytest.raises(CombustError):
        Logbook(tmp_path / "nowhere" / "winter.book", create=True)
    assert list(tmp_path.iterdir()) == []


def test_a_book_that_is_being_written_says_so(tmp_path, monkeypatch):
    path = tmp_path / "winter.book"
    with Logbook(path, create=True) as book:
        add(book, [one("V1", "R1")])
    monkeypatch.setattr("combust.edge.logbook.book.WAIT_S", 0.1)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with Logbook(tmp_path / "other.book", create=True):
        pass
    with pytest.raises(CombustError, match="another program"), Logbook(path) as book:
        add(book, [one("V1", "R2")])
    holder.execute("ROLLBACK")
    holder.close()
    with Logbook(path) as book:
        add(book, [one("V1", "R2")])
        close_refused = pytest.raises(CombustError)
        with close_refused:
            close_visit(book, "V1")
