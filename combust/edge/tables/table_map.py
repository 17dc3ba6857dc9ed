"""What the user says about a table: which heading holds what, what the whole file has in common, an instrument's marks.

It can be kept in a small TOML file and named again::

    [headings]
    "O2" = "o2_dry_pct"
    "Serial" = ""                 # carried, not used
    [whole_file]
    location = "outdoors"
    [marks]
    "---" = ""                    # not measured
    [marks.co_dry_ppm]
    "OL" = ">4000"                # over the range: at least that
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from combust.data.errors import CombustError, Fault
from combust.data.fields import toml_value
from combust.data.tables import read_toml
from combust.edge.whole_file import whole_file

PARTS = ("headings", "whole_file", "marks")


@dataclass(frozen=True, slots=True)
class TableMap:
    """Heading -> key ("" = not used), key -> cell of every row, and key ("" = every number) -> mark -> what it says."""

    headings: Mapping[str, str] = field(default_factory=dict)
    whole_file: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @classmethod
    def of(cls, given: TableMap | Mapping[str, str] | str | Path | None) -> TableMap:
        """Return a map, a mapping of headings, or the path of a saved map as a map."""
        if isinstance(given, str | Path):
            return cls.load(given)
        return given if isinstance(given, TableMap) else cls(dict(given or {}))

    @classmethod
    def load(cls, path: str | Path) -> TableMap:
        """Return a saved map.

        Raises
        ------
        CombustError
            Unreadable, or it holds what is no part of a map.
        """
        found = read_toml(path, quantity="--map")
        parts = {part: found.pop(part, {}) for part in PARTS}
        marks = parts["marks"] if isinstance(parts["marks"], dict) else {"": parts["marks"]}
        by_key = {name: rows for name, rows in marks.items() if isinstance(rows, dict)}
        by_key[""] = {mark: text for mark, text in marks.items() if mark not in by_key}
        tables = {"headings": parts["headings"], "whole_file": parts["whole_file"], **by_key}
        texts = all(
            isinstance(rows, dict) and all(isinstance(t, str) for t in rows.values()) for rows in tables.values()
        )
        if found or not texts:
            hint = 'It holds [headings], [whole_file] and [marks] with lines like "O2" = "o2_dry_pct".'
            raise CombustError(Fault("--map", str(path), "format", why="is no map of a table", hint=hint))
        return cls(parts["headings"], parts["whole_file"], by_key)

    @classmethod
    def from_options(cls, pairs: Iterable[str], fixed: Iterable[str] = ()) -> TableMap:
        """Return the map of ``--map HEADING=KEY``, ``--map FILE.toml`` and ``--set KEY=VALUE``; the later one wins.

        Raises
        ------
        CombustError
            A pair without =, every fault at once.
        """
        total, faults = cls(), []
        for option, texts in (("--map", pairs), ("--set", fixed)):
            for text in texts:
                name, equals, value = text.rpartition("=") if option == "--map" else text.partition("=")
                if equals:
                    pair = {name.strip(): value.strip()}
                    total = total.with_more(cls(pair) if option == "--map" else cls({}, pair))
                elif option == "--map" and text.endswith(".toml"):
                    total = total.with_more(cls.load(text))
                else:
                    hint = 'Write it like --map "O2=o2_dry_pct", --map my_analyser.toml or --set location=outdoors.'
                    faults.append(Fault(option, text, "format", why="has no =", hint=hint))
        if faults:
            raise CombustError(faults)
        return total

    def with_more(self, other: TableMap) -> TableMap:
        """Return both maps in one; where they differ the other wins."""
        keys = [*self.marks, *(key for key in other.marks if key not in self.marks)]
        marks = {key: {**self.marks.get(key, {}), **other.marks.get(key, {})} for key in keys}
        return TableMap({**self.headings, **other.headings}, {**self.whole_file, **other.whole_file}, marks)

    def marks_of(self, key: str) -> Mapping[str, str]:
        """Return the marks that count in the column of a key."""
        return {**self.marks.get("", {}), **self.marks.get(key, {})}

    def save(self, path: str | Path) -> None:
        """Write the map as TOML, to be named again with ``--map``."""
        shared = {"marks" + (f".{toml_value(key)}" if key else ""): rows for key, rows in self.marks.items()}
        parts = {"headings": self.headings, "whole_file": self.whole_file, **shared}
        lines = ["# What the headings of this table mean; name it again with: --map FILE"]
        for name, rows in parts.items():
            if rows:
                lines += ["", f"[{name}]", *(f"{toml_value(key)} = {toml_value(value)}" for key, value in rows.items())]
        with whole_file(path) as partial:
            partial.write_text("\n".join(lines) + "\n", encoding="utf-8")


MapLike = TableMap | Mapping[str, str] | str | Path | None
