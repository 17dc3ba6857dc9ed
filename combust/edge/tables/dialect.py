"""What kind of CSV this is: delimiter, decimal mark, encoding and heading, from its first bytes."""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import dropwhile
from pathlib import Path
from typing import Any

from combust.data.errors import CombustError, Fault, shorten
from combust.edge.tables.cells import THOUSANDS, UNKNOWN, number_and_unit
from combust.edge.tables.headings import is_unit
from combust.edge.tables.rows import split_rows

# In the order of trust where several fit: a comma may be a decimal mark, the others hardly stand inside cells.
DELIMITERS = ("\t", ";", "|", ",")
SAMPLE_BYTES = 262_144
SAMPLE_LINES = 2000
MAX_COLUMNS = 1000
UNIT_ROWS = 3  # below the heading in which units may stand
FIRST_LINES, LONGEST_LINE = 8, 4000  # in which the headings are looked for when the first row is none
# A spreadsheet's own first line that names the delimiter; it is no heading, but it is a line.
_DECLARED = re.compile(rb'"?sep=(\t|[^\w\s".+-])"?[\t ;,|]*\r?\n', re.IGNORECASE)
_ONE_BREAK = "Save the table with one kind of line end: rows may have slipped into the heading."
_FORM = re.compile(r"[dmyhst:./ -]+", re.IGNORECASE)  # of a day and a time
_DECIMAL_COMMA = re.compile(r"^[+-]?(\d+|\d{1,3}(\.\d{3})+),\d+$")
_DECIMAL_POINT = re.compile(r"^[+-]?(\d+|\d{1,3}(,\d{3})+)\.\d+$")


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a CSV file is written.

    Attributes
    ----------
    delimiter, encoding : str
    decimal : str
        ``.``, ``,`` or ``?`` where the cells do not tell, or tell both.
    header : tuple of str
        Headings as they stand.
    start, line : int
        Byte at which the first data row starts, and its line in a spreadsheet.
    bom : bool
        Whether the file starts with a byte order mark, as spreadsheets write it.
    returns_only : bool
        Whether lines end in a lone carriage return, as old spreadsheets wrote them.
    wide : bool
        Whether the file is UTF-16, as spreadsheets save "Unicode text"; ``start`` counts what `open_bytes` gives.
    first_lines : tuple of str
        The first few lines below the heading: the headings may stand there.
    units : tuple of str
        What rows of units under the headings say of each; empty where there is no such row.
    unit_rows : int
        How many of them stand there.
    """

    delimiter: str
    decimal: str
    encoding: str
    header: tuple[str, ...]
    start: int
    line: int = 2
    bom: bool = False
    returns_only: bool = False
    wide: bool = False
    first_lines: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    unit_rows: int = 0


def open_bytes(path: Path) -> Any:
    """Open a file of text to be read as bytes; UTF-16 with its mark is turned into UTF-8 as it is read.

    Half a pair of it becomes the mark of a character that is not known.
    """
    file = path.open("rb")
    first = file.read(4)
    file.seek(0)
    if first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) and first != codecs.BOM_UTF32_LE:
        return codecs.EncodedFile(file, "utf-8", "utf-16", errors="replace")
    return file


def read_dialect(path: Path, above: int = 0) -> Dialect:
    """Return the dialect of a CSV file, whose headings stand so many lines below its first row.

    Raises
    ------
    CombustError
        Empty file, not text, UTF-16 without its mark, no heading.
    """
    with open_bytes(path) as file:
        sample, wide = file.read(SAMPLE_BYTES), isinstance(file, codecs.StreamRecoder)
        whole = not file.read(4)  # of UTF-16 less is no character
    if b"\0" in sample or sample.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        hint = "Save it as CSV UTF-8 from the spreadsheet."
        raise CombustError(Fault("file", str(path), "format", why="is not plain text", hint=hint))
    returns_only = b"\n" not in sample and b"\r" in sample
    if returns_only:
        sample = sample.replace(b"\r", b"\n")
    bom = sample.startswith(codecs.BOM_UTF8)
    start = len(codecs.BOM_UTF8) if bom else 0
    declared = _DECLARED.match(sample, start)
    start = declared.end() if declared else start
    body = sample[start:]
    blank = len(body) - len(body.lstrip(b"\r\n \t;,|"))
    line_start = body.rfind(b"\n", 0, blank) + 1
    line = body.count(b"\n", 0, line_start) + (3 if declared else 2)
    body, start = body[line_start:], start + line_start
    for _ in range(above):
        cut = body.find(b"\n") + 1
        body, start, line = body[cut:], start + cut, line + 1
    encoding = _encoding(sample)
    top = re.match(rb'(?:[^"\n]++|"[^"]*+")*+(\n|\Z)', body)  # to the first line break outside quotes
    if top is None:
        raise _quote_in_heading(body[:60].decode("latin-1"))
    if not (top[1] or whole):
        why = f"has a first line longer than {SAMPLE_BYTES} bytes"
        raise CombustError(Fault("file", str(path), "too_large", why=why, hint="Is this the right file?"))
    end = top.end()
    heading = decode(body[:end], encoding).rstrip("\r\n")
    if not heading.strip(" \t;,|"):
        hint = "The first row holds the headings."
        raise CombustError(Fault("file", str(path), "missing", why="is empty", hint=hint))
    lines = decode(body[end:], encoding).split("\n")[:SAMPLE_LINES]
    delimiter = declared[1].decode() if declared else _delimiter(heading, lines)
    cells, quotes, _ = next(split_rows(heading, delimiter))
    if quotes != "good":
        raise _quote_in_heading(heading)
    header = tuple(name.strip() for name in cells)
    _check_header(path, header)
    units, unit_rows = _units_of(lines[:UNIT_ROWS], delimiter, len(header))
    for _ in range(unit_rows):
        end = body.find(b"\n", end) + 1 or len(body)
    line, lines = line + unit_rows, lines[unit_rows:]
    decimal, start = _decimal(lines, delimiter), start + end
    first = tuple(text[:LONGEST_LINE].rstrip("\r") for text in lines[:FIRST_LINES])
    how = (bom or wide, returns_only, wide, first, units, unit_rows)
    return Dialect(delimiter, decimal, encoding, header, start, line, *how)


def decode(data: bytes, encoding: str) -> str:
    """Return bytes as text; a byte that is no UTF-8 is taken as the Windows code page has it, so that none is lost."""
    return data.decode(encoding, errors="combust_single_bytes")


def _single_bytes(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeDecodeError):
        raise error
    bad = error.object[error.start : error.end]
    try:
        return bad.decode("cp1252"), error.end
    except UnicodeDecodeError:
        return bad.decode("latin-1"), error.end


codecs.register_error("combust_single_bytes", _single_bytes)


def _quote_in_heading(heading: str) -> CombustError:
    why = "holds a quote that is not closed"
    return CombustError(Fault("heading", shorten(heading), "format", why=why, hint="Close the quote in the first row."))


def _units_of(lines: Sequence[str], delimiter: str, width: int) -> tuple[tuple[str, ...], int]:
    """Return (what rows of units say under each heading, how many rows they are); () and 0 of any other row."""
    found, rows = ("",) * width, 0
    for said in (_units_in(text, delimiter, width) for text in lines):
        if not any(said) or any(one and other and one != other for one, other in zip(found, said, strict=True)):
            break
        found, rows = tuple(one or other for one, other in zip(found, said, strict=True)), rows + 1
    return (found, rows) if rows else ((), 0)


def _units_in(text: str, delimiter: str, width: int) -> tuple[str, ...]:
    """Return the units in a row that holds nothing else but some words before them; a reading is never that.

    Of a time and the like the row may say how it is written: ``hour start, °C, hPa`` or ``dd.mm.yyyy, hh:mm, °C``.
    """
    cells, quotes, _ = next(split_rows(text, delimiter), ([""], "", 0))
    bare = [cell.strip().strip("[]()").strip() for cell in cells]
    filled = [cell for cell in bare if cell not in ("", "-", "\u2013")]
    units = [*dropwhile(lambda cell: not is_unit(cell), filled)]
    words = filled[: len(filled) - len(units)]
    told = [word for word in words if not _FORM.fullmatch(word)]
    good = quotes == "good" and len(bare) <= width and all(map(is_unit, units)) and len(told) <= len(units)
    if not good or not all(word[0].isalpha() for word in words):
        return ()
    said = [cell if cell in units else "" for cell in bare]
    return (*said, *[""] * (width - len(said)))


def _delimiter(heading: str, lines: Sequence[str]) -> str:
    """Return the mark that divides the heading and the rows below alike."""
    counts = {mark: _outside_quotes(heading, mark) for mark in DELIMITERS}
    below = [line for line in lines[:20] if line.strip()]
    alike = {
        mark: count and sum(_outside_quotes(line, mark) == count for line in below) for mark, count in counts.items()
    }
    if not any(alike.values()):
        return max(reversed(DELIMITERS), key=counts.__getitem__)
    return max(DELIMITERS, key=alike.__getitem__)


def _outside_quotes(text: str, mark: str) -> int:
    return re.sub(r'"[^"]*"', "", text).count(mark)


def _encoding(sample: bytes) -> str:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(sample)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _check_header(path: Path, header: tuple[str, ...]) -> None:
    if len(header) > MAX_COLUMNS:
        hint = "Is this the right file?"
        raise CombustError(Fault("file", str(path), "too_large", why=f"has more than {MAX_COLUMNS} columns", hint=hint))
    faults = [
        Fault("heading", name, "format", why="holds a line break of another kind than the table's", hint=_ONE_BREAK)
        for name in header
        if "\r" in name.replace("\r\n", "")
    ]
    if faults:
        raise CombustError(faults)


def _decimal(lines: Sequence[str], delimiter: str) -> str:
    """Return the decimal mark that cells like 8,2 or 8.2 show; "?" where there are none, or both kinds.

    A cell like 1,200 or 1.200 shows neither: it may hold thousands. Where commas divide the cells it is the point.
    """
    if delimiter == ",":
        return "."
    cells = [cell.strip().strip('"') for line in lines for cell in line.split(delimiter)]
    shown = _marks_in(cells)
    if not shown:
        split = map(number_and_unit, dict.fromkeys(cells))
        shown = _marks_in([number for number, unit in split if unit and is_unit(unit)])
    return shown[0] if len(shown) == 1 else UNKNOWN


def _marks_in(cells: Sequence[str]) -> list[str]:
    sure = [cell for cell in cells if not THOUSANDS.match(cell)]
    return [mark for mark, look in ((",", _DECIMAL_COMMA), (".", _DECIMAL_POINT)) if any(map(look.match, sure))]
