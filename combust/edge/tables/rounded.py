"""A column of results rounded to some decimals: numbers for Parquet and frames, texts for CSV."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from combust.edge.tables.arrow import array_of, bytes_of

MOST_TEXTS = 1_000_000  # 9 MB of them for a decimal place
WORTH = 4  # texts that may be made for each cell that has come
WORD = 8  # bytes


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
        return array_of(self.units / 10.0**self.decimals, np.isnan(self.units))


class Words(NamedTuple):
    """Texts as words of 8 bytes, the first of each text, the second of each, …, and the lengths of the texts.

    What stands in a word behind the end of its text means nothing.
    """

    words: list[Any]
    lengths: Any

    @classmethod
    def of(cls, texts: Any) -> Words:
        """Return an Arrow array of short texts, none of them null, as words."""
        data = np.frombuffer(bytes_of(texts), np.uint8)
        ends = np.frombuffer(texts.buffers()[1], np.int32, len(texts) + 1, 4 * texts.offset).astype(np.intp)
        lengths, starts = np.diff(ends), ends[:-1] - ends[0]
        count = -(-int(lengths.max(initial=1)) // WORD)
        words = _word_at_each_byte(np.concatenate([data, np.zeros(count * WORD, np.uint8)]))
        return cls([words[starts + WORD * place] for place in range(count)], lengths.astype(np.uint8))

    def at(self, index: Any) -> Words:
        """Return the texts at some places."""
        return Words([word[index] for word in self.words], self.lengths[index])

    def put(self, chosen: Any, more: Words) -> Words:
        """Return the texts, others in the place of those that a mask chooses."""
        words = [*self.words, *(np.zeros(len(chosen), np.uint64) for _ in more.words[len(self.words) :])]
        for word, other in zip(words, more.words, strict=False):
            word[chosen] = other
        self.lengths[chosen] = more.lengths
        return Words(words, self.lengths)


class NumberRows:
    """Rows of rounded numbers as texts, as Arrow writes the numbers.

    Of each decimal place the texts of 0, 1, 2, … units are made once, by Arrow, and looked up from then on; the more
    cells come, the further they reach. A number that is not among them is written on its own. Threads may share it.
    """

    def __init__(self, write: Callable[[Any], Any], between: str) -> None:
        """``write`` makes an Arrow array of texts from one of floats, with ``between`` behind each; null is no text."""
        self._write, self._between = write, len(between.encode())
        self._none = Words.of(write(pa.nulls(1, pa.float64())))
        self._made, self._cells, self._lock = dict[int, Words](), dict[int, int](), Lock()

    def joined(self, columns: Sequence[Rounded]) -> Any:
        """Return columns as an Arrow array with the text of each row, ``between`` between the cells."""
        cells = [self._words_of(column) for column in columns]
        cells[-1] = Words(cells[-1].words, cells[-1].lengths - np.uint8(self._between))
        rows, width = len(columns[0]), sum(len(cell.words) for cell in cells)
        words, lengths, place = np.empty((rows, width), np.uint64), np.empty((rows, width), np.uint8), 0
        for cell in cells:
            left = cell.lengths
            for word in cell.words:
                words[:, place] = word
                lengths[:, place] = np.minimum(left, WORD)
                left, place = left - lengths[:, place], place + 1
        ends = np.cumsum(lengths, dtype=np.intp)
        text = np.empty(int(ends[-1]) + WORD, np.uint8)
        # In order: what a word has behind its end is written over by the next one.
        _word_at_each_byte(text)[ends - lengths.ravel()] = words.ravel()
        offsets = np.concatenate([[0], ends[width - 1 :: width]]).astype(np.int32)
        return pa.StringArray.from_buffers(rows, pa.py_buffer(offsets), pa.py_buffer(text))

    def _words_of(self, column: Rounded) -> Words:
        units, made = column.units, self._made.get(column.decimals, self._none)
        known = _below(units, len(made.lengths) - 1)
        others = None if known.all() else ~(known | np.isnan(units))
        if others is not None and others.any():
            made = self._further(column, others)
            known = _below(units, len(made.lengths) - 1)
            others &= ~known
        found = made.at(np.where(known, units, len(made.lengths) - 1).astype(np.intp))
        if others is None or not others.any():
            return found
        return found.put(others, Words.of(self._write(column.filter(others).numbers())))

    def _further(self, column: Rounded, others: Any) -> Words:
        """Return the texts of a decimal place and the empty one; further ones among them where they are worth it."""
        with self._lock:
            made = self._made.get(column.decimals, self._none)
            cells = self._cells[column.decimals] = self._cells.get(column.decimals, 0) + len(others)
            wanted = np.max(column.units, where=others & _below(column.units, MOST_TEXTS), initial=0.0)
            size = min(1 << int(wanted).bit_length(), MOST_TEXTS)
            if len(made.lengths) <= size <= WORTH * cells:
                units = np.append(np.arange(size, dtype=float), np.nan)
                made = self._made[column.decimals] = Words.of(self._write(Rounded(units, column.decimals).numbers()))
            return made


def _below(units: Any, limit: int) -> Any:
    """Return where units are from 0 to below a limit: as bits, so that NaN and -0 (Arrow writes -0) are beyond it."""
    return units.view(np.uint64) < np.float64(limit).view(np.uint64)


def _word_at_each_byte(data: Any) -> Any:
    """Return bytes as words that begin at each of them and lie over one another."""
    return np.ndarray((len(data) - WORD + 1,), np.uint64, data, 0, (1,))
