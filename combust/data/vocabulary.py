"""The vocabulary: one field for each quantity, the words of CSV, JSON, options, arguments, docstrings and errors."""

from __future__ import annotations

from functools import cache

from combust.data.fields import Field, fields_of
from combust.data.tables import load_table
from combust.data.units import in_other_units


def foreign_keys() -> list[str]:
    """Return every key in another unit that enters an input."""
    return [twin for key in input_keys() for twin in in_other_units(key, quantities())]


@cache
def quantities() -> dict[str, Field]:
    """Return the whole vocabulary, key -> Field, in the order of the table."""
    return fields_of(load_table("quantities"))


def quantity(key: str) -> Field:
    """Return one quantity of the vocabulary."""
    return quantities()[key]


@cache
def inputs() -> dict[str, Field]:
    """Return every quantity that may enter (all but the results), key -> Field."""
    return {key: found for key, found in quantities().items() if found.role != "result"}


def input_keys() -> tuple[str, ...]:
    """Return every key that may enter."""
    return tuple(inputs())
