"""``combust site``: what the air at a site does to a heater."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import click

from combust.application.heater.baseline import healthy_stage
from combust.application.heater.healthy import HealthyStage
from combust.application.safety import gasoline_stops
from combust.application.site.derating import derating_table
from combust.application.site.effect import AIMS, site_effect
from combust.application.site.findings import RowLimits
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, check_fields, is_missing
from combust.data.units import in_our_unit
from combust.data.vocabulary import quantity
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.heater import Heater
from combust.domain.limits import finding
from combust.domain.pump import on_fuel
from combust.domain.reading import WORTH_TELLING
from combust.domain.result import many
from combust.domain.safety import calculation
from combust.domain.site import Site
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import FIGURE, Written
from combust.edge.cli.options import (
    check_options,
    field_options,
    fuels_option,
    quantity_options,
    table_options,
    units_option,
)
from combust.edge.cli.progress import with_progress

AIR = ("altitude_m", "pressure_hpa", "intake_temp_c", "humidity_pct")
INLETS = ("fuel_temp_c", "air_in_temp_c")
CAB = ("cab_co_in_ppm", "cab_co_out_ppm")
FLUE_GAS = ("o2_dry_pct", "co2_dry_pct", "co2_origin", "co_dry_ppm", "o2_wet_pct", "location", "probe_leak_test")
REFERENCE = {f"reference_{key}": key for key in AIR}
# What stands in for a profile.
BASELINE = {
    "air_ratio": Field("air_ratio", meaning="lambda at the reference air"),
    "air_ratio_u": Field("air_ratio_u", meaning="its standard uncertainty: half of what stands behind ± at 95 %"),
    "useful_heat_kw": Field("useful_heat_kw", meaning="useful heat at that lambda", unit="kW"),
    **{
        name: replace(quantity(key), key=name, meaning=f"reference air: {quantity(key).meaning}")
        for name, key in REFERENCE.items()
    },
}


@answers(
    "site",
    figure="Draw the derating over height and temperature as a map (.png or .svg).",
    out=True,
    strict="there is a stop or a warning, in a row of a table too",
)
@quantity_options((*AIR, *INLETS))
@click.option("--heater", metavar="FILE", help="Heater profile (TOML). Or give --fuel and --air-ratio.")
@click.option("--stage", metavar="NAME", help="Heat stage of the profile (default: the one with most fuel).")
@click.option("--fuel", metavar="NAME", help="Fuel: without a profile, or in the tank instead of the profile's.")
@fuels_option
@field_options(BASELINE.values(), {"reference_intake_temp_c": "--reference-temp"})
@field_options(AIMS.values())
@quantity_options((*FLUE_GAS, *CAB))
@click.option(
    "--table",
    type=Written(".csv", own=("safety",)),
    metavar="FILE",
    help="Write the derating over height and temperature (.csv).",
)
@click.option(
    "--ceiling-figure",
    type=FIGURE,
    metavar="FILE",
    help="Draw the highest site against temperature (.png or .svg).",
)
@click.option("--points", metavar="FILE", help="Derate points, CSV or Parquet (or a folder of it): altitude_m, temp_c.")
@click.option(
    "--points-out",
    type=Written(own=("air_ratio_full",)),
    metavar="FILE",
    help="Where the derated points go, .parquet (with Dask: a folder).",
)
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler for --points, like tcp://host:8786.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Use so many local Dask workers for --points.")
@table_options
@units_option
def command(heater: str | None, stage: str | None, catalogue: Catalogue | None, **options: Any) -> Answer:
    """Tell what the air at a site does to a heater.

    Use it before a heater goes up a mountain, or beside a reading taken there: lambda three ways, the O2 to expect,
    both trims with their limits, heat, the highest site. Give the reading with --o2-dry to hear whether the site
    explains it. Feet, °F and inHg: --altitude-ft, --intake-temp-f, --pressure-inhg; --units us tells them so too. The
    heater's own altitude limit always decides.

    \b
    Example:
      combust site --altitude 2000 --intake-temp 0 --fuel diesel --air-ratio 1.6 --reference-temp 20

    \b
    Next: combust fleet --help     (the same for every vehicle)
    """
    from combust.edge.figures.altitude import draw_ceiling, draw_derating

    numbers, refused = check_fields({key: options[key] for key in (*BASELINE, *AIMS)}, BASELINE | AIMS, gaps=False)
    checked, faults = check_options({key: given for key, given in options.items() if isinstance(given, tuple)})
    faults = [*(fault for _, fault in refused), *faults, *_missing(heater, options)]
    if faults:
        raise CombustError(faults)
    baseline: dict[str, Any]
    fuel = get_fuel(options["fuel"], catalogue=catalogue) if options["fuel"] else None
    if heater:
        profile = Heater.load(heater, catalogue=catalogue)
        baseline = {"heater_or_fuel": profile if fuel is None else on_fuel(profile, fuel), "stage": stage}
    else:
        reference = {key: numbers.pop(name) for name, key in REFERENCE.items() if name in numbers}
        baseline = {key: numbers.pop(key) for key in BASELINE if key in numbers}
        baseline |= {"heater_or_fuel": fuel, "reference": Site(**reference) if reference else None}
    healthy = healthy_stage(**baseline)
    if options["points"]:
        return _points(healthy, options)
    reading = {key: value for key, value in checked.items() if key not in (*AIR, *INLETS)}
    effect = site_effect(
        **baseline,
        **numbers,
        **{key: checked[key] for key in INLETS if key in checked},
        site=Site(**{key: checked[key] for key in AIR if key in checked}),
        reading=reading if any(key in reading for key in WORTH_TELLING) else None,
    )
    named: dict[str, Any] = {"minimum": effect.minimum_air_ratio, "name": effect.heater_id or healthy.fuel.name}
    files: dict[str, Any] = {}
    off = 0
    ceiling = options["ceiling_figure"]
    drawings = {ceiling: partial(draw_ceiling, healthy, **named)} if ceiling else {}
    if options["table"]:
        derated = derating_table(healthy)
        off = int(derated["safety"].isin(("heater_off", "everyone_out")).sum())
        files[options["table"]] = derated.to_csv(index=False, float_format="%.5g")
    notes = [f"HEATER OFF in {off} of {len(derated)} rows of the table; its first column tells each."] if off else []
    notes += [f"Written: {path}" for path in files]
    draw = partial(draw_derating, healthy, **named)
    return Answer(effect, notes=notes, strict=off > 0, draw=draw, drawings=drawings, files=files)


def _missing(heater: str | None, options: Mapping[str, Any]) -> Iterator[Fault]:
    """Yield what is missing, or stands beside what excludes it."""
    known = {in_our_unit(key, AIR)[0] for key, given in options.items() if isinstance(given, tuple) and any(given)}
    if "intake_temp_c" not in known and not options["points"]:
        hint = "Give the air at the combustion-air intake in °C, it counts as much as height: --intake-temp 0."
        yield Fault("intake_temp_c", None, "missing", why="is missing", hint=hint)
    if not {"altitude_m", "pressure_hpa"} & known and not options["points"]:
        hint = "Give one, in m or hPa: combust site --altitude 2000 --intake-temp 0 --heater PROFILE.toml"
        yield Fault("altitude_m", None, "missing", why="is missing, and so is the pressure", hint=hint)
    for key in BASELINE if heater else ():
        if not is_missing(options[key]):
            hint = "Give the profile, which holds it, or --fuel with --air-ratio."
            yield Fault(key, options[key], "conflict", why="stands beside --heater", hint=hint)
    if not heater and not options["fuel"]:
        hint = "Give --heater PROFILE.toml, or --fuel NAME with --air-ratio LAMBDA."
        yield Fault("heater", None, "missing", why="is missing, and so is the fuel", hint=hint)
    if options["points"] and not options["points_out"]:
        hint = "Say where the points go: --points-out FILE."
        yield Fault("points_out", None, "missing", why="is missing", hint=hint)


def _points(healthy: HealthyStage, options: Mapping[str, Any]) -> Answer:
    """Derate a table of points, in one process or on Dask."""
    from combust.edge.tables.points import derate_points

    out, how = options["points_out"], {key: options[key] for key in ("scheduler", "workers", "mapping")}
    derate = partial(derate_points, options["points"], out, healthy.surface, limits=RowLimits.of(healthy), **how)
    counts = with_progress("Points", lambda show: derate(progress=show))
    stops = list(gasoline_stops(healthy.heater)) if healthy.heater else []
    stops += [finding("points_off", count=counts.off, points=many(counts.rows, "point"))] if counts.off else []
    facts = {"rows": counts.rows, "with_lambda": counts.with_lambda, "without": counts.without, "out": out}
    known = f"{many(counts.rows, 'point')}: {counts.with_lambda} with lambda"
    text = f"{known}, {counts.without} without a number or outside the bands.\nResults: {out}"
    return Answer(facts, text, calculation(*stops), notes=[f"note: {why}" for why in counts.why])
