"""A batch of readings as columns, and the fuel behind each row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from combust.data.vocabulary import quantities
from combust.domain.catalogue import setting_co2_maximum
from combust.domain.fuel import Fuel
from combust.kernel.types import AtomsTuple

MISSING = np.nan
NOT_CHOSEN = -1


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings as arrays of one length: numbers as floats (NaN = not measured), choices as small integers (-1 = empty).

    Attributes
    ----------
    size : int
    values : mapping
        Vocabulary key -> array of length ``size``. A key that is absent was measured nowhere.
    fuels : sequence of Fuel
        The fuels that occur.
    fuel_index : array or None
        Which of them each row burns; None when there is one fuel only.
    fuel_assumed : bool or array
        Where nobody said what is burnt: the last of the fuels stands in.
    """

    size: int
    values: Mapping[str, Any]
    fuels: Sequence[Fuel]
    fuel_index: Any = None
    fuel_assumed: Any = False

    def number(self, key: str) -> Any:
        """Return a number column, or NaN as a plain float when it is absent."""
        return self.values.get(key, MISSING)

    def chosen(self, key: str, choice: str) -> Any:
        """Return where a choice column holds a choice."""
        column = self.values.get(key)
        return False if column is None else column == quantities()[key].choices.index(choice)

    def empty(self, key: str) -> Any:
        """Return where a choice column is empty."""
        column = self.values.get(key)
        return True if column is None else column == NOT_CHOSEN

    def of_fuel(self, attribute: str) -> Any:
        """Return an attribute of the fuel, one number or one per row."""
        values = np.array([float(getattr(fuel, attribute)) for fuel in self.fuels])
        return float(values[0]) if self.fuel_index is None else values[self.fuel_index]

    @property
    def analyser_co2_maximum(self) -> Any:
        """CO2 maximum of the fuel set in the analyser [vol %], NaN where it was not entered or is not known."""
        texts = self.values.get("analyser_fuel")
        if texts is None:
            return MISSING
        different, index = np.unique(texts.astype(str), return_inverse=True)
        return np.array([setting_co2_maximum(text) or MISSING for text in different])[index]

    @property
    def atoms(self) -> AtomsTuple[Any]:
        """Atoms per carbon of the fuel, numbers or arrays."""
        return AtomsTuple(*(self.of_fuel(name) for name in ("h_c", "o_c", "n_c", "s_c")))

    def part(self, start: int, stop: int) -> Columns:
        """Return the rows from start to stop."""
        index = None if self.fuel_index is None else self.fuel_index[start:stop]
        values = {key: column[start:stop] for key, column in self.values.items()}
        assumed = self.fuel_assumed[start:stop] if np.ndim(self.fuel_assumed) else self.fuel_assumed
        return Columns(min(stop, self.size) - start, values, self.fuels, index, assumed)


def columns_of_reading(values: Mapping[str, Any], fuel: Fuel) -> Columns:
    """Return one reading as columns of length 1."""
    return replace(columns_of_readings([values], [fuel]), fuel_assumed=values.get("fuel") is None)


def columns_of_readings(rows: Sequence[Mapping[str, Any]], fuels: Sequence[Fuel], fuel_index: Any = None) -> Columns:
    """Return readings as columns; None is empty; other texts and unknown keys are left out."""
    values: dict[str, Any] = {}
    for key in dict.fromkeys(key for row in rows for key in row):
        record, cells = quantities().get(key), [row.get(key) for row in rows]
        if record and record.kind == "number":
            values[key] = np.array(cells, dtype=float)  # None becomes NaN
        elif record and record.kind == "choice":
            index = [NOT_CHOSEN if cell is None else record.choices.index(cell) for cell in cells]
            values[key] = np.array(index, dtype=np.int8)
        elif key == "analyser_fuel":
            values[key] = np.array([cell or "" for cell in cells], dtype=object)
    return Columns(len(rows), values, fuels, fuel_index)
