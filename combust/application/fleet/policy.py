"""The policy of a plan: every number with its origin, defaults printed like the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from combust.data.errors import Code, CombustError, Fault
from combust.data.tables import load_table, read_toml
from combust.data.vocabulary import as_number


@dataclass(frozen=True)
class Policy:
    """The numbers of a plan: ``policy["air_ratio_min"]``; ``rows`` maps key -> value, unit, meaning, origin.

    Examples
    --------
    >>> Policy.of({"air_ratio_min": 1.25})["air_ratio_min"]
    1.25
    """

    rows: Mapping[str, Mapping[str, Any]]

    def __getitem__(self, key: str) -> float:
        return float(self.rows[key]["value"])

    def given(self, key: str) -> float | None:
        """Return a number that has no default, or None."""
        value = self.rows[key].get("value")
        return None if value is None else float(value)

    @classmethod
    def of(cls, source: Mapping[str, Any] | str | Path | Policy | None = None) -> Policy:
        """Return a policy from a mapping or a TOML file; what is not given is the shipped default.

        Raises
        ------
        CombustError
            Every unknown key and every value outside its band at once.
        """
        if isinstance(source, Policy):
            return source
        own = {} if source is None else source
        where = "given"
        if isinstance(own, str | Path):
            where, own = f"policy file {Path(own).name}", read_toml(own, quantity="policy")
        shipped = load_table("fleet_policy")
        rows = {key: {"value": None, **row} for key, row in shipped.items()}
        faults = []
        for key, entry in own.items():
            fault = _take(rows, key, entry, where)
            if fault:
                faults.append(fault)
        if faults:
            raise CombustError(faults)
        return cls(MappingProxyType(rows))


def _take(rows: dict[str, dict[str, Any]], key: str, entry: Any, where: str) -> Fault | None:
    if key not in rows:
        hint = f"Use one of: {', '.join(rows)}."
        return Fault(key, shortened(entry), "unknown_name", why="is no policy value", hint=hint)
    value = entry.get("value") if isinstance(entry, Mapping) else entry
    origin = entry.get("origin", where) if isinstance(entry, Mapping) else where
    number = as_number(value)
    low, high = rows[key]["band"]
    if number is None or not low <= number <= high:
        code: Code = "not_a_number" if number is None else "out_of_band"
        why = "is not a number" if number is None else "is outside what can be"
        return Fault(
            key,
            shortened(value),
            code,
            unit=rows[key]["unit"],
            low=low,
            high=high,
            why=why,
            hint=f"It is the {rows[key]['meaning']}.",
        )
    rows[key] = {**rows[key], "value": number, "origin": str(origin)}
    return None


def shortened(value: Any) -> str:
    """Return a value as text for a fault."""
    return str(value)[:60]
