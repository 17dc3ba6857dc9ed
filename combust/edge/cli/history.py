"""``combust history``: heaters over the winters from a logbook or a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from combust.application.history.fleet_history import FleetHistory
from combust.application.history.heater_history import HeaterHistory
from combust.domain.heater import Heater
from combust.domain.result import text_of_rows
from combust.domain.safety import Safety, of_all
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import instrument_option, table_options
from combust.edge.cli.output import text_of_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from combust.edge.tables.table_map import TableMap


_NOISE = "Scatter of a visit, 1 sd, believed as it stands (default: from the visits) [%]."


@click.command("history", short_help="Follow heaters over the winters: drift or step, crossing date, next visit.")
@click.argument("log", metavar="LOG")
@click.option("--heater", "profiles", multiple=True, metavar="FILE", help="Heater profile; give it again for a fleet.")
@click.option("--fleet", "whole", is_flag=True, help="All heaters of the log, the one at highest risk first.")
@click.option("--stage", metavar="NAME", help="Heat stage (default the one with most readings).")
@click.option(
    "--visit-noise",
    "visit_noise_pct",
    type=float,
    metavar="PCT",
    help="Scatter of a visit, 1 sd, believed as it stands (default estimated) [%].",
)
@click.option("--today", metavar="DATE", help="Day of the question (default the day it is).")
@instrument_option
@table_options
@answers(strict="", figure="Draw the history (.png or .svg); of a fleet, the first heater.")
def command(
    log: str,
    profiles: tuple[str, ...],
    whole: bool,
    mapping: TableMap,
    instrument_class: str | None,
    **options: Any,
) -> Answer:
    """Follow heaters over the winters: drift or step, crossing date, next visit.

    Use it before each winter. LOG is a logbook, or a CSV with the keys of the glossary and perhaps a column event
    (repair, rezero, swap). Every lambda is brought to reference air and the heater's own fuel first; the scatter of a
    visit comes from the visits themselves. The smallest drift that these visits could find is told.

    \b
    Example:
      combust history data/larkfell_winters.csv --heater data/heaters/heater-0107.toml

    \b
    Next: combust site --help      (what the place does to a heater)
    """
    from combust.edge.logbook.history import drift_history, fleet_drift_history, read_log

    heaters = [Heater.load(path) for path in profiles]
    options["instrument"] = instrument_class
    entries = read_log(log, mapping)
    if whole or len(heaters) != 1:
        fleet = fleet_drift_history(entries, heaters, **options)
        found: FleetHistory | HeaterHistory = fleet
        first = fleet.heaters[0]
        headings = ("heater", "stage", "visits", "lambda", "drift %/a", "drifts", "finds %/a", "risk", "next visit")
        text = text_of_table(headings, [_row(one) for one in fleet.heaters])
    else:
        found = first = drift_history(entries, heaters[0], **options)
        text = text_of_rows(first.lines())
    told = list(found.left_out)
    bare = [str(one.heater_id) for one in getattr(found, "heaters", ()) if one.limit is None]
    if bare:
        told.append(
            f"No risk of {', '.join(bare)}: the lowest lambda stands in the profile. Give it, once for each heater: "
            "--heater FILE"
        )
    safety = of_all([Safety(tuple(entries.stops)), found.safety])

    def draw() -> Figure:
        from combust.edge.figures.timelines import draw_history

        return draw_history(first)

    return Answer(found, text, safety, notes=[f"note: {text}" for text in told], draw=draw)


def _row(one: HeaterHistory) -> tuple[str, ...]:
    drift = "" if one.drift_pct_per_year is None else f"{one.drift_pct_per_year:+.1f}"
    level = f"{one.air_ratio_now:.2f}"
    risk = "unknown" if one.risk_next_winter is None else f"{100 * one.risk_next_winter:.0f} %"
    days = len({point.date for point in one.points})
    verdict = "YES" if one.drifts else "step?" if one.step else "not found"
    smallest = one.smallest_drift_pct_per_year
    return (
        one.heater_id or "",
        one.stage or "",
        str(days),
        level,
        drift,
        verdict,
        "none yet" if smallest is None else f"{smallest:.1f}",
        risk,
        "before it runs" if one.next_visit is None else "now" if one.next_visit <= one.today else str(one.next_visit),
    )
