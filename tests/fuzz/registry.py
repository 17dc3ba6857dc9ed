"""The register of fuzz targets: what each takes, where its inputs start from, and how many a full run gives it."""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TypeVar

from combust.data.errors import CombustError

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"
SHIPPED = ROOT / "combust" / "data"
Answer = TypeVar("Answer")


class LostRowError(AssertionError):
    """A row of a table that was neither interpreted nor refused."""


@dataclass(frozen=True)
class Target:
    """One input format or command: its property as a function of bytes; anything it raises is a finding.

    ``inputs`` is its part of a full run, in thousands; ``seeds`` are whole inputs, ``words`` pieces to put into them.
    """

    name: str
    run: Callable[[bytes], None]
    inputs: float
    seeds: Callable[[], list[bytes]]
    words: Callable[[], Iterable[str]]


TARGETS: dict[str, Target] = {}


def target(
    inputs: float, seeds: Callable[[], list[bytes]], words: Iterable[str] | Callable[[], Iterable[str]] = ()
) -> Callable[[Callable[[bytes], None]], Callable[[bytes], None]]:
    """Register a function under its own name."""

    def register(function: Callable[[bytes], None]) -> Callable[[bytes], None]:
        name = function.__name__
        pieces = words if callable(words) else lambda: words
        TARGETS[name] = Target(name, function, inputs, cache(seeds), cache(pieces))
        return function

    return register


def answer_or_refusal(call: Callable[[], Answer]) -> Answer | None:
    """Return the answer of a call, or None for a refusal that is told as it should be; the rest is a traceback."""
    try:
        return call()
    except CombustError as error:
        check_faults(error)
        return None


def check_faults(error: CombustError) -> None:
    """Fail unless a refusal says something, in printable words, and can be written as JSON."""
    assert error.faults, "a refusal without a fault"
    for fault in error.faults:
        text = str(fault)
        assert text.isprintable(), f"a refusal with control characters: {text!r}"
        assert len(text) > 10, f"a refusal without words: {text!r}"
        json.dumps(fault.to_dict(), allow_nan=False)


@cache
def scratch() -> Path:
    """Return a folder of this process, removed when it ends."""
    folder = Path(tempfile.mkdtemp(prefix="combust-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def as_file(data: bytes, name: str) -> Path:
    """Write the input as a file and return its path."""
    path = scratch() / name
    path.write_bytes(data)
    return path


def text_of(data: bytes) -> str:
    """Return the input as a text as Python hands one over: undecodable bytes become lone surrogates."""
    return data.decode("utf-8", "surrogateescape")


def seed_files(*paths: Path, largest: int = 4000) -> list[bytes]:
    """Return the beginnings of files as seeds, cut at the end of a line."""
    seeds = []
    for path in paths:
        data = path.read_bytes()
        cut = data if len(data) <= largest else data[: data.rfind(b"\n", 0, largest) + 1]
        seeds.append(cut)
    return seeds
