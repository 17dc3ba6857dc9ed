"""The benchmark table holds every comparison, and ours and each peer compute the same. No timing is judged."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.benchmarks.__main__ import GROUPS, main, summary
from tests.benchmarks.growth import slope_of
from tests.benchmarks.records import Record, apart, table, timing_of
from tests.long import LONG

PEERS = (
    "Cantera", "chemicals", "uncertainties", "scipy brentq", "pandas + pyarrow:", "pandas:", "pyarrow:", "polars:",
    "memory copy", "numpy polyfit", "proportional to rows", "sqlite3:", "the same of", "import numpy",
    "read and write the points",
)  # fmt: skip


# Those that start servers and whole commands compare no numbers but their own: the long form starts them.
ASKED = [name for name in GROUPS if LONG or name not in ("start", "fleet", "page", "class")]


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    """The least run, written once."""
    folder = tmp_path_factory.mktemp("bench")
    code = main(["--least", *(f"--only={name}" for name in ASKED), "--out", str(folder)])
    return code, folder, json.loads((folder / "bench.json").read_text(encoding="utf-8"))["records"]


@pytest.mark.independent
def test_ours_and_every_peer_compute_the_same(quick):
    """Every library's numbers against ours within the difference that the record allows; the exit code tells it."""
    code, _, records = quick
    checked = {one["peer_name"]: one for one in records if one["allowed"] is not None}
    for library in PEERS[:10]:
        assert any(library in name for name in checked), library
    assert [one["name"] for one in records if one["same"] is False] == []
    assert code == 0


def test_the_table_holds_every_row(quick):
    _, folder, records = quick
    text = (folder / "bench.md").read_text(encoding="utf-8")
    assert {one["group"] for one in records} == set(ASKED)
    for peer in PEERS if LONG else PEERS[:-2]:
        assert any(peer in one["peer_name"] for one in records), peer
        assert peer in text
    for one in records:
        assert one["name"] in text
        assert np.isfinite(one["ours"])
        assert one["peer"] is None or one["peer"] > 0.0
    assert (folder / "growth.svg").read_text(encoding="utf-8").count("<svg") == 1


def test_memory_is_that_of_the_command_and_not_of_its_parent(quick):
    """A child of a big process tells its own peak: one row of a table needs less than this test process holds."""
    from tests.benchmarks.processes import run

    held = np.ones(40_000_000)  # 320 MB
    assert run(["-c", ""]).peak_mb < 60.0
    assert held[-1] == 1.0


def test_different_work_and_missed_goals_are_told():
    wrong = Record("a", "b", "s", 1.0, "peer", 2.0, goal=0.4, goal_of="ratio", difference=1e-2, allowed=1e-3)
    assert (wrong.ratio, wrong.met, wrong.same) == (0.5, False, False)
    assert "MISSED a: b" in summary([wrong])
    assert "NOT THE SAME WORK a: b" in summary([wrong])
    assert "ratio ≤ 0.4: MISSED" in table([wrong])
    assert apart([1.0, 2.0], [1.0, 2.5]) == pytest.approx(0.2)
    assert apart([1.0], [np.nan]) == np.inf


@pytest.mark.hand
def test_exponent_and_spread_by_hand():
    """y = 3 x^1.5 has slope 1.5 and no error; times 2, 3, 4: best 2, median half as much again."""
    rows = [10, 100, 1000, 10_000]
    slope = slope_of(rows, [3.0 * size**1.5 for size in rows])
    assert slope.exponent == pytest.approx(1.5, abs=1e-12)
    assert slope.error == pytest.approx(0.0, abs=1e-9)
    assert timing_of([4.0, 2.0, 3.0]) == (2.0, pytest.approx(50.0))
