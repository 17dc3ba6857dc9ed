"""Write data/larkfell_visits.csv: invented visits to two Larkfell heaters, each with one honest fault, or none.

    python tools/make_larkfell_visits.py > data/larkfell_visits.csv

Everything is invented. A fault is put in as what it does to air or fuel; lambda, temperatures and port pressures follow
from the heater's baseline by the kernel's heater model, the gases from the forward balance. The seed is fixed.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import Any

import numpy as np

from combust.domain.gas import air_ratio_from_o2
from combust.domain.heater import Heater
from combust.domain.site import Site
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.hot_gas import fuel_heat
from combust.kernel.working_point import HealthyState, HeaterParameters, SiteAir, WorkingPoint, working_point

HEATERS = Path(__file__).parents[1] / "data/heaters"
PLACES = {"Fellarch depot": (150, 8), "Stonnebrae clinic": (860, 1), "Harlowen Moor barn": (1380, 12)}
CHECKED = {
    "ambient_o2_pct": 20.9, "ambient_co_ppm": 0, "sample_line": "dry", "probe_leak_test": "pass",
    "analyser_fuel": "diesel_b7", "o2_span_over_3min_pct": 0.1, "minutes_since_ignition": 18,
}  # fmt: skip
COLUMNS = [
    "visit_id", "heater_id", "phase", "taken_at", "stage", "arrangement", "location", "altitude_m", "intake_temp_c",
    "o2_dry_pct", "co2_dry_pct", "co2_origin", "co_dry_ppm", "flue_temp_c", "air_in_temp_c", "air_out_temp_c",
    "supply_v", "intake_static_pa", "exhaust_static_pa", "strokes", "delivered_ml", "terminals", "ambient_o2_pct",
    "ambient_co_ppm", "sample_line", "probe_leak_test", "analyser_fuel", "o2_span_over_3min_pct", "minutes_since_ignition",
    "cab_co_in_ppm", "cab_co_out_ppm", "note",
]  # fmt: skip


def point_of(heater: Heater, stage: str, place: str, fault: dict[str, float]) -> WorkingPoint:
    """Return what a heater does at a place with a fault, by its own baseline."""
    base = heater.baseline_of(stage).reading
    home = Site(altitude_m=base["altitude_m"], intake_temp_c=base["intake_temp_c"])
    altitude, temp = PLACES[place]
    here = Site(altitude_m=altitude, intake_temp_c=temp)
    density = here.dry_air_density_kg_m3 / home.dry_air_density_kg_m3
    ratio = float(air_ratio_from_o2(base["o2_dry_pct"], heater.fuel, co_dry_ppm=base["co_dry_ppm"]))
    healthy = HealthyState(
        ratio, base["flue_temp_c"], base["intake_temp_c"], base["air_in_temp_c"],
        base["air_out_temp_c"] - base["air_in_temp_c"],
    )  # fmt: skip
    site = SiteAir(density, density, here.pressure / home.pressure, density, float(temp), float(temp))
    fuel = heater.fuel
    heat = fuel_heat(fuel, fuel.net_heating_value_mj_per_kg)
    return working_point(healthy, site, HeaterParameters(**fault), heat)


def row(
    rng: np.random.Generator, heater: Heater, visit: str, day: str, place: str, stage: str, fault: dict[str, float],
    **more: Any,
) -> dict[str, Any]:  # fmt: skip
    """Return one reading: the working point as an analyser shows it, then what else was looked at."""
    state = point_of(heater, stage, place, fault)
    base = heater.baseline_of(stage).reading
    gas = flue_gas_moles(heater.fuel, float(state.air_ratio))
    altitude, temp = PLACES[place]
    climb = 1.0 + 12.0 * max(0.0, 1.42 - float(state.air_ratio))  # invented: CO rises as the air runs short
    reading = {
        "visit_id": visit, "heater_id": heater.heater_id, "taken_at": day, "stage": stage, "location": "outdoors",
        "altitude_m": altitude, "intake_temp_c": temp, "air_in_temp_c": temp, "co2_origin": "calculated",
        "o2_dry_pct": round(float(gas.o2_dry_pct + rng.normal(0.0, 0.05)), 1),
        "co_dry_ppm": round(float(45.0 * climb + rng.normal(0.0, 4.0))),
        "flue_temp_c": round(float(state.flue_c + rng.normal(0.0, 2.0))),
        "air_out_temp_c": round(temp + (base["air_out_temp_c"] - base["air_in_temp_c"]) * float(state.rise)),
    }  # fmt: skip
    if more.pop("ports", False):
        reading["intake_static_pa"] = round(base["intake_static_pa"] * float(state.intake_static))
        reading["exhaust_static_pa"] = round(base["exhaust_static_pa"] * float(state.exhaust_static))
    return reading | more


def rows() -> list[dict[str, Any]]:
    """Return the visits in order: each note says what was wrong."""
    rng = np.random.default_rng(107)
    clinic, snow = Heater.load(HEATERS / "heater-0312.toml"), Heater.load(HEATERS / "heater-0107.toml")
    good = {**CHECKED, "supply_v": 12.5}
    none: dict[str, float] = {}
    packed = {"r_in": 4.2}
    over = {"fuel": 1.18}
    # Of 12.5 V at the baseline 10.7 V are left, 0.86: a regulated blower has some reserve, so its speed falls less.
    weak = {"speed": 0.88}
    barn = ("W301", "2026-01-14T10:20+01:00", "Harlowen Moor barn")
    ice = ("W302", "2026-01-22T09:40+01:00", "Stonnebrae clinic")
    bare = ("W303", "2026-02-02T16:10+01:00", "Fellarch depot")
    pump = ("W304", "2026-02-05T11:00+01:00", "Fellarch depot")
    volts = ("W305", "2026-02-11T08:30+01:00", "Stonnebrae clinic")
    hose = ("W306", "2026-02-18T13:45+01:00", "Fellarch depot")
    cab = ("W307", "2026-02-24T07:50+01:00", "Stonnebrae clinic")
    only_gas = {"flue_temp_c": "", "air_in_temp_c": "", "air_out_temp_c": ""}
    wet = row(
        rng, snow, *hose, "high", none, co2_origin="measured", supply_v=12.5, note="water in the hose, nobody looked"
    )
    gas = flue_gas_moles(snow.fuel, float(point_of(snow, "high", hose[2], none).air_ratio))
    wet |= {"o2_dry_pct": round(92.0 * gas.o2 / gas.dry, 1), "co2_dry_pct": round(92.0 * gas.co2 / gas.dry, 1)}
    return [
        row(rng, clinic, *barn, "high", none, **good, note="rich against the baseline, but 1380 m up"),
        row(rng, clinic, *barn, "low", none, **good),
        row(rng, clinic, *ice, "high", packed, ports=True, **good, terminals="intake_blocked", note="snow in the intake"),
        row(rng, clinic, *ice, "low", packed, **good),
        row(rng, clinic, *ice, "high", packed | {"r_in": 0.1}, **good, arrangement="intake_duct_off"),
        row(rng, clinic, *ice, "high", none, ports=True, **good, terminals="clear", phase="after", note="snow cleared"),
        row(rng, clinic, *bare, "high", {"r_in": 3.6}, **only_gas, note="only the gas was read"),
        row(rng, clinic, *pump, "high", over, **good, strokes=200, delivered_ml=9.7, note="pump gives too much"),
        row(rng, clinic, *pump, "low", over, **good),
        row(rng, snow, *volts, "high", weak, **CHECKED, supply_v=10.7, note="corroded plug: low voltage under load"),
        wet,
        row(rng, snow, *cab, "high", none, **good, cab_co_in_ppm=24, cab_co_out_ppm=1, note="driver reports a headache"),
    ]  # fmt: skip


def main() -> None:
    """Print the table as CSV."""
    writer = csv.DictWriter(sys.stdout, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows())


if __name__ == "__main__":
    main()
