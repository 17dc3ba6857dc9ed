"""What others shared teaches like a book: read by the same learning, and told with what it rests on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from combust.application.causes.catalogue import get_priors
from combust.application.learning import anonymous as an
from combust.application.learning.contributions import with_checksum
from combust.application.learning.frequencies import confirmable
from combust.application.learning.learn import learn
from combust.application.learning.learnt import Learnt
from combust.data.tables import load_table
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


def counted(book: str, confirmed: int, causes: dict[str, int], kw: float = 2.0) -> list[dict[str, Any]]:
    """An anonymous table of counts alone, as a small book gives it."""
    kind = {"kind": "cause", "blower": "centrifugal", "shaft": "untold", "fuel": "diesel_b7", "heat_kw": kw}
    rows: list[dict[str, Any]] = [{**kind, "cause": cause, "visits": visits} for cause, visits in causes.items()]
    return with_checksum(rows, book, confirmed)


def test_what_was_held_back_is_counted_and_said_and_the_file_is_read_again(tmp_path: Path) -> None:
    """Three workshops, 33, 29 and 37 confirmed visits; too much fuel is held back in each and never called unmet."""
    books = [
        counted("a", 33, {"intake_restricted": 12}),
        counted("b", 29, {"intake_restricted": 7}),
        counted("c", 37, {"intake_restricted": 12, "exhaust_restricted": 7}),
    ]
    rows = merged(books).rows
    lessons = list(taught_by(rows))
    held_back = [one.none_of for one in lessons if one.none_of is not None]
    assert held_back.count(("intake_restricted",)) == 21 + 22
    assert held_back.count(("exhaust_restricted", "intake_restricted")) == 18
    found = learn(lessons, tables=3)
    assert found.confirmed == 38
    # hand: 61 held back and 12 x 15/17 of the prior on 15 causes of 99 + 12 visits, were every label right
    # and none of the 43 exhaust_restricted: at most 0.73 of the shipped share, and far above the 12/50 of one unmet
    assert 0.5 < found.shares["fuel_over"]["factor"] <= (61 + 12 * 15 / 17) / 111 / (15 / 17)
    told = dict(found.lines())
    assert told["held back"].startswith("61 of 99 confirmed causes were held back; nothing is said of those")
    assert told["taught by"] == (
        "3 anonymous tables: 99 confirmed visits behind them, told as counts alone; "
        "38 with a cause that is named, 61 held back"
    )
    assert not any(name.startswith("never met") for name in told)
    shared, learnt = tmp_path / "all.csv", tmp_path / "learnt.toml"
    write_anonymous(counted("d", 90, {"intake_restricted": 80}), shared)
    run = call("learn", str(shared), "--out", str(learnt))
    assert "90 confirmed visits behind it" in run.out
    assert Learnt.load(learnt).told == (
        "1 anonymous table: 90 confirmed visits behind it, told as counts alone; "
        "80 with a cause that is named, 10 held back"
    )


def test_a_cause_that_one_type_tells_may_be_held_back_in_another() -> None:
    one = counted("a", 30, {"intake_restricted": 8, "fuel_over": 6})
    rows = [{**row, "contribution": "both"} for row in (*one, *counted("a", 30, {"fuel_over": 9}, kw=4.0))]
    assert {lesson.none_of for lesson in taught_by(rows)} == {None, ("fuel_over",)}
    assert sum(lesson.none_of is not None for lesson in taught_by(rows)) == 30 - 23


def test_the_dangers_whose_prior_is_never_lowered_are_named_wherever_it_is_said() -> None:
    """`causes.toml` marks them; the help, the word and the field of the file name the same ones and no other danger."""
    priors = get_priors()
    dangers = {cause.label for cause in priors.causes.values() if cause.dangerous}
    learnt_ones = {priors.causes[name].label for name in confirmable(priors) if priors.causes[name].dangerous}
    text = load_table("learnt")["field"]["frequency"]["factor"]["meaning"]
    for said, which in (
        (" ".join(call("learn", "--help").out.split()), dangers),
        (" ".join(call("word", "learnt").out.split()), dangers),
        (text, learnt_ones),
    ):
        assert {cause.label for cause in priors.causes.values() if cause.label in said} == which
        assert "CO or fire" not in said


def test_the_words_of_learn_are_known() -> None:
    for word in ("ln score", "standard deviations of the shipped prior", "shipped prior", "held back"):
        assert call("word", word).code == 0


def test_rows_of_a_larger_book_teach_structure_that_a_ranking_uses(tmp_path: Path) -> None:
    """The invented heaters radiate a fifth of their heat, of which the shipped prior believes a hundredth."""
    rng = np.random.default_rng(2)
    rows, _ = an.rows_of(kind_of(fleet(rng, 30, 120)), rng)
    shared, learnt, table = tmp_path / "shared.csv", tmp_path / "learnt.toml", tmp_path / "v.csv"
    write_anonymous(with_checksum(rows, "b", 120), shared)
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
