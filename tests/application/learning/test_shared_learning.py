"""What others shared teaches like a book: read by the same learning, and told with what it rests on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from combust.application.learning import anonymous as an
from combust.application.learning.contributions import sum_of
from combust.application.learning.learn import learn
from combust.application.learning.learnt import Learnt
from combust.edge.figures.learnt import learnt_chart
from combust.edge.tables.anonymous import is_anonymous, merged, taught_by, write_anonymous
from tests.application.learning.test_anonymous import LOGBOOK, contribution, fleet, kind_of
from tests.edge.runs import call

pytestmark = pytest.mark.practice


def test_causes_of_several_workshops_are_counted_together() -> None:
    """Frequencies come from the counts, and the few rows of two small books are too few to teach structure."""
    tables = merged([contribution(1), contribution(2, "c")])
    told = [row for row in tables.rows if row["kind"] == "cause"]
    found = learn(taught_by(tables.rows))
    assert found.confirmed == sum(row["visits"] for row in told)
    assert found.visits == len({row["row"] for row in tables.rows if row["kind"] == "visit"})
    assert "too few" in found.structure


def test_a_table_teaches_the_same_in_each_format_and_two_of_them_together(tmp_path: Path) -> None:
    """Counts of two workshops add up, however their tables are written and merged."""
    counts = {}
    for number, (name, ending) in enumerate([("b", "csv"), ("c", "parquet")], 1):
        rows = contribution(number, name)
        write_anonymous(rows, tmp_path / f"{name}.{ending}")
        counts[f"{name}.{ending}"] = sum(row["visits"] for row in rows if row["kind"] == "cause")
    merging = ("share", str(tmp_path / "b.csv"), str(tmp_path / "c.parquet"), str(tmp_path / "b.csv"))
    for both in ("both.csv", "both.parquet"):
        assert call(*merging, "--out", str(tmp_path / both), "--yes").code == 0
        counts[both] = counts["b.csv"] + counts["c.parquet"]
    for name, count in counts.items():
        assert call("learn", str(tmp_path / name), "--json").json["confirmed"] == count
    table = str(tmp_path / "b.csv")
    whole = ("confirmed", "group", "row", "visits", "mean_of")  # counts and random numbers
    read = call("share", table, "--json").json["rows"]
    assert {type(row[key]) for row in read for key in whole if key in row} == {int}
    for told in (call("right", table), call("log", "add", str(tmp_path / "n.book"), table)):
        assert told.code == 3
        assert "is an anonymous table, which holds no visits. combust learn and" in told.err
        assert "--map" not in told.err


def test_rows_of_a_larger_book_teach_structure_that_a_ranking_uses(tmp_path: Path) -> None:
    """The invented heaters radiate a fifth of their heat, of which the shipped prior believes a hundredth."""
    rng = np.random.default_rng(2)
    rows, _ = an.rows_of(kind_of(fleet(rng, 30, 120)), rng)
    whole = [{"contribution": sum_of(rows), "book": "b", "confirmed": 120, **row} for row in rows]
    shared, learnt, table = tmp_path / "shared.csv", tmp_path / "learnt.toml", tmp_path / "v.csv"
    write_anonymous(whole, shared)
    assert is_anonymous(shared)
    run = call("learn", str(shared), "--out", str(learnt))
    assert run.code == 0, run.err
    structure = Learnt.load(learnt).structure
    assert structure["radiated"]["shift"] > 0.0
    assert f"radiated: {structure['radiated']['shift']:+.1f}" in learnt_chart(structure).told
    lines = (LOGBOOK / "visits.csv").read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([lines[0], *lines[1 + 4 * 39 :]]), encoding="utf-8")
    assert not is_anonymous(table)
    run = call("right", str(table), "--heaters", str(LOGBOOK / "heaters"), "--learnt", str(learnt))
    assert run.code == 0, run.err
    assert "with what was learnt from" in run.out
    assert "no proof" not in run.out  # an anonymous table tells no days, and its checksum is of other things
