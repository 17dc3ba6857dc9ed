"""A fleet plan as a folder: tables in CSV and Parquet, figures, driver cards, and one self-contained HTML page."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from combust.application.fleet.plan import FleetPlan
from combust.edge.cli.output import write_text
from combust.edge.reports.html import page, picture
from combust.edge.whole_file import whole_file

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

MOST = {"vehicles": 500, "faults": 200, "remedies": 200, "cards": 200}  # on the page; the tables hold all
MOST_JSON_VEHICLES = 100_000
FLIP = ["swing", "decision", "from_answer", "to_answer"]


def write_plan(plan: FleetPlan, folder: str | Path, *, title: str = "Fleet plan for altitude") -> list[Path]:
    """Write a plan to a folder and return what was written, the HTML page first."""
    from combust.edge.figures.altitude import draw_heat, draw_margins
    from combust.edge.figures.style import save

    folder = Path(folder)
    figures = {"margins": draw_margins(plan), "heat": draw_heat(plan)}
    cards = ["\n- ".join([card["title"], *card["lines"]]) for card in plan.cards]
    texts = {"plan.html": plan_page(plan, figures, title=title), "driver_cards.txt": "\n\n".join(cards) + "\n"}
    if len(plan.vehicles) <= MOST_JSON_VEHICLES:
        texts["plan.json"] = json.dumps(plan.to_dict(), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    frames = ("vehicles", "counts", "remedies", "routes", "sensitivity", "faults")
    tables = {name: getattr(plan, name) for name in frames} | {
        "moves": plan.reassignment.moves,
        "assumptions": plan.assumptions.astype({"value": str}),
    }
    for name, table in tables.items():
        texts[f"{name}.csv"] = _without_formulas(table).to_csv(index=False, float_format="%.6g")
        with whole_file(folder / f"{name}.parquet") as partial:
            table.to_parquet(partial, index=False)
    for name, text in texts.items():
        write_text(folder / name, text)
    for name, figure in figures.items():
        save(figure, folder / f"{name}.png")
    return [
        folder / name
        for name in (*texts, *(f"{name}.parquet" for name in tables), *(f"{name}.png" for name in figures))
    ]


def _without_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table for CSV in which no text is run by a spreadsheet."""
    from combust.edge.tables.formulas import harmless

    texts = table.select_dtypes(exclude=["number", "bool"])
    return table.assign(**texts.map(lambda cell: harmless(cell) if isinstance(cell, str) else cell))


def plan_page(plan: FleetPlan, figures: Mapping[str, Figure], *, title: str) -> str:
    """Return the decision page as HTML; every text from a table is escaped."""
    flips = plan.sensitivity
    if len(flips):  # how many vehicles flip by swing and decision
        flips = flips.groupby(FLIP, sort=False).size().rename("vehicles").reset_index()
    pictures = [picture(figure) for figure in figures.values()]
    return page("fleet", title=title, plan=plan, cautions=plan.cautions, figures=pictures, flips=flips, most=MOST)
