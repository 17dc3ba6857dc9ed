"""Findings of a visit, a start, a supply, a record or a history as sentences from one table."""

from __future__ import annotations

from typing import Any

from combust.data.tables import load_table
from combust.domain.limits import SEVERITIES, Finding


def told(code: str, **fields: Any) -> Finding:
    """Return a finding of ``visit_findings.toml`` with its numbers filled in."""
    row = load_table("visit_findings")[code]
    return Finding(code, row["severity"], row["text"].format(**fields))


def in_order(findings: list[Finding]) -> tuple[Finding, ...]:
    """Return findings with the stops first, otherwise as they came."""
    return tuple(sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity)))
