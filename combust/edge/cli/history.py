"""``combust history``: heaters over the winters from a logbook or a table."""

from __future__ import annotations

from functools import partial
from typing import Any

import click

from combust.application.history.fleet_history import FleetHistory
from combust.application.history.history_result import HeaterHistory
from combust.data.told import text_of_rows
from combust.domain.result import many, shown
from combust.domain.safety import Safety, of_all
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import TypedFloat, instrument_option, table_options
from combust.edge.cli.output import text_of_table
from combust.edge.figures.timelines import draw_history
from combust.edge.logbook.history import drift_history, fleet_drift_history, read_log
from combust.edge.logbook.profiles import read_profiles
from combust.edge.tables.table_map import TableMap

COLUMNS = {"heater": "heater_id", "next visit": "when_due", "risk": "risk_words", "lambda": "air_ratio_now:.2f"} | {
    "band": "band",
    "drifts": "verdict",
    "drift %/a": "drift_pct_per_year:+.1f",
    "finds %/a": "finds",
    "visits": "visits",
    "last visit": "last_visit",
    "ago": "age",
}
RISK = "risk: of 100 readings of such heaters on {}, so many would lie outside the band of lambda (rich: below it)"


@answers("history", strict="", figure="Draw the history (.png or .svg); of a fleet, the worst heater.")
@click.argument("log", metavar="LOG")
@click.option(
    "--heater", "profiles", multiple=True, metavar="PATH", help="Heater profile, or a folder of them, one heater each."
)
@click.option("--fleet", "whole", is_flag=True, help="All heaters of the log and of the profiles, the worst first.")
@click.option("--stage", metavar="NAME", help="Heat stage (default the one with most readings).")
@click.option(
    "--visit-noise",
    "visit_noise_pct",
    type=TypedFloat(),
    metavar="PCT",
    help="Scatter of a visit, 1 sd, believed as it stands (default estimated) [%].",
)
@click.option("--on", metavar="DATE", help="Day that is asked about (default now), also one to come.")
@instrument_option
@table_options
def command(log: str, profiles: tuple[str, ...], whole: bool, mapping: TableMap, **options: Any) -> Answer:
    """Follow heaters over winters: drift or step, risk now, next visit.

    Use it before each winter. LOG is a logbook, or a CSV with the keys of the glossary and perhaps a column event
    (repair, rezero, swap) or serial. Every lambda is brought to reference air and the heater's own fuel first; the
    scatter of a visit comes from the visits themselves. The smallest drift that these visits could find is told.

    Risk is the chance that one reading on the day that is asked about would lie outside the band of the profile, too
    rich or too lean: the line, how fast heaters may drift, and the scatter of a visit are in it. A heater whose last
    visit holds a stop condition is never only due: it stays off.

    \b
    Examples:
      combust history data/larkfell_winters.csv --heater data/heaters/heater-0107.toml
      combust history data/larkfell_winters.csv --fleet --heater data/heaters --on 2027-01-15

    \b
    Next: combust fleet --help      (--history: what is due stands in the plan)
    """
    heaters, told = read_profiles(profiles)
    options["instrument"] = options.pop("instrument_class")
    entries = read_log(log, mapping)
    if whole or len(heaters) != 1:
        fleet = fleet_drift_history(entries, heaters, **options)
        found: FleetHistory | HeaterHistory = fleet
        first = fleet.heaters[0]
        table = text_of_table(COLUMNS, [_row(one) for one in fleet.heaters])
        text = f"{fleet.summary}\n\n{table}\n\n{RISK.format(fleet.on)}"
        told += _of_fleet(fleet)
    else:
        found = first = drift_history(entries, heaters[0], **options)
        text = text_of_rows(first.lines())
    notes = [f"note: {text}" for text in (*told, *found.left_out)]
    safety = of_all([Safety((*entries.stops, *found.safety.findings))])  # in one: each heater keeps its line
    return Answer(found, text, safety, notes=notes, draw=partial(draw_history, first))


def _of_fleet(fleet: FleetHistory) -> list[str]:
    """Return what is told of heaters that stand alone: a profile without visits, visits without a profile."""
    told = [f"{name} is not followed: {one.why}" for name, one in fleet.not_followed.items()]
    if fleet.without_visits:
        told.append(f"No visit of {', '.join(fleet.without_visits)} in the log, only a profile.")
    told += [f"Of {name} {many(count, 'row')}, and all refused." for name, count in fleet.refused.items()]
    if fleet.without_profile:
        hint = "the lowest lambda stands in the profile. Give it, once for each heater: --heater FILE, or a folder"
        told.append(f"No risk of {', '.join(fleet.without_profile)}: {hint}")
    return told


def _row(one: HeaterHistory) -> dict[str, Any]:
    return {
        **one.to_dict(),
        "when_due": one.when_due,
        "risk_words": one.risk_words,
        "band": "none" if one.limit is None else f"{one.limit:.2f}-" + (f"{one.highest:.2f}" if one.highest else ""),
        "verdict": "YES" if one.drifts else "step?" if one.step else "not found",
        "finds": shown(one.smallest_drift_pct_per_year, ".1f", untold="none yet"),
        "visits": len({point.date for point in one.points}),
        "last_visit": str(one.last_visit),
        "age": one.age,
    }
