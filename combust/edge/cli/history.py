"""``combust history``: heaters over the winters from a logbook or a table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.application.history.heater_history import HeaterHistory
from combust.domain.heater import Heater
from combust.domain.safety import Safety, of_all
from combust.edge.cli import output
from combust.edge.cli.options import table_options

if TYPE_CHECKING:
    from combust.edge.tables.table_map import TableMap


@click.command("history", short_help="Follow heaters over the winters: drift, crossing date, next visit.")
@click.argument("log", metavar="LOG")
@click.option("--heater", "profiles", multiple=True, metavar="FILE", help="Heater profile; give it again for a fleet.")
@click.option("--fleet", "whole", is_flag=True, help="All heaters of the log, the one at highest risk first.")
@click.option("--stage", metavar="NAME", help="Heat stage (default the one with most readings).")
@click.option("--visit-noise", "visit_noise_pct", type=float, metavar="PCT", help="Scatter of a visit, 1 sd [%].")
@click.option("--instrument-class", "instrument", metavar="NAME", help="Analyser class or a .toml file of yours.")
@click.option("--figure", metavar="FILE", help="Draw the history (.png or .svg); of a fleet, the first heater.")
@table_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    log: str,
    profiles: tuple[str, ...],
    whole: bool,
    stage: str | None,
    visit_noise_pct: float | None,
    instrument: str | None,
    figure: str | None,
    mapping: TableMap,
    as_json: bool,
) -> None:
    """Follow heaters over the winters: drift, crossing date, next visit.

    Use it before each winter. LOG is a logbook, or a CSV with the keys of the glossary and perhaps a column event
    (repair, rezero, swap). Every lambda is brought to reference air first.

    \b
    Example:
      combust history data/larkfell_winters.csv --heater data/heaters/heater-0107.toml

    \b
    Next: combust site --help      (what the place does to a heater)
    """
    from combust.edge.logbook.history import drift_history, fleet_drift_history, read_log

    heaters = [Heater.load(path) for path in profiles]
    options: dict[str, Any] = {"stage": stage, "visit_noise_pct": visit_noise_pct, "instrument": instrument}
    entries = read_log(log, mapping)
    past = Safety(tuple(entries.stops))
    if whole or len(heaters) != 1:
        found = fleet_drift_history(entries, heaters, **options)
        first, told, safety = found.heaters[0], found.left_out, of_all([past, found.safety])
        output.tell_safety(safety, as_json=as_json)
        if as_json:
            output.say_json(found.to_dict())
        else:
            headings = ("heater", "stage", "visits", "lambda", "drift %/a", "drifts", "risk", "next visit")
            output.say_table(headings, [_row(one) for one in found.heaters])
        bare = [str(one.heater_id) for one in found.heaters if one.risk_next_winter is None]
        if bare:
            told = (
                *told,
                f"No risk of {', '.join(bare)}: the lowest lambda stands in the profile. Give it, once for "
                "each heater: --heater FILE",
            )
    else:
        first = drift_history(entries, heaters[0], **options)
        told, safety = first.left_out, of_all([past, first.safety])
        output.tell_safety(safety, as_json=as_json)
        if as_json:
            output.say_json(first.to_dict())
        else:
            output.say_lines(first.lines())
    for text in told:
        click.echo(f"note: {text}", err=True)
    output.tell_rest(safety)
    if figure:
        from combust.edge.figures.style import save
        from combust.edge.figures.timelines import draw_history

        save(draw_history(first), figure)
        click.echo(f"Figure: {Path(figure)}", err=True)


def _row(one: HeaterHistory) -> tuple[str, ...]:
    drift = "" if one.drift_pct_per_year is None else f"{one.drift_pct_per_year:+.1f}"
    level = "" if one.air_ratio_now is None else f"{one.air_ratio_now:.2f}"
    risk = "unknown" if one.risk_next_winter is None else f"{100 * one.risk_next_winter:.0f} %"
    days = len({point.date for point in one.points})
    verdict = "YES" if one.drifts else "not found"
    return (one.heater_id or "", one.stage or "", str(days), level, drift, verdict, risk, str(one.next_visit or ""))
