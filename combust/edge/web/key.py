"""The key of a server: beside its logbook, so that cookies, forms and pairing codes hold over a restart."""

from __future__ import annotations

import secrets
from pathlib import Path

from combust.data.errors import CombustError, Fault, no_access
from combust.edge.whole_file import make_secret

BYTES = 32


def key_beside(book: Path | None) -> bytes:
    """Return the key that stands beside a logbook, made when it is not there; without a logbook a new one.

    Raises
    ------
    CombustError
        The file is not one of ours: it is not touched.
    """
    if book is None:
        return secrets.token_bytes(BYTES)
    path = book.with_name(f"{book.name}.page-key")
    key = secrets.token_bytes(BYTES)
    try:
        make_secret(path, key.hex().encode())
    except FileExistsError:
        return _read(path)
    except OSError as error:
        raise no_access("page-key", path, error, done="written") from error
    return key


def _read(path: Path) -> bytes:
    try:
        text = path.read_text(encoding="ascii") if path.is_file() and path.stat().st_size < 200 else ""
        key = bytes.fromhex(text.strip())
    except OSError as error:
        raise no_access("page-key", path, error) from error
    except ValueError:
        key = b""
    if len(key) != BYTES:
        hint = "Move it away: a new one is made, and every phone pairs again."
        raise CombustError(Fault("page-key", str(path), "format", why="is no key of this page", hint=hint))
    return key
