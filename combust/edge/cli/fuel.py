"""``combust fuel``: list the fuels, or show one with its sources."""

from __future__ import annotations

import click

from combust import __version__
from combust.domain.catalogue import aliases, get_fuel, load_fuels, shipped_fuels
from combust.domain.fuel import Fuel
from combust.edge.cli import output

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


@click.command("fuel", short_help="List the fuels, or show one with its sources.")
@click.argument("name", required=False)
@click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
@click.option("--template", is_flag=True, help="Print a TOML file to start your own fuels from.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(name: str | None, fuels_file: str | None, template: bool, as_json: bool) -> None:
    """List the fuels, or show one with its sources.

    Use it to see what air a fuel needs, what CO2 it can give and where the numbers come from. NAME may be a formula
    per carbon atom.

    \b
    Examples:
      combust fuel
      combust fuel diesel_b7
      combust fuel CH1.86O0.007 --json

    \b
    Next: combust reading --help   (use its name with --fuel)
    """
    if template:
        click.echo(TEMPLATE, nl=False)
        return
    catalogue = load_fuels(fuels_file) if fuels_file else None
    if name is not None:
        _show(get_fuel(name, catalogue=catalogue), as_json)
        return
    fuels = {**shipped_fuels(), **(catalogue or {})}
    if as_json:
        rows = [found.to_dict() for found in fuels.values()]
        output.say_json({"fuels": rows, "aliases": aliases(), "version": __version__})
        return
    headings = ("name", "formula", "air kg/kg", "CO2 max %", "net MJ/kg", "kg/m3", "what it is")
    output.say_table(headings, [_row(found) for found in fuels.values()])
    for alias, target in aliases().items():
        click.echo(f"{alias} stands for {target}")


def _row(found: Fuel) -> tuple[str, ...]:
    facts = found.to_dict()
    density = "unknown" if found.density_kg_per_m3 is None else f"{found.density_kg_per_m3:.0f}"
    return (
        found.name,
        found.formula,
        f"{facts['stoichiometric_air_kg_per_kg']:.2f}",
        f"{found.co2_maximum_pct:.1f}",
        f"{found.net_heating_value_mj_per_kg:.2f}",
        density,
        found.label,
    )


def _show(found: Fuel, as_json: bool) -> None:
    facts = found.to_dict()
    if as_json:
        output.say_json({**facts, "version": __version__})
        return
    provenance = facts.pop("provenance")
    labels = [(key, f"{value:.5g}" if isinstance(value, float) else str(value)) for key, value in facts.items()]
    output.say_lines(labels)
    if isinstance(provenance, dict):
        output.say_lines([(f"source of {key}", text) for key, text in provenance.items()])
