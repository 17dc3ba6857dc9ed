"""How the commands speak to any terminal, locale and pipe, and that every example of a help text runs."""

from __future__ import annotations

import io
import json
import os
import re
import shlex
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from combust.edge.cli.main import COMMANDS, main
from tests.edge.moments import PATIENCE
from tests.edge.runs import ROOT, call, spawn

GOOD = ("reading", "--fuel", "diesel_b7", "--o2-dry", "8.2", "--co-dry", "150", "--location", "outdoors")
WARM = ("--flue-temp", "300", "--intake-temp", "20")


@pytest.mark.parametrize(
    ("encoding", "form"),
    [("ascii", ()), ("ascii", ("--json",)), ("cp1252", ()), ("iso8859-15", ("--json",)), ("utf-8", ()),
     ("cp437", ("--json",))],
)  # fmt: skip
def test_any_terminal_can_show_it(encoding: str, form: tuple[str, ...]) -> None:
    run = spawn(*GOOD, *WARM, "--note", "снег – ℃", *form, env={"PYTHONIOENCODING": encoding})
    assert run.code == 0, run.err[-500:]
    if form:
        assert json.loads(run.out)["air_ratio"] == pytest.approx(1.6, abs=0.01)


@pytest.mark.parametrize("locale", ["C", "POSIX", "C.UTF-8", "tr_TR.UTF-8", "de_DE", "nonsense"])
def test_no_locale_changes_the_answer(locale: str) -> None:
    run = spawn(*GOOD, "--json", env={"LC_ALL": locale, "LANG": locale})
    assert run.code == 0
    assert run.json["air_ratio"] == call(*GOOD, "--json").json["air_ratio"]


def test_bytes_that_are_no_text_are_no_traceback() -> None:
    for form in ((), ("--json",)):
        run = spawn(*GOOD, "--note", b"\xff\xfe", *form)
        assert run.code == 0, run.err
    assert spawn(*GOOD, "--fuel", b"\xff").code == 3


def test_a_closed_pipe_is_no_traceback() -> None:
    command = [sys.executable, "-m", "combust", *GOOD, "--json"]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    told = process.stderr.read().decode()
    process.stderr.close()
    process.wait(PATIENCE)
    assert "Traceback" not in told


@pytest.mark.parametrize("command", [("fuel",), (*GOOD, "--out", "r.json"), (*GOOD, "--json", "--out", "r.json")])
def test_a_reader_that_leaves_is_no_error_and_the_work_is_done(command: tuple[str, ...], tmp_path: Path) -> None:
    """As ``| head`` does: the reader is gone before the first word; what was to be written is written."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "combust", *command], stdout=write, stderr=subprocess.PIPE, cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False, timeout=PATIENCE,
        )  # fmt: skip
    finally:
        os.close(write)
    assert done.returncode == 0, done.stderr
    assert b"roken" not in done.stderr
    assert (tmp_path / "r.json").exists() == ("--out" in command)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
@pytest.mark.parametrize("stdout", [">&-", ">/dev/full"])
def test_a_stdout_that_takes_nothing_is_an_error(stdout: str, tmp_path: Path) -> None:
    """Whoever redirects the result must hear that there is none."""
    line = f"{shlex.join([sys.executable, '-m', 'combust', *GOOD])} {stdout}"
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(["sh", "-c", line], stderr=subprocess.PIPE, cwd=tmp_path, env=env, check=False)
    assert done.returncode == 3
    assert b"Error:" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
@pytest.mark.parametrize(
    ("line", "code"),
    [
        (GOOD, 0),
        (("reading", "--fuel", "deisel", "--o2-dry", "8"), 3),
        (("reading", "--nothing"), 2),
        (("reading", "--fuel", "diesel_b7", "--o2-dry", "8.2", "--co-dry", "3000", "--strict"), 4),
    ],
)
def test_a_stderr_that_takes_nothing_leaves_the_exit_code_of_the_result(line: tuple[str, ...], code: int) -> None:
    found = 0
    with open("/dev/full", "w") as full, redirect_stderr(full), redirect_stdout(io.StringIO()) as out:
        try:
            main([*line])
        except SystemExit as stop:
            found = int(stop.code or 0)
        os.dup2(os.open(os.devnull, os.O_WRONLY), full.fileno())  # its own close would fail
    assert found == code
    assert ("lambda" in out.getvalue()) == (code in (0, 4))


def test_a_stderr_that_is_closed_is_nobody_s_file(tmp_path: Path) -> None:
    """The next file that is opened would get its number, and what a library tells there would come into it."""
    line = f"{shlex.join([sys.executable, '-m', 'combust', *GOOD, '--out', 'r.json'])} 2>&-"
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    assert subprocess.run(["sh", "-c", line], cwd=tmp_path, env=env, check=False, timeout=PATIENCE).returncode == 0
    assert json.loads((tmp_path / "r.json").read_text("utf-8"))["air_ratio"] == pytest.approx(1.6, abs=0.01)


def test_a_steering_text_cannot_reach_the_terminal() -> None:
    run = call("reading", "--fuel", "\x1b[2J" + "x" * 5000, "--o2-dry", "8")
    assert run.code == 3
    assert "\x1b[2J" not in run.err
    assert len(run.err) < 2000


def examples_of(command: str) -> list[list[str]]:
    """Return every example line of a command's help as arguments."""
    text = re.sub(r"\\\n\s*", "", call(command, "--help").out)  # a line may go on behind a backslash
    lines = [re.split(r" >>? ", line)[0].strip() for line in text.splitlines() if re.match(r"^\s+combust \w", line)]
    assert lines, f"{command} shows no example"
    return [shlex.split(line)[1:] for line in lines]


def test_the_examples_of_the_help_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One folder for all, in the order of the map: what an example writes, the next one may read."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "data").symlink_to(ROOT / "data")
    (tmp_path / "salt.txt").write_text("only the instructor knows this sentence", encoding="utf-8")
    done = []
    for command in COMMANDS:
        if command == "page":  # it serves until it is stopped: tests/edge/web does that
            continue
        for example in examples_of(command):
            run = call(*example)
            assert run.code == 0, (example, run.err)
            done.append(example)
    top = [re.sub(r"^.*?combust ", "", line) for line in call("--help").out.splitlines() if " combust " in line]
    assert top
    runnable = [line.split() for line in top if "IN.csv" not in line and not line.startswith("Usage")]
    for example in runnable:
        if example[0] in ("reading", "demo") and example not in done:
            assert call(*example).code == 0, example


def test_first_help_lines_are_short_and_imperative() -> None:
    for command in COMMANDS:
        text = call(command, "--help").out
        first = next(line.strip() for line in text.splitlines()[1:] if line.strip())
        assert len(first) < 72
        assert not first.split()[0].endswith("s"), first


def test_co_beyond_its_band_is_refused_and_still_stops(tmp_path: Path) -> None:
    """More CO than can be is a mistake, but it must not pass as harmless (common practice, no source)."""
    run = call("reading", "--cab-co-in", "25000", "--o2-dry", "8", "--location", "outdoors")
    assert run.code == 3
    assert "Everyone out" in run.err
    table = tmp_path / "one.csv"
    table.write_text("cab_co_in_ppm,o2_dry_pct,location\n25000,8,outdoors\n", encoding="utf-8")
    run = call("readings", str(table), "--out", str(tmp_path / "out.csv"))
    assert run.code == 3  # no row of it can be taken
    assert "STOP in 1 of 1 row: cab_co_everyone_out" in run.err
