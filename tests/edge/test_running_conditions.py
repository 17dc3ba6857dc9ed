"""Ctrl-C, closed pipes, folders that may not be written to, two runs at once, other locales and time zones."""

from __future__ import annotations

import datetime
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from tests.edge.moments import ENV, PATIENCE, all_gone, begin, hold, interrupt, living_of, loaded, opened, until
from tests.edge.runs import DATA, ROOT, call, spawn
from tests.long import LONG

FLEET = DATA / "larkfell_fleet"
FLEET_TABLES = (f"--vehicles={FLEET / 'vehicles.csv'}", f"--sites={FLEET / 'sites.csv'}")
PROFILE = str(DATA / "heaters" / "heater-0312.toml")


@pytest.fixture(scope="module")
def long_work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with tables that keep a command busy for some seconds."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    folder = tmp_path_factory.mktemp("long")
    head, *rows = (DATA / "larkfell_readings.csv").read_text(encoding="utf-8").splitlines()
    (folder / "readings.csv").write_text("\n".join([head, *(rows * 4_000)]) + "\n", encoding="utf-8")
    head, *rows = (DATA / "larkfell_winters.csv").read_text(encoding="utf-8").splitlines()
    keys = head.split(",")
    drop = {keys.index("visit_id"), keys.index("reading_id")}
    kept = [",".join(cell for at, cell in enumerate(row.split(",")) if at not in drop) for row in [head, *rows]]
    (folder / "winters.csv").write_text("\n".join([kept[0], *(kept[1:] * 200)]) + "\n", encoding="utf-8")
    head, *rows = (FLEET / "vehicles.csv").read_text(encoding="utf-8").splitlines()
    many = [row.replace(",", f"-{again},", 1) for again in range(400) for row in rows]
    (folder / "vehicles.csv").write_text("\n".join([head, *many]) + "\n", encoding="utf-8")
    size = 3_000_000
    points = pa.table({"route_id": ["coast_round"] * size, "altitude_m": [500.0] * size, "temp_c": [0.0] * size,
                       "minutes": [5.0] * size})  # fmt: skip
    pq.write_table(points, folder / "points.parquet", row_group_size=200_000)
    return folder


def lines_of(name: str, folder: Path, out: Path) -> list[str]:
    """Return the arguments of a long run that writes into ``out``."""
    return {
        "readings": ["readings", f"{folder}/readings.csv", f"--out={out}/o.csv", f"--rejects={out}/r.csv"],
        "fleet": ["fleet", f"--vehicles={folder}/vehicles.csv", f"--sites={FLEET}/sites.csv",
                  f"--profiles={FLEET}/profiles", f"--out={out}/plan"],
        "workers": ["fleet", *FLEET_TABLES, f"--routes={folder}/points.parquet", "--workers=2", f"--out={out}/plan"],
        "points": ["site", f"--heater={PROFILE}", f"--points={folder}/points.parquet", f"--points-out={out}/p.parquet"],
        "history": ["history", f"{folder}/winters.csv", "--fleet", f"--figure={out}/h.png"],
        "log": ["log", "add", f"{out}/w.book", f"{folder}/winters.csv"],
        "demo": ["demo", f"--out={out}/demo"],
        "exercises": ["exercises", "--seed=1", "--cards", f"--out={out}/pages"],
    }[name]  # fmt: skip


def middle_of(name: str, folder: Path, out: Path, process: subprocess.Popen[str]) -> Callable[[], object]:
    """Return the state by which a long run shows that it is in the middle."""
    pid, written = process.pid, lambda pattern: next(out.glob(pattern), None)
    return {
        "readings": lambda: written(".*.partial"),
        "fleet": lambda: opened(pid, folder / "vehicles.csv"),
        "workers": lambda: any(opened(one, folder / "points.parquet") for one in living_of(pid) if one != pid),
        "points": lambda: written(".*.partial"),
        "history": lambda: opened(pid, folder / "winters.csv"),
        "log": lambda: written("w.book-journal"),
        "demo": lambda: written("demo/*"),
        "exercises": lambda: loaded(pid, "markupsafe"),  # the first page is made; all are written behind the last
    }[name]


@pytest.mark.parametrize("name", ["readings", "fleet", "workers", "points", "history", "log", "demo", "exercises"])
def test_ctrl_c_ends_in_one_line_and_leaves_nothing_half_written(name: str, long_work: Path, tmp_path: Path) -> None:
    process = begin(*lines_of(name, long_work, tmp_path), cwd=tmp_path)
    assert hold(process, middle_of(name, long_work, tmp_path, process)), "it was never seen in the middle"
    code, told = interrupt(process)
    assert code == 130, told
    assert told.rstrip().splitlines()[-1] == "Stopped by the user."
    assert "Traceback" not in told
    assert "Exception ignored" not in told
    for left in ("o.csv", "r.csv", "p.parquet", "h.png", "w.book-journal"):
        assert not (tmp_path / left).exists()
    assert not list(tmp_path.rglob("*.partial"))
    assert all_gone(process.pid), "a worker was left behind"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_being_ended_from_outside_leaves_nothing_half_written_either(
    number: signal.Signals, long_work: Path, tmp_path: Path
) -> None:
    """Ended by the system, or the terminal was closed, or the connection to it."""
    process = begin(*lines_of("readings", long_work, tmp_path), cwd=tmp_path)
    assert hold(process, middle_of("readings", long_work, tmp_path, process))
    assert interrupt(process, number) == (128 + number, "Stopped by the user.\n")
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_gives_the_cursor_of_the_terminal_back(long_work: Path, tmp_path: Path) -> None:
    """A progress bar hides it (DECTCEM of the VT220, from memory: 25l hides, 25h shows)."""
    ours, theirs = os.openpty()
    process = begin(*lines_of("readings", long_work, tmp_path), cwd=tmp_path, stderr=theirs)
    assert hold(process, middle_of("readings", long_work, tmp_path, process))
    assert interrupt(process)[0] == 130
    os.close(theirs)
    said = b""
    with suppress(OSError):  # a terminal nobody writes to any more ends so; it hands on what it holds in pieces
        while piece := os.read(ours, 100_000):
            said += piece
    os.close(ours)
    assert b"\x1b[?25l" in said
    assert b"\x1b[?25h" in said.rpartition(b"\x1b[?25l")[2]
    assert said.endswith(b"Stopped by the user.\r\n")


def test_a_signal_that_was_switched_off_before_stays_off(tmp_path: Path) -> None:
    """As a shell starts what runs in the background: Ctrl-C is for what stands in front."""
    assert interrupt(begin("word", "lambda", cwd=tmp_path, deaf=True)) == (0, "")


SHORT = (
    ("reading", "--o2-dry=8.2", "--location=outdoors", "--out=r.json"),
    ("visit", "open", "w.book", "heater-1", "--visit-id=V1", "o2", "8.2", "outdoors"),
    ("profile", "new", "--out=h.toml"),
)
MOMENTS = 210 if LONG else 15


def test_a_signal_at_any_moment_ends_in_0_or_130(tmp_path: Path) -> None:
    """Random moments from the first line of the program to behind its end; the run time is measured first.

    The first is its first line and the last is behind its end, however the machine's speed changes meanwhile.
    """
    took, whole, codes = [], [], []
    for line in SHORT:
        begun = time.monotonic()
        folder = tmp_path / line[0]
        folder.mkdir()
        assert begin(*line, cwd=folder).wait(PATIENCE) == 0
        took.append(time.monotonic() - begun)
        whole.append({path.name: path.stat().st_size for path in folder.iterdir()})
    draw = random.Random(11)
    for number in range(MOMENTS):
        which = number % len(SHORT)
        folder = tmp_path / str(number)
        folder.mkdir()
        process = begin(*SHORT[which], cwd=folder)
        share = {0: 0.0, MOMENTS - 1: float("inf")}.get(number, draw.uniform(0.0, 1.2))
        moment = time.monotonic() + share * took[which]
        until(process, lambda moment=moment: time.monotonic() >= moment)
        code, told = interrupt(process)
        codes.append(code)
        assert code in (0, 130), told
        assert "Traceback" not in told
        assert "Exception ignored" not in told
        left = {path.name: path.stat().st_size for path in folder.iterdir()}
        assert left.items() <= whole[which].items() or left == {"w.book": 0}, left  # of no bytes: no visit was written
        assert code or left == whole[which]
    assert set(codes) == {0, 130}
    print(f"{MOMENTS} moments in {took} s:", {code: codes.count(code) for code in (0, 130)})


PIPED = [
    ("--help",),
    ("readings", str(DATA / "larkfell_readings.csv"), "--out=o.csv"),
    ("fleet", *FLEET_TABLES, "--out=plan"),
]  # every command, in one process: tests/edge/test_every_command_ends_well.py


@pytest.mark.parametrize("arguments", PIPED, ids=lambda arguments: arguments[0])
def test_a_reader_that_leaves_after_one_line_is_no_error_text(arguments: tuple[str, ...], tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "combust", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=ENV,
        cwd=tmp_path,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    told = process.stderr.read().decode()
    process.stderr.close()
    assert process.wait(PATIENCE) in (0, 1)  # 1 is what click ends with when the pipe is gone
    assert "Traceback" not in told
    assert "Exception ignored" not in told
    assert "Broken pipe" not in told
    assert not list(tmp_path.rglob("*.partial"))


def both(*lines: list[str]) -> list[int]:
    """Run commands at the same time and return how they ended."""
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": ENV}
    started = [subprocess.Popen([sys.executable, "-m", "combust", *line], **quiet) for line in lines]
    return [process.wait(PATIENCE) for process in started]


def test_two_runs_into_one_place_leave_whole_files_of_one_of_them(tmp_path: Path) -> None:
    tables = []
    for number in (1, 2):
        table = tmp_path / f"in{number}.csv"
        table.write_text(
            "o2_dry_pct,location,note\n" + f"8.{number},outdoors,run {number}\n" * 20_000, encoding="utf-8"
        )
        tables.append(table)
        assert call("readings", str(table), "--out", str(tmp_path / f"alone{number}.csv")).code == 0
    alone = [(tmp_path / f"alone{number}.csv").read_bytes() for number in (1, 2)]
    assert both(*(["readings", str(table), f"--out={tmp_path / 'both.csv'}"] for table in tables)) == [0, 0]
    assert (tmp_path / "both.csv").read_bytes() in alone
    assert both(*(["fleet", *FLEET_TABLES, f"--out={tmp_path}/plan"] for _ in tables)) == [0, 0]
    assert call("fleet", *FLEET_TABLES, f"--out={tmp_path}/plan_alone").code == 0
    for path in (tmp_path / "plan_alone").iterdir():
        assert (tmp_path / "plan" / path.name).read_bytes() == path.read_bytes(), path.name
    assert not list(tmp_path.rglob("*.partial"))


PLACES = (
    {"TZ": "Pacific/Kiritimati", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    {"TZ": "America/Anchorage", "LC_ALL": "de_DE.UTF-8", "LANGUAGE": "de"},
)


def test_locale_and_time_zone_change_no_byte_of_a_file(tmp_path: Path) -> None:
    written: list[dict[str, bytes]] = []
    day = "--on=2026-03-01"  # the day it is may differ between two zones, and does so rightly
    for number, env in enumerate(PLACES):
        out = tmp_path / str(number)
        out.mkdir()
        more = {**env, "PYTHONPATH": str(ROOT)}
        for line in (
            ["readings", str(DATA / "larkfell_readings.csv"), "--out=o.csv", "--rejects=r.csv"],
            ["fleet", *FLEET_TABLES, "--out=plan"],
            ["exercises", "--seed=7", "--out=pages"],
            ["reading", "--o2-dry=8.2", "--note=snow", "--location=outdoors", "--out=r.json", "--figure=r.svg"],
        ):
            run = spawn(*line, cwd=out, env=more)
            assert run.code == 0, run.err
        told = spawn("history", str(DATA / "larkfell_winters.csv"), "--fleet", day, "--json", cwd=out, env=more)
        found = {str(path.relative_to(out)): path.read_bytes() for path in out.rglob("*") if path.is_file()}
        written.append({**found, "history": repr(told.json).encode()})
    assert written[0].keys() == written[1].keys()
    assert [name for name in written[0] if written[0][name] != written[1][name]] == []


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "America/Anchorage"])
def test_times_of_the_logbook_carry_their_offset(tmp_path: Path, zone: str) -> None:
    book = str(tmp_path / "w.book")
    before = datetime.datetime.now(datetime.UTC) - datetime.timedelta(seconds=2)
    env = {"TZ": zone}
    whole = ("o2", "8.2", "outdoors", "cab", "1", "outside", "0", "handed_back", "yes")
    assert spawn("visit", "open", book, "heater-1", "--visit-id=V1", *whole, env=env).code == 0
    assert spawn("visit", "close", book, "--incomplete", env=env).code == 0
    told = spawn("log", "show", book, "--visit-id=V1", "--json", env=env).json
    for key in ("opened_at", "closed_at"):
        moment = datetime.datetime.fromisoformat(told[key])
        assert moment.tzinfo is not None
        assert before <= moment <= datetime.datetime.now(datetime.UTC)
