"""A command watched from outside, so that a signal reaches it at a known moment: nothing here waits for a time.

What is looked at is what the system tells of a process (``/proc`` of Linux): which signals it handles, which files it
has open, who its children are. No command knows that it is watched.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from tests.edge.runs import ROOT

ENV = {**os.environ, "PYTHONPATH": str(ROOT)}
# Nobody waits so long for what comes: it ends a run that hangs, on a machine as busy as it may be.
PATIENCE = 600.0
BETWEEN_LOOKS = 0.002


def begin(*arguments: str, cwd: Path, deaf: bool = False, **options: Any) -> subprocess.Popen[str]:
    """Start a command in a session of its own and return once its handlers are in force.

    Before that the bare interpreter is starting: no line of the project has run, and none could act.
    """
    with hearing(not deaf):
        process = subprocess.Popen(
            [sys.executable, "-m", "combust", *arguments],
            text=True, cwd=cwd, env=ENV, start_new_session=True,
            **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options},
        )  # fmt: skip
    until(process, lambda: handles(process.pid, signal.SIGTERM))
    return process


@contextmanager
def hearing(hears: bool = True) -> Iterator[None]:
    """Let what is started in the block hear Ctrl-C and a closed terminal, or neither.

    It would inherit being deaf where the tests themselves run in the background, or on when their terminal is closed.
    """
    ways = {signal.SIGINT: signal.default_int_handler, signal.SIGHUP: signal.SIG_DFL}
    before = {number: signal.signal(number, way if hears else signal.SIG_IGN) for number, way in ways.items()}
    try:
        yield
    finally:
        for number, way in before.items():
            signal.signal(number, way)


def until(process: subprocess.Popen[Any], state: Callable[[], object]) -> bool:
    """Return True as soon as a state is seen, False when the process has ended without it."""
    while not state():
        with suppress(subprocess.TimeoutExpired):
            process.wait(BETWEEN_LOOKS)
            return bool(state())
    return True


def hold(process: subprocess.Popen[Any], state: Callable[[], object]) -> bool:
    """Stop a process in the middle: where the state is seen and its work is not done. False when it ended before."""
    while until(process, state):
        process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, process.pid, os.WSTOPPED | os.WEXITED | os.WNOWAIT)
        if state() and handles(process.pid, signal.SIGINT):
            return True
        process.send_signal(signal.SIGCONT)
    return False


def interrupt(process: subprocess.Popen[Any], number: signal.Signals = signal.SIGINT) -> tuple[int, str]:
    """Send a signal, let the process go on if it was held, and return (exit code, stderr)."""
    process.send_signal(number)
    process.send_signal(signal.SIGCONT)
    _, told = process.communicate(timeout=PATIENCE)
    return process.returncode, told


def handles(pid: int, number: signal.Signals) -> bool:
    """Return True when a process has a handler of its own for a signal."""
    for line in _read(f"/proc/{pid}/status").splitlines():
        if line.startswith("SigCgt:"):
            return bool(int(line.split()[1], 16) >> (number - 1) & 1)
    return False


def opened(pid: int, path: Path) -> bool:
    """Return True when a process has a file open."""
    try:
        return any(os.path.samefile(each, path) for each in Path(f"/proc/{pid}/fd").iterdir() if each.exists())
    except OSError:  # closed, or ended, between two looks
        return False


def loaded(pid: int, library: str) -> bool:
    """Return True when a process has a compiled library of that name in memory."""
    return library in _read(f"/proc/{pid}/maps")


def living_of(session: int) -> list[int]:
    """Return the processes of a session that live."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            told = _read(f"/proc/{entry.name}/stat").rpartition(")")[2].split()
            if told and told[0] != "Z" and told[3] == str(session):
                found.append(int(entry.name))
    return found


def all_gone(session: int) -> bool:
    """Return True when the last process of a session has ended, waiting for each that still is about to."""
    for pid in living_of(session):
        try:
            ended = os.pidfd_open(pid)
        except ProcessLookupError:
            continue
        try:
            if not select.select([ended], [], [], PATIENCE)[0]:
                return False
        finally:
            os.close(ended)
    return not living_of(session)


def _read(path: str) -> str:
    try:
        return Path(path).read_text()
    except OSError:
        return ""
