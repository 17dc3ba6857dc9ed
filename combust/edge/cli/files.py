"""Options that name what a command writes: checked, before anything is computed, against all that it reads."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from combust.data.errors import CombustError, Fault
from combust.edge.whole_file import faults_of_twice, same_file, writable_name

TABLES = (".csv", ".parquet")


class Written(click.types.StringParamType):
    """The name of a file that the command writes; ``endings`` are those it may have.

    ``own`` are words of which one stands in the head of what it wrote: nothing else is replaced.
    """

    name = "file"

    def __init__(self, *endings: str, own: Sequence[str] = ()) -> None:
        self.endings, self.own = endings, own

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Let the shell offer what is there."""
        return [CompletionItem(incomplete, type="dir" if isinstance(self, WrittenFolder) else "file")]


class WrittenFolder(Written):
    """The name of a folder that the command fills; with ``below`` only with folders of its own."""

    def __init__(self, *, below: bool = False) -> None:
        super().__init__()
        self.below = below


class Updated(Written):
    """The name of a file that the command reads and writes again: a logbook, a learner's file, a key."""


FIGURE = Written(".png", ".svg", own=("combust",))
SHEET = Written(".html", own=('<meta name="generator" content="combust">',))
EXPORTED = Written(*TABLES, ".jsonl", own=("safety", '"hash"'))


def refuse_folder(out: str, read: Iterable[str]) -> None:
    """Refuse to fill a folder that holds what is read, or is it.

    Raises
    ------
    CombustError
    """
    for one in read:
        if same_file(out, one) or same_file(out, str(Path(one).parent)):
            hint = "Choose another name: it was not touched."
            raise CombustError(Fault("file", out, "conflict", why="is the input of this command", hint=hint))


def check_files(params: Sequence[click.Parameter], given: Mapping[str, Any]) -> list[str]:
    """Refuse names that cannot be written, what the command reads under any other name, and one name for two outputs.

    Every text of the command line that is not written counts as read: a table, a logbook, a profile, a key, a salt.
    What is only read is returned, for :func:`combust.edge.whole_file.kept`.

    Raises
    ------
    CombustError
        Each of them, at once.
    """
    kinds = {str(one.name): one.type for one in params if not re.search("TEXT|WORD", one.metavar or "")}
    texts = [(kinds[name], text) for name, value in given.items() if name in kinds for text in texts_of(value)]
    outs = [(kind, text) for kind, text in texts if isinstance(kind, Written)]
    read = [text for kind, text in texts if not isinstance(kind, Written)]
    updated = [text for kind, text in outs if isinstance(kind, Updated)]
    faults = faults_of_twice(text for _, text in outs)
    for kind, out in outs:
        sources = read if isinstance(kind, Updated) else [*read, *updated]
        if found := next((one for one in sources if same_file(out, one) or _is_filled(kind, out, one)), None):
            why = "is the input of this command" if same_file(out, found) else f"is the folder of the input {found}"
            hint = "Choose another name: it was not touched."
            if isinstance(kind, Updated):
                why, hint = "stands among what is only read too", "Leave it out there: it was not touched."
            faults.append(Fault("file", out, "conflict", why=why, hint=hint))
        elif isinstance(kind, Updated) and os.path.exists(out) and not os.path.isfile(out):
            hint = "Give the name of a file: it was not touched."
            faults.append(Fault("file", out, "format", why="is no file", hint=hint))
        elif isinstance(kind, WrittenFolder) and os.path.lexists(out) and not os.path.isdir(out):
            hint = "Give the name of a folder: it was not touched."
            faults.append(Fault("folder", out, "format", why="is no folder", hint=hint))
    if faults:
        raise CombustError(faults)
    for kind, out in outs:
        if not isinstance(kind, Updated | WrittenFolder):
            writable_name(out, kind.endings, kind.own)
    return read


def alone_with(file: str) -> None:
    """Let no other command change a file that is read and written again, until this one has ended: the other waits.

    Its folder is locked, since the file itself is replaced. Where a system cannot do that, nobody waits.
    """
    with suppress(ImportError, OSError):
        import fcntl

        folder = os.open(Path(file).resolve().parent, os.O_RDONLY)
        click.get_current_context().call_on_close(partial(os.close, folder))
        fcntl.flock(folder, fcntl.LOCK_EX)


def texts_of(value: object) -> list[str]:
    """Return the texts of an option that was given once or several times."""
    return [one for one in (value if isinstance(value, tuple) else (value,)) if isinstance(one, str)]


def _is_filled(kind: Written, folder: str, read: str) -> bool:
    """Return True when a file that is read lies in the folder to fill, where it may get a name that is written."""
    filled = isinstance(kind, WrittenFolder) and not kind.below
    return filled and os.path.isfile(read) and same_file(folder, str(Path(read).parent))
