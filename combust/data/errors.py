"""The one root error of combust: what, value, unit, allowed band, why, what to do."""

from __future__ import annotations

import importlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from html import escape
from typing import Any, Literal

# What each means stands in words.toml.
Code = Literal[
    "out_of_band", "not_a_number", "unknown_name", "missing", "conflict", "format", "too_large", "placeholder",
    "not_healthy", "incomplete", "closed", "twice", "near_miss", "not_steady", "empty", "refused", "busy", "read_only",
    "disk_full", "damaged",
]  # fmt: skip


@dataclass(slots=True, eq=False, repr=False)
class Fault:
    """One thing that is wrong with an input, told in one sentence.

    Parameters
    ----------
    quantity : str
        Key of the vocabulary, or the name of the argument.
    value : object
        What was given.
    code : str
        Short machine name, one of ``Code``.
    unit, low, high : optional
        Unit and allowed band.
    why, hint : str
        Why it is refused and what to do about it.
    line : int, optional
        Of a text file.
    """

    quantity: str
    value: object
    code: Code
    _: KW_ONLY
    unit: str = ""
    low: float | None = None
    high: float | None = None
    why: str
    hint: str
    line: int | None = None

    def entered_as(self, key: str, value: object) -> Fault:
        """Return the fault with the key and value that were entered, where those were in another unit."""
        return replace(self, why=f"{self.why} (entered as {key} = {shorten(value)})")

    def within(self, path: str) -> Fault:
        """Return the fault, its quantity told with where it stands (``fuel.mine.density``)."""
        return self.at(f"{path}{self.quantity}")

    def at(self, quantity: str, line: int | None = None) -> Fault:
        """Return the fault with the full name of its quantity and its line in a text file."""
        self.quantity, self.line = quantity, line
        return self

    def __str__(self) -> str:
        shown = shorten(self.value)
        name = shorten(self.quantity)
        missing = self.value is None
        unit = f" {self.unit}" if self.unit and not missing else ""
        text = name if missing else f"{name} = {shown}{unit}"
        text += f" {self.why}"
        if self.low is not None and self.high is not None:
            text += f" (allowed {self.low:g} to {self.high:g}{' ' + self.unit if self.unit else ''})"
        text = text if self.line is None else f"line {self.line}: {text}"
        text = text if text.endswith((".", "!", "?")) else f"{text}."
        return printable(f"{text} {self.hint}".strip())

    def __repr__(self) -> str:
        return f"Fault({self.quantity!r}, {shorten(self.value)!r}, {self.code!r})"

    def to_dict(self) -> dict[str, object]:
        """Return the fields as plain values for JSON."""
        plain = isinstance(self.value, int | float | str) and not _is_endless(self.value)
        return {
            "quantity": self.quantity,
            "value": self.value if plain or self.value is None else shorten(self.value),
            "code": self.code,
            "unit": self.unit,
            "low": None if _is_endless(self.low) else self.low,
            "high": None if _is_endless(self.high) else self.high,
            "hint": self.hint,
            "text": str(self),
            **({} if self.line is None else {"line": self.line}),
        }


def _is_endless(value: object) -> bool:
    """Return True for NaN and infinity, which JSON has no word for."""
    return isinstance(value, float) and not math.isfinite(value)


class CombustError(ValueError):
    """Input that combust refuses, with every fault told at once.

    Parameters
    ----------
    faults : Fault or iterable of Fault
        At least one; the fields of the first are the fields of the error.

    Attributes
    ----------
    quantity, value, unit, low, high, code, hint
        The fields of the first fault.
    faults : tuple of Fault
        All of them.
    safety : Safety or None
        What the acceptable values beside them say, where that was looked at; its stops come first in the message.
    """

    safety: Any = None

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        first = self.faults[0]
        self.quantity, self.value, self.unit = first.quantity, first.value, first.unit
        self.low, self.high, self.code, self.hint = first.low, first.high, first.code, first.hint
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def _stops(self) -> list[str]:
        return [one.text for one in getattr(self.safety, "stops", ())]

    def __str__(self) -> str:
        return "\n".join([*self._stops(), super().__str__()])

    def _repr_html_(self) -> str:
        stops = [f"<p><strong>{escape(stop)}</strong></p>" for stop in self._stops()]
        return "".join([*stops, *(f"<p>{escape(str(fault))}</p>" for fault in self.faults)])

    def __reduce__(self) -> tuple[type[CombustError], tuple[tuple[Fault, ...]]]:
        return (type(self), (self.faults,))


class UnknownKeywordError(CombustError, TypeError):
    """Keywords that are none: a TypeError as of any function, and every other fault with it."""


def need_module(module: str, extra: str) -> Any:
    """Return an optional library.

    Raises
    ------
    CombustError
        It is not installed; the line that installs it is told.
    """
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise missing_extra(module, extra) from error


def how_to_install(extra: str) -> str:
    """Return the line that installs what is optional, also for who works in a clone."""
    clone = "make page, or: " if extra == "web" else ""
    return f"Install it with: pip install 'combust[{extra}]' (in a clone: {clone}pip install -e '.[{extra}]')"


def missing_extra(module: str, extra: str, *, why: str = "is needed here") -> CombustError:
    """Return the refusal for a library that is not installed, with the line that installs it."""
    hint = how_to_install(extra)
    return CombustError(Fault(module, "not installed", "missing", why=why, hint=hint))


def no_access(
    quantity: str, path: object, error: Exception, hint: str = "Check path and permissions.", done: str = "read"
) -> CombustError:
    """Return the refusal of a file that cannot be read (or written), in the words of the system."""
    why = f"cannot be {done} ({getattr(error, 'strerror', None) or shorten(error)})"
    return CombustError(Fault(quantity, str(path), "missing", why=why, hint=hint))


def shorten(value: object, limit: int = 60) -> str:
    """Return a value as short printable text, so that hostile input cannot flood or steer a terminal."""
    if isinstance(value, float):
        return f"{value:.10g}"
    text = printable(str(value))
    return text if len(text) <= limit else text[: limit - 1] + "…"


def first_few(names: Sequence[str], most: int) -> str:
    """Return names in a row, at most so many, and how many more there are.

    Examples
    --------
    >>> first_few(["A", "B"], 2), first_few(["A", "B", "C"], 2)
    ('A, B', 'A, B and 1 more')
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def printable(text: str) -> str:
    """Return a text with what cannot be printed as question marks, so that it cannot steer a terminal."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)
