"""Arrow to numpy and back: what pyarrow's own ways give, without the import of pandas that they begin with."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest

from combust.edge.tables.arrow import mask, numbers_of, text_array
from tests.edge.runs import ROOT

NUMBERS = [[], [1.5], [None, 2.0, float("nan"), -3.25], [None] * 9, list(range(20)), [7, None, *range(30)]]
TEXTS = [[], [""], [None], ["a", None, "ü漢🔥", "", "x\x00y"], ["line\nbreak"] * 9]


@pytest.mark.independent
@pytest.mark.parametrize("kind", [pa.float64(), pa.int32(), pa.int64(), pa.bool_()])
@pytest.mark.parametrize("cells", NUMBERS)
def test_columns_are_what_the_library_itself_makes_of_them(cells, kind):
    """Whole, cut at both ends (bits do not begin at a byte), and in pieces."""
    if kind != pa.float64():
        cells = [None if one is None or one != one else bool(one) if kind == pa.bool_() else int(one) for one in cells]
    whole = pa.array(cells, kind)
    for column in (whole, whole[1:], whole[3:-2], pa.chunked_array([whole[:2], whole[2:]]), pa.chunked_array([], kind)):
        theirs = [np.nan if one is None else float(one) for one in column.to_pylist()]
        np.testing.assert_array_equal(np.asarray(numbers_of(column), dtype=float), theirs)
        full = column.null_count == 0 and len(column)
        assert not full or numbers_of(column).dtype == column.to_numpy(zero_copy_only=False).dtype


@pytest.mark.independent
@pytest.mark.parametrize("cells", TEXTS)
def test_texts_and_masks_are_what_the_library_itself_makes_of_them(cells):
    assert text_array(cells).equals(pa.array(cells, pa.string()))
    chosen = np.array([one is None for one in cells] * 5, dtype=bool)
    assert mask(chosen).equals(pa.array(chosen))


@pytest.mark.regression
def test_a_series_is_read_without_pandas():
    """In a process of its own: what a phone watches must not wait for a library that nobody uses there."""
    code = (
        "import sys; from combust.edge.tables.series import judge_series, read_series;"
        "print(judge_series(read_series('data/larkfell_series.csv'))[0].steady, 'pandas' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["True", "False"]


@pytest.mark.regression
def test_a_table_of_readings_is_interpreted_without_pandas(tmp_path):
    """Good and refused rows: the import of pandas was as long as all the rest of a short table."""
    code = (
        "import sys; from combust.edge.tables.readings import interpret_file;"
        "done = interpret_file('data/larkfell_readings.csv', *sys.argv[1:2], rejects=sys.argv[2]);"
        "print(done.interpreted, done.refused, 'pandas' in sys.modules)"
    )
    asked = [sys.executable, "-c", code, str(tmp_path / "out.csv"), str(tmp_path / "refused.csv")]
    told = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["29", "3", "False"]
