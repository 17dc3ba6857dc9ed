"""``combust supply``: voltage at the heater under load, and which cut-out acts first."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from combust.application.visit.supply import FIELDS, WHERE_FED, supply_check
from combust.domain.heater import Heater
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import field_options

MEANINGS = {
    "open_circuit_v": ("--battery", "Battery at rest, nothing switched on"),
    "plug_glow_v": ("--plug-glow", "Measured at the heater's plug while it glows"),
    "battery_mohm": ("--battery-resistance", "Inner resistance of the battery"),
    "length_m": ("--length", "Cable from battery to heater, one way"),
    "area_mm2": ("--area", "Cross-section of one conductor"),
    "contacts_mohm": ("--contacts", "Fuse, plugs and terminals together"),
    "cable_temp_c": ("--cable-temp", "Temperature of the cable"),
    "glow_a": ("--glow-current", "Current while the glow element is on"),
    "run_a": ("--run-current", "Current while running"),
    "cutout_v": ("--cutout", "Voltage at the heater at which it switches itself off"),
    "controller_cutout_v": ("--controller-cutout", "Battery voltage at which the controller sends OFF"),
    "disconnect_v": ("--disconnect", "Battery voltage at which the vehicle takes the power away"),
    "disconnect_delay_s": ("--disconnect-delay", "Time between its warning and the cut"),
    "cool_down_s": ("--cool-down", "Run-on that must not be cut"),
    "mean_power_w": ("--mean-power", "Mean electric power of a night"),
    "hours": ("--hours", "Running time of a night"),
    "starts": ("--starts", "Starts in a night"),
    "glow_s": ("--glow-time", "Glow in one start"),
    "battery_v": ("--battery-nominal", "Nominal voltage of the battery"),
    "battery_ah": ("--battery-capacity", "Nominal capacity"),
    "battery_temp_c": ("--battery-temp", "Temperature of the battery"),
    "usable_share": ("--usable-share", "Share of the capacity that may be used"),
}


NUMBERS = [replace(FIELDS[key], meaning=meaning) for key, (_, meaning) in MEANINGS.items()]


@answers("supply")
@field_options(NUMBERS, {key: name for key, (name, _) in MEANINGS.items()})
@click.option("--fed", default=WHERE_FED[0], show_default=True, metavar="WORD", help=f"Fed {' or '.join(WHERE_FED)}.")
@click.option("--heater", metavar="FILE", help="Heater profile: fills currents, cut-out and cool-down.")
def command(heater: str | None, fed: str, **given: Any) -> Answer:
    """Tell the voltage at the heater and which cut-out acts first.

    Use it when a heater starts with the engine running but not in the morning, or before a low-voltage disconnect is
    fitted. Measure at the heater's own plug, at glow and at full stage; the battery post says little. What was measured
    there (--plug-glow) goes before what a cable table says. Feet and wire gauge: --length-ft 16, --area-awg 14.

    \b
    Examples:
      combust supply --battery 12.2 --battery-resistance 15 --length 5 --area 1.5 --contacts 20 \\
        --glow-current 10 --run-current 2.5 --cutout 10.5 --disconnect 11.5
      combust supply --battery 12.4 --plug-glow 11.1 --glow-current 10 --cutout 10.5

    \b
    Next: combust start --help     (what a start needs)
    """
    return Answer(supply_check(Heater.load(heater) if heater else None, fed=fed, **given))
