"""Findings of a visit, a start, a supply, a record or a history as sentences from one table."""

from __future__ import annotations

from typing import Any

from combust.data.tables import load_table
from combust.domain.result import Finding


def told(code: str, **fields: Any) -> Finding:
    """Return a finding of ``visit_findings.toml`` with its numbers filled in."""
    row = load_table("visit_findings")[code]
    return Finding(code, row["severity"], row["text"].format(**fields))
