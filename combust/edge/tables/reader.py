"""The one reader of tables: every command that takes a table, and every frame, comes through here.

``source`` splits the text, ``headings`` matches them, ``convert`` makes cells numbers; a row is told by its line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from combust.application.reading.columns import Columns
from combust.application.reading.interpret import interpret_columns
from combust.application.reading.judge import codes_of
from combust.application.reading.result import safety_of
from combust.application.reading.stand_ins import DEFAULT_FUEL
from combust.application.visit.taken import name_of_row
from combust.data.errors import CombustError, Fault, first_few, shorten
from combust.data.fields import Field
from combust.data.units import in_our_unit
from combust.data.vocabulary import inputs, quantities
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.instrument import instrument_class
from combust.domain.limits import Finding, finding_kinds
from combust.domain.reading import WORTH_TELLING, nothing_entered
from combust.domain.result import many
from combust.domain.safety import PLACE
from combust.edge.tables.arrow import array_of, text_array
from combust.edge.tables.cells import UNKNOWN, different_words
from combust.edge.tables.convert import RowFaults, as_cells, check_columns, in_a_map
from combust.edge.tables.heading_row import faults_of_heading, lines_above
from combust.edge.tables.headings import Heading, Matched, columns_of_visits, match_headings
from combust.edge.tables.source import Block, TableSource, frame_source, open_table
from combust.edge.tables.table_map import MapLike, TableMap
from combust.edge.tables.times import ORDERS, asks_for_order, moment, why_no_moment

NEAR_FUELS = 100  # near matches take long: a column that holds no fuels at all gets them for its first cells only
FEW = 5  # rows, and words in them, that are told of those refused for one reason
MOST_COUNTS = tuple(key for key, record in quantities().items() if record.stops_above)
ABOVE = "The headings of the map stand in row {row}: nothing above it is read."
UNITS_READ = "Row {row} holds the units of the headings."
IN_A_MAP = f" Or say the order in a map (--map FILE.toml), with one of {', '.join(ORDERS)} for the ?: "
IN_A_MAP += '[dates] order = "?".'
DATE, TIME = Field("date", "text", "day"), Field("time", "text", "clock time")


@dataclass(frozen=True, slots=True)
class Rows(Block):
    """Some rows of a table, checked.

    Attributes
    ----------
    values : dict
        Key -> checked column, as :func:`~combust.edge.tables.convert.check_columns` gives it.
    faults : RowFaults
    fields : mapping
        Key -> the record of what its column can hold.
    how : TableMap
    """

    values: dict[str, Any]
    faults: RowFaults
    fields: Mapping[str, Field]
    how: TableMap

    def for_interpretation(self) -> dict[str, Any]:
        """Return the columns that the interpretation of a reading knows."""
        known = quantities()
        return {key: column for key, column in self.values.items() if key in known and known[key].kind != "text"}

    def first_told(self, most: int) -> list[str]:
        """Return a sentence of each of the first refused rows."""
        return [f"row {self.lines[row]}: {self.faults.text_of(row)}" for row in sorted(self.faults.of)[: max(most, 0)]]

    def reason(self, row: int, mask: int) -> str:
        """Return why a row was refused, with the stop conditions of a ``mask`` before it."""
        return " ".join([*(f"stop: {code}." for code in codes_of(mask)), self.faults.text_of(row)])

    def stops_of(self, row: int, mask: int) -> int:
        """Return the findings that stay of a refused row: the stops of its good values, and a place that is none."""
        strange = any(key == "location" for key, _ in self.faults.of[row])
        return mask & stop_bits() | (strange << finding_kinds()["location_unknown"].bit)


@dataclass(slots=True)
class Entries:
    """A table as what was entered: (line, values by key) of good rows, (line, reasons) of refused ones.

    ``rows`` counts both. ``stops`` are the stop conditions that the good values of refused rows hold, once a heater,
    ``of_nobody`` those of rows without one, ``stopped`` the rows (line, values, codes), ``notes`` what is to be told,
    ``faults`` what is wrong with the row of a line, ``lost`` the good values of a refused row, ``table`` what was read.
    """

    rows: int = 0
    good: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    refused: list[tuple[int, str]] = field(default_factory=list)
    stops: list[Finding] = field(default_factory=list)
    stopped: list[tuple[int, dict[str, Any], list[str]]] = field(default_factory=list)
    of_nobody: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    faults: dict[int, tuple[Fault, ...]] = field(default_factory=dict)
    lost: dict[int, dict[str, Any]] = field(default_factory=dict)
    table: Table | None = field(default=None, compare=False, repr=False)
    _stopped: dict[Any, set[str]] = field(default_factory=dict, compare=False, repr=False)

    def told(self, words: str = "row {}: {}", *, without: str = "") -> list[str]:
        """Return what is wrong with refused rows, in the order of the table, from their lines and reasons.

        Rows with one and the same thing wrong are told together; one whose reason holds ``without`` is left out.
        """
        alike: dict[Any, list[tuple[int, str]]] = {}
        for line, why in sorted(self.refused):
            if not without or without not in why:
                alike.setdefault(self._alike(line, why), []).append((line, why))
        return [self._together(words, rows) for rows in alike.values()]

    def refuse(
        self, line: int, faults: Sequence[Fault], codes: Sequence[str] = (), values: dict[str, Any] | None = None
    ) -> None:
        """Refuse a row, with the stop conditions that its good ``values`` hold before its faults."""
        self.faults[line] = tuple(faults)
        self.lost |= {} if values is None else {line: values}
        told = [*(f"stop: {code}." for code in codes), *map(str, faults)]
        self.refused.append((line, " ".join(told)))

    def _alike(self, line: int, why: str) -> Any:
        """Return what rows that are told together have in common."""
        one, *more = self.faults.get(line, ())
        if more or why != str(one):
            return why
        return (one.quantity, one.code, *(text.replace(str(one.value), UNKNOWN) for text in (one.why, one.hint)))

    def _together(self, words: str, rows: Sequence[tuple[int, str]]) -> str:
        if len(rows) == 1:
            return words.format(*rows[0])
        words = words.replace("row {}", "rows {}").replace("Row {}", "Rows {}").replace(" was ", " were ")
        first, values = rows[0], list(dict.fromkeys(shorten(self.faults[line][0].value) for line, _ in rows))
        why = first[1]
        if values[1:]:
            fault = self.faults[first[0]][0]
            also = " So with the others." if str(fault.value) in fault.hint else ""
            why = str(replace(fault, value=first_few(values, FEW))) + also
        return words.format(first_few([str(line) for line, _ in rows], FEW), why)

    def take(self, rows: Rows) -> None:
        """Add rows; a row with a fault is refused."""
        self.rows += rows.faults.size
        bad, known = sorted(rows.faults.of), rows.for_interpretation()
        columns = Columns(len(bad), {key: column[bad] for key, column in known.items()}, [get_fuel(DEFAULT_FUEL)])
        masks = interpret_columns(columns, instrument_class(None)).mask.tolist() if bad else []
        mask_of = dict(zip(bad, masks, strict=True))
        entered = as_cells(rows.values, rows.fields, range(rows.faults.size))
        for row, (line, values) in enumerate(zip(rows.lines.tolist(), entered, strict=True)):
            if row not in mask_of:
                over = rows.faults.over.get(row, {})
                values = {key: value for key, value in values.items() if key not in over}
                self.good.append((line, {**values, "over": over} if over else values))
                continue
            codes = codes_of(mask_of[row] & stop_bits())
            self.refuse(line, [fault for _, fault in rows.faults.of[row]], codes, values)
            self.stopped += [(line, values, codes)] if codes else []
            heater = values.get("heater_id")
            if new := {*codes} - self._stopped.setdefault(heater, set()):
                self._stopped[heater] |= new
                found = safety_of({key: value for key, value in values.items() if key in known}).stops
                name = name_of_row(values, *filter(None, [f"row {line}", heater]))
                stops = [stop.named(name) for stop in found if stop.code in new]
                self.stops, self.of_nobody = self.stops + stops, self.of_nobody + stops * (not heater)


@dataclass(slots=True)
class Table:
    """A table whose headings are understood; its rows come block by block, in bounded memory."""

    source: TableSource
    headings: list[Heading]
    fields: Mapping[str, Field]
    how: TableMap
    texts: bool
    heading_notes: list[str]
    below: dict[str, int] = field(default_factory=dict)

    @property
    def notes(self) -> list[str]:
        """What is to be told of the table: headings that are not used, bounds that stand for a value."""
        sentences = (
            f"{key}: {many(count, 'cell')} with < counted as the bound, the most it can be."
            for key, count in self.below.items()
        )
        return [*self.heading_notes, *sentences]

    def holds(self, key: str) -> bool:
        """Return True when a column holds a key."""
        return any(heading.key == key for heading in self.headings)

    def blocks(self, groups: list[int] | None = None) -> Iterator[Rows]:
        """Yield the rows in order; of Parquet, those of some row groups."""
        for block in self.source.blocks(groups):
            table = block.table
            for key, text in self.how.whole_file.items():
                same = pa.DictionaryArray.from_arrays(array_of(np.zeros(table.num_rows, np.int8)), text_array([text]))
                table = table.append_column(key, same)
            values, faults = check_columns(table, self.headings, self.fields, self.source.decimal, self.how, self.texts)
            for row, why in block.ragged.items():
                hint = "Mend the row: one cell for each heading."
                faults.of.setdefault(row, []).append(("row", Fault("row", None, "missing", why=why, hint=hint)))
            _join_times(values, faults, self.how.order)
            for key, count in faults.below.items():
                self.below[key] = self.below.get(key, 0) + count
            yield Rows(table, {}, block.blank, block.bytes_read, block.lines, values, faults, self.fields, self.how)


def open_source(given: Any) -> TableSource:
    """Return the path of a table, or a pandas frame, as a source of rows.

    Raises
    ------
    CombustError
        It is neither, or the file cannot be read.
    """
    if isinstance(given, str | Path):
        return open_table(given)
    if hasattr(given, "columns") and hasattr(given, "iloc"):
        return frame_source(given)
    hint = "Give a pandas DataFrame or the path of a table."
    raise CombustError(Fault("frame", type(given).__name__, "format", why="is no table", hint=hint))


def read_table(
    given: Any,
    fields: Mapping[str, Field] | None = None,
    mapping: MapLike = None,
    *,
    texts: bool = True,
    elsewhere: frozenset[str] = frozenset(),
) -> Table:
    """Return a table, its headings understood, to be read block by block.

    Parameters
    ----------
    given : path or pandas.DataFrame
        CSV of any spreadsheet or Parquet, or a frame.
    fields : mapping, optional
        Key -> the record of what a column can hold; default a reading's, with ``date`` and ``time`` for ``taken_at``.
    mapping : TableMap, mapping of headings, or path of a saved map, optional
    texts : bool
        False leaves texts but times as they stand (fuels are read by :func:`reading_columns`).
    elsewhere : frozenset of str
        Headings and keys that other tables of the same command hold: a map may name them.

    Raises
    ------
    CombustError
        The file, or a heading, cannot be understood; every fault at once.
    """
    source = open_source(given)
    fields = fields or {**inputs(), "date": DATE, "time": TIME}
    named, notes = TableMap.of(mapping), list[str]()
    maps = [one.headings for one in (named, *named.either)]
    if source.dialect and (above := lines_above(source.dialect, maps)):
        notes = [ABOVE.format(row=source.dialect.line - 1 + above)]
        source = open_table(given, above)
    how, told = named.for_table(source.header, elsewhere)
    if source.dialect and (wrong := faults_of_heading(source.dialect, how.headings, fields)):
        raise CombustError(wrong)
    units, line, rows = (
        (source.dialect.units, source.dialect.line, source.dialect.unit_rows) if source.dialect else ((), 0, 0)
    )
    matched = match_headings(source.header, how.headings, fields, units)
    matched.notes += [*notes, *told, *(UNITS_READ.format(row=row) for row in range(line - rows, line))]
    missing = [] if source.arrow is not None else [name for name in how.headings if name not in source.header]
    faults, lacking = _lacking([name for name in missing if name not in elsewhere], source.header, how, matched, fields)
    matched.notes += lacking
    faults += how.faults_of_words({**columns_of_visits(), **fields}, elsewhere)
    held = {heading.key: heading.name for heading in matched.headings if heading.key}
    fixed = {}
    for key, text in how.whole_file.items():
        found = match_headings([key], {key: key}, fields)
        if found.faults:
            faults += [] if key in elsewhere else found.faults
        elif (ours := found.headings[0].key) in held and key in elsewhere:
            matched.notes.append(f"--set {key}: the column {held[ours or '']} of the table counts.")
        elif ours in held:
            why = f"stands in the table as well ({held[ours or '']})"
            faults.append(Fault(f"--set {key}", text, "conflict", why=why, hint="Keep one of them."))
        else:
            matched.headings += found.headings
            fixed[key] = text
    if matched.faults or faults:
        raise CombustError([*faults, *matched.faults])
    return Table(source, matched.headings, fields, replace(how, whole_file=fixed), texts, matched.notes)


def _lacking(
    missing: Sequence[str], header: Sequence[str], how: TableMap, matched: Matched, fields: Mapping[str, Field]
) -> tuple[list[Fault], list[str]]:
    """Return (faults, notes) of headings of a map that a table does not have.

    One of a saved map is told: a sheet may have fewer columns. It is refused where no heading of the map is there, or
    where a column that nobody knows may be the one that tells a stop.
    """
    unknown = [one.name for one in matched.headings if one.key is None and how.headings.get(one.name) != ""]
    faults, told = [], []
    for name in missing:
        key = how.headings[name]
        record = fields.get(in_our_unit(key, fields)[0])
        needed = bool(unknown and record and record.stops_above)
        if needed or name not in how.saved or not any(one in header for one in how.headings):
            hint = f"Headings: {shorten(', '.join(header), 200)}."
            hint += f' Say in the map what "{unknown[0]}" is ("" = nothing).' if needed else ""
            faults.append(Fault("--map", name, "unknown_name", why="is no heading of the table", hint=hint))
        elif key:
            told.append(f"{name} ({key})")
    return faults, [
        f"Columns of the map that this table does not have: {shorten(', '.join(told), 200)}."
    ] if told else []


def _join_times(values: dict[str, Any], faults: RowFaults, order: str) -> None:
    """Bring ``taken_at``, or ``date`` and ``time``, and ``closed_at`` to ISO 8601; what is none, or two, is a fault."""
    days = values.pop("date", None)
    clocks = values.pop("time", None) if days is not None else None
    days = values.get("taken_at") if days is None else days
    for key, dates, times in (("taken_at", days, clocks), ("closed_at", values.get("closed_at"), None)):
        if dates is not None:
            clock = np.full(len(dates), "") if times is None else times
            values[key] = _moments_of(key, dates, clock, faults, order)


def _moments_of(key: str, days: Any, clocks: Any, faults: RowFaults, order: str) -> Any:
    """Return dates with their clock times as ISO 8601 texts, "" where there is none; one that is no time is a fault."""
    moments = [moment(*pair, order) if any(pair) else "" for pair in zip(days.tolist(), clocks.tolist(), strict=True)]

    def fault(row: int) -> Fault:
        text = f"{days[row]} {clocks[row]}".strip()
        hint = "Write it like 2026-01-12T09:05 or 12.01.2026 09:05."
        hint += IN_A_MAP if asks_for_order(text, order) else ""
        return Fault(key, text, "format", why=why_no_moment(text, order=order), hint=hint)

    faults.add([text is None for text in moments], key, fault)
    return np.array([text or "" for text in moments], dtype=object)


def read_entries(table: Table, check: Callable[[Rows], object] | None = None) -> Entries:
    """Return the rows of a whole table as what was entered; ``check`` may add faults to a block before."""
    done = Entries(table=table)
    for rows in table.blocks():
        if check:
            check(rows)
        done.take(rows)
    done.notes = table.notes
    return done


def reading_columns(
    rows: Rows, headings: list[Heading], catalogue: Catalogue | None = None, default: Fuel | None = None
) -> Columns:
    """Return rows of readings as columns of the interpretation; an unknown fuel and a row without a gas are faults."""
    fuels, index = [default or get_fuel(DEFAULT_FUEL, catalogue=catalogue)], None
    for place, heading in enumerate(headings):
        if heading.key == "fuel":
            fuels, index = _fuels(rows, place, catalogue, fuels[0])
    nothing = np.ones(rows.faults.size, dtype=bool)
    for key in WORTH_TELLING:
        if key in rows.values:
            nothing &= np.isnan(rows.values[key])
    nothing[list(rows.faults.of)] = False
    rows.faults.add(nothing, "o2_dry_pct", lambda row: nothing_entered())
    unnamed = default is None and (index is None or index % len(fuels) == len(fuels) - 1)
    return Columns(rows.faults.size, rows.for_interpretation(), fuels, index, unnamed)


def _fuels(rows: Rows, place: int, catalogue: Catalogue | None, default: Fuel) -> tuple[list[Fuel], Any]:
    """Return the fuels that occur and the index of each row's; an empty cell burns the default fuel."""
    names, index = different_words(rows.table.column(place), rows.how.words_of("fuel"))
    found: list[Fuel] = []
    wrong: dict[int, Fault] = {}
    for position, name in enumerate(names):
        try:
            found.append(get_fuel(name, catalogue=catalogue, near=len(wrong) < NEAR_FUELS))
        except CombustError as error:
            wrong[position] = in_a_map("fuel", error.faults[0]) if name else error.faults[0]
            found.append(default)
    rows.faults.add_coded(index, "fuel", wrong)
    found.append(default)
    return (found, index) if len(found) > 1 else (found, None)


@cache
def stop_bits() -> int:
    """Return the mask of the stop conditions that are told of a refused row: what its own values show."""
    kinds = finding_kinds("reading").values()
    return sum(1 << kind.bit for kind in kinds if kind.severity == "stop" and kind.code not in PLACE)
