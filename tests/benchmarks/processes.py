"""Commands in processes of their own: their time, the processor's time and the peak of their memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
# As a user runs it: compiled modules are kept.
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
ENVIRONMENT |= {"PYTHONPATH": str(ROOT)}


# A child's peak memory counts what its parent held when it was forked: a small process in between keeps it honest.
LAUNCH = """
import json, os, subprocess, sys, time
start = time.perf_counter()
child = subprocess.Popen([sys.executable, *sys.argv[1:]], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
told = child.stdout.read().decode()
_, status, usage = os.wait4(child.pid, 0)
child.returncode = os.waitstatus_to_exitcode(status)
passed = time.perf_counter() - start
print(json.dumps([passed, usage.ru_utime + usage.ru_stime, usage.ru_maxrss, child.returncode, told]))
"""


class Ran(NamedTuple):
    """What one process took: seconds by the wall, of the processor, peak resident memory [MB]; and what it printed."""

    seconds: float
    processor_s: float
    peak_mb: float
    told: str


def run(arguments: Sequence[str]) -> Ran:
    """Run this Python with some arguments in a process of its own."""
    command = [sys.executable, "-S", "-c", LAUNCH, *arguments]
    done = subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, check=True)
    passed, processor, peak, code, told = json.loads(done.stdout)
    if code:
        raise RuntimeError(f"python {' '.join(arguments)} ended with {code}")
    # macOS counts bytes, Linux kilobytes
    return Ran(passed, processor, peak / (1e6 if sys.platform == "darwin" else 1e3), told)
