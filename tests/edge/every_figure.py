"""Every figure that matplotlib draws, each in the cases that crowd it; what they need is worked out once."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import combust
from combust.application.heater.baseline import healthy_stage
from combust.domain.heater import Heater
from combust.edge.figures.altitude import draw_ceiling, draw_derating, draw_heat, draw_margins, draw_nights
from combust.edge.figures.causes import draw_steps
from combust.edge.figures.gas_plane import draw_plane, draw_shortcut_error
from combust.edge.figures.timelines import draw_history, draw_start
from combust.edge.figures.trim import draw_trim
from tests.application.fleet import worked

DATA = Path(__file__).parents[2] / "data"


@cache
def heater(name: str) -> Heater:
    return Heater.load(DATA / name)


@cache
def base() -> Any:
    return healthy_stage(heater("larkfell_fleet/profiles/small.toml"))


@cache
def worked_plan() -> Any:
    return worked.plan()


@cache
def demo_plan() -> Any:
    tables = (DATA / "larkfell_fleet" / f"{name}.csv" for name in ("vehicles", "sites", "routes"))
    profiles = DATA / "larkfell_fleet" / "profiles"
    return combust.plan_fleet(*tables, profiles=profiles, with_sensitivity=False, with_assignment=False)


@cache
def history(noise_pct: float | None = None) -> Any:
    log, on = DATA / "larkfell_winters.csv", datetime.date(2026, 2, 1)
    return combust.drift_history(log, heater("heaters/heater-0107.toml"), visit_noise_pct=noise_pct, on=on)


@cache
def drawn(name: str, big: bool) -> Any:
    """A figure, drawn once for all tests of one process."""
    return FIGURES[name](big)


def read(**more: Any) -> Any:
    return combust.interpret({"fuel": "diesel_b7", "location": "outdoors", **more})


RICH = {"stage": "high", "location": "outdoors", "o2_dry_pct": 4.84, "supply_v": 12.5, "ambient_o2_pct": 20.9}
STAGES = {"high": 1.37, "low": 1.70}
PAIR = {"co2_dry_pct": 9.3, "co2_origin": "measured"}
# name -> the figure, drawn for a sheet or for a projector
FIGURES: dict[str, Callable[[bool], Any]] = {
    "plane": lambda big: draw_plane(read(o2_dry_pct=8.2, **PAIR), presenter=big),
    "plane, CO2 not measured": lambda big: draw_plane(read(o2_dry_pct=11.4), presenter=big),
    "plane, near air": lambda big: draw_plane(
        read(o2_dry_pct=20.9, co2_dry_pct=0.1, co2_origin="measured"), presenter=big
    ),
    "plane, stop": lambda big: draw_plane(read(o2_dry_pct=3.0, co_dry_ppm=5000), presenter=big),
    "shortcut": lambda big: draw_shortcut_error(combust.get_fuel("diesel_b7"), o2_dry_pct=8.2, presenter=big),
    "shortcut, lean end": lambda big: draw_shortcut_error(
        combust.get_fuel("gasoline_e10"), o2_dry_pct=15.5, presenter=big
    ),
    "derating": lambda big: draw_derating(base(), minimum=1.3, name="small", presenter=big),
    "derating, no profile": lambda big: draw_derating(
        healthy_stage("diesel", air_ratio=1.6), minimum=1.3, presenter=big
    ),
    "ceiling": lambda big: draw_ceiling(base(), minimum=1.3, name="small", presenter=big),
    "nights": lambda big: draw_nights(
        base(), altitude_m=1850, minimum=1.3, nights_c=[-21, -12, -12.5, -11, -3, 4], name="small", presenter=big
    ),
    "margins": lambda big: draw_margins(worked_plan(), presenter=big),
    "margins, demo": lambda big: draw_margins(demo_plan(), presenter=big),
    "heat, demo": lambda big: draw_heat(demo_plan(), presenter=big),
    "heat": lambda big: draw_heat(worked_plan(), presenter=big),
    "start": lambda big: draw_start(combust.start_timeline(heater("heaters/heater-0107.toml")), presenter=big),
    "start, cut": lambda big: draw_start(
        combust.start_timeline(heater("heaters/heater-0107.toml"), cut_at_s=300), presenter=big
    ),
    "history": lambda big: draw_history(history(), presenter=big),
    "history, little scatter": lambda big: draw_history(history(1.0), presenter=big),
    "trim": lambda big: draw_trim(
        heater("heaters/heater-0312.toml"), STAGES, fuel_trim_pct=-13.0, air_ratio_u=0.02, presenter=big
    ),
    "trim, far": lambda big: draw_trim(
        heater("heaters/heater-0312.toml"), STAGES, fuel_trim_pct=29.0, air_ratio_u=0.02, presenter=big
    ),
    "steps": lambda big: draw_steps(
        heater("heaters/heater-0312.toml"),
        [RICH, {**RICH, "arrangement": "intake_duct_off", "o2_dry_pct": 7.8}],
        pairs=False,
        presenter=big,
    ),
}
