"""Every command under bad luck: ended from outside, a folder that is locked, a stdout that takes nothing."""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from combust.edge import interrupt
from combust.edge.cli.files import Written, WrittenFolder
from combust.edge.cli.main import main
from combust.edge.reports import fleet_page
from tests.edge.every_input import FLEET, LINES, NO_FILE, OF_BOOK, WRITE, good_files
from tests.edge.runs import call
from tests.edge.test_every_pair_of_files import leaves, places
from tests.edge.test_html_injection import check_page, check_svg
from tests.edge.test_logbook_hard import as_nobody, in_child
from tests.long import LONG

# One line of each command that answers; the last of a command, so that those that write come first.
ONE_EACH = {
    line[:2] if line[:2] in leaves() else line[:1]: line
    for line in (*OF_BOOK, *(one for lines in LINES.values() for one in reversed(lines)), *NO_FILE, *WRITE)
}
PAGES = (
    *(line for line in WRITE if {"print", "right", "exercises", "sheet", "demo", "fleet"} & {*line}),
    ("exercises", "--seed=7", "--cards", "--course", "--out=out/pages"),
    ("fleet", "diff", "out/plan", "out/plan", "--out=out/d"),
)
ENTRIES = 40 if LONG else 5
SLOW = ("demo", "fleet", "fleet diff", "mystery deal", "right")
home = pytest.fixture(scope="module")(good_files)


@pytest.fixture
def here(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the good files as they are, in a folder of this test, with an empty one in it for what is written."""
    monkeypatch.chdir(tmp_path)
    return anew(home, tmp_path / "here")


def anew(home: Path, here: Path) -> Path:
    """Go into a folder with the good files as they were."""
    shutil.rmtree(here, ignore_errors=True)
    shutil.copytree(home, here)
    os.chdir(here)
    Path("out").mkdir()
    return here


def short(line: tuple[str, ...]) -> str:
    return " ".join(one for one in line[:2] if one.isalpha())


def outputs(line: tuple[str, ...]) -> list[str]:
    """Return the names behind the options of a line that are written."""
    return [value for _, _, value in (one.partition("=") for one in line) if value.startswith("out/")]


def test_every_command_and_every_output_of_it_is_tried() -> None:
    written = {
        (words, str(one.name))
        for words, command in leaves().items()
        for one in places(command)
        if type(one.type) in (Written, WrittenFolder) and one.name != "save_map"
    }
    tried = {
        (words, str(one.name))
        for line in WRITE
        for words in (line[:2] if line[:2] in leaves() else line[:1],)
        for one in places(leaves()[words])
        if {name.partition("=")[0] for name in line if "=out/" in name} & {*one.opts}
    }
    assert tried >= written
    assert {*leaves()} - {*ONE_EACH} == {("page",)}, "it serves until it is stopped"


@pytest.mark.parametrize("line", WRITE, ids=short)
def test_an_end_from_outside_leaves_no_partial_file(line: tuple[str, ...], here: Path) -> None:
    """At the worst moment: the first file is written, and has not got its name yet."""
    before = {path for path in here.rglob("*") if path.is_file()}
    for number in (signal.SIGTERM, signal.SIGHUP) if LONG else (signal.SIGTERM,):

        def ended(number: int = number) -> None:
            interrupt.guard()
            pytest.MonkeyPatch().setattr(os, "replace", lambda *_: os.kill(os.getpid(), number))
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            main([*line])

        assert os.waitstatus_to_exitcode(os.waitpid(in_child(ended), 0)[1]) == 128 + number
        assert {path for path in here.rglob("*") if path.is_file()} == before


def test_a_folder_that_may_not_be_written_to_is_told_in_words_by_every_command(here: Path, tmp_path: Path) -> None:
    """As a user who may not write: root, whom no permission binds, becomes nobody for it."""
    here.chmod(0o755)
    lines = WRITE if LONG else [one for one in WRITE if short(one) not in SLOW and "figure=" not in " ".join(one)]
    for line in lines:
        for name in (one for one in outputs(line) if Path(one).is_file()):
            Path(name).unlink()  # another command wrote it: it would not be replaced
        assert call(*line).code == 0, line  # it works where it may, and everything it needs is loaded now
    shutil.rmtree("out")
    Path("out").mkdir(0o555)
    for line in lines:
        code, said = as_nobody(line, tmp_path / "said")
        assert code == 3, (line, said)
        assert "Traceback" not in said
        assert any(word in said for word in ("ermission denied", "cannot be opened", "write-protected")), (line, said)
        assert not [*Path("out").iterdir()], line


def told_to(line: tuple[str, ...], stdout: int | None) -> int:
    """Run a line in this process with a descriptor as its stdout; return the exit code."""
    stream = None if stdout is None else open(stdout, "w", closefd=False)  # noqa: SIM115
    try:
        with redirect_stdout(stream):
            main([*line])
    except SystemExit as stop:
        return int(stop.code or 0)
    return 0


@pytest.mark.parametrize("words", [words for words in ONE_EACH if LONG or " ".join(words) not in SLOW], ids=" ".join)
def test_a_reader_that_leaves_is_no_error_and_a_stdout_that_takes_nothing_is_one(
    words: tuple[str, ...], home: Path, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = ONE_EACH[words]
    read, write = os.pipe()
    os.close(read)
    assert told_to(line, write) == 0, capsys.readouterr().err
    assert not [name for name in outputs(line) if not Path(name).exists()], "the work was not done to its end"
    os.close(write)
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert "roken pipe" not in said
    for stdout in (None, os.open("/dev/full", os.O_WRONLY)):
        anew(home, here)
        assert told_to(line, stdout) == 3, (stdout, capsys.readouterr().err)
        assert "Error: " in capsys.readouterr().err
        if stdout is not None:
            os.close(stdout)


@pytest.mark.parametrize("line", [line for line in PAGES if LONG or short(line) not in SLOW], ids=short)
def test_every_page_that_is_written_has_a_policy_and_asks_for_nothing(line: tuple[str, ...], here: Path) -> None:
    """For a parser that reads as browsers do: no page, no figure names anything outside itself."""
    for made in (("fleet", *FLEET[1:], "--out=out/plan"),) if "diff" in line else ():
        assert call(*made).code == 0
    assert call(*line).code == 0
    pages = [*Path("out").rglob("*.html")]
    assert pages or line[0] == "demo"
    script = (Path(fleet_page.__file__).parent / "templates" / "fleet.js").read_text("utf-8")
    for page in pages:
        check_page(page.read_text("utf-8"), script=script if page.name == "plan.html" else "")
    for figure in Path("out").rglob("*.svg"):
        check_svg(figure.read_bytes())


@pytest.fixture
def full(here: Path) -> Iterator[str]:
    """Let nothing be written to "out" any more: a disk that is full, where the machine lets us mount one."""
    disk = ["mount", "-t", "tmpfs", "-o", "size=4k", "tmpfs", here / "out"]
    mounted = subprocess.run(disk, check=False, capture_output=True).returncode == 0
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    if mounted:
        Path("out/filler").write_bytes(bytes(4096))
    else:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, limit[1]))
    yield "No space left|disk is full" if mounted else "File too large|disk is full|disk I/O"
    resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    if mounted:
        subprocess.run(["umount", here / "out"], check=True)


def test_a_disk_that_is_full_is_told_in_words_and_holds_nothing_half(full: str) -> None:
    for line in WRITE if LONG else [line for line in WRITE if short(line) not in SLOW]:
        done = call(*line)
        assert done.code == 3, (line, done.err)
        assert "Traceback" not in done.err
        assert re.search(full, done.err), (line, done.err)
        left = [path for path in Path("out").rglob("*") if path.is_file() and path.name != "filler"]
        assert not [path for path in left if path.stat().st_size or path.name.endswith(".partial")], (line, left)


def test_what_is_read_while_entries_come_is_whole(here: Path) -> None:
    """Two people type, a third takes in a book, while sheets are printed and what the book teaches is worked out."""

    def typing(name: str) -> None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(1, 2)
        for number in range(ENTRIES):
            call("visit", "enter", "w.book", "--visit-id=V18", "note", f"{name} {number}")

    def merging() -> None:
        for _ in range(ENTRIES):
            call("log", "import", "w.book", "seen.book", "old.book")

    children = [in_child(lambda: typing("one")), in_child(lambda: typing("two")), in_child(merging)]
    read = (
        ("visit", "print", "w.book", "--visit-id=V18", "--out=out/v.html"),
        *((command, "w.book") for command in ("learn", "right", "share")),
        ("log", "export", "w.book", "--out=out/e.jsonl"),
        ("log", "verify", "w.book"),
        ("log", "show", "w.book", "--json"),
    )
    codes = {line: call(*line).code for _ in range(3) for line in read}
    assert [os.waitpid(one, 0)[1] for one in children] == [0, 0, 0]
    assert {*codes.values()} == {0}, codes
    told = call("log", "verify", "w.book", "--json").json
    assert told["broken"] == []
    notes = call("log", "show", "w.book", "--visit-id=V18").out
    assert [one for one in range(ENTRIES) if f"one {one}" not in notes or f"two {one}" not in notes] == []


def test_two_who_hand_out_by_one_key_at_once_keep_one_account(here: Path) -> None:
    """Each reads the key, and writes all of it again: what one handed out must not be lost by the other."""
    deal = ("mystery", "deal", "--seed=7", "--level=easy", "--salt-file=salt.txt", "--out=anna.json", "--key=k.json")
    assert call(*deal).code == 0
    shutil.copy("anna.json", "ben.json")
    steps = ["heating_air", "ambient_air", "probe_leak", "site_air"]

    def handing(learner: str) -> None:
        for step in steps:
            assert call("mystery", "play", f"{learner}.json", f"--take={step}", "--key=k.json").code == 0

    children = [in_child(lambda name=name: handing(name)) for name in ("anna", "ben")]
    assert [os.waitpid(one, 0)[1] for one in children] == [0, 0]
    (account,) = json.loads(Path("k.json").read_text("utf-8"))["handed_out"].values()
    assert account == {"anna": steps, "ben": steps}
