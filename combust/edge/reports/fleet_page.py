"""A fleet plan as a folder: tables in CSV and Parquet, figures, driver cards, and one self-contained HTML page."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.fleet.plan import FleetPlan
from combust.application.fleet.rules import DECISIONS, KEEP_OFF
from combust.domain.result import plain
from combust.edge.cli.output import write_text
from combust.edge.reports.html import page
from combust.edge.whole_file import whole_file

if TYPE_CHECKING:
    import pandas as pd

MOST_VEHICLES, MOST_FAULTS, MOST_REMEDIES, MOST_CARDS = 500, 200, 200, 200
MOST_JSON_VEHICLES = 100_000


def write_plan(plan: FleetPlan, folder: str | Path, *, title: str = "Fleet plan for altitude") -> list[Path]:
    """Write a plan to a folder and return what was written, the HTML page first."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    frames = ("vehicles", "counts", "remedies", "routes", "sensitivity", "faults")
    tables = {name: getattr(plan, name) for name in frames} | {
        "moves": plan.reassignment.moves,
        "assumptions": plan.assumptions.astype({"value": str}),
    }
    written = []
    for name, table in tables.items():
        write_text(folder / f"{name}.csv", _without_formulas(table).to_csv(index=False, float_format="%.6g"))
        with whole_file(folder / f"{name}.parquet") as partial:
            table.to_parquet(partial, index=False)
        written += [folder / f"{name}.csv", folder / f"{name}.parquet"]
    figures = _figures(plan, folder)
    cards = "\n\n".join("\n".join([card["title"], *(f"- {line}" for line in card["lines"])]) for card in plan.cards)
    write_text(folder / "driver_cards.txt", cards + "\n")
    written.append(folder / "driver_cards.txt")
    if len(plan.vehicles) <= MOST_JSON_VEHICLES:
        text = json.dumps(plan.to_dict(), ensure_ascii=False, allow_nan=False, indent=1)
        write_text(folder / "plan.json", text + "\n")
        written.append(folder / "plan.json")
    write_text(folder / "plan.html", plan_page(plan, figures, title=title))
    return [folder / "plan.html", *written, *(folder / f"{name}.png" for name in figures)]


def _without_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table for CSV in which no text is run by a spreadsheet."""
    from combust.edge.tables.formulas import harmless

    texts = table.select_dtypes(exclude=["number", "bool"])
    return table.assign(**texts.map(lambda cell: harmless(cell) if isinstance(cell, str) else cell))


def _figures(plan: FleetPlan, folder: Path) -> dict[str, dict[str, str]]:
    """Draw the figures into the folder; return name -> alt text, caption and the picture as base64."""
    from combust.edge.figures.altitude import SOURCE, draw_heat, draw_margins
    from combust.edge.figures.style import save

    drawers: dict[str, Callable[[FleetPlan], Any]] = {"margins": draw_margins, "heat": draw_heat}
    found = {}
    for name, draw in drawers.items():
        figure = draw(plan)
        save(figure, folder / f"{name}.png")
        data = base64.b64encode((folder / f"{name}.png").read_bytes()).decode("ascii")
        found[name] = {"data": data, "alt": figure.get_label(), "caption": f"{figure.get_label()} {SOURCE}"}
    return found


def plan_page(plan: FleetPlan, figures: dict[str, dict[str, str]], *, title: str) -> str:
    """Return the decision page as HTML; every text from a table is escaped."""
    vehicles = plan.vehicles.head(MOST_VEHICLES)
    rows = [
        {"vehicle_id": name, "reason": reason, "off": decision in KEEP_OFF}
        for name, reason, decision in zip(vehicles["vehicle_id"], vehicles["reason"], vehicles["decision"], strict=True)
    ]
    flips = plan.sensitivity
    if len(flips):  # how many vehicles flip by swing, decision and lambda
        alike = flips.groupby(["swing", "decision", "air_ratio_by", "from_answer"], sort=False)
        flips = alike.size().rename("vehicles").reset_index()
    return page(
        "fleet",
        title=title,
        summary=f"{plan.summary}.",
        plan=plan,
        cautions=plan.cautions,
        counts=plain(plan.counts),
        routes=plain(plan.routes),
        assumed=plain(plan.assumptions),
        decisions=decision_rows(plan),
        figures=list(figures.values()),
        moves=plain(plan.reassignment.moves.head(MOST_VEHICLES)),
        vehicles=rows,
        more_vehicles=max(len(plan.vehicles) - MOST_VEHICLES, 0),
        remedies=plain(plan.remedies.head(MOST_REMEDIES)),
        flips=plain(flips),
        cards=plan.cards[:MOST_CARDS],
        faults=plain(plan.faults.head(MOST_FAULTS)),
        more_faults=max(len(plan.faults) - MOST_FAULTS, 0),
    )


def decision_rows(plan: FleetPlan) -> list[tuple[str, str]]:
    """Return the counts of the plan in words: decisions, kits, spares, heat, battery, fuel, and cost where priced."""
    found = plan.vehicles["decision"].value_counts()
    rows = [(text, str(int(found[code]))) for code, text in DECISIONS.items() if code in found]
    total, flips = plan.totals, plan.vehicles["flips_between_lambdas"]
    rows += [
        ("compensation kits to fit", f"{total['compensation_kits']} and {total['spare_kits']} spare"),
        ("lambda rule answered differently by the three lambdas", str(int((flips != "").sum()))),
        ("cab stays below its target with lambda kept", str(total["heat_short"])),
        ("battery too small for a cold night", str(total["battery_too_small"])),
        ("fuel grade below the coldest night", str(total["fuel_grade_below"])),
        ("shorten the service interval", str(total["shorten_service"])),
        ("fuel in a season", f"{total['fuel_l_per_season']:.0f} l"),
    ]
    costs = (
        ("cost_kits", "cost of kits and spares, in the money of the policy"),
        ("cost_fuel", "cost of the season's fuel, in the money of the policy"),
    )
    return rows + [(label, f"{total[key]:.0f}") for key, label in costs if total[key] is not None]
