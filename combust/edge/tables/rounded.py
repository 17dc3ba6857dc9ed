"""A column of results rounded to some decimals: numbers for Parquet and frames, texts for CSV."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.edge.tables.arrow import array_of, bytes_of

MOST_TEXTS = 1_000_000  # 9 MB of them for a decimal place
WORTH = 4  # texts that may be made for each cell that has come
WORD = 8  # bytes
COUNTS = np.frombuffer(b"".join(b"\xff" * size + bytes(WORD - size) for size in range(WORD + 1)), np.uint64)


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


class Piece(NamedTuple):
    """Up to 8 bytes of each text as one word, 0 behind what counts of it."""

    words: Any
    lengths: Any

    @classmethod
    def of(cls, words: Any, lengths: Any) -> Piece:
        """Return words of which so many bytes count."""
        return cls(words & COUNTS[lengths], lengths)


class Words(NamedTuple):
    """Texts as pieces, one behind the other."""

    pieces: list[Piece]

    @classmethod
    def of(cls, texts: Any) -> Words:
        """Return an Arrow array of short texts, none of them null."""
        data = np.frombuffer(bytes_of(texts), np.uint8)
        ends = np.frombuffer(texts.buffers()[1], np.int32, len(texts) + 1, 4 * texts.offset).astype(np.intp)
        lengths, starts = np.diff(ends), ends[:-1] - ends[0]
        count = -(-int(lengths.max(initial=1)) // WORD)
        words = _word_at_each_byte(np.concatenate([data, np.zeros(count * WORD, np.uint8)]))
        left = (np.clip(lengths - WORD * place, 0, WORD).astype(np.uint8) for place in range(count))
        return cls([Piece.of(words[starts + WORD * place], here) for place, here in enumerate(left)])

    def __len__(self) -> int:
        return len(self.pieces[0].words)

    def at(self, index: Any) -> Words:
        """Return the texts at some places."""
        return Words([Piece(words.take(index), lengths.take(index)) for words, lengths in self.pieces])

    def put(self, chosen: Any, more: Words) -> Words:
        """Return the texts, others in the place of those that a mask chooses."""
        none = (Piece(np.zeros(len(chosen), np.uint64), np.zeros(len(chosen), np.uint8)) for _ in more.pieces)
        pieces = [one or new for one, new in zip_longest(self.pieces, none)]
        for place, piece in enumerate(pieces):
            piece.words[chosen], piece.lengths[chosen] = more.pieces[place] if place < len(more.pieces) else (0, 0)
        return Words(pieces)

    def without(self, last: int) -> Words:
        """Return the texts without their last bytes."""
        pieces, left = list[Piece](), np.uint8(last)
        for words, lengths in reversed(self.pieces):
            gone = np.minimum(lengths, left)
            pieces, left = [Piece.of(words, lengths - gone), *pieces], left - gone
        return Words(pieces)


class NumberRows:
    """Rows of rounded numbers as texts, as Arrow writes the numbers.

    Of each decimal place the texts of 0, 1, 2, … units are made once, by Arrow, and looked up from then on; the more
    cells come, the further they reach. A number that is not among them is written on its own. Threads may share it.
    """

    def __init__(self, write: Callable[[Any], Any], between: str) -> None:
        """``write`` makes an Arrow array of texts from one of floats, with ``between`` behind each; null is no text."""
        self._write, self._between = write, len(between.encode())
        self._none = Words.of(write(pa.nulls(1, pa.float64())))
        zero = bytes(bytes_of(write(array_of(np.zeros(1)))))
        self._before, self._behind = zero.index(b"0"), len(zero) - zero.index(b"0") - 1
        self._made, self._cells, self._lock = dict[int, Words](), dict[int, int](), Lock()
        self._fractions = dict[int, Words]()

    def joined(self, columns: Sequence[Rounded]) -> Any:
        """Return columns as an Arrow array with the text of each row, ``between`` between the cells."""
        cells = [self._words_of(column) for column in columns]
        cells[-1] = cells[-1].without(self._between)
        sizes = np.zeros(len(columns[0]), np.intp)
        for _, lengths in (piece for cell in cells for piece in cell.pieces):
            sizes += lengths
        ends = np.cumsum(sizes)
        place, text = ends - sizes, np.zeros(int(ends[-1]) + WORD, np.uint8)
        words_at, inside = _word_at_each_byte(text), len(columns) - WORD - 1
        for number, cell in enumerate(cells):
            for words, lengths in cell.pieces:
                # The zeros of a word lie on what is written later, near the end of a row on the next row as well.
                words_at[place] = words if number < inside else words_at[place] | words
                place += lengths
        return pa.StringArray.from_buffers(
            len(ends), pa.py_buffer(np.append(0, ends).astype(np.int32)), pa.py_buffer(text)
        )

    def _words_of(self, column: Rounded) -> Words:
        units, made = column.units, self._made.get(column.decimals, self._none)
        known = _below(units, len(made) - 1)
        others = None if known.all() else ~(known | np.isnan(units))
        if others is not None and others.any():
            made = self._further(column, others)
            known = _below(units, len(made) - 1)
            others &= ~known
        found = made.at(np.where(known, units, len(made) - 1).astype(np.intp))
        if others is None or not others.any():
            return found
        more = column.filter(others)
        return found.put(others, self._in_two(more) or Words.of(self._write(more.numbers())))

    def _in_two(self, column: Rounded) -> Words | None:
        """Return the texts of large numbers, whole and fraction each looked up; nothing where it is not worth it."""
        one = 10.0**column.decimals
        worth = 1.0 < one <= min(MOST_TEXTS, WORTH * self._cells[column.decimals])
        if not (worth and _below(column.units, MOST_TEXTS * one).all()):
            return None
        if column.decimals not in self._fractions:
            texts = self._write(Rounded(np.arange(one), column.decimals).numbers())
            self._fractions[column.decimals] = Words.of(pc.utf8_slice_codeunits(texts, self._before + 1))
        whole = np.floor(column.units / one)
        begun = self._words_of(Rounded(whole, 0)).without(self._behind)
        ended = self._fractions[column.decimals].at((column.units - whole * one).astype(np.intp))
        return Words([*begun.pieces, *ended.pieces])

    def _further(self, column: Rounded, others: Any) -> Words:
        """Return the texts of a decimal place and the empty one; further ones among them where they are worth it."""
        with self._lock:
            made = self._made.get(column.decimals, self._none)
            cells = self._cells[column.decimals] = self._cells.get(column.decimals, 0) + len(others)
            wanted = np.max(column.units, where=others & _below(column.units, MOST_TEXTS), initial=0.0)
            size = min(1 << int(wanted).bit_length(), MOST_TEXTS)
            if len(made) <= size <= WORTH * cells:
                units = np.append(np.arange(size, dtype=float), np.nan)
                made = self._made[column.decimals] = Words.of(self._write(Rounded(units, column.decimals).numbers()))
            return made


def _below(units: Any, limit: float) -> Any:
    """Return where units are from 0 to below a limit: as bits, so that NaN and -0 (Arrow writes -0) are beyond it."""
    return units.view(np.uint64) < np.float64(limit).view(np.uint64)


def _word_at_each_byte(data: Any) -> Any:
    """Return bytes as words that begin at each of them and lie over one another."""
    return np.ndarray((len(data) - WORD + 1,), np.uint64, data, 0, (1,))
