"""Files that are complete or not there: written beside their name, moved to it at the end."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from combust.edge import interrupt


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a name to write to; the file is moved to ``path`` when the block ends well, and is gone when it does not.

    A link at ``path`` is replaced, what it points to stays untouched. The name given cannot be foreseen: two runs at
    once never write into one file, and nobody can lay a link there. It is short, so that every name the folder can
    hold can be written. A stopped command takes the file away.
    """
    partial = path.with_name(f".{os.getpid()}-{secrets.token_hex(8)}.partial")
    interrupt.unfinished.add(partial.unlink)
    try:
        yield partial
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)
        interrupt.unfinished.discard(partial.unlink)
