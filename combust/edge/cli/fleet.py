"""``combust fleet``: plan a fleet of heaters over sites and routes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.domain.result import text_of_rows
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import table_options
from combust.edge.cli.progress import with_progress

if TYPE_CHECKING:
    from combust.application.fleet.plan import FleetPlan
    from combust.application.fleet.points import RouteSums, RouteUse
    from combust.edge.tables.reader import Table

SHOWN_FAULTS = 20
AIMS = {key: key for key in ("aim", "now", "planned", "bound", "proved")}
COUNTS = {"lambda by": "air_ratio_by", **{key: key for key in ("rule", "yes", "borderline", "no", "unknown")}}


@answers("fleet", strict="a row was refused, or there is a stop or a warning", json=": the plan")
@click.option("--vehicles", required=True, metavar="FILE", help="Vehicles, CSV or Parquet.")
@click.option("--sites", required=True, metavar="FILE", help="Sites where nights are spent.")
@click.option("--routes", metavar="FILE", help="Route points, CSV or Parquet (or a folder); may outgrow the memory.")
@click.option("--profiles", metavar="DIR", help="Folder with heater profiles (default: profiles beside the vehicles).")
@click.option("--policy", metavar="FILE", help="TOML with values of your own; the rest are printed defaults.")
@click.option("--max-kits", type=click.IntRange(0), metavar="N", help="Most kits: who gets them, what more would buy.")
@click.option(
    "--max-moves", type=click.IntRange(0), metavar="N", help="Most vehicles moved; 0 gives out only the kits."
)
@click.option("--out", required=True, metavar="DIR", help="Folder for tables, figures, cards and the page.")
@click.option("--title", default="Fleet plan for altitude", metavar="TEXT", help="Title of the page.")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler for the route points, like tcp://host:8786.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Use so many local Dask workers for the route points.")
@table_options
def command(out: str, title: str, profiles: str | None, **tables: Any) -> Answer:
    """Plan a fleet: heaters, sites and routes.

    Use it before the season: which vehicles need altitude compensation, where heat, battery or fuel grade fall short,
    what helps, and which exchange of vehicles saves kits. Every faulty row is listed with its remedy; the others are
    planned. The heater's own altitude limit always decides.

    \b
    Example:
      combust fleet --vehicles data/larkfell_fleet/vehicles.csv --sites data/larkfell_fleet/sites.csv --out output/fleet

    \b
    Next: combust site --help      (one heater at one site in full)
    """
    from combust.edge.reports.fleet_page import write_plan
    from combust.edge.tables.fleet import plan_fleet

    folder = profiles or Path(tables["vehicles"]).parent / "profiles"
    add_up = partial(_add_up, tables.pop("scheduler"), tables.pop("workers"))
    plan = plan_fleet(**tables, profiles=folder, add_up=add_up)
    faults = [f"{row.severity}: {row.table} row {row.row}: {row.text}" for row in plan.faults.itertuples()]
    more = [f"… and {len(faults) - SHOWN_FAULTS} more faults in faults.csv"] if len(faults) > SHOWN_FAULTS else []
    return Answer(
        plan,
        f"{_text(plan)}\n\nThe page: {Path(out) / 'plan.html'}\nTables, figures and driver cards stand beside it.",
        notes=[*(f"note: {text}" for text in plan.notes), *faults[:SHOWN_FAULTS], *more],
        strict=any(row["refused"] for row in plan.rows.values()),
        files={out: partial(write_plan, plan, title=title)},
    )


def _add_up(scheduler: str | None, workers: int | None, tables: list[Table], uses: list[RouteUse]) -> RouteSums:
    """Return the sums of the route points, in one process or spread over Dask."""
    from combust.edge.tables.fleet import sum_routes

    sum_up: Callable[..., RouteSums] = sum_routes
    if scheduler or workers:
        from combust.edge.tables.dask_workers import sum_routes_dask

        sum_up = partial(sum_routes_dask, scheduler=scheduler, workers=workers)
    return with_progress("Route points", lambda show: sum_up(tables, uses, progress=show))


def _text(plan: FleetPlan) -> str:
    read = [
        f"{name}: {row['read']} read, {row['planned']} planned, {row['refused']} refused"
        for name, row in plan.rows.items()
    ]
    change = plan.assignment
    parts = [
        plan.summary,
        "\n".join(read),
        text_of_rows(plan.lines()),
        "Needs a compensation kit, by three rules (the first decides; its yes counts fitted and barred ones too)",
        output.text_of_table(COUNTS, plan.counts.to_dict("records")),
        f"Assignment of vehicles to places: {change.kits_before} kits now, {change.kits_after} after "
        f"{len(change.moves)} moves; {change.off_before} heaters off now, kits fitted, {change.off_after} after. "
        f"{change.note}",
        *([output.text_of_table(AIMS, change.aims.to_dict("records"))] if len(change.aims) else []),
    ]
    return "\n\n".join(parts)
