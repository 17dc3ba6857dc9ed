"""Running the command line: in this process where that is enough, in one of its own where streams or signals matter."""

from __future__ import annotations

import importlib
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.edge.cli.main import main

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"
MEASURED = ("--co2-dry", "9.3", "--co2-origin", "measured")


@dataclass(frozen=True)
class Run:
    """What a run of the command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """Return the one JSON object on stdout; anything more or less fails."""
        found = json.loads(self.out, parse_constant=_no_constant)
        assert isinstance(found, dict)
        return found


def _no_constant(name: str) -> float:
    raise AssertionError(f"{name} in JSON")


def call(*arguments: str, encoding: str = "utf-8") -> Run:
    """Run ``combust`` in this process."""
    streams = [io.TextIOWrapper(io.BytesIO(), encoding=encoding, write_through=True) for _ in range(2)]
    kept = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = streams
    code = 0
    try:
        main([*arguments])
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 1
    finally:
        sys.stdout, sys.stderr = kept
    texts = [stream.buffer.getvalue().decode(encoding) for stream in streams]
    return Run(code, texts[0], texts[1])


def run(capsys: Any, *arguments: object) -> tuple[int, str, str]:
    """Run ``combust`` in this process under pytest's capture; return exit code, stdout, stderr."""
    code = 0
    try:
        main([str(argument) for argument in arguments])
    except SystemExit as stop:
        code = int(stop.code or 0)
    told = capsys.readouterr()
    assert "Traceback" not in told.out + told.err
    return code, told.out, told.err


def spawn(*arguments: str | bytes, env: Mapping[str, str] | None = None, **options: Any) -> Run:
    """Run ``combust`` in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "combust", *arguments],
        capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), **(env or {})},
        timeout=600,
        check=False,
        **{"cwd": ROOT, **options},
    )
    return Run(done.returncode, done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace"))


def is_plain_refusal(run: Run) -> None:
    """Fail unless a run ended as refused input: code 3, no traceback, and a text that says what, why and what to do."""
    assert run.code == 3, (run.code, run.err[-2000:])
    assert "Traceback" not in run.err
    faults = [line for line in run.err.splitlines() if line.startswith("- ")]
    assert faults, run.err
    for line in faults:
        says_all(line[2:])


def says_all(text: str) -> None:
    """Fail unless the text of a fault names the quantity, says what is wrong with it, and what to do."""
    sentences = [part for part in re.split(r"(?<=[.?!)])\s+", text.strip()) if part]
    assert len(sentences) >= 2, f"no remedy: {text}"
    assert re.match(r"^\S", text), text
    assert re.search(
        r" (is|are|has|have|holds|was|gives|comes|and|stands|ends|cannot|can|do|does|needs|names) ", text
    ), text


def tool(name: str) -> Any:
    """Return a script of ``tools/`` as a module; scripts import each other as they do when they are run."""
    folder = str(ROOT / "tools")
    if folder not in sys.path:
        sys.path.append(folder)
    return importlib.import_module(name)
