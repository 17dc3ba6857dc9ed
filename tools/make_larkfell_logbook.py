"""Write data/larkfell_logbook/: ten invented heaters of one type and forty visits to them, each mended and read again.

    python tools/make_larkfell_logbook.py data/

Everything is invented. Of the heat that these heaters hand over, 20 % is radiated by the flame, which their profiles do
not say: that is what forty visits can teach. A fault is put in as what it does to air, fuel, exchanger or heating air;
lambda and temperatures follow from the heater model, the gases from the forward balance. The seed is fixed.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import Any

import numpy as np

from combust.domain.catalogue import get_fuel
from combust.domain.gas import air_ratio_from_o2
from combust.domain.site import Site
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.hot_gas import fuel_heat
from combust.kernel.working_point import HealthyState, HeaterParameters, SiteAir, WorkingPoint, working_point

FUEL = get_fuel("diesel_b7")
PLACES = [
    ("Fellarch depot", 150, 4),
    ("Harlowen depot", 410, 1),
    ("Stonnebrae clinic", 860, -2),
    ("Moor barn", 1380, -6),
]
RADIATED = 0.20
# cause -> (what it does to the heater at size s, how often of 40, what was done, what a look shows)
CAUSES: dict[str, tuple[Any, int, str]] = {
    "intake_restricted": (lambda s: {"r_in": 1.0 + 14.0 * s}, 9, "intake cleared"),
    "exhaust_restricted": (lambda s: {"r_ex": 1.0 + 9.0 * s}, 7, "exhaust cleared"),
    "fuel_over": (lambda s: {"fuel": 1.0 + s}, 7, "pump replaced"),
    "fuel_under": (lambda s: {"fuel": 1.0 - 0.8 * s}, 5, "strainer replaced"),
    "exchanger_fouled": (lambda s: {"clean": 1.0 - 1.1 * s}, 5, "exchanger cleaned"),
    "heating_air_restricted": (lambda s: {"heating_air": 1.0 - 1.4 * s}, 7, "grille cleared"),
}
LOOKS = {"intake_restricted": "intake_blocked", "exhaust_restricted": "exhaust_blocked"}
COLUMNS = [
    "visit_id", "heater_id", "taken_at", "phase", "stage", "location", "fuel", "altitude_m", "intake_temp_c", "o2_dry_pct",
    "co_dry_ppm", "flue_temp_c", "air_in_temp_c", "air_out_temp_c", "supply_v", "terminals", "probe_leak_test",
    "o2_span_over_3min_pct", "minutes_since_ignition", "event", "found", "closed_at", "note",
]  # fmt: skip
PROFILE = """\
# Invented: one of ten heaters of one type in the made-up district of Larkfell. Written by tools/make_larkfell_logbook.py.
heater_id = "{name}"
fuel = "diesel_b7"
nominal_v = 12
blower = "centrifugal"
heating_air_on_same_shaft = true

[stages.high]
fuel_l_per_h = 0.24
useful_heat_kw = 1.9
air_ratio_band = [1.35, 1.95]
[stages.low]
fuel_l_per_h = 0.10
useful_heat_kw = 0.8
air_ratio_band = [1.75, 2.60]
"""
BASELINE = """
[[baseline]]
origin = "unit"
stage = "{stage}"
altitude_m = 150
intake_temp_c = 10
o2_dry_pct = {o2_dry_pct}
co_dry_ppm = {co_dry_ppm}
flue_temp_c = {flue_temp_c}
air_in_temp_c = 10
air_out_temp_c = {air_out_temp_c}
supply_v = 12.5
probe_leak_test = "pass"
"""
LIMITS = """
[limits]
altitude_m = 2000
air_ratio_min = 1.15
source = "the unit's own document"
"""


def baselines(rng: np.random.Generator) -> dict[str, dict[str, float]]:
    """Return the healthy readings of one heater: no two are alike."""
    warm, rich = rng.normal(0.0, 10.0), rng.normal(0.0, 0.35)
    usual = {"high": (8.4, 300.0, 82.0, 45.0), "low": (11.2, 180.0, 58.0, 60.0)}
    return {
        stage: {
            "o2_dry_pct": round(o2 + rich, 1), "flue_temp_c": round(flue + warm), "air_out_temp_c": round(out + 0.1 * warm),
            "co_dry_ppm": round(co + rng.normal(0.0, 6.0)),
        }
        for stage, (o2, flue, out, co) in usual.items()
    }  # fmt: skip


def point(base: dict[str, float], altitude: float, temp: float, fault: dict[str, float]) -> WorkingPoint:
    """Return what a heater does at a place with a fault, by its own healthy reading."""
    home, here = Site(altitude_m=150, intake_temp_c=10), Site(altitude_m=altitude, intake_temp_c=temp)
    density = here.dry_air_density_kg_m3 / home.dry_air_density_kg_m3
    ratio = float(air_ratio_from_o2(base["o2_dry_pct"], FUEL, co_dry_ppm=base["co_dry_ppm"]))
    healthy = HealthyState(ratio, base["flue_temp_c"], 10.0, 10.0, base["air_out_temp_c"] - 10.0)
    site = SiteAir(density, density, here.pressure / home.pressure, density, float(temp), float(temp))
    heat = fuel_heat(FUEL, FUEL.net_heating_value_mj_per_kg)
    return working_point(healthy, site, HeaterParameters(radiated=RADIATED, **fault), heat)


def reading(
    rng: np.random.Generator, base: dict[str, float], altitude: float, temp: float, fault: dict[str, float]
) -> dict[str, Any]:
    """Return what an analyser shows."""
    state = point(base, altitude, temp, fault)
    ratio = float(state.air_ratio)
    gas = flue_gas_moles(FUEL, ratio)
    climb = 1.0 + 12.0 * max(0.0, 1.35 - ratio)  # invented: CO rises as the air runs short
    rise = (base["air_out_temp_c"] - 10.0) * float(state.rise)
    return {
        "o2_dry_pct": round(float(gas.o2_dry_pct + rng.normal(0.0, 0.08)), 1),
        "co_dry_ppm": round(float(base["co_dry_ppm"] * climb * np.exp(rng.normal(0.0, 0.15)))),
        "flue_temp_c": round(float(state.flue_c + rng.normal(0.0, 4.0))),
        "air_in_temp_c": temp,
        "air_out_temp_c": round(temp + rise + rng.normal(0.0, 0.8), 1),
    }  # fmt: skip


def rows(rng: np.random.Generator, bases: dict[str, dict[str, dict[str, float]]]) -> list[dict[str, Any]]:
    """Return the rows of forty visits over two winters, each read before and after what was done."""
    causes = rng.permutation([cause for cause, (_, often, _) in CAUSES.items() for _ in range(often)])
    made = []
    for number, cause in enumerate(map(str, causes)):
        heater = f"heater-{1001 + number % len(bases)}"
        year, month = (2024, 10 + number // 7) if number < 20 else (2025, 10 + (number - 20) // 7)
        day = f"{year}-{month:02d}-{3 + number % 25:02d}"
        place, altitude, temp = PLACES[int(rng.integers(len(PLACES)))]
        size = float(np.clip(0.2 * np.exp(0.4 * rng.standard_normal()), 0.09, 0.34))
        make, _, done = CAUSES[cause]
        looked = cause in LOOKS and rng.random() < 0.5
        for phase, hour, fault in (("before", 9, make(size)), ("after", 11, {})):
            for stage, minute in (("high", 10), ("low", 40)):
                row: dict[str, Any] = dict.fromkeys(COLUMNS, "")
                row |= {
                    "visit_id": f"L{number + 1:02d}", "heater_id": heater, "phase": phase, "stage": stage,
                    "taken_at": f"{day}T{hour:02d}:{minute:02d}+01:00", "location": "outdoors", "fuel": FUEL.name,
                    "altitude_m": altitude, "intake_temp_c": temp, "supply_v": round(12.5 + rng.normal(0.0, 0.12), 1), "probe_leak_test": "pass",
                    "o2_span_over_3min_pct": 0.1, "minutes_since_ignition": 18,
                }  # fmt: skip
                row |= reading(rng, bases[heater][stage], altitude, temp, fault)
                last = phase == "before" and stage == "low"
                row |= {"event": "repair", "note": f"{place}: {done}"} if last else {}
                row |= {"terminals": LOOKS[cause] if phase == "before" else "clear"} if looked else {}
                row |= {"found": cause, "closed_at": f"{day}T12:00+01:00"} if phase == "after" else {}
                made.append(row)
    return made


def main() -> None:
    """Write the profiles and the table."""
    folder = Path(sys.argv[1]) / "larkfell_logbook"
    rng = np.random.default_rng(20_241_003)
    bases = {f"heater-{1001 + number}": baselines(rng) for number in range(10)}
    (folder / "heaters").mkdir(parents=True, exist_ok=True)
    for name, stages in bases.items():
        parts = [PROFILE.format(name=name), *(BASELINE.format(stage=stage, **base) for stage, base in stages.items())]
        (folder / "heaters" / f"{name}.toml").write_text("".join([*parts, LIMITS]), encoding="utf-8")
    with (folder / "visits.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows(rng, bases))


if __name__ == "__main__":
    main()
