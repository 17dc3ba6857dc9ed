"""``combust fleet``: plan a fleet of heaters over sites and routes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.data.errors import shorten
from combust.data.told import text_of_rows
from combust.domain.result import many
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import WrittenFolder, refuse_folder
from combust.edge.cli.options import table_options
from combust.edge.cli.progress import with_progress

if TYPE_CHECKING:
    from combust.application.fleet.assignment import Assignment
    from combust.application.fleet.difference import PlanDifference
    from combust.application.fleet.plan import FleetPlan
    from combust.application.fleet.points import RouteSums, RouteUse
    from combust.application.fleet.weather import Weather
    from combust.edge.tables.reader import Table

SHOWN_FAULTS = 20
WEATHER = {
    "site_id": "site",
    "air_ratio": "lambda",
    "cab": "cab cold",
    "fuel": "fuel waxes",
    "fuel_margin": "nearly waxes",
    "battery": "battery short",
}
DUE = {"by": "by", "vehicles (their heaters)": "who", "why": "reason", "last visit": "last_visit"}
SHOWN_KITS = 20
LONGEST_CELL = 90
AIMS = {"aim": "aim", "nobody moved": "now:.0f", "proposed": "planned:.0f", "at best": "bound:.0f", "proved": "proved"}
KITS = {
    "kit": "rank", "given": "given", "vehicle": "vehicle_id", "site": "site_id", "nights": "nights_per_season:.0f",
    "cab °C": "cab_temp_reached_c:.0f", "heaters off then": "heaters_off_then",
}  # fmt: skip
COUNTS = {"lambda by": "air_ratio_by", **{key: key for key in ("rule", "yes", "borderline", "no", "unknown")}}


@answers("fleet", strict="a row was refused, or there is a stop or a warning", json=": the plan, or the difference")
@click.argument("diff", nargs=-1, metavar="[diff PLAN_A PLAN_B]")
@click.option("--vehicles", metavar="FILE", help="Vehicles, CSV or Parquet.")
@click.option("--sites", metavar="FILE", help="Sites where nights are spent.")
@click.option("--routes", metavar="FILE", help="Route points, CSV or Parquet (or a folder); may outgrow the memory.")
@click.option("--profiles", metavar="DIR", help="Folder with heater profiles (default: profiles beside the vehicles).")
@click.option("--policy", metavar="FILE", help="TOML with values of your own; the rest are printed defaults.")
@click.option("--change", "changes", metavar="TEXT", multiple=True, help="What if: plan with it, tell the difference.")
@click.option("--max-kits", type=click.IntRange(0), metavar="N", help="Most kits: who gets them, what the next buy.")
@click.option(
    "--max-moves",
    type=click.IntRange(0),
    metavar="N",
    help="Propose who changes places; else nobody is moved.",
)
@click.option("--weather", metavar="DIR", help="Hourly series: a file named like each site (.csv .parquet .epw .tmy3).")
@click.option("--season", metavar="MM-DD:MM-DD", help="Evenings counted (default: of each site).")
@click.option(
    "--sea-level-pressure",
    type=click.Choice(["refuse", "reduce"]),
    default="refuse",
    help="Pressure of sea level in a series: refuse it, or reduce it to the station by the hour's temperature.",
)
@click.option("--history", metavar="LOG", help="Logbook or table of its heaters: who is due, who stays off.")
@click.option("--on", metavar="DATE", help="Day for which the history is judged (default now).")
@click.option(
    "--out", required=True, type=WrittenFolder(), metavar="DIR", help="Folder for tables, figures, cards and the page."
)
@click.option("--title", default="Fleet plan for altitude", metavar="TEXT", help="Title of the page.")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler for the route points, like tcp://host:8786.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Use so many local Dask workers for the route points.")
@table_options
def command(
    diff: tuple[str, ...], out: str, title: str, profiles: str | None, sea_level_pressure: str, **tables: Any
) -> Answer:
    """Plan a fleet: heaters, sites and routes.

    Use it before the season: which vehicles need altitude compensation, where heat, battery or fuel grade fall short,
    what helps, who goes where and who gets the first kits. Every faulty row is listed with its remedy; the others are
    planned. The heater's own altitude limit always decides. With --history the vehicles whose heater is due for a
    visit this season are listed (heater_id is its name in the log, profile that of its type); a heater that its last
    visit stops stays off.

    \b
    A change is COLUMN = VALUE, COLUMN raised by NUMBER, COLUMN lowered by NUMBER, type NAME = NAME or fuel = NAME,
    for some rows with: where COLUMN >= VALUE and COLUMN = VALUE;
    or moves FILE: with the moves that --max-moves proposed (moves.csv of a plan, or its folder)

    Hourly series (--weather) are counted beside the design night: hours and nights a season below each margin. They
    relax nothing. --map says what their headings hold, as for the other tables; EPW and TMY3 need the extra
    combust[weather].

    \b
    Examples:
      combust fleet --vehicles data/larkfell_fleet/vehicles.csv --sites data/larkfell_fleet/sites.csv --out output/fleet
      combust fleet --vehicles data/larkfell_fleet/vehicles.csv --sites data/larkfell_fleet/sites.csv \\
        --change "type small = large_high where altitude_m >= 1800" --out output/what_if
      combust fleet diff output/fleet output/what_if --out output/difference
      combust fleet --vehicles data/larkfell_fleet/vehicles.csv --sites data/larkfell_fleet/sites.csv \\
        --weather data/larkfell_fleet/weather --season 12-01:02-28 --out output/weather

    \b
    Next: combust site --help      (one heater at one site in full)
    """
    from combust.application.fleet.difference import plan_difference
    from combust.application.fleet.tables import told_at_once
    from combust.edge.logbook.history import heater_log
    from combust.edge.reports.difference_page import prices_of, read_difference, write_difference
    from combust.edge.reports.fleet_page import write_plan
    from combust.edge.tables.fleet import plan_fleet

    if diff:
        if len(diff) != 3 or diff[0] != "diff":
            raise click.UsageError("Write: combust fleet diff PLAN_A PLAN_B --out DIR")
        told = read_difference(*diff[1:])
        return Answer(told, _told(told, out), files={out: partial(write_difference, told)})
    for name in ("vehicles", "sites"):
        if not tables[name]:
            raise click.UsageError(f"Missing option '--{name}'.")
    folder = profiles or Path(tables["vehicles"]).parent / "profiles"
    add_up = partial(_add_up, tables.pop("scheduler"), tables.pop("workers"))
    changes, log, day = tables.pop("changes"), tables.pop("history"), tables.pop("on")
    seen = {"weather": tables.pop("weather"), "season": tables.pop("season")}
    seen["reduce_pressure"] = sea_level_pressure == "reduce"
    tables["log"] = heater_log(log, on=day) if log else None
    refuse_folder(out, (text.strip().partition(" ")[2] for text in changes if text.strip().startswith("moves ")))
    plan = plan_fleet(**tables, **seen, profiles=folder, add_up=add_up, changes=changes)
    files: dict[str, Callable[[str], object]] = {out: partial(write_plan, plan, title=title)}
    text = f"{_text(plan)}\n\nThe page: {Path(out) / 'plan.html'}\nTables, figures and driver cards stand beside it."
    if changes:
        before = plan_fleet(**tables, profiles=folder, add_up=add_up, with_assignment=False)
        priced = (prices_of(before.assumptions), prices_of(plan.assumptions))
        told = plan_difference(before.vehicles, plan.vehicles, priced)
        files = {out: partial(_write_both, plan, told, title)}
        text = f"{_told(told, out)}\n\n{text}"
    first = told_at_once(plan.faults).sort_values("code", key=lambda codes: codes != "duplicate", kind="stable")
    faults = [
        f"{row.severity}: {row.table} row{'s' if row.count > 1 else ''} {row.row}: {row.text}"
        + (f" ({row.count} rows)" if row.count > 1 else "")
        for row in first.itertuples(index=False)
    ]  # doubles stand first, they are never cut off
    more = (
        [f"… and {many(len(faults) - SHOWN_FAULTS, 'more kind')} of faults in faults.csv"]
        if len(faults) > SHOWN_FAULTS
        else []
    )
    return Answer(
        plan,
        text,
        notes=[
            *(f"warning: {text}" for text in plan.weather.warnings),
            *(f"note: {text}" for text in plan.notes),
            *faults[:SHOWN_FAULTS],
            *more,
        ],
        strict=bool(plan.weather.refused) or any(row["refused"] for row in plan.rows.values()),
        files=files,
    )


def _write_both(plan: FleetPlan, told: PlanDifference, title: str, folder: str) -> None:
    from combust.edge.reports.difference_page import write_difference
    from combust.edge.reports.fleet_page import write_plan

    write_plan(plan, folder, title=title)
    write_difference(told, folder)


def _told(difference: PlanDifference, out: str) -> str:
    """Return a difference in words, with its page."""
    rows = text_of_rows(difference.lines()) if difference.lines() else ""
    return "\n\n".join(
        part for part in (difference.opening()[0], rows, f"The page: {Path(out) / 'difference.html'}") if part
    )


def _add_up(scheduler: str | None, workers: int | None, tables: list[Table], uses: list[RouteUse]) -> RouteSums:
    """Return the sums of the route points, in one process or spread over Dask."""
    from combust.edge.tables.fleet import sum_routes

    sum_up: Callable[..., RouteSums] = sum_routes
    if scheduler or workers:
        from combust.edge.tables.dask_workers import sum_routes_dask

        sum_up = partial(sum_routes_dask, scheduler=scheduler, workers=workers)
    return with_progress("Route points", lambda show: sum_up(tables, uses, progress=show))


def _weather_text(weather: Weather) -> list[str]:
    """Return what hourly series count to: hours and nights a season, by decision."""
    from combust.application.fleet.weather import MARGINS, STANDS, hours_and_nights

    if not len(weather.classes):
        return []
    columns = {WEATHER.get(key, key): key for key in ("site_id", "decision", "heater", "vehicles")}
    rows = [
        row | {margin: hours_and_nights(row, margin) for margin in MARGINS}
        for row in weather.classes.to_dict("records")
    ]
    head = f"Weather as it is: hours and nights a season below each margin, the most of any vehicle. {weather.season}."
    table = output.text_of_table({**columns, **{WEATHER[margin]: margin for margin in MARGINS}}, rows)
    return [f"{head} {STANDS}", table]


def _due(plan: FleetPlan) -> list[str]:
    """Return the vehicles that the history of their heaters stops or makes due this season."""
    found = plan.history.rows()
    if not found:
        return []
    rows = [
        {**row, "who": shorten(row["who"], LONGEST_CELL), "reason": shorten(row["reason"], LONGEST_CELL)}
        for row in found[:SHOWN_FAULTS]
    ]
    more = [f"… and {len(found) - SHOWN_FAULTS} more in due.csv"] if len(found) > SHOWN_FAULTS else []
    return ["\n".join(["Due for a visit this season, by the history", output.text_of_table(DUE, rows), *more])]


def _text(plan: FleetPlan) -> str:
    read = [
        f"{name}: {row['read']} read, {row['planned']} planned, {row['refused']} refused"
        for name, row in plan.rows.items()
    ]
    parts = [
        plan.summary,
        "\n".join(read),
        text_of_rows(plan.lines()),
        *_due(plan),
        *_weather_text(plan.weather),
        "Needs a compensation kit, by three rules (the first decides; its yes counts fitted and barred ones too)",
        output.text_of_table(COUNTS, plan.counts.to_dict("records")),
        *_kits(plan),
        *_proposal(plan.assignment),
    ]
    return "\n\n".join(parts)


def _kits(plan: FleetPlan) -> list[str]:
    """Return who gets the kits, and what each next one would buy; nothing where all that need one get one."""
    left = plan.kits[~plan.kits["given"]]
    if left.empty:
        return []
    head = (
        f"Kits: {len(plan.kits)} are needed, {len(plan.kits) - len(left)} are given out: first where fuel and "
        "battery let the heater run, then most nights, then by id"
    )
    rows = plan.kits.assign(given=plan.kits["given"].map({True: "yes", False: "next"})).to_dict("records")
    shown = [row for row in rows if row["given"] == "yes"][:SHOWN_KITS] + rows[len(plan.kits) - len(left) :][
        :SHOWN_KITS
    ]
    more = [f"… all {len(rows)} in kits.csv"] if len(shown) < len(rows) else []
    return [head, "\n".join([output.text_of_table(KITS, shown), *more])]


def _proposal(change: Assignment) -> list[str]:
    """Return the moves that were asked for, apart from the plan."""
    if not len(change.aims):
        return [change.note]
    moves, kits = many(len(change.moves), "move"), many(change.kits_after, "kit")
    head = (
        f"A proposal, not in the sums above: {moves} would bring the heaters off from {change.off_before} "
        f"(kits fitted, nobody moved) to {change.off_after}, with {change.kits_before} and {kits}. "
        f'To plan with them: --change "moves PLAN", the folder of this plan. {change.note}'
    )
    return [head, output.text_of_table(AIMS, change.aims.to_dict("records"))]
