"""``combust duct``: pressure loss of an intake or exhaust duct, and what a change of it does."""

from __future__ import annotations

from typing import Any

import click

from combust.application.heater.duct_calculator import ENDS, FITTINGS, duct_check
from combust.application.heater.duct_flow import duct_duty
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, fields_of, need_fields
from combust.data.units import in_our_unit
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import field_options, fuels_option, quantity_options, values_of
from combust.kernel.duct_shape import DuctShape

PLACE = ("flue_temp_c", "intake_temp_c", "fuel_temp_c", "altitude_m", "pressure_hpa")
TYPED = fields_of(
    {
        "fuel_l_per_h": {"meaning": "fuel flow", "unit": "l/h"},
        "air_ratio": {"meaning": "lambda at the stage"},
        "length_m": {"meaning": "length of the duct", "unit": "m"},
        "bore_mm": {"meaning": "inner diameter", "unit": "mm"},
        "bends_90": {"meaning": "bends, counted as 90 degrees each"},
        "add_length": {"meaning": "ask: so many metres more (negative: fewer)", "unit": "m"},
        "to_bore": {"meaning": "ask: this bore instead, over the whole length", "unit": "mm"},
        "to_bends_90": {"meaning": "ask: so many bends instead"},
        "crushed_to": {"meaning": "ask: crushed to this bore ...", "unit": "mm"},
        "crushed_length": {"meaning": "... over so many metres; left out: the whole length", "unit": "m"},
    }
)
NUMBERS = TYPED | {"share": Field("share", "numbers")}


@answers("duct")
@click.option("--duct", "which", type=click.Choice([*ENDS]), default="exhaust", show_default=True, help="Which duct.")
@click.option("--heater", "profile", metavar="FILE", help="Heater profile: fuel, stage, healthy reading and duct.")
@click.option("--stage", metavar="NAME", help="Heat stage of the profile.")
@click.option("--fuel", "fuel_name", metavar="NAME", help="Fuel, without a profile.")
@field_options(TYPED.values(), {"bore_mm": "--bore"})
@quantity_options(PLACE)
@click.option("--wall", type=click.Choice(["smooth", "corrugated"]), help="Wall of the duct.")
@click.option("--fitting", "fittings", type=click.Choice(FITTINGS), multiple=True, help="What else is in it; again.")
@click.option("--add-fitting", type=click.Choice(FITTINGS), multiple=True, help="Ask: with this fitting more.")
@click.option("--share", nargs=2, metavar="LOW HIGH", help="This duct's share of the whole air path, 0 to 1.")
@fuels_option
def command(which: str, profile: str | None, catalogue: Catalogue | None, **asked: Any) -> Answer:
    """Work out the loss of a duct, and what a change of it does.

    Use it before a duct is lengthened, bent or replaced, and to see what a crushed hose can do to the air. Every
    number comes with 95 % limits; corrugated hose is known to about 40 %.

    \b
    Examples:
      combust duct --heater data/heaters/heater-0312.toml --stage high --add-length 2
      combust duct --heater data/heaters/heater-0312.toml --stage high --duct intake --json
      combust duct --fuel diesel_b7 --fuel-l-per-h 0.52 --air-ratio 1.6 --flue-temp 380 \\
        --length 1 --bore 24 --bends-90 0 --wall corrugated --crushed-to 18

    \b
    Next: combust site --help      (what height adds to it)
    """
    asked |= need_fields({key: asked[key] for key in NUMBERS}, NUMBERS, what="a duct")
    place = values_of({key: given for key, given in asked.items() if in_our_unit(key, PLACE)[0] in PLACE})
    heater = Heater.load(profile, catalogue=catalogue) if profile else None
    stage = _stage(heater, asked["stage"]) if heater else ""
    flow = {"fuel_l_per_h": asked["fuel_l_per_h"], "air_ratio": asked["air_ratio"], **place}
    duty = duct_duty(heater, stage, fuel=asked["fuel_name"], catalogue=catalogue, **flow)
    shape = _shape(which, heater, asked)
    changed = _changed(shape, asked)
    baseline = heater.baseline_of(stage) if heater else None
    answer = duct_check(
        which,
        shape,
        duty,
        changed_shape=changed if changed != shape else None,
        blower=heater.blower if heater else "unknown",
        air_ratio_min=heater.limits.air_ratio_min if heater else None,
        share=asked["share"],
        read_port_pa=getattr(baseline.reading, f"{which}_static_pa") if baseline else None,
    )
    return Answer(answer)


def _stage(heater: Heater, asked: str | None) -> str:
    if asked is None and len(heater.stages) > 1:
        hint = f"Give --stage, one of {', '.join(heater.stages)}."
        raise CombustError(Fault("stage", None, "missing", why="is needed: the profile has several", hint=hint))
    return heater.stage_of(asked or next(iter(heater.stages))).name


def _shape(which: str, heater: Heater | None, asked: dict[str, Any]) -> DuctShape[float]:
    """Return the geometry: the profile's duct, with what was given in its place."""
    known = heater.ducts.get(which) if heater else None
    keys = ("length_m", "bore_mm", "bends_90", "wall")
    shape = {key: getattr(known, key, None) if asked[key] is None else asked[key] for key in keys}
    missing = [
        Fault(key, None, "missing", why="is needed", hint=f"Give --{key.split('_')[0]}, or describe [ducts.{which}].")
        for key in ("length_m", "bore_mm")
        if shape[key] is None
    ]
    if missing:
        raise CombustError(missing)
    return DuctShape(**shape, end=ENDS[which], fittings=(*(known.fittings if known else ()), *asked["fittings"]))


def _changed(shape: DuctShape[float], asked: dict[str, Any]) -> DuctShape[float]:
    narrow, part = asked["crushed_to"], asked["crushed_length"]
    if narrow is None and part is not None:
        hint = "Give --crushed-to with the bore that is left."
        raise CombustError(Fault("crushed_to", None, "missing", why="is needed with --crushed-length", hint=hint))
    crushed = {"bore_mm": narrow} if part is None else {"crushed_bore_mm": narrow, "crushed_length_m": part}
    given = {"bore_mm": asked["to_bore"], "bends_90": asked["to_bends_90"]}
    given = {key: value for one in (given, crushed) for key, value in one.items() if value is not None}
    length, fittings = shape.length_m + (asked["add_length"] or 0.0), (*shape.fittings, *asked["add_fitting"])
    return shape._replace(length_m=length, fittings=fittings, **given)
