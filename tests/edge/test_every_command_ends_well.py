"""Every command under bad luck: ended from outside, a folder that is locked, a stdout that takes nothing."""

from __future__ import annotations

import os
import shutil
import signal
import sys
from pathlib import Path

import pytest

from combust.edge import interrupt
from combust.edge.cli.files import Written, WrittenFolder
from combust.edge.cli.main import main
from tests.edge.every_input import LINES, NO_FILE, OF_BOOK, WRITE, good_files
from tests.edge.runs import call
from tests.edge.test_every_pair_of_files import leaves, places
from tests.edge.test_logbook_hard import as_nobody, in_child
from tests.long import LONG

# One line of each command that answers; the last of a command, so that those that write come first.
ONE_EACH = {
    line[:2] if line[:2] in leaves() else line[:1]: line
    for line in (*OF_BOOK, *(one for lines in LINES.values() for one in reversed(lines)), *NO_FILE, *WRITE)
}
SLOW = ("demo", "fleet", "exercises", "mystery sheet", "mystery deal", "right")
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
            os.replace = lambda *_: os.kill(os.getpid(), number)  # type: ignore[assignment,misc]
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            main([*line])

        assert os.waitstatus_to_exitcode(os.waitpid(in_child(ended), 0)[1]) == 128 + number
        assert {path for path in here.rglob("*") if path.is_file()} == before


def test_a_folder_that_may_not_be_written_to_is_told_in_words_by_every_command(here: Path, tmp_path: Path) -> None:
    """As a user who may not write: root, whom no permission binds, becomes nobody for it."""
    here.chmod(0o755)
    lines = WRITE if LONG else [one for one in WRITE if short(one) not in SLOW]
    for line in lines:
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
    kept = sys.stdout
    sys.stdout = None if stdout is None else open(stdout, "w", closefd=False)  # type: ignore[assignment] # noqa: SIM115
    try:
        main([*line])
    except SystemExit as stop:
        return int(stop.code or 0)
    finally:
        sys.stdout = kept
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
