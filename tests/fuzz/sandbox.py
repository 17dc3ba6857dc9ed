"""A folder in which commands run with any options: small inputs of every kind, put back as they were after each run."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from unittest import mock

from tests.application.mystery_study import SALT
from tests.edge.runs import Run, call
from tests.fuzz.registry import DATA, SHIPPED, scratch
from tests.fuzz.targets_case import dealt
from tests.fuzz.targets_tables import SHORT, book_seed
from tests.fuzz.targets_toml import FUELS

CODES = (0, 2, 3, 4)
# These reach for other machines or start processes of their own: the tests of the commands try them.
LEFT_OUT = ("--scheduler", "--workers")
# An exercise in class size is slow without saying more.
BOUNDED = {"--count": "1"}


class Sandbox:
    """The folder and how it was; ``home`` lies two floors below what is watched, so that ``..`` stays inside."""

    def __init__(self) -> None:
        self.top = scratch() / "sandbox"
        self.home = self.top / "a" / "b"
        self.home.mkdir(parents=True)
        self.profiles = self.home / "profiles"
        shutil.copytree(DATA / "larkfell_fleet" / "profiles", self.profiles)
        for name, data in inputs().items():
            (self.home / name).write_bytes(data)
        self.kept = {path: path.read_bytes() for path in self.top.rglob("*") if path.is_file()}
        self.folders = {path for path in self.top.rglob("*") if path.is_dir()}
        self.state = self._look()

    def _look(self) -> dict[str, tuple[int, int]]:
        found: dict[str, tuple[int, int]] = {}
        for folder in (self.top, self.top / "a", self.home, self.profiles):
            if folder.is_dir():
                with os.scandir(folder) as entries:
                    for entry in entries:
                        facts = entry.stat(follow_symlinks=False)
                        found[entry.path] = (facts.st_mtime_ns, facts.st_size) if entry.is_file() else (0, 0)
        return found

    def put_back(self) -> None:
        """Make the folder what it was."""
        if self._look() == self.state:
            return
        for path in sorted(self.top.rglob("*"), reverse=True):
            if path.is_dir() and not path.is_symlink():
                if path not in self.folders:
                    shutil.rmtree(path)
            elif path not in self.kept:
                path.unlink()
        for path in sorted(self.folders):
            path.mkdir(exist_ok=True)
        for path, data in self.kept.items():
            path.write_bytes(data)
        self.state = self._look()

    @contextlib.contextmanager
    def inside(self) -> Iterator[None]:
        """Work in the folder and put it back afterwards."""
        try:
            with contextlib.chdir(self.home):
                yield
        finally:
            self.put_back()

    def run(self, arguments: list[str]) -> Run:
        """Run a command line in this process: no traceback, a known exit code, nothing half written."""
        with self.inside(), mock.patch("combust.edge.web.serve.run"):
            done = call(*arguments)
            half = [str(path) for path in self.top.rglob("*") if path.name.endswith(".partial")]
        assert done.code in CODES, f"exit code {done.code}: {done.err[-300:]}"
        assert "Traceback" not in done.err, done.err[-1000:]
        assert not half, f"left half written: {half}"
        if done.code == 3:
            assert done.err.strip(), "refused without a word"
        # Behind an option that takes a value "--json" is that value.
        asked = any(one == "--json" and not before.startswith("-") for before, one in pairwise(arguments))
        if asked and done.code == 0 and done.out.strip() and "--help" not in done.out:
            assert done.json is not None
        return done


@cache
def inputs() -> dict[str, bytes]:
    """Return the input files of the sandbox."""
    fleet = DATA / "larkfell_fleet"

    def head(path: Path, lines: int) -> bytes:
        return b"".join(path.read_bytes().splitlines(keepends=True)[:lines])

    return {
        "h.toml": (DATA / "heaters" / "heater-0312.toml").read_bytes(),
        "g.toml": (DATA / "heaters" / "heater-0107.toml").read_bytes(),
        "t.csv": head(DATA / "larkfell_readings.csv", 6),
        "short.csv": SHORT,
        "visits.csv": head(DATA / "larkfell_visits.csv", 4),
        "winters.csv": head(DATA / "larkfell_winters.csv", 12),
        "series.csv": head(DATA / "larkfell_series.csv", 40),
        "vehicles.csv": head(fleet / "vehicles.csv", 5),
        "sites.csv": (fleet / "sites.csv").read_bytes(),
        "routes.csv": head(fleet / "routes.csv", 20),
        "policy.toml": (fleet / "policy.toml").read_bytes(),
        "fuels.toml": FUELS.encode(),
        "causes.toml": b"[prior]\nhealthy = 0.5\n",
        "analyser.toml": (SHIPPED / "instruments.toml")
        .read_bytes()
        .partition(b"[class.portable]\n")[2]
        .partition(b"\n[")[0],
        "salt.txt": SALT.encode(),
        "case.json": dealt()["played"],
        "key.json": dealt()["key"],
        "w.book": book_seed()[0],
    }
