"""What kind of CSV this is: delimiter, decimal mark, encoding and heading, from its first bytes."""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import dataclass
from pathlib import Path

from combust.data.errors import CombustError, Fault

DELIMITERS = (",", ";", "\t", "|")
SAMPLE_BYTES = 262_144
MAX_COLUMNS = 1000
_DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+$")


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a CSV file is written.

    Attributes
    ----------
    delimiter, decimal, encoding : str
    header : tuple of str
        Headings as they stand.
    start : int
        Byte at which the first data row starts.
    bom : bool
        Whether the file starts with a byte order mark, as spreadsheets write it.
    """

    delimiter: str
    decimal: str
    encoding: str
    header: tuple[str, ...]
    start: int
    bom: bool = False


def read_dialect(path: Path) -> Dialect:
    """Return the dialect of a CSV file.

    Raises
    ------
    CombustError
        Empty file, not text, UTF-16, no heading, twice the same heading.
    """
    with path.open("rb") as file:
        sample = file.read(SAMPLE_BYTES)
    if sample.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in sample:
        raise CombustError(
            Fault(
                "file", str(path), "format", why="is not plain text", hint="Save it as CSV UTF-8 from the spreadsheet."
            )
        )
    start = len(codecs.BOM_UTF8) if sample.startswith(codecs.BOM_UTF8) else 0
    body = sample[start:]
    blank = len(body) - len(body.lstrip(b"\r\n \t;,"))
    line_start = body.rfind(b"\n", 0, blank) + 1
    body, start = body[line_start:], start + line_start
    end = _line_end(body)
    encoding = _encoding(sample)
    heading = body[:end].decode(encoding).rstrip("\r\n")
    if not heading.strip():
        raise CombustError(
            Fault("file", str(path), "missing", why="is empty", hint="The first row holds the headings.")
        )
    delimiter = max(DELIMITERS, key=lambda mark: _outside_quotes(heading, mark))
    header = tuple(name.strip() for name in next(csv.reader([heading], delimiter=delimiter)))
    _check_header(path, header)
    rest = body[end:].decode(encoding, errors="replace")
    return Dialect(
        delimiter, _decimal(rest, delimiter), encoding, header, start + end, sample.startswith(codecs.BOM_UTF8)
    )


def _line_end(body: bytes) -> int:
    """Return the offset after the first line break that stands outside quotes."""
    position = -1
    while True:
        position = body.find(b"\n", position + 1)
        if position < 0:
            return len(body)
        if body.count(b'"', 0, position) % 2 == 0:
            return position + 1


def _outside_quotes(text: str, mark: str) -> int:
    return re.sub(r'"[^"]*"', "", text).count(mark)


def _encoding(sample: bytes) -> str:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(sample)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _check_header(path: Path, header: tuple[str, ...]) -> None:
    twice = sorted({name for name in header if name and header.count(name) > 1})
    faults = [
        Fault("heading", name, "conflict", why="stands in the heading twice", hint="Keep one column.") for name in twice
    ]
    if len(header) > MAX_COLUMNS:
        hint = "Is this the right file?"
        faults = [Fault("file", str(path), "too_large", why=f"has more than {MAX_COLUMNS} columns", hint=hint)]
    if faults:
        raise CombustError(faults)


def _decimal(text: str, delimiter: str) -> str:
    """Return the decimal mark: a comma only where the delimiter is another mark and cells like 8,2 are seen."""
    if delimiter == ",":
        return "."
    lines = text.splitlines()[:200]
    cells = [cell.strip().strip('"') for line in lines for cell in line.split(delimiter)]
    commas = sum(bool(_DECIMAL_COMMA.match(cell)) for cell in cells)
    points = sum(bool(re.match(r"^[+-]?\d+\.\d+$", cell)) for cell in cells)
    return "," if commas > points else "."
