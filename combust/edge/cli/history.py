"""``combust history``: heaters over the winters from a logbook or a table."""

from __future__ import annotations

from functools import partial
from typing import Any

import click

from combust.application.history.fleet_history import FleetHistory
from combust.application.history.history_result import HeaterHistory
from combust.domain.heater import Heater
from combust.domain.result import shown, text_of_rows
from combust.domain.safety import Safety, of_all
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import TypedFloat, instrument_option, table_options
from combust.edge.cli.output import text_of_table
from combust.edge.figures.timelines import draw_history
from combust.edge.logbook.history import drift_history, fleet_drift_history, read_log
from combust.edge.tables.table_map import TableMap

COLUMNS = {"heater": "heater_id", "stage": "stage", "visits": "visits", "lambda": "air_ratio_now:.2f"} | {
    "drift %/a": "drift_pct_per_year:+.1f",
    "drifts": "verdict",
    "finds %/a": "finds",
    "risk": "risk",
    "next visit": "next",
}


@answers("history", strict="", figure="Draw the history (.png or .svg); of a fleet, the first heater.")
@click.argument("log", metavar="LOG")
@click.option("--heater", "profiles", multiple=True, metavar="FILE", help="Heater profile; give it again for a fleet.")
@click.option("--fleet", "whole", is_flag=True, help="All heaters of the log, the one at highest risk first.")
@click.option("--stage", metavar="NAME", help="Heat stage (default the one with most readings).")
@click.option(
    "--visit-noise",
    "visit_noise_pct",
    type=TypedFloat(),
    metavar="PCT",
    help="Scatter of a visit, 1 sd, believed as it stands (default estimated) [%].",
)
@click.option("--today", metavar="DATE", help="Day of the question (default the day it is).")
@instrument_option
@table_options
def command(log: str, profiles: tuple[str, ...], whole: bool, mapping: TableMap, **options: Any) -> Answer:
    """Follow heaters over winters: drift or step, crossing date, next visit.

    Use it before each winter. LOG is a logbook, or a CSV with the keys of the glossary and perhaps a column event
    (repair, rezero, swap). Every lambda is brought to reference air and the heater's own fuel first; the scatter of a
    visit comes from the visits themselves. The smallest drift that these visits could find is told.

    \b
    Example:
      combust history data/larkfell_winters.csv --heater data/heaters/heater-0107.toml

    \b
    Next: combust site --help      (what the place does to a heater)
    """
    heaters = [Heater.load(path) for path in profiles]
    options["instrument"] = options.pop("instrument_class")
    entries = read_log(log, mapping)
    if whole or len(heaters) != 1:
        fleet = fleet_drift_history(entries, heaters, **options)
        found: FleetHistory | HeaterHistory = fleet
        first = fleet.heaters[0]
        text = text_of_table(COLUMNS, [_row(one) for one in fleet.heaters])
    else:
        found = first = drift_history(entries, heaters[0], **options)
        text = text_of_rows(first.lines())
    notes = [f"note: {text}" for text in found.left_out]
    without_limit = [str(one.heater_id) for one in getattr(found, "heaters", ()) if one.limit is None]
    if without_limit:
        hint = "the lowest lambda stands in the profile. Give it, once for each heater: --heater FILE"
        notes.append(f"note: No risk of {', '.join(without_limit)}: {hint}")
    safety = of_all([Safety(tuple(entries.stops)), found.safety])
    return Answer(found, text, safety, notes=notes, draw=partial(draw_history, first))


def _row(one: HeaterHistory) -> dict[str, Any]:
    risk = one.risk_next_winter
    due = "now" if one.next_visit and one.next_visit <= one.today else str(one.next_visit or "before it runs")
    return {
        **one.to_dict(),
        "visits": len({point.date for point in one.points}),
        "verdict": "YES" if one.drifts else "step?" if one.step else "not found",
        "finds": shown(one.smallest_drift_pct_per_year, ".1f", untold="none yet"),
        "risk": shown(risk and 100.0 * risk, ".0f", "%", untold="unknown"),
        "next": due,
    }
