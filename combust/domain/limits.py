"""Limits and findings as records: every number with basis and origin, every finding with severity and sentence."""

from __future__ import annotations

import math
import re
import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from combust.data.tables import load_table
from combust.data.told import Told

SEVERITIES = ("stop", "warn", "note")
STOP = "STOP. "
_STOP = re.compile(r"STOP(?:\. | until [^:]*: )|")  # how a stop begins; nothing of any other finding
_END_OF_SENTENCE = re.compile(r"\. (?=[A-Z])")


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit with the basis it is taken on and its origin."""

    key: str
    value: float
    unit: str
    basis: str
    origin: str


@dataclass(frozen=True, slots=True)
class FindingKind:
    """A kind of finding: what it is about, its place among those (of a reading: the bit in a table's mask).

    ``state`` is the safety state it brings ("" = none), ``forbids`` what is then neither done nor listed, ``quantity``
    and ``unit`` what its number is ("" = it has none), ``again`` the columns that take it back when read again.
    """

    code: str
    severity: str
    text: str
    about: str
    bit: int
    state: str = ""
    forbids: tuple[str, ...] = ()
    quantity: str = ""
    unit: str = ""
    again: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding(Told):
    """One finding on a result; ``value`` is the number it is about, of that quantity in that unit (None = none)."""

    code: str
    severity: str
    text: str
    quantity: str = ""
    value: float | None = None
    unit: str = ""
    aside = ("code", "severity", "text", "quantity", "value", "unit")

    @property
    def what(self) -> str:
        """The sentence that says what was found: without STOP, its full stop, and what is to be done [words]."""
        return _END_OF_SENTENCE.split(self.text.removeprefix(STOP))[0].removesuffix(".")

    def named(self, whose: str) -> Finding:
        """Return the same with the name of what it was found at in its text; a stop stays one from its first word.

        Parameters
        ----------
        whose : str
            A heater, a visit, a row, a day.

        Returns
        -------
        Finding
            The same code, severity and number [unit of its own].

        References
        ----------
        A rule of this project: what is told of long ago is told with whose it is.

        Examples
        --------
        >>> Finding("exhaust_co_high", "stop", "STOP. 1530 ppm CO.").named("heater-0312, 2026-01-12").text
        'STOP. heater-0312, 2026-01-12: 1530 ppm CO.'
        """
        found = _STOP.match(self.text)
        stop = found[0] if found else ""
        return replace(self, text=f"{stop}{whose}: {self.text.removeprefix(stop)}")

    def opening(self) -> tuple[str, ...]:
        """Return its sentence: it says all.

        Returns
        -------
        tuple of str
            One sentence.
        """
        return (self.text,)


@cache
def limits() -> dict[str, Limit]:
    """Return every limit.

    Returns
    -------
    dict of str to Limit
        By key.
    """
    return {key: Limit(key=key, **row) for key, row in load_table("limits").items()}


def limit(key: str) -> float:
    """Return the number of one limit.

    Parameters
    ----------
    key : str
        A key of ``combust/data/limits.toml``.

    Returns
    -------
    float
        The number [unit of its record].

    References
    ----------
    combust/data/limits.toml, basis and origin beside each number.

    Examples
    --------
    >>> limit("air_ratio_soot") == limits()["air_ratio_soot"].value
    True
    """
    return limits()[key].value


@cache
def finding_kinds(about: str | None = None) -> dict[str, FindingKind]:
    """Return every kind of finding, or those about one thing, stops first.

    Parameters
    ----------
    about : str or None
        What they are about, like ``reading``; None = all.

    Returns
    -------
    dict of str to FindingKind
        By code.
    """
    kinds: dict[str, FindingKind] = {}
    places: dict[str, int] = {}
    for code, row in sorted(load_table("findings").items(), key=lambda item: SEVERITIES.index(item[1]["severity"])):
        subject = row.get("about", "reading")
        if about in (None, subject):
            places[subject] = places.get(subject, -1) + 1
            more = {**row, "about": subject, **{key: tuple(row.get(key, ())) for key in ("forbids", "again")}}
            kinds[code] = FindingKind(code, bit=places[subject], **more)
    return kinds


class _Sentence(string.Formatter):
    """The one place that writes the numbers of a sentence: one told as above a limit is never rounded onto it."""

    def __init__(self, held: Mapping[str, Any]) -> None:
        self.held = held

    def format_field(self, value: Any, format_spec: str) -> str:
        kind, _, named = format_spec.partition(" ")
        if kind != "above":
            return format(value, format_spec)
        whole, least = f"{value:.0f}", round(float(self.held[named] if named.isidentifier() else named))
        rounded_on = math.isfinite(value) and float(whole) <= least < value
        return f"{max(math.ceil(value * 10.0) / 10.0, least + 0.1):.1f}" if rounded_on else whole


def finding(code: str, numbers: Mapping[str, Any] | None = None, /, **fields: Any) -> Finding:
    """Return a finding of ``findings.toml`` with its {numbers} filled in.

    Parameters
    ----------
    code : str
        A code of ``combust/data/findings.toml``.
    numbers : mapping, optional
        What is filled in, by name.
    **fields
        The same as keywords.

    Returns
    -------
    Finding
        Code, severity [stop, warn, note], sentence and, where the table names one, its number [unit of the table].

    References
    ----------
    combust/data/findings.toml.

    Examples
    --------
    >>> finding("calculation_only").severity
    'note'
    """
    kind, held = finding_kinds()[code], fields if numbers is None else numbers
    number = float(held[kind.quantity]) if kind.quantity else math.nan
    told = (kind.quantity, number, kind.unit) if math.isfinite(number) else ()
    return Finding(code, kind.severity, _Sentence(held).vformat(kind.text, (), held), *told)


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings with the stops first, then warnings, then notes, otherwise as they came.

    Parameters
    ----------
    findings : iterable of Finding
        In any order.

    Returns
    -------
    tuple of Finding
        By severity [stop, warn, note].

    References
    ----------
    A rule of this project: a stop condition comes before anything else.

    Examples
    --------
    >>> in_order([Finding("b", "note", ""), Finding("a", "stop", "")])[0].code
    'a'
    """
    return tuple(sorted(findings, key=lambda one: SEVERITIES.index(one.severity)))


def cautions(*, in_full: bool = True) -> list[str]:
    """Return the cautions: in full with a stop, at the opening of a visit and on every sheet, else as one line.

    Parameters
    ----------
    in_full : bool
        All of them, or the short line.

    Returns
    -------
    list of str
        The sentences.
    """
    row = load_table("cautions")
    return list(row["always"]) if in_full else [row["short"]]
