"""Checks against the outside world as data: one frozen record a check, so that a page can list and count them.

A test file lists its rows and hands them to one test::

    @source_rows(
        SourceRow("published", "40 CFR 1065.645, example", "dew point [K]", "279.001023", lambda: dew_point_k(925.717)),
    )
    def test_dew_point(row):
        row.check()

``printed`` is text, exactly as the source prints it: half a unit in its last digit is the tolerance, unless the
source states an accuracy or ``digits`` says how many decimals count. ``all_rows()`` returns every row of the suite.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, SupportsFloat

import pytest

# kind -> what it proves; also the pytest markers of pyproject.toml.
KINDS = {
    "published": "the value stands in the published document that is named",
    "hand": "the value is worked out in a comment beside it",
    "independent": "the value comes from another route or another library",
    "memory": "the value of a published source, quoted from memory and not looked up",
    "practice": "common practice of the trade, no source",
}
# Room for binary rounding when a printed value sits exactly on its half unit.
ROUNDING = 1e-9

_ROWS: dict[tuple[str, str, str], SourceRow] = {}


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One number that something outside this project says, and the call that must reproduce it.

    Attributes
    ----------
    kind : str
        A key of ``KINDS``.
    source : str
        Document and table, equation or page; or the library and its call.
    quantity : str
        What the number is, with its unit in brackets.
    printed : str
        The number as the source prints it.
    compute : callable
        Returns our number.
    tolerance : float, optional
        Accuracy that the source states, in the number's unit.
    digits : int, optional
        Decimals that count, when fewer than are printed.
    status : str
        Status of the value (READ, MEM-H, COMP, ...) or another remark.
    """

    kind: str
    source: str
    quantity: str
    printed: str
    compute: Callable[[], SupportsFloat]
    tolerance: float | None = None
    digits: int | None = None
    status: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"{self.kind!r} is none of {', '.join(KINDS)}")
        if not (self.source and self.quantity):
            raise ValueError("a row without source or quantity proves nothing")
        if not self.allowed > 0.0:
            raise ValueError(f"{self.quantity}: a tolerance must be above zero")

    @property
    def expected(self) -> float:
        """The printed number as a float."""
        return float(self.printed)

    @property
    def allowed(self) -> float:
        """Largest difference that passes: stated accuracy, else half a unit in the last digit that counts."""
        if self.tolerance is not None:
            return self.tolerance
        mantissa, _, power = self.printed.lower().partition("e")
        decimals = len(mantissa.partition(".")[2]) if self.digits is None else self.digits
        return 0.5 * 10.0 ** (int(power or 0) - decimals)

    def difference(self) -> float:
        """Return our number less the printed one."""
        return float(self.compute()) - self.expected

    def check(self) -> None:
        """Fail the test with everything that is needed to look the number up."""
        ours = float(self.compute())
        assert abs(ours - self.expected) <= self.allowed * (1.0 + ROUNDING), (
            f"{self.quantity}: ours {ours:.10g}, printed {self.printed} ± {self.allowed:g} "
            f"[{self.kind}{', ' + self.status if self.status else ''}: {self.source}]"
        )


def source_rows(*rows: SourceRow) -> Any:
    """Return the decorator that runs a test once a row, marked with the row's kind, and remembers the rows."""

    def decorate(test: Callable[..., None]) -> Any:
        for number, row in enumerate(rows):
            _ROWS[(test.__module__, test.__name__, str(number))] = row
        params = [pytest.param(row, marks=getattr(pytest.mark, row.kind), id=row.quantity) for row in rows]
        return pytest.mark.parametrize("row", params)(test)

    return decorate


def all_rows() -> list[SourceRow]:
    """Return the rows of the whole suite."""
    return [row for _, row in rows_of_tests()]


def rows_of_tests() -> list[tuple[str, SourceRow]]:
    """Return (test module, row) of the whole suite, by importing every test module below this folder."""
    here = Path(__file__).parent
    for path in sorted(here.rglob("test_*.py")):
        importlib.import_module(".".join(path.relative_to(here.parent).with_suffix("").parts))
    return [(key[0], _ROWS[key]) for key in sorted(_ROWS, key=lambda key: (key[0], key[1], int(key[2])))]
