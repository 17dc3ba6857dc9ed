"""The text of CSV: columns become the bytes of rows."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import groupby
from typing import Any, NamedTuple

import pyarrow as pa
import pyarrow.compute as pc

from combust.data.errors import CombustError, Fault
from combust.edge.tables.arrow import bytes_of, mask, text
from combust.edge.tables.formulas import harmless, harmless_column
from combust.edge.tables.rounded import NumberRows, Rounded

ROWS = 16_384  # so much of a column stays in the processor's cache
_TEXTS = (pa.types.is_string, pa.types.is_large_string, pa.types.is_string_view, pa.types.is_fixed_size_binary)


class Part(NamedTuple):
    """Some rows of a table to write: names and columns, each of Arrow or rounded numbers."""

    names: Sequence[str]
    columns: Sequence[Any]

    def filter(self, chosen: Any) -> Part:
        """Return the rows of a mask."""
        arrow = mask(chosen)
        columns = [one.filter(chosen if isinstance(one, Rounded) else arrow) for one in self.columns]
        return Part(self.names, columns)

    def table(self) -> Any:
        """Return the rows as an Arrow table."""
        columns = [column.numbers() if isinstance(column, Rounded) else column for column in self.columns]
        return pa.Table.from_arrays(columns, names=[*self.names])


Parts = Callable[[], Iterable[Part]]


class CsvText:
    """Rows as text in one dialect. Threads may share it."""

    def __init__(self, delimiter: str, decimal: str, *, bom: bool) -> None:
        self.delimiter, self.decimal, self.bom = delimiter, decimal, bom
        self._quoted_last = False
        self._numbers = {
            quoted: NumberRows(partial(self._cells_of, quoted=quoted), delimiter) for quoted in (False, True)
        }

    def pieces_of(self, parts: Parts) -> list[Any]:
        """Return the heading and then rows as pieces of bytes, their cells no formulas.

        Texts are quoted, all of them, where one holds a delimiter, a quote or a line break. What was so of the table
        before is expected of the next; ``parts`` are begun anew when it is not.

        Raises
        ------
        CombustError
            A column that CSV has no cells for.
        """
        for quoted in (self._quoted_last, not self._quoted_last):
            pieces, seen = list[Any](), False
            for part in parts():
                columns = self._columns_of(part)
                seen = seen or any(_holds(column, f'"\r\n{self.delimiter}') for column in columns)
                if seen and not quoted:
                    break
                pieces = pieces or [self._heading(part.names)]
                pieces += self._rows(columns, quoted=quoted)
            if seen == quoted:
                break
        self._quoted_last = quoted
        return pieces

    def _heading(self, names: Sequence[str]) -> bytes:
        line = io.StringIO()
        # The writer quotes what its own line end is made of: with \r\n it quotes either sign in a name.
        csv.writer(line, delimiter=self.delimiter, lineterminator="\r\n").writerow([harmless(name) for name in names])
        return (codecs.BOM_UTF8 if self.bom else b"") + (line.getvalue().removesuffix("\r\n") + "\n").encode()

    def _rows(self, columns: Sequence[Any], *, quoted: bool) -> Iterator[Any]:
        for start in range(0, len(columns[0]), ROWS):
            cells: list[Any] = []
            for rounded, side_by_side in groupby(columns, lambda column: isinstance(column, Rounded)):
                here = [column.slice(start, ROWS) for column in side_by_side]
                if rounded:
                    cells.append(self._numbers[quoted].joined(here))
                else:
                    cells += [
                        _quoted(column) if quoted and _is_text(column) else column.cast(pa.string()) for column in here
                    ]
            cells[-1] = _joined([cells[-1], text("\n")], "")
            yield bytes_of(_joined(cells, self.delimiter))

    def _cells_of(self, numbers: Any, *, quoted: bool) -> Any:
        texts = self._written(numbers)
        return _joined([_quoted(texts) if quoted and self.decimal == "," else texts, text(self.delimiter)], "")

    def _columns_of(self, part: Part) -> list[Any]:
        """Return the columns, texts as plain strings that are no formulas, dictionaries as what they stand for."""
        columns, faults = [], []
        for name, column in zip(part.names, part.columns, strict=True):
            if not isinstance(column, Rounded):
                if pa.types.is_dictionary(column.type):
                    column = column.cast(column.type.value_type)
                kind = column.type
                if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
                    why = f"holds {kind}, which CSV has no cells for"
                    faults.append(Fault("out", name, "format", why=why, hint="Write to a .parquet file instead."))
                elif pa.types.is_floating(kind):
                    column = self._written(column) if self.decimal == "," else column
                elif any(one(kind) for one in _TEXTS):
                    column = harmless_column(column.cast(pa.string()))
                column = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
            columns.append(column)
        if faults:
            raise CombustError(faults)
        return columns

    def _written(self, numbers: Any) -> Any:
        texts = numbers.cast(pa.string())
        return pc.replace_substring(texts, ".", ",") if self.decimal == "," else texts


def _is_text(column: Any) -> bool:
    return not isinstance(column, Rounded) and bool(pa.types.is_string(column.type))


def _quoted(texts: Any) -> Any:
    mark = text('"')
    doubled = pc.replace_substring(texts, '"', '""') if b'"' in bytes(bytes_of(texts)) else texts
    return pc.binary_join_element_wise(mark, doubled, mark, text(""))


def _holds(column: Any, signs: str) -> bool:
    """Return True when a text of a column holds one of the signs; that the bytes hold none is seen at once."""
    if not _is_text(column):
        return False
    data = bytes(bytes_of(column))
    return any(sign.encode() in data and bool(pc.any(pc.match_substring(column, sign)).as_py()) for sign in signs)


def _joined(cells: Sequence[Any], between: str) -> Any:
    return pc.binary_join_element_wise(*cells, text(between), null_handling="replace", null_replacement="")
