"""Ctrl-C, or being ended from outside: what is unfinished is taken away, one line is said, the code is 128 + signal.

The process leaves from within the handler, at any moment. An exception instead would be lost in the callback of a
library, or come up as a failed import with a traceback. This module loads nothing heavy: it is in force before anything
else is loaded.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

# Ctrl-C, an end from outside, a terminal or a connection that is gone (which not every system knows).
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
# What takes an unfinished thing away: a partial file, an open transaction, a bar on the terminal.
unfinished: set[Callable[[], object]] = set()


def leave(number: int, frame: FrameType | None) -> None:
    """Take away what is unfinished and end the process: the handler while a command runs."""
    ignore()
    for take_away in [*unfinished]:
        with suppress(Exception):  # the next one is taken away all the same
            take_away()
    with suppress(OSError):
        os.write(2, b"Stopped by the user.\n")
    os._exit(128 + number)


def guard() -> None:
    """Leave in order from now on; a signal that whoever started the process had switched off stays off."""
    for number in SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, leave)


def ignore() -> None:
    """Let no signal disturb what is as good as done: the end of the interpreter."""
    for number in SIGNALS:
        signal.signal(number, signal.SIG_IGN)


@contextmanager
def raised() -> Iterator[None]:
    """Raise KeyboardInterrupt inside the block: for what has to end something of its own first, such as processes."""
    guarded = [number for number in SIGNALS if signal.getsignal(number) is leave]
    for number in guarded:
        signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number in guarded:
            signal.signal(number, leave)
