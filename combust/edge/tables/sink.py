"""Writing a table, CSV or Parquet, so that a killed run leaves no half file under the final name."""

from __future__ import annotations

import codecs
import csv
import io
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from combust.data.errors import CombustError, Fault, no_access
from combust.edge.tables.formulas import harmless, harmless_column
from combust.edge.whole_file import whole_file

Write = Callable[[Any], None]
COMPRESSED = MappingProxyType({"compression": "zstd"})


@contextmanager
def table_sink(
    path: str | Path,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    bom: bool = False,
    parquet: Mapping[str, Any] = COMPRESSED,
) -> Iterator[Write]:
    """Give a function that appends rows to a table; the table is written beside its name, moved there when complete.

    Parameters
    ----------
    path : path
        ``.parquet`` writes Parquet, anything else CSV. The first rows fix the columns.
    delimiter, decimal, bom : optional
        The dialect of CSV; a spreadsheet that uses the decimal comma reads its own table back.
    parquet : mapping, optional
        How Parquet is written: options of :class:`pyarrow.parquet.ParquetWriter`.

    Raises
    ------
    CombustError
        A folder or no name, a place that cannot be written to, a column that CSV has no cells for.
    """
    target, writers = Path(path), list[pq.ParquetWriter]()
    with ExitStack() as stack:
        try:
            file = stack.enter_context(stack.enter_context(whole_file(target)).open("wb"))
        except OSError as error:
            raise no_access("out", target, error, "Choose a folder you may write to.", done="written") from error
        stack.callback(_sync, file)

        def write_parquet(table: Any) -> None:
            if not writers:
                writers.append(stack.enter_context(pq.ParquetWriter(file, table.schema, **parquet)))
            writers[0].write_table(table)

        def write_text(table: Any) -> None:
            cells = _as_text_cells(table, decimal)
            if file.tell() == 0:
                file.write((codecs.BOM_UTF8 if bom else b"") + _heading(cells.column_names, delimiter))
            if cells.num_rows:
                style = "needed" if _needs_quotes(cells, delimiter) else "none"
                options = pa_csv.WriteOptions(include_header=False, delimiter=delimiter, quoting_style=style)
                pa_csv.write_csv(cells, file, options)

        yield write_parquet if target.suffix.lower() in (".parquet", ".pq") else write_text


def _sync(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())


def _heading(names: list[str], delimiter: str) -> bytes:
    text = io.StringIO()
    # The writer quotes what its own line end is made of: with \r\n it quotes either sign in a name.
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerow([harmless(name) for name in names])
    return (text.getvalue().removesuffix("\r\n") + "\n").encode()


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
