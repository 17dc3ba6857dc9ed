"""The text of CSV against the writer of Arrow, which made it before: every byte; and blocks worked side by side."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.edge.tables import rounded
from combust.edge.tables.csv_text import CsvText, Part
from combust.edge.tables.pipeline import in_order
from combust.edge.tables.rounded import NumberRows, Rounded
from combust.edge.tables.sink import table_sink

# Where a text of digits could go wrong: signs, halves, zeros, exponents, more digits than a float holds.
HARD = (0.0, -0.0, 0.5, -0.5, 1.5, 1e-5, -1e-9, 0.1 + 0.2, 2.675, 9.999995, 99999.99999, 1e9, 1.5e15, 1e16, 1e22, 1e300)
NUMBERS = st.one_of(
    st.sampled_from([*HARD, np.nan, np.inf]), st.floats(-50.0, 50.0), st.floats(), st.integers(-9, 2**21)
)


def by_arrow(numbers: list[float], decimals: int) -> bytes:
    """Return a column as numpy rounds it and Arrow writes it."""
    with np.errstate(over="ignore", invalid="ignore"):
        column = np.round(np.array(numbers, dtype=float), decimals)
    table = pa.table({"x": pa.array(column, mask=~np.isfinite(column))})
    stream = pa.BufferOutputStream()
    pa_csv.write_csv(table, stream, pa_csv.WriteOptions(include_header=False, quoting_style="none"))
    return stream.getvalue().to_pybytes()


def by_us(text: CsvText, numbers: list[float], decimals: int) -> bytes:
    """Return a column as our text."""
    with np.errstate(over="ignore", invalid="ignore"):
        column = Rounded.of(np.array(numbers, dtype=float), decimals, np.zeros(len(numbers), dtype=bool))
    return b"".join(text.pieces_of(lambda: [Part(["x"], [column])])[1:])


@pytest.mark.independent
@given(st.lists(st.lists(NUMBERS, min_size=1, max_size=30), min_size=1, max_size=4), st.integers(0, 5))
def test_rounded_numbers_are_written_as_arrow_writes_them(columns: list[list[float]], decimals: int) -> None:
    """One text for all of them: what was looked up for one column stays there for the next."""
    text = CsvText(",", ".", bom=False)
    for numbers in columns:
        assert by_us(text, numbers, decimals) == by_arrow(numbers, decimals)


@pytest.mark.independent
@pytest.mark.parametrize("decimals", range(6))
def test_many_numbers_are_written_as_arrow_writes_them(decimals: int) -> None:
    """So many that they are looked up, over the end of the texts that are kept, with gaps."""
    random, text = np.random.default_rng(decimals), CsvText(",", ".", bom=False)
    for top in (30.0, 3.0, 2.5 * rounded.MOST_TEXTS / 10**decimals):
        numbers = random.uniform(-0.02 * top, top, 20_000)
        numbers[::7] = np.nan
        assert by_us(text, numbers.tolist(), decimals) == by_arrow(numbers.tolist(), decimals)


@pytest.mark.independent
@pytest.mark.parametrize("quoted", [False, True])
@pytest.mark.parametrize("decimals", range(6))
def test_large_numbers_in_two_pieces_are_written_as_arrow_writes_them(decimals: int, quoted: bool) -> None:
    """Beyond the texts that are kept, whole numbers and zeros at the end among them, in quotes with a decimal comma."""
    random, text = np.random.default_rng(decimals), CsvText(",", "," if quoted else ".", bom=False)
    least = rounded.MOST_TEXTS / 10**decimals
    for numbers in (random.uniform(least, 90.0 * least, 40_000), random.uniform(0.5 * least, 2.0 * least, 40_000)):
        numbers[::9], numbers[1::9], numbers[2::9] = np.rint(numbers[::9]), np.round(numbers[1::9], 1), np.nan
        wanted = by_arrow(numbers.tolist(), decimals)
        if quoted:
            cells = (cell.replace(b".", b",") for cell in wanted.splitlines())
            wanted = b"".join(b'"%b"\n' % cell if cell else b"\n" for cell in cells)
            column = Rounded.of(numbers, decimals, np.zeros(len(numbers), dtype=bool))
            parts = [Part(["x", "y"], [column, pa.array(['"'] * len(numbers))])]
            pieces = b"".join(text.pieces_of(lambda parts=parts: parts)[1:])
            assert pieces == b"".join(line + b',""""\n' for line in wanted.splitlines())
        else:
            assert by_us(text, numbers.tolist(), decimals) == wanted


@pytest.mark.independent
@pytest.mark.parametrize("width", [2, 8, 9, 10, 11, 30])
def test_short_rows_of_many_columns_are_written_as_arrow_writes_them(width: int) -> None:
    """Empty cells, and some longer than a word of the processor, up to the end of a row and over the next one."""
    random, text = np.random.default_rng(width), CsvText(",", ".", bom=False)
    rows = random.choice([np.nan, np.nan, 0.0, 7.0, 1.25, 123456.78, -3.5, 1e12], (3_000, width))
    table = pa.table({f"x{place}": pa.array(rows[:, place], mask=np.isnan(rows[:, place])) for place in range(width)})
    stream = pa.BufferOutputStream()
    pa_csv.write_csv(table, stream, pa_csv.WriteOptions(include_header=False, quoting_style="none"))
    columns = [Rounded.of(rows[:, place], 2, np.zeros(len(rows), dtype=bool)) for place in range(width)]
    pieces = text.pieces_of(lambda: [Part(table.column_names, columns)])
    assert b"".join(pieces[1:]) == stream.getvalue().to_pybytes()


def test_a_short_table_makes_few_texts_and_a_long_one_no_more_than_it_may() -> None:
    made: list[int] = []

    def write(numbers: pa.Array) -> pa.Array:
        made.append(len(numbers))
        return numbers.cast(pa.string()).fill_null("")

    rows = NumberRows(write, "")
    rows.joined([Rounded.of(np.linspace(1.0, 2.0, 30), 5, np.zeros(30, dtype=bool))])
    assert sum(made) <= rounded.WORTH * 30
    for _ in range(3):
        rows.joined([Rounded.of(np.linspace(0.0, 100.0, 300_000), 5, np.zeros(300_000, dtype=bool))])
    assert 300_000 < max(made) <= rounded.MOST_TEXTS + 1


KINDS = {
    "text": pa.array(["a", None, "", "b c"]),
    "quotes": pa.array(['a "b"', "x,y", None, "two\nlines"]),
    "formula": pa.array(["=1+1", "-5", "- cleaned", None]),
    "dictionary": pa.array(["a", "b", None, "a"]).dictionary_encode(),
    "large": pa.array(["a", None, "c", "d"], pa.large_string()),
    "integer": pa.array([1, None, -3, 2**60]),
    "float": pa.array([1.5, None, -0.0, 1e22]),
    "boolean": pa.array([True, None, False, True]),
    "time": pa.array([0, None, 1, 2], pa.timestamp("us", "UTC")),
    "null": pa.nulls(4),
}


@pytest.mark.independent
@pytest.mark.parametrize("quoted", [False, True])
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_column_is_written_as_arrow_writes_it(tmp_path: Path, kind: str, quoted: bool) -> None:
    """Beside a text that needs quotes, or not; Arrow quotes all texts then. Formulas get their apostrophe before."""
    column = KINDS[kind]
    if kind in ("dictionary", "large"):
        column = column.cast(pa.string())
    elif kind == "formula":
        column = pa.array(["'=1+1", "-5", "'- cleaned", None])
    beside = pa.array(["p", "q", None, "r;s" if quoted else "t"])
    with table_sink(tmp_path / "out.csv", delimiter=";") as write:
        write(pa.table({"x": KINDS[kind], "y": beside}))
        write(pa.table({"x": KINDS[kind], "y": beside}).slice(1, 2))
    table, stream = pa.table({"x": column, "y": beside}), pa.BufferOutputStream()
    styles = ("needed" if quoted or kind == "quotes" else "none", "none")  # no mark of CSV stands in the second part
    for part, style in zip((table, table.slice(1, 2)), styles, strict=True):
        options = pa_csv.WriteOptions(include_header=False, delimiter=";", quoting_style=style)
        pa_csv.write_csv(part, stream, options)
    assert (tmp_path / "out.csv").read_bytes() == b"x;y\n" + stream.getvalue().to_pybytes()


def test_a_mark_in_a_later_part_quotes_the_part_before_too() -> None:
    """Parts are begun anew: one table is quoted in one way. With a decimal comma numbers are texts, none is none."""
    number = Rounded.of(np.array([1.25, np.nan]), 2, np.zeros(2, dtype=bool))
    parts = [Part(["a", "b"], [pa.array(["x", None]), number]), Part(["a", "b"], [pa.array(["y;z", "="]), number])]
    text, plain = CsvText(";", ",", bom=True), "a;b\nx;1,25\n;\n"
    quoted = 'a;b\n"x";"1,25"\n;\n"y;z";"1,25"\n"\'=";\n'
    for told, here in ((plain, parts[:1]), (quoted, parts), (quoted, parts), (plain, parts[:1])):
        assert b"".join(text.pieces_of(partial(list, here))).decode("utf-8-sig") == told


def test_blocks_come_in_their_order_and_few_are_held(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 64)
    taken, done, threads = [], [], set()

    def blocks() -> Iterator[int]:
        for number in range(30):
            taken.append(number)
            yield number

    def work(number: int) -> int:
        threads.add(threading.get_ident())
        time.sleep(0.001 * (number % 3))
        return number

    for number in in_order(work, blocks()):
        done.append(number)
        assert len(taken) - len(done) <= 5
    assert done == [*range(30)]
    assert 1 < len(threads) <= 4


def test_an_error_comes_in_its_place() -> None:
    """That of the blocks behind the work before it, and of two errors the first one."""

    def blocks() -> Iterator[int]:
        yield from (3, 2, 1)
        raise ValueError("the blocks")

    done = in_order(lambda number: 6 // number, blocks())
    assert [next(done), next(done), next(done)] == [2, 3, 6]
    with pytest.raises(ValueError, match="the blocks"):
        next(done)
    with pytest.raises(ZeroDivisionError):
        [*in_order(lambda number: 6 // (number - 1), blocks())]
