"""From table columns as they stand to checked columns of any record of fields, with every fault of every row."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.data.arguments import two_ways
from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import Field
from combust.data.near import known_word
from combust.data.tables import toml_value
from combust.data.units import in_our_unit
from combust.edge.tables.arrow import EMPTY, numbers_of, text_array
from combust.edge.tables.cells import (
    NO_NUMBER,
    TWO_WAYS,
    UNKNOWN,
    Cell,
    all_iso_times,
    different_cells,
    different_words,
    holds_thousands,
    number_and_unit,
    plain_numbers,
    plain_text,
    read_cell,
    trimmed_text,
    without_unit,
)
from combust.edge.tables.headings import Heading, in_unit, is_unit, unit_fault
from combust.edge.tables.table_map import TableMap

# What spreadsheets write before the row at the foot of a table (common practice, no source).
_SUMMARY = "total totals subtotal sum mean average avg median summe gesamt mittelwert mittel somme moyenne"
SUMMARIES = text_array([*_SUMMARY.split(), "grand total"])
_WITHOUT = "Write thousands without a mark, and decimals all with one mark."


@dataclass(slots=True)
class RowFaults:
    """Faults by row, each beside the key it is about; ``below`` counts upper bounds that stand for their value.

    ``over`` holds, by row, the least that a quantity can be whose instrument was over its range, where that stops.
    """

    size: int
    of: dict[int, list[tuple[str, Fault]]] = field(default_factory=dict)
    below: dict[str, int] = field(default_factory=dict)
    over: dict[int, dict[str, float]] = field(default_factory=dict)

    def add(self, where: Any, key: str, fault: Callable[[int], Fault]) -> None:
        """Add a fault to each row of a mask; ``fault`` makes it from the row number."""
        for row in np.flatnonzero(where).tolist():
            self.of.setdefault(row, []).append((key, fault(row)))

    def add_coded(self, index: Any, key: str, faults: Mapping[int, Fault]) -> None:
        """Add a fault to each row whose code has one."""
        if faults:
            self.add(np.isin(index, list(faults)), key, lambda row: faults[int(index[row])])

    def allow_over(self) -> None:
        """Forgive rows with no other fault that an instrument was over its range; of the others nothing is kept."""
        for row, over in list(self.over.items()):
            if sorted(key for key, _ in self.of[row]) == sorted(over):
                del self.of[row]
            else:
                del self.over[row]

    @property
    def mask(self) -> Any:
        """Where a row has a fault."""
        mask = np.zeros(self.size, dtype=bool)
        mask[list(self.of)] = True
        return mask

    def text_of(self, row: int) -> str:
        """Return all faults of a row as one text."""
        return " ".join(str(fault) for _, fault in self.of.get(row, ()))


NEEDED_TEXTS = ("date", "time", "analyser_fuel")  # without them the numbers beside them cannot be read


def check_columns(
    table: Any, headings: Sequence[Heading], fields: Mapping[str, Field], decimal: str, how: TableMap, texts: bool
) -> tuple[dict[str, Any], RowFaults]:
    """Return (key -> checked column, what is wrong with which row) of an Arrow table.

    Numbers are floats in the field's unit, NaN where empty or wrong; choices small integers, -1 where empty or wrong;
    texts and lists of numbers arrays of objects, "" where empty or wrong. Without ``texts`` they are left out, but for
    the fuel set in an analyser and times that have to be looked at.
    """
    faults = RowFaults(table.num_rows)
    _refuse_kinds(table, headings)
    values: dict[str, Any] = {}
    for heading, column in zip(headings, table.columns, strict=True):
        if heading.key is None:
            continue
        record = fields[heading.key]
        if record.kind == "number":
            numbers = _numbers(column, record, heading, decimal, how.marks_of(record.key), faults)
            values[record.key] = _either(values.get(record.key), numbers, record, heading, faults)
        elif record.kind == "choice":
            values[record.key] = _choices(column, record, how.words_of(record.key), faults)
        elif record.kind == "list":
            values[record.key] = _lists(column, record, decimal, faults)
        elif texts or record.key in NEEDED_TEXTS or (record.key == "taken_at" and not all_iso_times(column)):
            cells, index = different_words(column, how.words_of(record.key))
            values[record.key] = np.array([*cells, ""], dtype=object)[index]
    _check_twins(values, fields, faults)
    _refuse_summaries(table, values, faults)
    return values, faults


def _refuse_summaries(table: Any, values: dict[str, Any], faults: RowFaults) -> None:
    """Refuse each row whose first filled cell says that it sums up other rows; nothing in it counts, no stop either."""
    open_rows = np.ones(table.num_rows, dtype=bool)
    for column in table.columns:
        if not open_rows.any() or pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
            return
        text = pc.ascii_lower(pc.ascii_trim(pc.fill_null(plain_text(column), EMPTY), " :\t"))
        found = numbers_of(pc.is_in(text, value_set=SUMMARIES))
        for row in np.flatnonzero(found & open_rows).tolist():
            why, hint = "is a summary of other rows, not a reading", "Take it out, or name the row otherwise."
            faults.of[row] = [("row", Fault("row", text[row].as_py(), "format", why=why, hint=hint))]
            for key, cells in values.items():
                values[key][row] = "" if cells.dtype == object else np.nan if cells.dtype == float else -1
        open_rows &= numbers_of(pc.equal(text, EMPTY))


def _refuse_kinds(table: Any, headings: Sequence[Heading]) -> None:
    """Refuse a typed table whose column for a quantity holds lists, records or raw bytes."""
    faults = []
    for position, heading in enumerate(headings):
        kind = table.schema.field(position).type
        if heading.key and (pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind)):
            hint = "Write one number or one word in each cell."
            faults.append(Fault("heading", heading.name, "format", why=f"holds {kind}", hint=hint))
    if faults:
        raise CombustError(faults)


def _numbers(
    column: Any, record: Field, heading: Heading, decimal: str, marks: Mapping[str, str], faults: RowFaults
) -> Any:
    """Return a number column in the field's unit; cells out of band and unreadable ones are NaN with a fault."""
    bare, unit = (column, "") if marks else without_unit(column)
    key = in_unit(record.key, unit, {record.key: record}) if unit else None
    odd = marks or (record.unit == "ppm" and not heading.foreign and holds_thousands(column))
    entered = None if odd else plain_numbers(bare if key else column, decimal)
    if entered is None:
        return _odd_numbers(plain_text(column), record, heading, decimal, marks, faults)
    heading = heading.entered_as(key) if key else heading
    entered = np.array(entered, dtype=float)
    numbers = _in_our_unit(entered, record, heading)
    with np.errstate(invalid="ignore"):
        outside = (numbers < record.low) | (numbers > record.high) | np.isinf(numbers)
    if outside.any():
        faults.add(outside, record.key, lambda row: _outside(record, float(numbers[row]), heading, float(entered[row])))
        for row in np.flatnonzero(outside).tolist():
            numbers[row] = record.for_stops(float(numbers[row]))
    return numbers


def _either(first: Any, second: Any, record: Field, heading: Heading, faults: RowFaults) -> Any:
    """Return the number that each row has of two columns in two units; two that do not agree are a fault of the row."""
    if first is None:
        return second
    step = _in_our_unit(1.0, record, heading) - _in_our_unit(0.0, record, heading)
    rounded = 0.5 + 0.5 * step if step < 1.0 else 0.0  # metres and feet, °C and °F: each to the next whole number
    both = ~np.isnan(first) & ~np.isnan(second)
    unequal = both & ~np.isclose(first, second, rtol=1e-3, atol=rounded)
    hint = "Correct one of them, or empty it."

    def fault(row: int) -> Fault:
        why = f"is not the {first[row]:g} {record.unit} of the other column ({heading.name})"
        return Fault(record.key, float(second[row]), "conflict", unit=record.unit, why=why, hint=hint)

    faults.add(unequal, record.key, fault)
    most = np.fmax(first, second) if record.stops_above else np.nan
    return np.where(unequal, most, np.where(np.isnan(first), second, first))


def _in_our_unit(entered: Any, record: Field, heading: Heading) -> Any:
    _, convert = in_our_unit(heading.foreign or record.key, {record.key: record})
    return convert(entered) if convert else entered


def _odd_numbers(
    column: Any, record: Field, heading: Heading, decimal: str, marks: Mapping[str, str], faults: RowFaults
) -> Any:
    """Read a column cell by cell, each different cell once, as a single reading is read."""
    cells, index = different_cells(pc.utf8_trim_whitespace(column))
    numbers = np.full(len(cells) + 1, np.nan)
    wrong: dict[int, Fault] = {}
    below = []
    for place, text in enumerate(cells):
        cell, entered, fault = read_with_unit(marks.get(text, text), record, heading, decimal)
        number = _in_our_unit(cell.number, record, entered)
        thousands = "" if heading.foreign else two_ways(text, record.unit)
        if cell.why or thousands:
            fault = fault or record.not_a_number(text, entered_as=heading.foreign or "")
            if cell.why == TWO_WAYS and not thousands:
                fault = Fault(heading.name, text, "not_a_number", why=TWO_WAYS, hint=_WITHOUT)
        elif cell.bound == "<" and record.stops_above and number <= record.high:
            below.append(place)
        elif cell.bound:
            why = f"is a bound ({'over' if cell.bound == '>' else 'under'} the range), not a value"
            hint = "Read it again with an instrument of that range, or leave the cell empty: not measured."
            fault = Fault(entered.foreign or record.key, text, "out_of_band", why=why, hint=hint)
            if cell.bound == ">" and record.stops_above and number <= record.high:
                for row in np.flatnonzero(index == place).tolist():
                    faults.over.setdefault(row, {})[record.key] = float(number)
        else:
            fault = _outside(record, number, entered, cell.number)
        numbers[place] = number if fault is None else record.for_stops(number, at_least=cell.bound == ">", text=text)
        if fault is not None:
            wrong[place] = fault
    faults.add_coded(index, record.key, wrong)
    if below:
        faults.below[record.key] = int(np.isin(index, below).sum())
    return numbers[index]


def read_with_unit(text: str, record: Field, heading: Heading, decimal: str) -> tuple[Cell, Heading, Fault | None]:
    """Return (what a cell says, the heading in the unit that it says itself, the fault of a unit that cannot be)."""
    cell = read_cell(text, decimal)
    bare, unit = number_and_unit(text) if cell.why == NO_NUMBER else (text, "")
    inside = read_cell(bare, decimal) if unit else cell
    if inside is cell or inside.why:
        return inside, heading, None
    key = in_unit(record.key, unit, {record.key: record})
    if key is None:
        fault = unit_fault(record, bare, inside.number, unit, {record.key: record}) if is_unit(unit) else None
        return cell, heading, fault
    return inside, heading.entered_as(key), None


def _outside(record: Field, number: float, heading: Heading, entered: float) -> Any:
    """Return the fault of a number out of band, with what was entered when that was in another unit; else None."""
    fault = record.fault_of(number)
    return fault.entered_as(heading.foreign, entered) if fault and heading.foreign else fault


def _choices(column: Any, record: Field, words: Mapping[str, str], faults: RowFaults) -> Any:
    """Return a choice column as small integers, -1 for empty."""
    cells, index = different_words(column, words)
    places = {word: place for place, word in enumerate(record.choices)}
    found = [places.get(known_word(text, places), -1) for text in cells]
    strange = {
        place: in_a_map(record.key, record.faults_of(cells[place])[0])
        for place in np.flatnonzero(np.array(found) < 0).tolist()
        if cells[place]
    }
    faults.add_coded(index, record.key, strange)
    return np.array([*found, -1], dtype=np.int8)[index]


def in_a_map(key: str, fault: Fault) -> Fault:
    """Return the fault of a word that is none of ours, with how a map says which of ours it stands for.

    None of ours is proposed: a line that is copied as it stands would turn the word round.
    """
    line = f'[words.{key}] {toml_value(shorten(fault.value))} = "?"'
    why = "A word of your own stands in a map (--map FILE.toml), with one of those words for the ?"
    return replace(fault, hint=f"{fault.hint} {why}: {line}.")


def _lists(column: Any, record: Field, decimal: str, faults: RowFaults) -> Any:
    """Return a column of ``;``-separated numbers as tuples, "" for empty; a comma in it is a decimal comma."""
    cells, index = different_cells(trimmed_text(column))
    values = np.full(len(cells) + 1, "", dtype=object)
    wrong = {}
    for place, text in enumerate(cells):
        parts = [
            read_cell(part, decimal if decimal == "," or "," not in text else UNKNOWN)
            for part in text.split(";")
            if part.strip()
        ]
        if all(not (part.why or part.bound) and record.low <= part.number <= record.high for part in parts):
            values[place] = tuple(part.number for part in parts)
        else:
            why = f"is no list of numbers from {record.low:g} to {record.high:g} {record.unit}"
            wrong[place] = Fault(record.key, text, "format", why=why, hint="Write them like -20;-12;-5.")
    faults.add_coded(index, record.key, wrong)
    return values[index]


def _check_twins(values: Mapping[str, Any], fields: Mapping[str, Field], faults: RowFaults) -> None:
    """Add a fault to each row that gives one gas dry and wet."""
    for key, record in fields.items():
        if record.wet_twin and record.wet_twin in values and key in values:
            both = ~np.isnan(values[key]) & ~np.isnan(values[record.wet_twin])
            hint = "Keep the one that was read."
            twice = Fault(key, "given", "conflict", why=f"and {record.wet_twin} are one gas, dry and wet", hint=hint)
            faults.add_coded(both.astype(int), key, {1: twice})


def as_cells(values: Mapping[str, Any], fields: Mapping[str, Field], rows: Iterable[int]) -> list[dict[str, Any]]:
    """Return rows of checked columns as dictionaries of what was entered: numbers, words, texts; empty is left out."""
    found: list[dict[str, Any]] = [{} for _ in rows]
    for key, column in values.items():
        kind, choices = fields[key].kind, fields[key].choices
        for cells, cell in zip(found, column[list(rows)].tolist(), strict=True):
            if kind == "choice":
                if cell >= 0:
                    cells[key] = choices[cell]
            elif cell != "" and cell == cell:
                cells[key] = cell
    return found
