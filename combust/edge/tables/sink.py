"""Writing a table, CSV or Parquet, so that a killed run leaves no half file under the final name."""

from __future__ import annotations

import codecs
import csv
import io
import os
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from combust.data.errors import CombustError, Fault
from combust.edge.tables.formulas import harmless, harmless_column
from combust.edge.whole_file import whole_file

COMPRESSED = MappingProxyType({"compression": "zstd"})


class TableSink:
    """A table being written beside its final name, moved there when complete.

    Parameters
    ----------
    path : path
        ``.parquet`` writes Parquet, anything else CSV.
    delimiter, decimal, bom : optional
        The dialect of CSV; a spreadsheet that uses the decimal comma reads its own table back.
    parquet : mapping, optional
        How Parquet is written: options of :class:`pyarrow.parquet.ParquetWriter`.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        delimiter: str = ",",
        decimal: str = ".",
        bom: bool = False,
        parquet: Mapping[str, Any] = COMPRESSED,
    ) -> None:
        self.path = Path(path)
        if not self.path.name or self.path.is_dir():
            hint = "Give the name of a file, such as output/results.csv."
            raise CombustError(Fault("out", str(path), "format", why="is a folder or no name", hint=hint))
        self.delimiter, self.decimal, self.bom = delimiter, decimal, bom
        self.parquet = parquet
        self.is_parquet = self.path.suffix.lower() in (".parquet", ".pq")
        self._file: Any = None
        self._writer: Any = None

    def __enter__(self) -> TableSink:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with ExitStack() as stack:
                self._file = stack.enter_context(stack.enter_context(whole_file(self.path)).open("wb"))
                stack.callback(self._sync)
                self._open = stack.pop_all()
        except (OSError, ValueError) as error:
            why = f"cannot be written ({getattr(error, 'strerror', None) or error})"
            hint = "Choose a folder you may write to."
            raise CombustError(Fault("out", str(self.path), "missing", why=why, hint=hint)) from error
        return self

    def write(self, table: Any) -> None:
        """Append rows; the first rows fix the columns."""
        if not self.is_parquet:
            self._write_text(_as_text_cells(table, self.decimal))
            return
        if self._writer is None:
            self._writer = self._open.enter_context(pq.ParquetWriter(self._file, table.schema, **self.parquet))
        self._writer.write_table(table)

    def _write_text(self, table: Any) -> None:
        if self._file.tell() == 0:
            self._write_heading(table.column_names)
        if table.num_rows:
            style = "needed" if _needs_quotes(table, self.delimiter) else "none"
            options = pa_csv.WriteOptions(include_header=False, delimiter=self.delimiter, quoting_style=style)
            pa_csv.write_csv(table, self._file, options)

    def _write_heading(self, names: list[str]) -> None:
        text = io.StringIO()
        # The writer quotes what its own line end is made of: with \r\n it quotes either sign in a name.
        csv.writer(text, delimiter=self.delimiter, lineterminator="\r\n").writerow([harmless(name) for name in names])
        line = text.getvalue().removesuffix("\r\n") + "\n"
        self._file.write((codecs.BOM_UTF8 if self.bom else b"") + line.encode())

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.__exit__(kind, error, trace)

    def _sync(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())


def _as_text_cells(table: Any, decimal: str) -> Any:
    """Return a table whose columns CSV can hold: dictionaries and long strings as plain strings, no formulas."""
    columns, faults = [], []
    for name, column in zip(table.column_names, table.columns, strict=True):
        kind = column.type
        if pa.types.is_dictionary(kind):
            column, kind = column.cast(kind.value_type), kind.value_type
        if pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
            column, kind = column.cast(pa.string()), pa.string()
        elif decimal == "," and pa.types.is_floating(kind):
            column = pc.replace_substring(column.cast(pa.string()), ".", ",")
        elif pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
            why = f"holds {kind}, which CSV has no cells for"
            faults.append(Fault("out", name, "format", why=why, hint="Write to a .parquet file instead."))
        columns.append(harmless_column(column) if pa.types.is_string(kind) else column)
    if faults:
        raise CombustError(faults)
    return pa.Table.from_arrays(columns, names=table.column_names)


def _needs_quotes(table: Any, delimiter: str) -> bool:
    """Return True when a text cell holds a delimiter, a quote or a line break."""
    pattern = '["\\r\\n' + ("\\t" if delimiter == "\t" else delimiter) + "]"
    return any(
        bool(pc.any(pc.match_substring_regex(column, pattern)).as_py())
        for column in table.columns
        if pa.types.is_string(column.type)
    )
