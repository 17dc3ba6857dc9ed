"""What a cell of a table says: a number, a bound or nothing. Only here does the text of a cell become a number."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.data.arguments import PPM_THOUSANDS
from combust.data.fields import as_number
from combust.data.near import folded_name
from combust.edge.tables.arrow import NO_TEXT, numbers_of, text_array
from combust.edge.tables.times import YEAR

# What people and programs write for "not measured" (common practice, no source). Never turned into 0.
EMPTY_WORDS = ("", "?", "nan", "na", "n/a", "null", "none", "-", "--")
# 1.200 and 1,200 can be 1.2 or 1200, by the table they stand in; 8.2 and 0,150 can only be decimals.
THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(?:(?:\.\d{3})+|(?:,\d{3})+)$")
TWO_WAYS = "can be read in two ways in this table: as a decimal or as thousands"
UNKNOWN = "?"  # the decimal mark of a table that shows none, or both
FIRST_CELLS = 8  # in which a unit is looked for that every cell may have
NO_NUMBER = "is not a number"
_BOUND = re.compile(r"^(?:([>≥])|[<≤])=?\s*(\S.*)$")
_WITH_UNIT = re.compile(r"^((?:[<>≥≤]?=?\s*)?[+\-\u2212]?[\d.,]+)\s*([^\d.,\s].*)$")


class Cell(NamedTuple):
    """A cell as it is understood: its number (NaN = none), ``>`` or ``<`` for a bound, and why it is no number."""

    number: float = math.nan
    bound: str = ""
    why: str = ""


def read_cell(text: str, decimal: str = ".") -> Cell:
    """Return what a text cell says in a table with that decimal mark: ``.``, ``,`` or ``?`` where it is not known.

    Examples
    --------
    >>> read_cell("8,2", ","), read_cell(" > 2000 ").bound, read_cell("n/a")
    (Cell(number=8.2, bound='', why=''), '>', Cell(number=nan, bound='', why=''))
    >>> read_cell("1.200", ",").why[:23], read_cell("1,200", "?").why[:23], read_cell("1.200").number
    ('can be read in two ways', 'can be read in two ways', 1.2)
    """
    text = text.strip()
    if text.lower() in EMPTY_WORDS:
        return Cell()
    if found := _BOUND.match(text):
        inside = read_cell(found[2], decimal)
        good = not (inside.why or inside.bound or math.isnan(inside.number))
        return Cell(inside.number, (found[1] and ">") or "<") if good else Cell(why=inside.why or NO_NUMBER)
    if decimal not in text and THOUSANDS.match(text.replace("\u2212", "-")):
        return Cell(why=TWO_WAYS)
    number = as_number(text if decimal == "." else text.replace(",", "."))
    return Cell(why=NO_NUMBER) if number is None else Cell(number)


def number_and_unit(text: str) -> tuple[str, str]:
    """Return (number, unit) as they stand in one text, (text, "") of any other.

    Examples
    --------
    >>> number_and_unit("> 11,9 V"), number_and_unit("-5°C"), number_and_unit("8.2"), number_and_unit("V 8.2")
    (('> 11,9', 'V'), ('-5', '°C'), ('8.2', ''), ('V 8.2', ''))
    """
    found = _WITH_UNIT.match(text.strip())
    return (found[1], found[2].strip()) if found else (text, "")


def plain_numbers(column: Any, decimal: str) -> Any:
    """Return a column as floats when every cell of it is a plain number or empty, as almost all are; else None."""
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        return numbers_of(column.cast(pa.float64(), safe=False))
    column = plain_text(column)
    if decimal != ".":
        if pc.any(pc.match_substring_regex(column, "[.]" if decimal == "," else "[.,]")).as_py():
            return None
        column = pc.replace_substring(column, ",", ".")
    try:
        numbers = numbers_of(column.cast(pa.float64()))
    except pa.ArrowInvalid:
        return None
    return numbers if np.isfinite(numbers).sum() == len(column) - column.null_count else None


def holds_thousands(column: Any) -> bool:
    """Return whether any text of a column in ppm can be thousands, like 1.450."""
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        return False
    return bool(pc.any(pc.match_substring_regex(plain_text(column), PPM_THOUSANDS.pattern)).as_py())


def without_unit(column: Any) -> tuple[Any, str]:
    """Return (a column without the unit that every cell of it ends in, that unit); (the column, "") of any other."""
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        return column, ""
    text = plain_text(column)
    first = next(filter(None, text[:FIRST_CELLS].to_pylist()), "")
    number, unit = number_and_unit(first)
    ending = first[len(number) :]  # with the blanks between
    if not unit or not pc.all(pc.ends_with(text, ending)).as_py():
        return column, ""
    return pc.replace_substring(text, ending, "", max_replacements=1), unit


def all_iso_times(column: Any) -> bool:
    """Return True when every cell of a column is a time in ISO 8601, all with an offset or all without, or empty.

    Also False where a year cannot be: such cells are looked at one by one.
    """
    for kind in (pa.timestamp("us"), pa.timestamp("us", "UTC")):
        try:
            years = pc.min_max(pc.year(plain_text(column).cast(kind))).as_py()
        except pa.ArrowInvalid:
            continue
        return years["min"] is None or (years["min"] >= YEAR.low and years["max"] <= YEAR.high)
    return False


def plain_text(column: Any) -> Any:
    """Return a column of any kind as an Arrow column of strings."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    return column.cast(pa.string())


def trimmed_text(column: Any) -> Any:
    """Return a column as trimmed text with null for empty words."""
    text = pc.utf8_trim_whitespace(plain_text(column))
    empty = pc.is_in(pc.utf8_lower(text), value_set=text_array(EMPTY_WORDS))
    return pc.if_else(empty, NO_TEXT, text)


def different_cells(column: Any) -> tuple[list[str], Any]:
    """Return (the different texts of a column, where each row's stands among them; their number where it is null)."""
    coded = (column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column).dictionary_encode()
    coded = coded.combine_chunks() if isinstance(coded, pa.ChunkedArray) else coded
    cells = coded.dictionary.to_pylist()
    return cells, numbers_of(coded.indices, len(cells)).astype(np.intp)


def different_words(column: Any, ours: Mapping[str, str] = MappingProxyType({})) -> tuple[list[str], Any]:
    """Return the same of trimmed words, those of a map (folded -> ours) told in ours; its "" is no word."""
    cells, index = different_cells(trimmed_text(column))
    if not ours:
        return cells, index
    told = [ours.get(folded_name(text), text) for text in cells]
    return told, np.array([place if word else len(told) for place, word in enumerate([*told, ""])])[index]
