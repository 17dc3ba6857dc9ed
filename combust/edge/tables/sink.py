"""Writing a table, CSV or Parquet, so that a killed run leaves no half file under the final name."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.parquet as pq

from combust.data.errors import no_access
from combust.edge.tables.csv_text import CsvText, Part, Parts
from combust.edge.whole_file import whole_file

COMPRESSED = MappingProxyType({"compression": "zstd"})


class Sink:
    """A table that is written: ``ready`` makes rows ready, in any thread, ``add`` appends them; a call does both."""

    def __init__(self, ready: Callable[[Parts], Any], add: Callable[[Any], None]) -> None:
        self.ready, self.add = ready, add

    def __call__(self, table: Any) -> None:
        """Append the rows of an Arrow table."""
        self.add(self.ready(lambda: [Part(table.column_names, table.columns)]))


@contextmanager
def table_sink(
    path: str | Path,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    bom: bool = False,
    parquet: Mapping[str, Any] = COMPRESSED,
) -> Iterator[Sink]:
    """Give what appends rows to a table; the table is written beside its name and moved there when it is complete.

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

        def add_table(table: Any) -> None:
            if not writers:
                writers.append(stack.enter_context(pq.ParquetWriter(file, table.schema, **parquet)))
            writers[0].write_table(table)

        def add_text(pieces: list[Any]) -> None:
            file.writelines(pieces[1:] if file.tell() else pieces)  # the heading once

        text = CsvText(delimiter, decimal, bom=bom)
        is_parquet = target.suffix.lower() in (".parquet", ".pq")
        yield Sink(_as_table, add_table) if is_parquet else Sink(text.pieces_of, add_text)


def _as_table(parts: Parts) -> Any:
    tables = [part.table() for part in parts()]
    return tables[0] if len(tables) == 1 else pa.concat_tables(tables).combine_chunks()


def _sync(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())
