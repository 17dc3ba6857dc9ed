"""Files that are complete or not there: written beside their name, moved to it at the end."""

from __future__ import annotations

import hashlib
import os
import platform
import secrets
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from functools import cache
from pathlib import Path

from combust.data.errors import CombustError, Fault
from combust.edge import interrupt

# What the running command reads: no file among them, nor one that lies in such a folder, is written over.
_read: ContextVar[tuple[str, ...]] = ContextVar("_read", default=())
# What is never overwritten, told by the first bytes: a logbook (or another database), the key of one.
KEY_MARK = b"combust-logbook-key-1\n"
HEAD = 65536  # bytes that tell what a file is
_KEPT = ((b"SQLite format 3\0", "is a logbook"), (KEY_MARK, "is the key of a logbook"))


@contextmanager
def kept(names: Iterable[str]) -> Iterator[None]:
    """Let nothing inside the block write over files of these names, or over what lies in folders of these names.

    What a block around it keeps stays kept.
    """
    before = _read.set((*_read.get(), *names))
    try:
        yield
    finally:
        _read.reset(before)


@contextmanager
def whole_file(path: str | Path) -> Iterator[Path]:
    """Give a name to write to; the file is moved to ``path`` when the block ends well, and is gone when it does not.

    A link at ``path`` is replaced, what it points to stays untouched. The name given cannot be foreseen: two runs at
    once never write into one file, and nobody can lay a link there. It is short, so that every name the folder can
    hold can be written. A stopped command takes the file away; one that was killed cannot: the next that writes there
    does. The folder is made where there is none.

    Raises
    ------
    CombustError
        ``path`` is no name of a file.
    OSError
        It cannot be written there.
    """
    path = writable_name(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    of_whom = f".{_digest(path.name)}-{_here()}-"
    _clear(path.parent, of_whom)
    partial = path.with_name(f"{of_whom}{os.getpid()}-{secrets.token_hex(8)}.partial")
    interrupt.unfinished.add(partial.unlink)
    try:
        yield partial
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)
        interrupt.unfinished.discard(partial.unlink)


def write_text(path: str | Path, text: str) -> None:
    """Write a text file in UTF-8, whole or not at all; a byte that is no text stands as its number."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8", errors="backslashreplace")


def make_secret(path: str | Path, content: bytes) -> None:
    """Make a file for its owner's eyes only, on the disk when this returns; what is there, a link too, stays as it is.

    Raises
    ------
    FileExistsError
        Something is there.
    OSError
        It cannot be made there.
    """
    made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0), 0o600)
    with os.fdopen(made, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:8]


@cache
def _here() -> str:
    """Return a mark of where this process runs: its number means nothing on another machine, nor in a container."""
    try:
        numbered = os.readlink("/proc/self/ns/pid")
    except OSError:
        numbered = ""
    return _digest(f"{platform.node()} {numbered}")


def _clear(folder: Path, of_whom: str) -> None:
    """Take away what was begun under one name by processes of here that are dead, with what SQLite laid beside it."""
    if os.name != "posix":  # elsewhere to ask whether a process is there may end it
        return
    for left in folder.glob(f"{of_whom}*.partial*"):
        try:
            os.kill(int(left.name.removeprefix(of_whom).partition("-")[0]), 0)
        except ProcessLookupError:
            with suppress(OSError):  # in a folder of all, another user's stays: it disturbs nobody
                left.unlink()
        except (ValueError, OverflowError, PermissionError):
            continue  # no process of ours: it is somebody's


def writable_name(path: str | Path, endings: Sequence[str] = (), own: Sequence[str] = ()) -> Path:
    """Return the path of a file to write, refused before anything is computed when it is a folder or of another kind.

    A file that is there is replaced only when its head (the first line of a table) holds a word of ``own``.

    Raises
    ------
    CombustError
    """
    asked, path = path, Path(path)
    if not path.name or "\0" in str(path) or path.is_dir():
        hint = "Give the name of a file, such as output/result.json."
        raise CombustError(Fault("file", str(asked), "format", why="is a folder, or no name of a file", hint=hint))
    if why := _kept(path):
        hint = "Give a new name: it was not touched."
        raise CombustError(Fault("file", str(asked), "twice", why=f"{why}, and is never overwritten", hint=hint))
    if endings and path.suffix.lower() not in endings:
        why = f"ends in none of {', '.join(endings)}"
        raise CombustError(Fault("file", str(asked), "format", why=why, hint=f"Write it like {path.stem}{endings[0]}"))
    if own and path.is_file() and not path.is_symlink() and not _is_own(path, own):  # a link is replaced alone
        hint = "Give a new name, or take the file away first: it was not touched."
        why = "is there, and nothing that this command wrote"
        raise CombustError(Fault("file", str(asked), "twice", why=why, hint=hint))
    return path


def _kept(path: Path) -> str:
    """Return why what stands under a name is not overwritten: an input, no file (a device), a logbook; "" when it is.

    A link among the devices (``/dev/stdout``) leads to whatever stdout is, and would itself be replaced.
    """
    if path.is_symlink() and path.parent.resolve().parts[1:2] in (("dev",), ("proc",)):
        return "is no file"
    if not path.exists():
        return ""
    if not path.is_file():
        return "is no file"
    if any(same_file(path, name) or same_file(path.parent, name) for name in _read.get()):
        return "is the input of this command"
    try:
        with path.open("rb") as file:
            head = file.read(max(len(mark) for mark, _ in _KEPT))
    except OSError:
        return ""  # replacing it needs no right to read it
    return next((why for mark, why in _KEPT if head.startswith(mark)), "")


def _is_own(path: Path, own: Sequence[str]) -> bool:
    """Return True for an empty file, or one with a word of ``own`` in its head; Parquet has its columns at the end."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
            if head.startswith(b"PAR1"):
                file.seek(max(0, path.stat().st_size - HEAD))
                head = file.read()
            elif not head.startswith((b"{", b"<", b"\x89PNG")):
                head = head.partition(b"\n")[0]
    except OSError:
        return True  # replacing it needs no right to read it
    return not head or any(word.encode() in head for word in own)


def same_file(first: str | Path, second: str | Path) -> bool:
    """Return True for two names of one thing that is there: by a link, another spelling, other capitals."""
    try:
        return os.path.samefile(first, second)
    except (OSError, ValueError):
        return False


def faults_of_twice(names: Iterable[str | Path]) -> list[Fault]:
    """Return the faults of outputs that lead to one file, there or not; capitals do not count."""
    given, faults = [*map(str, names)], list[Fault]()
    for number, name in enumerate(given):
        if any(same_file(name, one) or _place(name) == _place(one) for one in given[:number]):
            why, hint = "is to be written twice", "Give each output a name of its own: it was not touched."
            faults.append(Fault("file", name, "conflict", why=why, hint=hint))
    return faults


def _place(name: str) -> str:
    return unicodedata.normalize("NFC", os.path.realpath(name.replace("\0", ""))).casefold()
