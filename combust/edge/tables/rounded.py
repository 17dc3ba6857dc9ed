"""A column of results rounded to some decimals: numbers for Parquet and frames, texts for CSV."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.edge.tables.arrow import mask, text_array

MOST_TEXTS = 1 << 20  # 12 MB of them for a decimal place
WORTH = 4  # texts that may be made for each cell that has come


@dataclass(frozen=True, slots=True)
class Rounded:
    """Numbers as whole units of a decimal place, NaN where there is none."""

    units: Any
    decimals: int

    @classmethod
    def of(cls, numbers: Any, decimals: int, empty: Any) -> Rounded:
        """Round numbers; what is not finite, and where ``empty`` is true, is none."""
        units = np.rint(numbers * 10.0**decimals)
        units[empty | ~np.isfinite(units)] = np.nan
        return cls(units, decimals)

    def __len__(self) -> int:
        return len(self.units)

    def slice(self, start: int, length: int) -> Rounded:
        """Return some rows."""
        return Rounded(self.units[start : start + length], self.decimals)

    def filter(self, chosen: Any) -> Rounded:
        """Return the rows of a mask."""
        return Rounded(self.units[chosen], self.decimals)

    def numbers(self) -> Any:
        """Return the column as an Arrow array of floats, rounded as :func:`numpy.round` does."""
        return pa.array(self.units / 10.0**self.decimals, mask=np.isnan(self.units))


class Texts:
    """The texts of rounded numbers: of each decimal place 0, 1, 2, … units, made once by Arrow and then looked up.

    The more cells come, the further they reach. A number that is not among them is written on its own. Threads may
    share it.
    """

    def __init__(self, write: Callable[[Any], Any], empty: str | None) -> None:
        """``write`` makes an Arrow array of texts from one of floats; ``empty`` stands where there is no number."""
        self._write, self._empty = write, text_array([empty])
        self._made, self._cells = dict[int, Any](), dict[int, int]()

    def of(self, column: Rounded) -> Any:
        """Return a column as texts."""
        units, made = column.units, self._made.get(column.decimals, self._empty)
        known = _below(units, len(made) - 1)
        others = None if known.all() else ~(known | np.isnan(units))
        if others is not None and others.any():
            made = self._further(column, others)
            known = _below(units, len(made) - 1)
            others &= ~known
            if 2 * np.count_nonzero(others) > len(others):
                return self._write(column.numbers())
        texts = made.take(pa.array(np.where(known, units, len(made) - 1).astype(np.int32)))
        if others is None or not others.any():
            return texts
        return pc.replace_with_mask(texts, mask(others), self._write(column.filter(others).numbers()))

    def _further(self, column: Rounded, others: Any) -> Any:
        """Return the texts of a decimal place and the empty one; further ones among them where they are worth it."""
        made = self._made.get(column.decimals, self._empty)
        cells = self._cells[column.decimals] = self._cells.get(column.decimals, 0) + len(others)
        wanted = np.max(column.units, where=others & _below(column.units, MOST_TEXTS), initial=0.0)
        size = 1 << int(wanted).bit_length()
        if len(made) <= size <= WORTH * cells:
            numbers = pa.array(np.arange(size) / 10.0**column.decimals)
            made = self._made[column.decimals] = pa.concat_arrays([self._write(numbers), self._empty])
        return made


def _below(units: Any, limit: int) -> Any:
    """Return where units are from 0 to below a limit: as bits, so that NaN and -0 (Arrow writes -0) are beyond it."""
    return units.view(np.uint64) < np.float64(limit).view(np.uint64)
