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
    [words.phase]
    "vor Reparatur" = "before"    # a word of another language, and ours
    "unklar" = ""                 # says nothing
    [dates]
    order = "day month year"      # 05/10/23 is the fifth of October 2023
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import reduce
from pathlib import Path

from combust.data.errors import CombustError, Fault, first_few, shorten
from combust.data.fields import Field
from combust.data.near import did_you_mean, folded_name, near_matches
from combust.data.tables import read_toml, toml_value
from combust.edge.tables.times import ORDERS
from combust.edge.whole_file import write_text

PARTS = ("headings", "whole_file", "marks", "words", "dates")
ORDER = Field("order", "choice", "order of day, month and year", choices=ORDERS)


@dataclass(frozen=True, slots=True)
class TableMap:
    """What is said of a table.

    Attributes
    ----------
    headings, whole_file : mapping
        Heading -> key ("" = not used), key -> cell of every row.
    marks, words : mapping
        Key ("" = every number) -> mark -> what it says; key -> word of the table -> ours.
    dates : mapping
        ``order`` of day, month and year, where the table writes them so.
    either : tuple of TableMap
        Maps of several kinds of tables: those count whose headings a table has.
    name : str
        The file it was read from.
    saved : frozenset of str
        Headings that a file names: not every table of its kind has all of them.
    """

    headings: Mapping[str, str] = field(default_factory=dict)
    whole_file: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    dates: Mapping[str, str] = field(default_factory=dict)
    either: tuple[TableMap, ...] = ()
    name: str = ""
    saved: frozenset[str] = frozenset()

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
        words = parts["words"].values() if isinstance(parts["words"], dict) else [parts["words"]]
        tables = [parts["headings"], parts["whole_file"], parts["dates"], *by_key.values(), *words]
        texts = all(isinstance(rows, dict) and all(isinstance(t, str) for t in rows.values()) for rows in tables)
        if found or not texts:
            hint = (
                'It holds [headings], [whole_file], [marks], [words.KEY], [dates] with lines like "O2" = "o2_dry_pct".'
            )
            raise CombustError(Fault("--map", str(path), "format", why="is no map of a table", hint=hint))
        faults = [fault.within("[dates] ") for text in parts["dates"].values() for fault in ORDER.faults_of(text)]
        if faults or parts["dates"].keys() - {ORDER.key}:
            hint = f'It holds one line: order = "day month year" (or {", ".join(ORDERS[1:])}).'
            raise CombustError(
                faults
                or Fault("[dates]", first_few([*parts["dates"]], 3), "format", why="is no part of a map", hint=hint)
            )
        shared = (parts["headings"], parts["whole_file"], by_key, parts["words"], parts["dates"])
        return cls(*shared, name=str(path), saved=frozenset(parts["headings"]))

    @classmethod
    def from_options(cls, pairs: Iterable[str], fixed: Iterable[str] = ()) -> TableMap:
        """Return the map of ``--map HEADING=KEY``, ``--map FILE.toml`` and ``--set KEY=VALUE``; the later one wins.

        Of several files with headings each table takes those that it has the headings of (:meth:`for_table`).

        Raises
        ------
        CombustError
            A pair without =, every fault at once.
        """
        total, files, faults = cls(), list[TableMap](), []
        for option, texts in (("--map", pairs), ("--set", fixed)):
            for text in texts:
                name, equals, value = text.rpartition("=") if option == "--map" else text.partition("=")
                if equals:
                    pair = {name.strip(): value.strip()}
                    total = total.with_more(cls(pair) if option == "--map" else cls({}, pair))
                elif option == "--map" and text.endswith(".toml"):
                    files.append(cls.load(text))
                else:
                    hint = 'Write it like --map "O2=o2_dry_pct", --map my_analyser.toml or --set location=outdoors.'
                    faults.append(Fault(option, text, "format", why="has no =", hint=hint))
        if faults:
            raise CombustError(faults)
        if sum(bool(one.headings) for one in files) > 1:
            return replace(total, either=tuple(files))
        return reduce(cls.with_more, files, cls()).with_more(total)

    def for_table(self, header: Container[str], elsewhere: Container[str] = ()) -> tuple[TableMap, list[str]]:
        """Return (what counts for a table with these headings, which of several maps does not, and why).

        A map that fits the table alone comes before those that need the headings of other tables ``elsewhere``. Where
        none fits all are taken as one, and told as one that does not fit.
        """
        alone = replace(self, either=())
        lacking = [[name for name in one.headings if name not in header] for one in self.either]
        if all(gaps or not one.headings for gaps, one in zip(lacking, self.either, strict=True)):
            lacking = [[name for name in gaps if name not in elsewhere] for gaps in lacking]
        pairs = list(zip(self.either, lacking, strict=True))
        fits = any(one.headings and not gaps for one, gaps in pairs)
        taken = [one for one, gaps in pairs if not (fits and gaps)]
        told = [
            f"The map {one.name} is not of this table, which has no heading {first_few(gaps, 3)}."
            for one, gaps in pairs
            if fits and gaps
        ]
        found = reduce(TableMap.with_more, taken, TableMap()).with_more(alone)
        return (found if fits or not self.either else replace(found, saved=frozenset())), told

    def with_more(self, other: TableMap) -> TableMap:
        """Return both maps in one; where they differ the other wins."""
        marks, words = (
            {key: {**first.get(key, {}), **second.get(key, {})} for key in {**first, **second}}
            for first, second in ((self.marks, other.marks), (self.words, other.words))
        )
        both = {**self.headings, **other.headings}, {**self.whole_file, **other.whole_file}
        dates, either = {**self.dates, **other.dates}, (*self.either, *other.either)
        return TableMap(*both, marks, words, dates, either, saved=self.saved | other.saved)

    @property
    def order(self) -> str:
        """The order of day, month and year in the table; "" where it was not said."""
        return self.dates.get(ORDER.key, "")

    def marks_of(self, key: str) -> Mapping[str, str]:
        """Return the marks that count in the column of a key."""
        return {**self.marks.get("", {}), **self.marks.get(key, {})}

    def words_of(self, key: str) -> Mapping[str, str]:
        """Return the words that count in the column of a key, as :func:`~combust.data.near.folded_name`, -> ours."""
        return {folded_name(word): ours for word, ours in self.words.get(key, {}).items()}

    def faults_of_words(self, fields: Mapping[str, Field], elsewhere: Container[str] = ()) -> list[Fault]:
        """Return what is wrong with the words of a map for a table of such fields: a key or a word that is none.

        Keys that stand ``elsewhere`` are of other tables.
        """
        faults = []
        for key, words in self.words.items():
            name, record = f"[words.{key}]", fields.get(key)
            if record is None and key in elsewhere:
                continue
            if record is None:
                hint = did_you_mean(near_matches(key, tuple(fields), n=3, cutoff=0.5), "All keys: combust word")
                faults.append(Fault(name, key, "unknown_name", why="is no key that combust knows", hint=hint))
            elif record.kind in ("number", "list"):
                hint = f"What stands for a number is a mark: [marks.{key}]."
                faults.append(Fault(name, key, "format", why="holds numbers, not words", hint=hint))
            elif record.kind == "choice":
                faults += [
                    fault.at(f'{name} "{shorten(word)}"')
                    for word, ours in words.items()
                    for fault in (record.faults_of(ours) if ours else ())
                ]
        return faults

    def save(self, path: str | Path) -> None:
        """Write the map as TOML, to be named again with ``--map``."""
        shared = {"marks" + (f".{toml_value(key)}" if key else ""): rows for key, rows in self.marks.items()}
        shared |= {f"words.{toml_value(key)}": rows for key, rows in self.words.items()}
        parts = {"headings": self.headings, "whole_file": self.whole_file, **shared, "dates": self.dates}
        lines = ["# What the headings of this table mean; name it again with: --map FILE"]
        for name, rows in parts.items():
            if rows:
                lines += ["", f"[{name}]", *(f"{toml_value(key)} = {toml_value(value)}" for key, value in rows.items())]
        write_text(path, "\n".join(lines) + "\n")


MapLike = TableMap | Mapping[str, str] | str | Path | None
