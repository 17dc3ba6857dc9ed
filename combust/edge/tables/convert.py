"""From table columns as they stand to the columns of the interpretation, with every fault of every row."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.application.reading.columns import Columns
from combust.application.reading.result import DEFAULT_FUEL
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number
from combust.data.vocabulary import foreign_twin, quantities, quantity
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.reading import WORTH_TELLING, nothing_entered
from combust.edge.tables.headings import Heading

# What people and programs write for "not measured" (common practice, no source). Never turned into 0.
EMPTY_WORDS = ("", "nan", "na", "n/a", "null", "none", "-", "--")
NEAR_FUELS = 100  # near matches take long: a column that holds no fuels at all gets them for its first cells only
# In a table with decimal commas 1.200 can be 1.2 or 1200; 8.2 and 0.150 can only be decimals.
_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(\.\d{3})+$")
_TWO_WAYS = "can be read in two ways in a table with decimal commas: as a decimal or as thousands"


@dataclass(slots=True)
class RowFaults:
    """Faults by row: kept as masks while they are few kinds, turned into sentences only for the rows that have them."""

    size: int
    texts: dict[int, list[str]] = field(default_factory=dict)

    def add(self, where: Any, sentence: Any) -> None:
        """Add a fault to each row of a mask; ``sentence`` makes its text from the row number."""
        for row in np.flatnonzero(where).tolist():
            self.texts.setdefault(row, []).append(sentence(row))

    def add_coded(self, index: Any, sentences: Mapping[int, str]) -> None:
        """Add a fault to each row whose code has a sentence."""
        if sentences:
            self.add(np.isin(index, list(sentences)), lambda row: sentences[int(index[row])])

    @property
    def mask(self) -> Any:
        """Where a row has a fault."""
        mask = np.zeros(self.size, dtype=bool)
        mask[list(self.texts)] = True
        return mask

    def text_of(self, row: int) -> str:
        """Return all faults of a row as one text."""
        return " ".join(self.texts.get(row, ()))


def columns_of_table(
    table: Any,
    headings: Sequence[Heading],
    *,
    decimal: str = ".",
    catalogue: Catalogue | None = None,
    default_fuel: Fuel | None = None,
) -> tuple[Columns, RowFaults]:
    """Return a batch of rows as columns, and what is wrong with which row.

    A value that is wrong is left out of the columns (NaN), so that the stop conditions in the rest of the row still
    come out.
    """
    size = table.num_rows
    faults = RowFaults(size)
    _refuse_kinds(table, headings)
    values: dict[str, Any] = {}
    fuels: list[Fuel] = [default_fuel or get_fuel(DEFAULT_FUEL, catalogue=catalogue)]
    fuel_index = None
    for position, heading in enumerate(headings):
        if heading.key is None:
            continue
        record = quantity(heading.key)
        column = table.column(position)
        if heading.key == "fuel":
            fuels, fuel_index = _fuels(column, catalogue, fuels[0], faults)
        elif record.kind == "number":
            values[record.key] = _numbers(column, heading, decimal, faults)
        elif record.kind == "choice":
            values[record.key] = _choices(column, heading, faults)
    _check_rows(values, size, faults)
    return Columns(size, values, fuels, fuel_index), faults


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


def _text(column: Any) -> Any:
    """Return a column as trimmed text with null for empty words."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    text = pc.utf8_trim_whitespace(column.cast(pa.string()))
    empty = pc.is_in(pc.utf8_lower(text), value_set=pa.array(EMPTY_WORDS))
    return pc.if_else(empty, pa.scalar(None, pa.string()), text)


def _numbers(column: Any, heading: Heading, decimal: str, faults: RowFaults) -> Any:
    """Return a number column in the vocabulary's unit, out-of-band and unreadable cells as NaN with a fault."""
    record = quantity(heading.key or "")
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        numbers = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    else:
        numbers = _numbers_of_text(column, heading, decimal, faults)
    entered = numbers = np.array(numbers, dtype=float)
    if heading.foreign:
        twin = foreign_twin(heading.foreign)
        numbers = twin[1](entered) if twin else entered
    with np.errstate(invalid="ignore"):
        outside = (numbers < record.low) | (numbers > record.high) | np.isinf(numbers)
    if outside.any():
        faults.add(outside, lambda row: _told(record, float(numbers[row]), heading, float(entered[row])))
        for row in np.flatnonzero(outside).tolist():
            numbers[row] = record.for_stops(float(numbers[row]))
    return numbers


def _told(record: Field, value: object, heading: Heading, entered: object) -> str:
    """Return the fault of a cell in words, with what was entered when that was in another unit."""
    fault = record.fault_of(value)
    return "" if fault is None else str(fault.entered_as(heading.foreign, entered) if heading.foreign else fault)


def _numbers_of_text(column: Any, heading: Heading, decimal: str, faults: RowFaults) -> Any:
    column = _plain_text(column)
    if decimal == "." or not _any_point(column):
        try:  # almost every column of almost every table: plain numbers and empty cells
            quick = _point(column, decimal).cast(pa.float64())
            numbers = quick.to_numpy(zero_copy_only=False)
            if np.isfinite(numbers).sum() == len(column) - column.null_count:
                return numbers
        except pa.ArrowInvalid:
            pass
    return _numbers_of_odd_text(_text(column), heading, decimal, faults)


def _plain_text(column: Any) -> Any:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    return column.cast(pa.string())


def _any_point(column: Any) -> bool:
    return bool(pc.any(pc.match_substring(column, ".")).as_py())


def _numbers_of_odd_text(text: Any, heading: Heading, decimal: str, faults: RowFaults) -> Any:
    """Read a column cell by cell kind, as a single reading is read; each different cell once."""
    coded = text.combine_chunks().dictionary_encode() if isinstance(text, pa.ChunkedArray) else text.dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    record = quantity(heading.key or "")
    cells = coded.dictionary.to_pylist()
    numbers = np.full(len(cells) + 1, np.nan)
    wrong: dict[int, str] = {}
    for position, cell in enumerate(cells):
        if decimal == "," and _THOUSANDS.match(cell):
            fault = Fault(heading.name, cell, "not_a_number", why=_TWO_WAYS, hint="Write it without the point.")
            wrong[position] = str(fault)
            continue
        number = as_number(cell.replace(",", ".") if decimal == "," else cell)
        if number is None:
            wrong[position] = str(record.not_a_number(cell, entered_as=heading.foreign or ""))
        else:
            numbers[position] = number
    index = pc.fill_null(coded.indices, len(cells)).to_numpy(zero_copy_only=False).astype(np.intp)
    faults.add_coded(index, wrong)
    return numbers[index]


def _point(text: Any, decimal: str) -> Any:
    return pc.replace_substring(text, ",", ".") if decimal == "," else text


def _choices(column: Any, heading: Heading, faults: RowFaults) -> Any:
    """Return a choice column as small integers, -1 for empty."""
    record = quantity(heading.key or "")
    text = _text(column)
    index = pc.index_in(text, value_set=pa.array(record.choices))
    strange = pc.and_(pc.is_valid(text), pc.is_null(index)).to_numpy(zero_copy_only=False).astype(bool)
    if strange.any():
        faults.add(strange, lambda row: str(record.fault_of(text[row].as_py())))
    return pc.fill_null(index, -1).to_numpy(zero_copy_only=False).astype(np.int8)


def _fuels(column: Any, catalogue: Catalogue | None, default: Fuel, faults: RowFaults) -> tuple[list[Fuel], Any]:
    """Return the fuels that occur and the index of each row's; an empty cell burns the default fuel."""
    coded = _text(column).combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    names = coded.dictionary.to_pylist()
    index = pc.fill_null(coded.indices, len(names)).to_numpy(zero_copy_only=False).astype(np.intp)
    found: list[Fuel] = []
    wrong: dict[int, str] = {}
    for position, name in enumerate(names):
        try:
            found.append(get_fuel(name, catalogue=catalogue, near=len(wrong) < NEAR_FUELS))
        except CombustError as error:
            wrong[position] = str(error)
            found.append(default)
    faults.add_coded(index, wrong)
    found.append(default)
    return (found, index) if len(found) > 1 else (found, None)


def _check_rows(values: Mapping[str, Any], size: int, faults: RowFaults) -> None:
    """Add the faults that concern a row as a whole: one gas twice, or nothing to interpret."""
    for key, record in quantities().items():
        if record.wet_twin and record.wet_twin in values and key in values:
            both = ~np.isnan(values[key]) & ~np.isnan(values[record.wet_twin])
            hint = "Keep the one that was read."
            twice = Fault(key, "given", "conflict", why=f"and {record.wet_twin} are one gas, dry and wet", hint=hint)
            faults.add(both, lambda row, told=str(twice): told)
    nothing = np.ones(size, dtype=bool)
    for key in WORTH_TELLING:
        if key in values:
            nothing &= np.isnan(values[key])
    nothing[list(faults.texts)] = False
    faults.add(nothing, lambda row: str(nothing_entered()))
