"""Limits and findings as records: every number with basis and origin, every finding with severity and sentence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

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


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding on a result."""

    code: str
    severity: str
    text: str

    def to_dict(self) -> dict[str, str]:
        """Return plain values for JSON."""
        return {"code": self.code, "severity": self.severity, "text": self.text}


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


def result_text(
    rows: Iterable[tuple[str, str]],
    *,
    findings: Iterable[Finding] = (),
    assumed: Mapping[str, Mapping[str, Any]] | None = None,
    left_out: Sequence[str] = (),
    cautions: Sequence[str] = (),
) -> str:
    """Return a result as text for people: stops first, then its lines, findings, what was assumed, cautions.

    Parameters
    ----------
    rows : iterable of (label, text)
    findings : iterable of Finding
        Without a stop among them the text begins with the only sentence that is said then.
    assumed : mapping, optional
        Key -> value and its origin.
    left_out, cautions : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> print(result_text([("lambda", "1.60")], findings=[Finding("co_high", "stop", "STOP: people out.")]))
    STOP: people out.
    <BLANKLINE>
    lambda  1.60
    """
    rows, findings = list(rows), list(findings)
    width = max((len(label) for label, _ in rows), default=0) + 2
    stops = [finding.text for finding in findings if finding.severity == "stop"]
    parts = ["\n".join(stops or [no_stop_text()]), "\n".join(f"{label:<{width}}{text}" for label, text in rows)]
    lists = {
        "Findings": [finding.text for finding in findings if finding.severity != "stop"],
        "Assumed": [f"{key} = {row['value']}: {row['origin']}" for key, row in (assumed or {}).items()],
        "Left out or assumed": left_out,
        "Cautions": cautions,
    }
    parts += ["\n".join([head, *(f"- {text}" for text in texts)]) for head, texts in lists.items() if texts]
    return "\n\n".join(parts)
