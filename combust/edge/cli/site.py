"""``combust site``: what the air at a site does to a heater."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from combust.application.heater.baseline import healthy_stage
from combust.application.heater.healthy import HealthyStage
from combust.application.site.effect import AIMS, site_effect
from combust.application.site.effect_result import SiteEffect
from combust.application.site.findings import RowLimits
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, check_fields
from combust.data.units import in_our_unit
from combust.data.vocabulary import quantity
from combust.domain.catalogue import get_fuel, load_fuels
from combust.domain.heater import Heater
from combust.domain.limits import finding
from combust.domain.pump import on_fuel
from combust.domain.reading import check_values
from combust.domain.safety import calculation
from combust.domain.site import Site
from combust.edge.cli import output
from combust.edge.cli.options import quantity_options, stops_of_refused, table_options, values_of, worst_of

AIR = ("altitude_m", "pressure_hpa", "intake_temp_c", "humidity_pct")
INLETS = ("fuel_temp_c", "air_in_temp_c")
READING = (
    "o2_dry_pct",
    "co2_dry_pct",
    "co2_origin",
    "co_dry_ppm",
    "o2_wet_pct",
    "location",
    "probe_leak_test",
    "cab_co_in_ppm",
    "cab_co_out_ppm",
)
SPREADS = ("repeats", "o2_repeat_sd_pct", "co2_repeat_sd_pct", "co_repeat_sd_ppm")
FIGURES = (".png", ".svg")
GASES = ("o2_dry_pct", "co2_dry_pct", "o2_wet_pct", "co_dry_ppm", "cab_co_in_ppm")  # what makes it a reading
NUMBERS = {
    "air_ratio": Field("air_ratio", meaning="lambda"),
    "air_ratio_u": Field("air_ratio_u", meaning="standard uncertainty of lambda"),
    "useful_heat_kw": Field("useful_heat_kw", meaning="useful heat", unit="kW"),
    **AIMS,
    **{f"reference_{key}": replace(quantity(key), key=f"reference_{key}") for key in AIR},
}


@click.command("site", short_help="Tell what the air at a site does to a heater.")
@quantity_options((*AIR, *INLETS))
@click.option("--heater", metavar="FILE", help="Heater profile (TOML). Or give --fuel and --air-ratio.")
@click.option("--stage", metavar="NAME", help="Heat stage of the profile (default: the one with most fuel).")
@click.option("--fuel", metavar="NAME", help="Fuel: without a profile, or in the tank instead of the profile's.")
@click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
@click.option("--air-ratio", metavar="LAMBDA", help="Lambda at the reference air, when there is no profile.")
@click.option("--air-ratio-u", metavar="LAMBDA", help="Its standard uncertainty: half of what stands behind ± at 95 %.")
@click.option("--reference-altitude", "reference_altitude_m", metavar="M", help="Height the lambda belongs to [m].")
@click.option("--reference-pressure", "reference_pressure_hpa", metavar="HPA", help="Pressure it belongs to [hPa].")
@click.option("--reference-temp", "reference_intake_temp_c", metavar="C", help="Intake air it belongs to [°C].")
@click.option("--reference-humidity", "reference_humidity_pct", metavar="PCT", help="Humidity it belongs to [%].")
@click.option("--minimum-air-ratio", metavar="LAMBDA", help="Lowest lambda accepted (default: profile, else 1.3).")
@click.option("--keep-air-ratio", metavar="LAMBDA", help="Lambda the trims aim at (default: the baseline's).")
@click.option(
    "--useful-heat", "useful_heat_kw", metavar="KW", help="Useful heat at the baseline, without a profile [kW]."
)
@quantity_options(READING)
@click.option("--table", metavar="FILE", help="Write the derating over height and temperature (.csv).")
@click.option("--figure", metavar="FILE", help="Draw that table as a map (.png or .svg).")
@click.option("--ceiling-figure", metavar="FILE", help="Draw the highest site against temperature (.png or .svg).")
@click.option("--points", metavar="FILE", help="Derate points, CSV or Parquet (or a folder of it): altitude_m, temp_c.")
@click.option("--points-out", metavar="FILE", help="Where the derated points go, .parquet (with Dask: a folder).")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler for --points, like tcp://host:8786.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Use so many local Dask workers for --points.")
@table_options
@click.option("--out", metavar="FILE", help="Write the JSON object to a file as well.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--strict", is_flag=True, help="End with exit code 4 when there is a stop or a warning.")
def command(**options: Any) -> None:
    """Tell what the air at a site does to a heater.

    Use it before a heater goes up a mountain, or beside a reading taken there: lambda three ways, the O2 to expect,
    both trims with their limits, heat, the highest site. Give the reading with --o2-dry to hear whether the site
    explains it. Feet, °F and inHg: --altitude-ft, --intake-temp-f, --pressure-inhg. The unit's own altitude limit
    always decides.

    \b
    Example:
      combust site --altitude 2000 --intake-temp 0 --fuel diesel --air-ratio 1.6 --reference-temp 20

    \b
    Next: combust fleet --help     (the same for every vehicle)
    """
    with stops_of_refused(
        {key: given for key, given in options.items() if given and in_our_unit(key, READING)[0] in READING}
    ):
        stage, at_site = _arguments(options)
        if options["points"]:
            _points(options, healthy_stage(**stage))
            return
        effect = site_effect(**stage, **at_site)
    output.say_result(effect, as_json=options["as_json"])
    if options["out"]:
        output.write_text(options["out"], output.json_text(effect) + "\n")
    _write_maps(options, healthy_stage(**stage), effect)
    output.leave_strict(options["strict"], effect.findings)


def _arguments(options: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the arguments of healthy_stage and the further ones of site_effect; every fault is told at once."""
    _check_names(options)
    numbers, refused = check_fields({key: options[key] for key in NUMBERS}, NUMBERS, gaps=False)
    known = {key: quantity(key) for key in (*AIR, *INLETS, *READING)}
    checked, faults = _quantities({key: given for key, given in options.items() if in_our_unit(key, known)[0] in known})
    faults = [*(fault for _, fault in refused), *faults, *_missing(options, None if faults else checked)]
    if faults:
        raise CombustError(faults)
    reading = {key: checked[key] for key in (*READING, *SPREADS) if key in checked}
    at_site = {
        "site": None if options["points"] else Site(**{key: checked[key] for key in AIR if key in checked}),
        "reading": reading if any(key in reading for key in GASES) else None,
        **{key: value for key, value in {**checked, **numbers}.items() if key in (*INLETS, *AIMS)},
    }
    return _stage(options, numbers), at_site


def _missing(options: dict[str, Any], checked: dict[str, Any] | None) -> Iterator[Fault]:
    """Yield what is missing; ``checked`` is None where quantities were refused."""
    if checked is not None and not options["points"]:
        if "intake_temp_c" not in checked:
            hint = "Give the air at the combustion-air intake in °C, it counts as much as height: --intake-temp 0."
            yield Fault("intake_temp_c", None, "missing", why="is missing", hint=hint)
        if not {"altitude_m", "pressure_hpa"} & set(checked):
            hint = "Give one, in m or hPa: combust site --altitude 2000 --intake-temp 0 --heater PROFILE.toml"
            yield Fault("altitude_m", None, "missing", why="is missing, and so is the pressure", hint=hint)
    if not options["heater"] and not options["fuel"]:
        hint = "Give --heater PROFILE.toml, or --fuel NAME with --air-ratio LAMBDA."
        yield Fault("heater", None, "missing", why="is missing, and so is the fuel", hint=hint)
    if options["points"] and not options["points_out"]:
        hint = "Say where the points go: --points-out FILE."
        yield Fault("points_out", None, "missing", why="is missing", hint=hint)


def _quantities(given: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """Return (acceptable quantities, repeats as their mean; faults)."""
    try:
        return check_values(values_of(given))
    except CombustError as error:
        return check_values(worst_of(given))[0], list(error.faults)


def _check_names(options: dict[str, Any]) -> None:
    """Refuse names of files to write that are none, before anything is computed."""
    for key, endings in (("table", (".csv",)), ("figure", FIGURES), ("ceiling_figure", FIGURES), ("out", ())):
        if options[key] is not None:
            output.writable_name(options[key], endings)


def _stage(options: dict[str, Any], numbers: dict[str, Any]) -> dict[str, Any]:
    """Return the arguments of healthy_stage: of a profile and the fuel in its tank, or of a fuel with lambda."""
    catalogue = load_fuels(options["fuels_file"]) if options["fuels_file"] else None
    fuel = get_fuel(options["fuel"], catalogue=catalogue) if options["fuel"] else None
    if options["heater"]:
        heater = Heater.load(options["heater"], catalogue=catalogue)
        return {"heater_or_fuel": heater if fuel is None else on_fuel(heater, fuel), "stage": options["stage"]}
    reference = {key: numbers[f"reference_{key}"] for key in AIR if f"reference_{key}" in numbers}
    return {
        "heater_or_fuel": fuel,
        "reference": Site(**reference) if reference else None,
        **{key: numbers[key] for key in ("air_ratio", "air_ratio_u", "useful_heat_kw") if key in numbers},
    }


def _write_maps(options: dict[str, Any], base: HealthyStage, effect: SiteEffect) -> None:
    if options["table"]:
        from combust.application.site.derating import derating_table

        output.write_text(options["table"], derating_table(base).to_csv(index=False, float_format="%.5g"))
    if options["figure"] or options["ceiling_figure"]:
        from combust.edge.figures.altitude import draw_ceiling, draw_derating
        from combust.edge.figures.style import save

        for key, draw in (("figure", draw_derating), ("ceiling_figure", draw_ceiling)):
            if options[key]:
                name = effect.heater_id or base.fuel.name
                save(draw(base, minimum=effect.minimum_air_ratio, name=name), options[key])
    for key in ("table", "figure", "ceiling_figure"):
        if options[key]:
            click.echo(f"Written: {options[key]}", err=True)


def _points(options: dict[str, Any], base: HealthyStage) -> None:
    """Derate a table of points, in one process or on Dask."""
    from combust.edge.cli.progress import with_progress
    from combust.edge.tables.points import derate_points

    out, chosen = Path(options["points_out"]), {key: options[key] for key in ("scheduler", "workers", "mapping")}
    derate = partial(derate_points, options["points"], out, base.surface, limits=RowLimits.of(base), **chosen)
    counts = with_progress("Points", lambda show: derate(progress=show))
    stops = [finding("points_off", count=counts.off, rows=counts.rows)] if counts.off else []
    safety = calculation(*stops)
    output.tell_safety(safety, as_json=options["as_json"])
    facts = {
        "safety": safety.to_dict(),
        "rows": counts.rows,
        "with_lambda": counts.with_lambda,
        "without": counts.without,
        "out": str(out),
    }
    if options["as_json"]:
        output.say_json(facts)
    else:
        click.echo(
            f"{counts.rows} points: {counts.with_lambda} told, {counts.without} without a number or outside the bands."
        )
        output.tell_notes(counts.why)
        click.echo(f"Results: {out}")
    output.tell_rest(safety)
    sys.stderr.flush()
    output.leave_strict(options["strict"], safety.findings)
