"""A progress bar on a terminal, silence in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TypeVar

import click

from combust.edge import interrupt

Result = TypeVar("Result")
Show = Callable[[int, int], None]


def with_progress(label: str, work: Callable[[Show | None], Result]) -> Result:
    """Run work, giving it a function (done, size) that moves the bar, or None where nobody would see it."""
    if not sys.stderr.isatty():
        return work(None)
    with click.progressbar(length=1000, label=label, file=sys.stderr) as bar:

        def show(done: int, size: int) -> None:
            bar.update(max(0, int(1000 * done / max(size, 1)) - bar.pos))

        interrupt.unfinished.add(bar.render_finish)  # it shows the cursor of the terminal again
        try:
            return work(show)
        finally:
            interrupt.unfinished.discard(bar.render_finish)
