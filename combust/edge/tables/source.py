"""Reading a table block by block as Arrow batches: CSV in blocks of bytes, Parquet in row groups."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from combust.data.errors import CombustError, Fault, shorten
from combust.edge.tables.dialect import Dialect, read_dialect

BLOCK_BYTES = 8_000_000
BLOCK_ROWS = 131_072
MAX_ROW_BYTES = 16_000_000


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows of a table: columns as they stand, what is wrong with a row's shape, blank lines, bytes read so far."""

    table: Any
    ragged: dict[int, str]
    blank: int
    bytes_read: int


@dataclass(frozen=True, slots=True)
class TableSource:
    """An opened table: headings, decimal mark, size in bytes, and its blocks."""

    path: Path
    header: tuple[str, ...]
    decimal: str
    size: int
    is_parquet: bool
    dialect: Dialect | None = None

    def blocks(self) -> Iterator[Block]:
        """Yield the rows in order, in bounded memory."""
        return self._parquet_blocks() if self.dialect is None else self._csv_blocks(self.dialect)

    def _parquet_blocks(self) -> Iterator[Block]:
        with pq.ParquetFile(self.path) as file:
            rows = max(file.metadata.num_rows, 1)
            done = 0
            for batch in file.iter_batches(batch_size=BLOCK_ROWS):
                done += batch.num_rows
                yield Block(pa.Table.from_batches([batch]), {}, 0, int(self.size * done / rows))

    def _csv_blocks(self, dialect: Dialect) -> Iterator[Block]:
        done = dialect.start
        for raw in _whole_rows(self.path, dialect.start):
            done += len(raw)
            table, ragged, blank = _parse(raw, dialect)
            yield Block(table, ragged, blank, done)


def open_table(path: str | Path) -> TableSource:
    """Return a table to read, CSV or Parquet by its first bytes.

    Raises
    ------
    CombustError
        Missing, empty, not text, no heading.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            magic = file.read(4)
    except OSError as error:
        hint = "Check path and permissions."
        why = f"cannot be read ({error.strerror})"
        raise CombustError(Fault("file", str(path), "missing", why=why, hint=hint)) from error
    if magic == b"PAR1":
        try:
            names = tuple(pq.read_schema(path).names)
        except (pa.ArrowException, OSError) as error:
            why = f"is no readable Parquet file ({shorten(error, 100)})"
            raise CombustError(Fault("file", str(path), "format", why=why, hint="Write it again.")) from error
        return TableSource(path, names, ".", size, True)
    dialect = read_dialect(path)
    return TableSource(path, dialect.header, dialect.decimal, size, False, dialect)


def _whole_rows(path: Path, start: int) -> Iterator[bytes]:
    """Yield blocks of bytes that end at a line break outside quotes."""
    rest = b""
    with path.open("rb") as file:
        file.seek(start)
        while chunk := file.read(BLOCK_BYTES):
            data = rest + chunk
            cut = _last_row_end(data)
            if cut == 0 and len(data) > MAX_ROW_BYTES:
                cut = data.rfind(b"\n") + 1 or len(data)  # an open quote: the ragged-row path sorts it out
            if cut:
                yield data[:cut]
            rest = data[cut:]
    if rest:
        yield rest


def _last_row_end(data: bytes) -> int:
    cut = data.rfind(b"\n") + 1
    if b'"' not in data:
        return cut
    while cut and data.count(b'"', 0, cut) % 2:
        cut = data.rfind(b"\n", 0, cut - 1) + 1
    return cut


def _parse(raw: bytes, dialect: Dialect) -> tuple[Any, dict[int, str], int]:
    """Return (table of text columns, row -> what is wrong with its shape, blank lines)."""
    names = list(dialect.header)
    lines = raw.count(b"\n") + (not raw.endswith(b"\n"))
    try:
        table = pa_csv.read_csv(
            io.BytesIO(raw),
            read_options=pa_csv.ReadOptions(
                column_names=_unique(names),
                encoding=dialect.encoding,
                block_size=max(len(raw) + 1, 1024),
                use_threads=True,
            ),
            parse_options=pa_csv.ParseOptions(delimiter=dialect.delimiter, newlines_in_values=b'"' in raw),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(_unique(names), pa.string()), strings_can_be_null=True, null_values=[""]
            ),
        )
    except (pa.ArrowException, UnicodeDecodeError):
        return _parse_slowly(raw, dialect)
    blank = lines - table.num_rows if b'"' not in raw else 0
    table = table.rename_columns(names)
    if b'"' in raw or not _may_hold_empty_rows(raw, dialect):
        return table, {}, max(blank, 0)
    kept = _not_empty(table)
    return table.filter(kept), {}, max(blank, 0) + table.num_rows - int(kept.sum().as_py() or 0)


def _may_hold_empty_rows(raw: bytes, dialect: Dialect) -> bool:
    empty = dialect.delimiter.encode() * (len(dialect.header) - 1)
    return (b"\n" + empty + b"\n") in raw or (b"\n" + empty + b"\r") in raw or raw.startswith(empty)


def _not_empty(table: Any) -> Any:
    import pyarrow.compute as pc

    filled = pc.is_valid(table.column(0))
    for column in table.columns[1:]:
        filled = pc.or_(filled, pc.is_valid(column))
    return filled


def _unique(names: list[str]) -> list[str]:
    """Return names that differ, for empty headings of a spreadsheet's spare columns."""
    return [name if name and names.count(name) == 1 else f"{name}#{index}" for index, name in enumerate(names)]


def _parse_slowly(raw: bytes, dialect: Dialect) -> tuple[Any, dict[int, str], int]:
    """Parse row by row, padding what is short and telling what is long; used where a block has such rows."""
    width = len(dialect.header)
    text = raw.decode(dialect.encoding, errors="replace").replace("\0", "")
    columns: list[list[str | None]] = [[] for _ in range(width)]
    ragged: dict[int, str] = {}
    blank = row_number = 0
    for row in _rows(text, dialect.delimiter):
        if not any(cell.strip() for cell in row):
            blank += 1
            continue
        if len(row) != width and any(cell.strip() for cell in row[width:]):
            ragged[row_number] = f"the row has {len(row)} cells, the heading {width}: cells have slipped"
        elif len(row) < width:
            ragged[row_number] = f"the row has only {len(row)} cells, the heading {width}: it is cut short"
        for column, cell in zip(columns, [*row[:width], *[""] * (width - len(row))], strict=True):
            column.append(cell or None)
        row_number += 1
    arrays = [pa.array(column, pa.string()) for column in columns]
    return pa.Table.from_arrays(arrays, names=list(dialect.header)), ragged, blank


def _rows(text: str, delimiter: str) -> Iterator[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    while True:
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield [f"unreadable row: {error}"]
