"""The floors and what they may import, the light import, the doctests, and the source rows themselves."""

from __future__ import annotations

import ast
import doctest
import importlib
import pkgutil
import subprocess
import sys
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import combust
from tests.source_rows import KINDS, SourceRow, all_rows

ROOT = Path(combust.__file__).parent
FLOORS = ("data", "kernel", "domain", "application", "edge")
# What each floor may use beside the standard library and the floors below it; the edge may use what it needs.
OUTSIDE: dict[str, set[str]] = {"data": set(), "kernel": {"numpy"}, "domain": {"numpy"}, "application": {"numpy"}}
# scipy at run time only inside the planner's optimiser, imported there.
OUTSIDE["application"] |= {"scipy"}
# cantera only in the flame chemistry of the lessons, imported when it is asked for.
OUTSIDE["application"] |= {"cantera"}
# plan_fleet and the derating table take and give pandas frames; imported there only.
OUTSIDE["application"] |= {"pandas"}
# The chemistry of the lessons is Cantera's; application/chemistry/equilibrium.py imports it only when it computes.
OUTSIDE["application"] |= {"cantera"}
HEAVY = ("pandas", "matplotlib", "jinja2", "cantera", "pyarrow", "scipy", "click", "dask")
SOURCES = sorted(ROOT.rglob("*.py"))


def imports_of(path: Path) -> set[str]:
    """Return every module a file imports, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize(
    "path", [path for path in SOURCES if path.parent != ROOT], ids=lambda p: str(p.relative_to(ROOT))
)
def test_imports_point_down_only(path: Path) -> None:
    floor = path.relative_to(ROOT).parts[0]
    assert floor in FLOORS
    allowed = set(FLOORS[: FLOORS.index(floor) + 1])
    for module in imports_of(path):
        top, *rest = module.split(".")
        if top == "combust":
            assert rest[0] in allowed | {"__version__"}, f"{module} is above {floor}"
        elif floor in OUTSIDE:
            assert top in sys.stdlib_module_names or top in OUTSIDE[floor], f"{floor} must not import {module}"


def test_no_import_circle() -> None:
    """Modules can be put in an order in which each imports only earlier ones, imports for type checking included."""
    names = {".".join(path.relative_to(ROOT.parent).with_suffix("").parts): path for path in SOURCES}
    graph = {}
    for name, path in names.items():
        # "a.b.c" imports module a.b.c, or the name c of module a.b
        wanted = {part for one in imports_of(path) for part in (one, one.rpartition(".")[0])}
        graph[name] = {part for part in wanted & set(names) if part != name}
    list(TopologicalSorter(graph).static_order())  # raises CycleError with the circle in it


def test_import_is_light() -> None:
    code = "import sys, combust; print([name for name in sys.argv[1:] if name in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code, *HEAVY], capture_output=True, text=True, check=True, cwd=ROOT.parent
    )
    assert done.stdout.strip() == "[]"


def modules() -> list[str]:
    names = [found.name for found in pkgutil.walk_packages([str(ROOT)], "combust.")]
    return sorted(name for name in names if not name.endswith("__main__"))


@pytest.mark.parametrize("name", modules())
def test_examples_in_docstrings_run(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name), raise_on_error=False).failed == 0


TEXT_TO_NUMBER = ("as_number", "cast(pa.float64())", "to_numeric", '",", "."', "THOUSANDS.match(text")


def test_the_text_of_a_cell_becomes_a_number_in_one_module_only() -> None:
    """What turns text into numbers stands in no other module of the rooms that tables pass through."""
    rooms = ("edge/tables", "edge/logbook", "application/fleet", "application/history")
    for path in (path for room in rooms for path in sorted((ROOT / room).glob("*.py"))):
        text = path.read_text(encoding="utf-8")
        found = [word for word in TEXT_TO_NUMBER if word in text]
        typed = path.name == "policy.py"  # values of a TOML file, no cells of a table
        assert found == [] or path.name == "cells.py" or typed, f"{path.name} reads cells itself: {found}"
    reader = (ROOT / "edge" / "tables" / "cells.py").read_text(encoding="utf-8")
    assert all(word in reader for word in TEXT_TO_NUMBER[:2])


# ---- the source rows ---------------------------------------------------------------------------------------------


def test_rows_of_the_suite_can_be_listed_and_counted() -> None:
    rows = all_rows()
    kinds = Counter(row.kind for row in rows)
    assert set(kinds) <= set(KINDS)
    assert min(kinds[kind] for kind in ("published", "hand", "independent")) > 5
    assert len({(row.source, row.quantity) for row in rows}) == len(rows), "two rows would look the same on a page"


def test_computed_rows_are_never_called_published() -> None:
    for row in all_rows():
        if "COMP" in row.status:
            assert row.kind == "independent", row
        if "MEM" in row.status:
            assert row.kind == "memory", row
        if row.kind == "published":
            assert "READ" in row.status or "read" in row.source.lower() or "ISO 2533" in row.source, row


@pytest.mark.parametrize(
    ("printed", "digits", "allowed"),
    [("1.60", None, 0.005), ("84559", None, 0.5), ("2.47e-7", None, 0.005e-7), ("1.186581", 3, 0.0005)],
)
def test_tolerance_is_half_a_unit_in_the_last_digit(printed: str, digits: int | None, allowed: float) -> None:
    row = SourceRow("hand", "s", "q", printed, lambda: float(printed) + 0.999 * allowed, digits=digits)
    assert row.allowed == pytest.approx(allowed)
    row.check()
    wrong = SourceRow("hand", "s", "q", printed, lambda: float(printed) + 1.001 * allowed, digits=digits)
    with pytest.raises(AssertionError, match="printed"):
        wrong.check()


def test_rows_that_prove_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="none of"):
        SourceRow("guess", "s", "q", "1", lambda: 1.0)
    with pytest.raises(ValueError, match="proves nothing"):
        SourceRow("hand", "", "q", "1", lambda: 1.0)
    with pytest.raises(ValueError, match="above zero"):
        SourceRow("hand", "s", "q", "1", lambda: 1.0, tolerance=0.0)
    nan = SourceRow("hand", "s", "q", "1", lambda: float("nan"))
    with pytest.raises(AssertionError):
        nan.check()
