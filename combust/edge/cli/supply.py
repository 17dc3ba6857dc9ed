"""``combust supply``: voltage at the heater under load, and which cut-out acts first."""

from __future__ import annotations

from typing import Any

import click

from combust.application.safety import told_first
from combust.application.visit.meaning import heater_for
from combust.application.visit.supply import FIELDS, WHERE_FED, supply_check
from combust.data.units import in_our_unit
from combust.domain.heater import Heater
from combust.domain.safety import of_all
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import field_options

NAMES = {
    "open_circuit_v": "--battery",
    "plug_glow_v": "--plug-glow",
    "battery_mohm": "--battery-resistance",
    "area_mm2": "--area",
    "contacts_mohm": "--contacts",
    "glow_a": "--glow-current",
    "run_a": "--run-current",
    "disconnect_delay_s": "--disconnect-delay",
    "cool_down_s": "--cool-down",
    "mean_power_w": "--mean-power",
    "glow_s": "--glow-time",
    "battery_v": "--battery-nominal",
    "battery_ah": "--battery-capacity",
}


@answers("supply")
@click.argument("book", metavar="[BOOK]", required=False)
@click.option("--visit-id", metavar="TEXT", help="Which visit of a BOOK; needed unless one alone is open.")
@field_options(FIELDS.values(), NAMES)
@click.option("--fed", default=WHERE_FED[0], show_default=True, metavar="WORD", help=f"Fed {' or '.join(WHERE_FED)}.")
@click.option("--heater", metavar="FILE", help="Heater profile: fills currents, cut-out and cool-down.")
def command(book: str | None, visit_id: str | None, heater: str | None, fed: str, **given: Any) -> Answer:
    """Tell the voltage at the heater and which cut-out acts first.

    Use it when a heater starts with the engine running but not in the morning, or before a low-voltage disconnect is
    fitted. Measure at the heater's own plug, at glow and at full stage; the battery post says little. What was measured
    there (--plug-glow) goes before what a cable table says. Feet and wire gauge: --length-ft 16, --area-awg 14.
    With a BOOK it takes what was typed at the visit (battery 12.2 plug glow 10.4 cable 5 m area 1.5); an option beside
    it tries another number, such as a thicker cable.

    \b
    Examples:
      combust supply --battery 12.2 --battery-resistance 15 --length 5 --area 1.5 --contacts 20 \\
        --glow-current 10 --run-current 2.5 --cutout 10.5 --disconnect 11.5
      combust supply --battery 12.4 --plug-glow 11.1 --glow-current 10 --cutout 10.5

    \b
    Next: combust start --help     (what a start needs)
    """
    from combust.edge.logbook.keyboard import visit_in

    profile = Heater.load(heater) if heater else None
    if book is None:
        return Answer(supply_check(profile, fed=fed, **given))
    visit = visit_in(book, visit_id)
    tried = {key: value for key, value in given.items() if value is not None}
    instead = {in_our_unit(key, FIELDS)[0] for key in tried}
    taken = {key: value for key, value in visit.supply.items() if key not in instead}
    with told_first(visit.safety):
        found = supply_check(heater_for(visit, profile), fed=fed, **taken, **tried)
    told = ", ".join(f"{key} {value:g} {FIELDS[key].unit}".strip() for key, value in taken.items())
    notes = [f"note: from visit {visit.visit_id}: {told or 'nothing of the supply'}"]
    return Answer(found, safety=of_all([visit.safety, found.safety]), notes=notes)
