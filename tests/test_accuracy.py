"""The accuracy page and the README's table say what the suite holds, and show what is wrong."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

import html5lib
import pytest

from tests.outside_calls import bookkeeping, public_functions
from tests.source_rows import SourceRow, all_rows
from tools.make_accuracy import MARKS, Line, page, summary, topic_of

README = Path(__file__).parents[1] / "README.md"


def evidence(**more: Any) -> dict[str, Any]:
    return {"functions": ["combust.kernel.air.air_density"], "bookkeeping": {}, "calls": {}, "tests": {}, **more}


def test_readme_states_what_the_suite_holds() -> None:
    told = README.read_text(encoding="utf-8").partition(MARKS[0])[2].partition(MARKS[1])[0].strip()
    assert told == summary(all_rows()), "out of date; run: python tools/make_accuracy.py --readme"


def test_enough_numbers_from_outside_and_enough_of_them_read() -> None:
    rows = all_rows()
    assert len(rows) >= 150
    assert sum(row.kind == "published" for row in rows) >= 60


def test_what_is_excused_exists_and_is_told_why() -> None:
    excused, known = bookkeeping(), set(public_functions())
    assert set(excused) <= known, "an excused function is gone or renamed"
    assert all(len(reason) > 10 for reason in excused.values())
    # Physics is never excused: of the kernel only what splits arrays into blocks, what looks at
    # arguments, and what reads a stated convention.
    kernel = {name for name in excused if ".kernel." in name}
    blocks = {f"combust.kernel.blocks.{name}" for name in ("run_in_blocks", "in_blocks")}
    kinds = {
        f"combust.kernel.elementwise.{name}" for name in ("elementwise", "floats_of", "taken", "Kind.of", "Kind.give")
    }
    conventions = {"combust.kernel.duct_table.bore_u_mm", "combust.kernel.heater_law.body_conventions"}
    assert kernel == blocks | kinds | conventions


def test_public_functions_are_found_with_their_methods() -> None:
    known = public_functions()
    assert {"combust.kernel.air.air_density", "combust.domain.site.Site.density_ratio", "combust.interpret"} <= set(
        known
    )
    assert not any(part.startswith("_") for name in known for part in name.split("."))


@pytest.mark.parametrize(("ours", "shown"), [(1.6, False), (1.7, True)])
def test_page_shows_a_row_outside_its_tolerance(ours: float, shown: bool) -> None:
    row = SourceRow("published", "a <b>handbook</b>", "lambda [-]", "1.60", lambda: ours, status="READ")
    told = page([Line(topic_of("tests.kernel.test_air"), row, ours)], evidence())
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(told)
    assert html.escape(row.source) in told
    assert "kernel: air" in told
    assert ('<td class="n bad">' in told) is shown
    # A function nobody calls stands out as well.
    assert '<td class="bad"><code>combust.kernel.air.air_density</code>' in told


def test_page_counts_who_calls_a_function() -> None:
    calls = {"combust.kernel.air.air_density": {"published": ["a", "b", "b"]}}
    tests = {
        "tests/kernel/test_air.py::test_x[1]": {"kinds": ["published"], "says": "Said.", "passed": False, "row": False}
    }
    told = page([], evidence(calls=calls, tests=tests))
    assert '<td class="n">2</td>' in told
    assert "Said." in told
    assert "Failed tests: tests/kernel/test_air.py::test_x[1]" in told
