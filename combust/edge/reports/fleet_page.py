"""A fleet plan as a folder: tables in CSV and Parquet, figures, driver cards, and one self-contained HTML page."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.fleet.calendar import MONTHS, UNKNOWN
from combust.application.fleet.decisions import KEEP_OFF, SURENESS
from combust.application.fleet.elevation import Elevation
from combust.application.fleet.nights import as_typed
from combust.application.fleet.overview import LARGE, SHORT, alike, as_fitted, decided, helps, worst_first
from combust.application.fleet.plan import FleetPlan
from combust.application.fleet.tables import told_at_once
from combust.domain.limits import cautions
from combust.domain.result import plain
from combust.edge.figures.elevation import elevation_picture
from combust.edge.figures.margins import margin_picture, margin_scale
from combust.edge.reports.html import page, picture, unbroken
from combust.edge.reports.weather_part import weather_facts
from combust.edge.tables.plan_files import write_plan_files
from combust.edge.whole_file import write_text

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

MOST = {"vehicles": 1000, "routes": 60, "kits": 40, "faults": 200, "warnings": 10}  # on the page; the tables hold all
HEADS = ("vehicle", "site", "heater", "decision", "how sure", "metres left", "lambda left", "cab on the cold night",
         "fuel grade", "battery", "fuel in a season")  # fmt: skip
WEAK = ("too_small", "unknown")
FLIP = ["swing", "decision", "from_answer", "to_answer"]


def write_plan(plan: FleetPlan, folder: str | Path, *, title: str = "Fleet plan for altitude") -> list[Path]:
    """Write a plan to a folder and return what was written, the HTML page first."""
    from combust.edge.figures.altitude import draw_heat, draw_margins
    from combust.edge.figures.style import save

    folder = Path(folder)
    figures = {"margins": draw_margins(plan), "heat": draw_heat(plan)}
    cards = ["\n- ".join([card["title"], *card["lines"]]) for card in plan.cards]
    texts = {"plan.html": plan_page(plan, figures, title=title), "driver_cards.txt": "\n\n".join(cards) + "\n"}
    for name, text in texts.items():
        write_text(folder / name, text)
    for name, figure in figures.items():
        save(figure, folder / f"{name}.png")
    names = [*texts, *(f"{name}.png" for name in figures), *write_plan_files(plan, folder)]
    return [folder / name for name in names]


def plan_page(plan: FleetPlan, figures: Mapping[str, Figure], *, title: str) -> str:
    """Return the decision page as HTML; every text from a table is escaped, the one script is our own by its hash."""
    from markupsafe import Markup

    flips, frame = plan.sensitivity, worst_first(plan.vehicles)
    if len(flips):  # how many vehicles flip by swing and decision
        flips = flips.groupby(FLIP, sort=False).size().rename("vehicles").reset_index()
    script = (Path(__file__).parent / "templates" / "fleet.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    widest = margin_scale(plan.vehicles["margin_m"])
    sites = _site_rows(plan, widest)
    number = {row["site_id"]: place for place, row in enumerate(sites, start=1)}
    caution = len(cautions())
    return page(
        "fleet",
        title=title,
        plan=plan,
        faults=told_at_once(plan.faults),
        unbroken=unbroken,
        figures=[picture(figure) for figure in figures.values()],
        flips=flips,
        most=MOST,
        script=Markup(script),
        script_hash=f"sha256-{digest}",
        sites=sites,
        scale=f"-{widest:.0f} m ... 0 ... +{widest:.0f} m",
        priced=bool(plan.sites["cost"].notna().any()),
        decided=decided(plan.vehicles, plan.rows["vehicles"]["refused"]),
        sums=plan.lines()[plan.vehicles["decision"].nunique() :],
        short=list(SHORT.values()),
        weather=weather_facts(plan.weather),
        heads=HEADS,
        vehicles=[_vehicle(row) for row in frame.head(MOST["vehicles"]).itertuples(index=False)],
        helps=plain(helps(plan.remedies)),
        kits=_kits(plan),
        routes=_routes(plan),
        calendar=_calendar(plan.calendar),
        unknown=plain(plan.calendar[plan.calendar["what"] == UNKNOWN]),
        total=_total(plan, sites),
        moves=[] if plan.assignment.moves.empty else plain(alike(plan.assignment.moves, ["from_site", "to_site"])),
        cards=[
            card | {"number": number.get(card["site_id"], 0), "lines": card["lines"][:-caution]}
            for card in plan.cards
            if len(frame) <= LARGE
        ],
    )


def _site_rows(plan: FleetPlan, widest: float) -> list[dict[str, Any]]:
    """Return the line of each site for the page, with its picture and what the cells of the vehicles add up to."""
    rows: list[dict[str, Any]] = plain(plan.sites)
    by_site = dict(list(plan.vehicles.groupby("site_id", sort=False)))
    for row in rows:
        part = by_site[row["site_id"]]
        off = part["decision"].isin(KEEP_OFF)
        row["picture"] = margin_picture(part["margin_m"], off, widest)
        row["cold_night"] = as_typed(row["design_temp_c"])
        row["but"] = int((~off & ~part["decision"].isin(["as_is", "compensated"])).sum())
        row["weak"], row["battery_unknown"] = (int((~off & (part["battery"] == one)).sum()) for one in WEAK)
    return rows


def _kits(plan: FleetPlan) -> list[dict[str, Any]]:
    """Return who gets the kits and who would be next, each up to the number that the page holds."""
    given = plan.kits["given"]
    return [*plain(plan.kits[given].head(MOST["kits"])), *plain(plan.kits[~given].head(MOST["kits"]))]


def _calendar(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the months in their order, each with its jobs; what is not known stands apart."""
    out = []
    for place, part in table[table["what"] != UNKNOWN].groupby("place", sort=True):
        month = int(part["month"].iloc[0])
        name = "before the season" if place < 0 else MONTHS[month - 1]
        out.append({"name": name, "jobs": [(what, plain(rows)) for what, rows in part.groupby("what", sort=False)]})
    return out


def _routes(plan: FleetPlan) -> list[dict[str, Any]]:
    """Return each route with its picture and what it means for each heater on it, those with heaters off first."""
    ways = dict(list(plan.ways.groupby("route_id", sort=False)))
    out = []
    for route, part in plan.routes.groupby("route_id", sort=False):
        way, drawn = ways.get(route), None
        if way is not None:
            elevation = Elevation(way["distance_km"].to_numpy(), way["altitude_m"].to_numpy())
            drawn = elevation_picture(elevation, part["heater_altitude_limit_m"].tolist(), str(route))
        heaters = part.groupby("text", sort=False)["heater"].agg(", ".join).reset_index()
        above = bool((~(part["highest_m"] <= part["heater_altitude_limit_m"])).any())  # a limit not entered, too
        out.append({"route_id": route, "picture": drawn, "heaters": plain(heaters), "above": above})
    return sorted(out, key=lambda row: not row["above"])


def _total(plan: FleetPlan, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the line at the foot of the sites: what their columns add up to; money is the grand total."""
    sites, totals = plan.sites, plan.totals
    names = ("vehicles", "off", "kits", "fuel_l_per_season", "fuel_l_per_season_with_kit", *SURENESS)
    sums = {name: sites[name].sum() for name in names}
    return sums | {
        "spares": totals["spare_kits"],
        "cost": totals["cost"],
        "but": sum(row["but"] for row in rows),
        "too_small": totals["battery_too_small"],
        "unknown_battery": totals["battery_unknown"],
    }


def _vehicle(row: Any) -> dict[str, Any]:
    """Return the row of a vehicle: its cells as they are read and as they are sorted, and what the filter asks."""
    off = row.decision in KEEP_OFF
    share = (
        ""
        if row.battery_share_of_usable != row.battery_share_of_usable
        else f" {100 * row.battery_share_of_usable:.0f} %"
    )
    cells = [
        (row.site_id, None),
        (as_fitted(row.heater, row.compensation), None),
        (SHORT[row.decision], list(SHORT).index(row.decision)),
        (row.sureness, list(SURENESS).index(row.sureness)),
        (_number(row.margin_m, "+.0f", " m"), row.margin_m),
        (
            f"{_number(row.margin_air_ratio, '+.2f')} ± {_number(2 * row.margin_air_ratio_u, '.2f')}",
            row.margin_air_ratio,
        ),
        (
            "off" if off else f"{row.cab_temp_reached_full_c:.0f} of {row.cab_target_c:.0f} °C",
            None if off else row.cab_temp_reached_full_c,
        ),
        ("-" if off else row.fuel_grade.replace("_", " "), None),
        ("-" if off else row.battery.replace("_", " ") + share, None),
        (
            f"{row.fuel_l_per_season:.0f} l" + (" with kit" if row.fuel_when == "with_kit" else ""),
            row.fuel_l_per_season,
        ),
    ]
    groups = ["off" if off else "runs", row.cab, f"d-{list(SHORT).index(row.decision) + 1}"]
    groups += ["open"] if row.sureness in ("open", "unknown") else []
    shown = [
        {"text": text, "sort": "" if sort is None or sort != sort else sort, "plain": sort is None}
        for text, sort in cells
    ]
    return {
        "vehicle_id": row.vehicle_id,
        "safety": row.safety,
        "reason": row.reason,
        "groups": " ".join(groups),
        "cells": shown,
    }


def _number(value: float, form: str, unit: str = "") -> str:
    return "not known" if value != value else f"{value:{form}}{unit}"
