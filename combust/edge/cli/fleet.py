"""``combust fleet``: plan a fleet of heaters over sites and routes."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.edge.cli import output
from combust.edge.cli.options import table_options
from combust.edge.cli.progress import with_progress

if TYPE_CHECKING:
    from combust.application.fleet.plan import FleetPlan
    from combust.application.fleet.points import RouteSums, RouteUse
    from combust.edge.tables.reader import Table

SHOWN_FAULTS = 20


@click.command("fleet", short_help="Plan a fleet: heaters, sites and routes.")
@click.option("--vehicles", required=True, metavar="FILE", help="Vehicles, CSV or Parquet.")
@click.option("--sites", required=True, metavar="FILE", help="Sites where nights are spent.")
@click.option(
    "--routes",
    metavar="FILE",
    help="Route points, CSV or Parquet (or a folder of it); streamed, so larger than memory.",
)
@click.option("--profiles", metavar="DIR", help="Folder with heater profiles (default: profiles beside the vehicles).")
@click.option("--policy", metavar="FILE", help="TOML with values of your own; the rest are printed defaults.")
@click.option("--out", required=True, metavar="DIR", help="Folder for tables, figures, cards and the page.")
@click.option("--title", default="Fleet plan for altitude", metavar="TEXT", help="Title of the page.")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler for the route points, like tcp://host:8786.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Use so many local Dask workers for the route points.")
@table_options
@click.option("--json", "as_json", is_flag=True, help="Print the plan as one JSON object.")
@click.option("--strict", is_flag=True, help="End with exit code 4 when a row was refused or a heater must stay off.")
def command(**options: Any) -> None:
    """Plan a fleet: heaters, sites and routes.

    Use it before the season: which vehicles need altitude compensation, where heat, battery or fuel grade fall short,
    what helps, and which exchange of vehicles saves kits. Every faulty row is listed with its remedy; the others are
    planned. The unit's own altitude limit always decides.

    \b
    Example:
      combust fleet --vehicles data/larkfell_fleet/vehicles.csv --sites data/larkfell_fleet/sites.csv --out output/fleet

    \b
    Next: combust site --help      (one heater at one site in full)
    """
    from combust.application.fleet.rules import stays_off
    from combust.edge.reports.fleet_page import write_plan
    from combust.edge.tables.fleet import plan_fleet

    tables = {name: options[name] for name in ("vehicles", "sites", "routes", "policy", "mapping")}
    folder = options["profiles"] or Path(options["vehicles"]).parent / "profiles"
    plan = plan_fleet(**tables, profiles=folder, add_up=partial(_add_up, options["scheduler"], options["workers"]))
    output.tell_safety(plan.safety, as_json=options["as_json"])
    written = write_plan(plan, options["out"], title=options["title"])
    if options["as_json"]:
        output.say_json(plan.to_dict())
    else:
        _say(plan)
        click.echo(
            f"\nThe page: {written[0]}\nTables, figures and driver cards stand beside it ({len(written)} files)."
        )
    output.tell_notes(plan.notes)
    _tell_faults(plan)
    output.tell_rest(plan.safety)
    refused = any(row["refused"] for row in plan.rows.values())
    if options["strict"] and (refused or bool(stays_off(plan.vehicles).any())):
        raise click.exceptions.Exit(output.EXIT_STRICT)


def _add_up(scheduler: str | None, workers: int | None, tables: list[Table], uses: list[RouteUse]) -> RouteSums:
    """Return the sums of the route points, in one process or spread over Dask."""
    from combust.edge.tables.fleet import sum_routes

    sum_up: Callable[..., RouteSums] = sum_routes
    if scheduler or workers:
        from combust.edge.tables.points import sum_routes_dask

        sum_up = partial(sum_routes_dask, scheduler=scheduler, workers=workers)
    return with_progress("Route points", lambda show: sum_up(tables, uses, progress=show))


def _say(plan: FleetPlan) -> None:
    click.echo(f"{plan.summary}\n")
    for name, row in plan.rows.items():
        click.echo(f"{name}: {row['read']} read, {row['planned']} planned, {row['refused']} refused")
    click.echo("")
    click.echo(output.text_of_table(("decision", "how many"), plan.lines()))
    click.echo(
        "\nNeeds a compensation kit, by three rules (the first decides; its yes counts fitted and barred ones too)\n"
    )
    keys = ("rule", "air_ratio_by", "yes", "borderline", "no", "unknown")
    click.echo(
        output.text_of_table(
            ("rule", "lambda by", "yes", "borderline", "no", "unknown"),
            [tuple(str(row[key]).replace("_", " ") for key in keys) for row in plan.counts.to_dict("records")],
        )
    )
    change = plan.reassignment
    click.echo(
        f"\nExchange of vehicles: {change.kits_before} kits now, {change.kits_after} after "
        f"{len(change.moves)} moves. {change.note}"
    )


def _tell_faults(plan: FleetPlan) -> None:
    for row in plan.faults.head(SHOWN_FAULTS).itertuples():
        click.echo(f"{row.severity}: {row.table} row {row.row}: {row.text}", err=True)
    if len(plan.faults) > SHOWN_FAULTS:
        click.echo(f"… and {len(plan.faults) - SHOWN_FAULTS} more faults in faults.csv", err=True)
    sys.stderr.flush()
