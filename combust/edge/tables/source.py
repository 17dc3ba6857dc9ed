"""Reading a table block by block as Arrow batches: CSV in blocks of bytes, Parquet in row groups."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from combust.data.errors import CombustError, Fault, no_access, shorten
from combust.data.fields import is_missing
from combust.domain.result import many
from combust.edge.tables.arrow import EMPTY, array_of, mask, numbers_of, text_array
from combust.edge.tables.dialect import Dialect, decode, open_bytes, read_dialect
from combust.edge.tables.rows import NEWLINE, QUOTE, last_row_end, quotes_are_regular, split_rows

BLOCK_BYTES = 8_000_000
BLOCK_ROWS = 131_072
MAX_ROW_BYTES = 16_000_000


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows of a table.

    Attributes
    ----------
    table : pyarrow.Table
        The columns as they stand.
    ragged : dict
        Row -> what is wrong with its shape.
    blank, bytes_read : int
        Blank lines among the rows; bytes read so far.
    lines : array of int
        Each row's line in the spreadsheet, the heading counted.
    """

    table: Any
    ragged: dict[int, str]
    blank: int
    bytes_read: int
    lines: Any


@dataclass(frozen=True, slots=True)
class TableSource:
    """An opened table: headings, decimal mark, size in bytes, and its blocks."""

    path: Path
    header: tuple[str, ...]
    decimal: str
    size: int
    dialect: Dialect | None = None
    arrow: Any = None

    def blocks(self, groups: list[int] | None = None) -> Iterator[Block]:
        """Yield the rows in order, in bounded memory; of Parquet, the rows of some row groups."""
        if self.arrow is not None:
            return _in_parts(Block(self.arrow, {}, 0, self.size, 2 + np.arange(self.arrow.num_rows)))
        return self._parquet_blocks(groups) if self.dialect is None else self._csv_blocks(self.dialect)

    def _parquet_blocks(self, groups: list[int] | None) -> Iterator[Block]:
        try:
            with pq.ParquetFile(self.path) as file:
                _try_zones(file.schema_arrow)
                rows = max(file.metadata.num_rows, 1)
                done = sum(file.metadata.row_group(group).num_rows for group in range(min(groups or [0])))
                for batch in file.iter_batches(batch_size=BLOCK_ROWS, row_groups=groups):
                    batch.validate(full=True)  # texts of a damaged file that are none
                    lines = 2 + done + np.arange(batch.num_rows)
                    done += batch.num_rows
                    yield Block(pa.Table.from_batches([batch]), {}, 0, int(self.size * done / rows), lines)
        except (pa.ArrowException, OSError) as error:
            raise _bad_parquet(self.path, error) from error

    def _csv_blocks(self, dialect: Dialect) -> Iterator[Block]:
        done, line = dialect.start, dialect.line
        for raw in _whole_rows(self.path, dialect):
            done += len(raw)
            block = _parse(raw, dialect)
            read = 2 * done if dialect.wide else done
            yield from _in_parts(replace(block, bytes_read=read, lines=line + block.lines))
            line += block.table.num_rows + block.blank


def _try_zones(schema: Any) -> None:
    """Let Arrow fail at once, not in the middle, on a time zone that there is not."""
    for one in schema:
        if pa.types.is_timestamp(one.type) and one.type.tz:
            pa.array([0], pa.timestamp(one.type.unit)).cast(one.type).cast(pa.string())


def _in_parts(block: Block) -> Iterator[Block]:
    """Yield a block of very short rows in parts: what a row needs in memory does not shrink with its bytes."""
    for first in range(0, max(block.table.num_rows, 1), BLOCK_ROWS):
        end = min(first + BLOCK_ROWS, block.table.num_rows)  # beyond it Arrow makes up rows where there is no column
        ragged = {row - first: why for row, why in block.ragged.items() if first <= row < end}
        table, lines = block.table.slice(first, end - first), block.lines[first:end]
        yield Block(table, ragged, 0 if first else block.blank, block.bytes_read, lines)


def frame_source(frame: Any) -> TableSource:
    """Return a pandas frame as a table to read: its rows count from line 2, as if a heading stood above them."""
    header = tuple(str(name) for name in frame.columns)
    counted = pa.nulls(len(frame))  # a frame without a column has rows all the same
    columns = [_arrow_column(frame.iloc[:, i]) for i in range(len(header))]
    arrow = pa.Table.from_arrays([counted, *columns], names=["", *header]).remove_column(0)
    return TableSource(Path("frame"), header, ".", 1, arrow=arrow)


def _arrow_column(series: Any) -> Any:
    """Return a frame's column as an Arrow array; one of mixed kinds as text."""
    try:
        return pa.array(series, from_pandas=True)
    except (pa.ArrowException, TypeError, ValueError):
        return pa.array([None if is_missing(cell) else str(cell) for cell in series], pa.string())


def table_files(source: str | Path) -> list[Path]:
    """Return the file, or the Parquet files of a folder, in order.

    Raises
    ------
    CombustError
        Nothing there.
    """
    path = Path(source)
    files = sorted(path.glob("*.parquet")) if path.is_dir() else [path]
    if not files or not all(one.is_file() for one in files):
        hint = "Give a table, or a folder of .parquet files."
        raise CombustError(Fault("points", str(path), "missing", why="is no Parquet file or folder", hint=hint))
    return files


def open_table(path: str | Path, above: int = 0) -> TableSource:
    """Return a table to read, CSV or Parquet by its first bytes; headings of CSV may stand lines below the first row.

    Raises
    ------
    CombustError
        Missing, empty, not text, no heading.
    """
    path = Path(path)
    try:
        size, on_disk = path.stat().st_size, path.is_file() or path.is_dir()
        with path.open("rb") if on_disk else io.BytesIO() as file:
            magic = file.read(4)
    except (OSError, ValueError) as error:
        raise no_access("file", path, error) from error
    if not on_disk:
        why = "is no file on disk, and the table is read in two passes"
        raise CombustError(Fault("file", str(path), "format", why=why, hint="Save it as a file first."))
    if magic == b"PAR1":
        try:
            names = tuple(pq.read_schema(path).names)
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            raise _bad_parquet(path, error) from error
        return TableSource(path, names, ".", size)
    dialect = read_dialect(path, above)
    return TableSource(path, dialect.header, dialect.decimal, size, dialect)


def _bad_parquet(path: Path, error: Exception) -> CombustError:
    why = f"is no readable Parquet file ({shorten(error, 100)})"
    return CombustError(Fault("file", str(path), "format", why=why, hint="Save it as Parquet again."))


def _whole_rows(path: Path, dialect: Dialect) -> Iterator[bytes]:
    """Yield blocks of bytes that end where a row ends."""
    rest, above = b"", dialect.start
    with open_bytes(path) as file:
        while chunk := file.read(BLOCK_BYTES):
            chunk, above = chunk[above:], max(0, above - len(chunk))
            data = rest + (chunk.replace(b"\r", b"\n") if dialect.returns_only else chunk)
            cut = last_row_end(data, dialect.delimiter)
            if cut == 0 and len(data) > MAX_ROW_BYTES:
                cut = data.find(b"\n") + 1  # an open quote: its line goes by itself and is refused
                if cut == 0:
                    why = f"holds a line longer than {MAX_ROW_BYTES // 1_000_000} MB"
                    hint = "Is this the right file?"
                    raise CombustError(Fault("file", str(path), "too_large", why=why, hint=hint))
            if cut:
                yield data[:cut]
            rest = data[cut:]
    if rest:
        yield rest


def _parse(raw: bytes, dialect: Dialect) -> Block:
    """Return whole rows as a block of text columns whose lines count from 0."""
    quoted = b'"' in raw
    lone_returns = raw.count(b"\r") != raw.count(b"\r\n") if b"\r" in raw else False
    if lone_returns or (quoted and not quotes_are_regular(raw, dialect.delimiter)):
        return _parse_slowly(raw, dialect)
    names = [str(index) for index in range(len(dialect.header))]
    try:
        table = pa_csv.read_csv(
            io.BytesIO(raw),
            read_options=pa_csv.ReadOptions(
                column_names=names, encoding=dialect.encoding, block_size=max(len(raw) + 1, 1024), use_threads=True
            ),
            parse_options=pa_csv.ParseOptions(delimiter=dialect.delimiter, newlines_in_values=quoted),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=True, null_values=[""]
            ),
        )
    except (pa.ArrowException, UnicodeDecodeError):
        return _parse_apart(raw, dialect)
    table = table.rename_columns(list(dialect.header))
    inside = sum(pc.sum(pc.count_substring(column, "\n")).as_py() or 0 for column in table.columns) if quoted else 0
    total = raw.count(b"\n") + (not raw.endswith(b"\n")) - inside
    lines = np.arange(total)
    if total != table.num_rows and not quoted:
        lines = np.flatnonzero([line not in (b"", b"\r") for line in raw.split(b"\n")])
    if len(lines) != table.num_rows:
        return _parse_slowly(raw, dialect)
    blank = np.ones(table.num_rows, dtype=bool)
    for column in table.columns:
        if not blank.any():  # most tables are done after their first column
            break
        blank &= numbers_of(pc.equal(pc.fill_null(pc.utf8_trim_whitespace(column), EMPTY), EMPTY))
    if blank.any():
        table, lines = table.filter(mask(~blank)), lines[~blank]
    return Block(table, {}, total - table.num_rows, 0, lines)


def _parse_apart(raw: bytes, dialect: Dialect) -> Block:
    """Parse rows with too few or too many cells slowly, the others fast; the quotes of all of them are regular."""
    data = np.frombuffer(raw if raw.endswith(b"\n") else raw + b"\n", np.uint8)
    quotes = np.flatnonzero(data == QUOTE)

    def outside_quotes(sign: int) -> Any:
        places = np.flatnonzero(data == sign)
        return places[np.searchsorted(quotes, places) % 2 == 0]

    ends = outside_quotes(NEWLINE)
    cells = 1 + np.diff(np.searchsorted(outside_quotes(ord(dialect.delimiter)), ends), prepend=0)
    odd = cells != len(dialect.header)
    if odd.all() or not odd.any():
        return _parse_slowly(raw, dialect)
    of_odd = np.repeat(odd, np.diff(ends + 1, prepend=0))
    even_rows, odd_rows = _parse(data[~of_odd].tobytes(), dialect), _parse_slowly(data[of_odd].tobytes(), dialect)
    lines = np.concatenate([np.flatnonzero(~odd)[even_rows.lines], np.flatnonzero(odd)[odd_rows.lines]])
    order = np.argsort(lines)
    places = np.argsort(order).tolist()
    ragged = [
        {places[first + row]: why for row, why in part.ragged.items()}
        for first, part in ((0, even_rows), (even_rows.table.num_rows, odd_rows))
    ]
    table = pa.concat_tables([even_rows.table, odd_rows.table]).take(array_of(order))
    return Block(table, ragged[0] | ragged[1], even_rows.blank + odd_rows.blank, 0, lines[order])


def _parse_slowly(raw: bytes, dialect: Dialect) -> Block:
    """Parse row by row, padding what is short and telling what is long: what Arrow does not take."""
    width = len(dialect.header)
    rows: list[list[str | None]] = []
    ragged: dict[int, str] = {}
    lines: list[int] = []
    number = 0
    for number, (row, quotes, _) in enumerate(split_rows(decode(raw, dialect.encoding), dialect.delimiter), 1):
        if any(cell.strip() for cell in row):
            if fault := _shape_fault(row, width, quotes):
                ragged[len(rows)] = fault
            lines.append(number - 1)
            rows.append([cell or None for cell in [*row[:width], *[""] * (width - len(row))]])
    arrays = [text_array([row[position] for row in rows]) for position in range(width)]
    table = pa.Table.from_arrays(arrays, names=list(dialect.header))
    return Block(table, ragged, number - len(rows), 0, np.array(lines, dtype=np.intp))


def _shape_fault(row: list[str], width: int, quotes: str) -> str:
    """Return what is wrong with the shape of a row in words, or nothing."""
    beyond = [cell for cell in row[width:] if cell.strip()]
    if quotes != "good":
        why = "holds a quote that is not closed where its cell ends"
    elif beyond:
        why = f"has {many(len(row), 'cell')}, the heading {width}: cells have slipped"
    elif len(row) < width:
        why = f"has only {many(len(row), 'cell')}, the heading {width}: it is cut short"
    else:
        return ""
    return why + (f" (beyond the heading: {shorten(' | '.join(beyond), 200)})" if beyond else "")
