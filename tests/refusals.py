"""Calling something that may refuse: the refusal and the answer side by side, for property tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from combust.data.errors import CombustError

Answer = TypeVar("Answer")


def refusal(call: Callable[[], Answer]) -> tuple[CombustError | None, Answer | None]:
    """Return (error, None) or (None, answer); any other exception is a traceback and fails the test."""
    try:
        return None, call()
    except CombustError as error:
        return error, None
