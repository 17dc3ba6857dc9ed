"""The policy of a plan: every number with its origin, defaults printed like the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from combust.data.errors import CombustError
from combust.data.fields import check_fields, fields_of
from combust.data.tables import load_table, read_toml
from combust.domain.result import Assumed


@dataclass(frozen=True)
class Policy:
    """The numbers of a plan: ``policy["air_ratio_min"]``; ``rows`` maps key -> value, unit, origin.

    Examples
    --------
    >>> Policy.of({"air_ratio_min": 1.25})["air_ratio_min"]
    1.25
    """

    rows: Mapping[str, Assumed]

    def __getitem__(self, key: str) -> float:
        return float(self.rows[key].value)

    def given(self, key: str) -> float | None:
        """Return a number that has no default, or None."""
        value = self.rows[key].value
        return None if value is None else float(value)

    def replaced(self, **numbers: float | None) -> Policy:
        """Return the policy with some numbers in place of its own; None leaves what is there."""
        given = {
            key: Assumed(key, value, self.rows[key].unit, "given")
            for key, value in numbers.items()
            if value is not None
        }
        return Policy(MappingProxyType({**self.rows, **given}))

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
        given = {} if source is None else source
        where = "given"
        if isinstance(given, str | Path):
            where, given = f"policy file {Path(given).name}", read_toml(given, quantity="policy")
        shipped = fields_of(load_table("fleet_policy"))
        entries = {key: entry if isinstance(entry, Mapping) else {"value": entry} for key, entry in given.items()}
        values = {key: entry.get("value") for key, entry in entries.items()}
        good, faults = check_fields(values, shipped, what="a policy", gaps=False)
        if faults:
            raise CombustError([fault for _, fault in faults])
        rows = {key: Assumed(key, field.default, field.unit, field.origin) for key, field in shipped.items()}
        for key, value in good.items():
            rows[key] = Assumed(key, value, shipped[key].unit, str(entries[key].get("origin", where)))
        return cls(MappingProxyType(rows))
