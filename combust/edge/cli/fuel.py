"""``combust fuel``: list the fuels, or show one with its sources."""

from __future__ import annotations

from typing import Any

import click

from combust.data.told import text_of_rows
from combust.domain.catalogue import Catalogue, aliases, get_fuel, shipped_fuels
from combust.domain.fuel import Fuel
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import fuels_option
from combust.edge.cli.output import text_of_table

TEMPLATE = """\
# Fuels of your own: give this file with --fuels. A value may be a bare number or carry its source.
[fuel.winter_diesel]
label = "winter diesel, batch 7"
family = "diesel"
formula = { value = "CH1.90", source = "the supplier's analysis", status = "read" }
h_c_u = 0.03                 # spread of H/C between batches
net_heating_value = 43.0     # MJ/kg; left out: estimated from the formula
density = 820.0              # kg/m3 at 15 degrees Celsius
expansion = 8.3e-4           # 1/K

[mixture.my_blend]
by = "volume"                # mass, volume or mole
parts = { diesel_b0 = 0.8, biodiesel_b100 = 0.2 }
"""
COLUMNS = (
    {"name": "name", "formula": "formula", "air kg/kg": "stoichiometric_air_kg_per_kg:.2f"}
    | {"CO2 max %": "co2_maximum_pct:.1f", "net MJ/kg": "net_heating_value_mj_per_kg:.2f"}
    | {"kg/m3": "density_kg_per_m3:.0f", "what it is": "label"}
)


@answers("fuel", strict="")
@click.argument("name", required=False)
@fuels_option
@click.option("--template", is_flag=True, help="Print a TOML file to start your own fuels from.")
def command(name: str | None, catalogue: Catalogue | None, template: bool) -> Answer:
    """List the fuels, or show one with its sources.

    Use it to see what air a fuel needs, what CO2 it can give and where the numbers come from. NAME may be a formula
    per carbon atom, or a blend. No plugging point in the cold is told: that of a blend does not follow from its parts.

    \b
    Examples:
      combust fuel
      combust fuel diesel_b7
      combust fuel CH1.86O0.007 --json
      combust fuel "0.8 diesel_b7 + 0.2 kerosene by volume"

    \b
    Next: combust reading --help   (use its name with --fuel)
    """
    if template:
        return Answer({"template": TEMPLATE}, TEMPLATE.rstrip("\n"))
    if name is not None:
        return _one(get_fuel(name, catalogue=catalogue))
    fuels = {**shipped_fuels(), **(catalogue or {})}
    rows = [found.to_dict() for found in fuels.values()]
    alike = [f"{alias} stands for {target}" for alias, target in aliases().items()]
    return Answer({"fuels": rows, "aliases": aliases()}, "\n".join([text_of_table(COLUMNS, rows), *alike]))


def _one(found: Fuel) -> Answer:
    facts: dict[str, Any] = found.to_dict()
    rows = [
        (key, f"{value:.5g}" if isinstance(value, float) else str(value))
        for key, value in facts.items()
        if key != "provenance"
    ]
    sources = [(f"source of {key}", text) for key, text in facts["provenance"].items()]
    return Answer(facts, "\n".join(filter(None, [text_of_rows(rows), text_of_rows(sources)])))
