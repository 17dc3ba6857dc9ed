"""Limits and findings as records: every number with basis and origin, every finding with severity and sentence."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from combust.data.tables import load_table

SEVERITIES = ("stop", "warn", "note")


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
    """A kind of finding: code, severity and sentence; ``bit`` is its place in a table's mask."""

    code: str
    severity: str
    text: str
    bit: int


@cache
def limits() -> dict[str, Limit]:
    """Return every limit, key -> Limit."""
    return {key: Limit(key=key, **row) for key, row in load_table("limits").items()}


def limit(key: str) -> float:
    """Return the number of one limit."""
    return limits()[key].value


@cache
def finding_kinds() -> dict[str, FindingKind]:
    """Return every kind of finding, stops first; code -> FindingKind."""
    rows = sorted(load_table("findings").items(), key=lambda item: SEVERITIES.index(item[1]["severity"]))
    return {code: FindingKind(code, row["severity"], row["text"], bit) for bit, (code, row) in enumerate(rows)}


def cautions() -> list[str]:
    """Return the cautions shown with every result."""
    return list(load_table("cautions")["always"])


def no_stop_text() -> str:
    """Return the only sentence that is said when nothing stops."""
    return str(load_table("cautions")["no_stop"])
