"""The key of a logbook: a file kept elsewhere, with which each entry is proven by an HMAC of its hash.

The hashes of a chain can be computed anew by whoever changes a book; what only the key can make cannot. The book
remembers that it has a key, which one, and where its file was: never the key.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from combust.data.errors import CombustError, Fault, no_access
from combust.edge.whole_file import KEY_MARK, make_secret


@dataclass(frozen=True, slots=True)
class Key:
    """A key: what it proves an entry with. It is never printed."""

    secret: bytes = field(repr=False)

    @property
    def name(self) -> str:
        """What tells it from other keys; the key cannot be had from it."""
        return hmac.digest(self.secret, b"name of this key", "sha256").hex()[:16]

    def prove(self, text: str) -> str:
        """Return the mark that proves the hash of an entry: HMAC-SHA256 (RFC 2104), behind the name of the key."""
        return f"{self.name}:{hmac.new(self.secret, text.encode(), hashlib.sha256).hexdigest()}"

    def made(self, mark: str) -> bool:
        """Return whether a mark says that it was made with this key."""
        return mark.startswith(f"{self.name}:")

    def proves(self, mark: str, text: str) -> bool:
        """Return whether a mark proves a hash."""
        return hmac.compare_digest(mark.encode("utf-8", "replace"), self.prove(text).encode())


def read_key(path: str | Path) -> Key:
    """Return the key of a file.

    Raises
    ------
    CombustError
        Not there, or no file of a key.
    """
    try:
        words = Path(path).read_bytes()[:1000].split()
    except (OSError, ValueError) as error:
        raise no_access("key_file", Path(path), error, "Put in the stick, or give --key-file.") from error
    if len(words) != 2 or words[0] != KEY_MARK.strip() or len(words[1]) != 64:
        hint = "Give the file that was made with the book."
        raise CombustError(Fault("key_file", str(path), "format", why="is no file of a key", hint=hint))
    try:
        return Key(bytes.fromhex(words[1].decode("ascii")))
    except ValueError as error:
        hint = "Give the file that was made with the book."
        raise CombustError(Fault("key_file", str(path), "format", why="is no file of a key", hint=hint)) from error


def key_at(path: str | Path) -> Key:
    """Return the key of a file; where there is none it is made, for its owner's eyes only.

    Raises
    ------
    CombustError
        It cannot be made there, or is no file of a key.
    """
    try:
        make_secret(path, KEY_MARK + secrets.token_hex(32).encode() + b"\n")
    except FileExistsError:
        pass  # it was made before
    except (OSError, ValueError) as error:
        raise no_access("key_file", Path(path), error, "Give a file in a folder that is there.") from error
    return read_key(path)
