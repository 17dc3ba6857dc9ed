"""The difference of two plans as one page and its tables; plans are read back from their folders."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.fleet.difference import PlanDifference, plan_difference
from combust.data.errors import CombustError, Fault
from combust.domain.result import plain
from combust.edge.reports.html import page, unbroken
from combust.edge.tables.plan_files import load_plan
from combust.edge.whole_file import whole_file, write_text

if TYPE_CHECKING:
    import pandas as pd

MOST_CSV_ROWS = 500_000  # of a table that is written as CSV too; Parquet holds any number
PRICES = ("price_compensation_kit", "price_heater", "price_fuel_per_l", "spare_share")


def read_difference(before: str | Path, after: str | Path) -> PlanDifference:
    """Return the difference of two plans from the folders that they were written to.

    Raises
    ------
    CombustError
        As :func:`combust.edge.tables.plan_files.load_plan`.
    """
    sides = [load_plan(folder) for folder in (before, after)]
    prices = [prices_of(plan.assumptions) for plan in sides]
    moves = (sides[0].assignment.moves, sides[1].assignment.moves)
    return plan_difference(sides[0].vehicles, sides[1].vehicles, (prices[0], prices[1]), moves)


def prices_of(assumptions: pd.DataFrame) -> dict[str, float]:
    """Return the prices of a plan that were given and its share of spare kits, from its assumptions.

    Raises
    ------
    CombustError
        One is no number: the plan was changed after it was written.
    """
    rows = assumptions[assumptions["quantity"].isin(PRICES)]
    told = dict(zip(rows["quantity"], rows["value"], strict=True))
    given = {key: value for key, value in told.items() if value is not None and str(value) not in ("None", "nan", "")}
    try:
        return {key: float(value) for key, value in given.items()}
    except (TypeError, ValueError) as error:
        raise CombustError(
            Fault("plan", None, "damaged", why="holds a price that is no number", hint="Plan again.")
        ) from error


def write_difference(difference: PlanDifference, folder: str | Path, *, title: str = "Difference of two plans") -> None:
    """Write a difference: one page; its cells, decisions and sums as CSV and Parquet. Values of cells are JSON."""
    from combust.edge.tables.formulas import csv_of

    folder = Path(folder)
    cells = difference.cells.assign(
        **{
            side: [json.dumps(plain(one), ensure_ascii=False) for one in difference.cells[side]]
            for side in ("before", "after")
        }
    )
    write_text(
        folder / "difference.html",
        page("difference", title=title, difference=difference, unbroken=unbroken, **_parts(difference)),
    )
    tables = {"cells": cells, "decisions": difference.decisions, "sums": difference.sums, "moves": difference.moves}
    for name, table in {f"difference_{name}": table for name, table in tables.items()}.items():
        if len(table) <= MOST_CSV_ROWS:
            write_text(folder / f"{name}.csv", csv_of(table))
        with whole_file(folder / f"{name}.parquet") as partial:
            table.to_parquet(partial, index=False)


def _parts(difference: PlanDifference) -> dict[str, Any]:
    """Return what the page shows beside the frames: who came, who went, how many cells of each column differ."""
    cells = difference.cells
    changed = cells[cells["kind"] == "changed"]
    only = {
        kind: cells.loc[cells["kind"] == kind, "vehicle_id"].drop_duplicates().tolist() for kind in ("added", "removed")
    }
    columns = changed.groupby("column", sort=False).size().sort_values(ascending=False)
    return {"only": only, "columns": [(str(name), int(count)) for name, count in columns.items()]}
