"""Conditions of the foreign study: how nature, the instrument and the baseline differ from what the engine expects."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

BASELINE_HYPOTHESES = ("baseline_not_healthy", "baseline_of_another_heater")
SETS = ("temperatures", "full")
KEPT_ASIDE = Path(__file__).with_name("kept_aside.toml")


@dataclass(frozen=True)
class Knobs:
    """One condition. What is None or empty is as in the standard study.

    Attributes
    ----------
    radiation : float
        Share of the heat in the exchanger that passes by radiation.
    flame_radiates : float
        Share of the heat that the flame radiates past the exchanger, as the fourth power of its temperature.
    exponent, hot : float or None
        Exponent of the gas side of the exchanger; share of the burner's resistance that is hot.
    blower : str or None
        ``centrifugal``, ``side_channel`` or ``bent``; None = every fourth is a side channel.
    casing : float
        Share of the useful heat that the casing loses, with the wind around it.
    flue_sensor_k : float
        Error of the flue sensor, with a sign drawn for each visit [K].
    fault : str
        A fault of ``OTHER_FAULTS`` that every other visit has.
    fuel : str
        Fuel of the profile.
    baseline : str
        ``dirty_intake``, ``fuel_12_pct`` (mended since), ``another_heater``; empty = this heater, healthy.
    missing : tuple of str
        Columns that the baseline lacks.
    repeats : int
        Readings of the full stage in a visit.
    sites, noted : str
        Where (see ``visits``), and which column tells it.
    aliased : tuple of str
        Evidence sets that cannot tell the truth about the baseline from a fault.
    """

    radiation: float = 0.0
    flame_radiates: float = 0.0
    exponent: float | None = None
    hot: float | None = None
    blower: str | None = None
    casing: float = 0.0
    flue_sensor_k: float = 0.0
    fault: str = ""
    fuel: str = "diesel_b7"
    baseline: str = ""
    missing: tuple[str, ...] = ()
    repeats: int = 1
    sites: str = "mixed"
    noted: str = "pressure_hpa"
    aliased: tuple[str, ...] = ()

    @property
    def truth_about_baseline(self) -> str:
        """The hypothesis about the baseline that is true; empty where it is this heater's and healthy."""
        if self.baseline == "another_heater":
            return BASELINE_HYPOTHESES[1]
        return BASELINE_HYPOTHESES[0] if self.baseline else ""


FLUE = ("flue_temp_c",)
RISE = ("air_in_temp_c", "air_out_temp_c")
PORTS = ("intake_static_pa", "exhaust_static_pa")
CONDITIONS = {
    "standard": Knobs(),
    "radiation_15": Knobs(radiation=0.15),
    "radiation_30": Knobs(radiation=0.30),
    "flame_radiates_15": Knobs(flame_radiates=0.15),
    "exponent_03": Knobs(exponent=0.3),
    "exponent_05": Knobs(exponent=0.5),
    "exponent_08": Knobs(exponent=0.8),
    "no_hot_burner": Knobs(hot=0.0),
    "centrifugal": Knobs(blower="centrifugal"),
    "side_channel": Knobs(blower="side_channel"),
    "bent_curve": Knobs(blower="bent"),
    "casing_10": Knobs(casing=0.10),
    "flue_sensor_25k": Knobs(flue_sensor_k=25.0),
    "gasoline_in_diesel": Knobs(fault="gasoline_in_diesel"),
    "diesel_in_gasoline": Knobs(fault="diesel_in_gasoline", fuel="gasoline_e10"),
    "water_in_fuel": Knobs(fault="water_in_fuel"),
    "dirty_baseline": Knobs(baseline="dirty_intake"),
    "baseline_fuel_12": Knobs(baseline="fuel_12_pct", aliased=SETS),
    "anothers_baseline": Knobs(baseline="another_heater", aliased=("temperatures",)),
    "no_flue_baseline": Knobs(missing=FLUE),
    "no_rise_baseline": Knobs(missing=RISE),
    "no_co_baseline": Knobs(missing=("co_dry_ppm", "smoke_number")),
    "no_ports_baseline": Knobs(missing=PORTS),
    "only_o2_baseline": Knobs(missing=(*FLUE, *RISE, *PORTS, "co_dry_ppm", "smoke_number", "supply_v", "blower_rpm")),
    "three_repeats": Knobs(repeats=3),
    "high_2000_4200": Knobs(sites="high"),
    "high_altitude_noted": Knobs(sites="high", noted="altitude_m"),
    "radiation_15_high": Knobs(radiation=0.15, exponent=0.5, sites="high"),
    "radiation_30_high": Knobs(radiation=0.30, sites="high"),
    "flame_radiates_high": Knobs(flame_radiates=0.15, sites="high"),
    "exponent_08_high": Knobs(exponent=0.8, sites="high"),
}
QUICK = (
    "standard",
    "radiation_15",
    "exponent_03",
    "flue_sensor_25k",
    "dirty_baseline",
    "anothers_baseline",
    "no_flue_baseline",
    "three_repeats",
    "high_2000_4200",
    "radiation_30_high",
)


def kept_aside(which="new"):
    """Seed and conditions that no one looks at before the end; ``seen``: those that once were."""
    told = tomllib.loads(KEPT_ASIDE.read_text(encoding="utf-8"))
    told = told["seen"] if which == "seen" else told
    conditions = {
        name: Knobs(**{key: tuple(value) if isinstance(value, list) else value for key, value in knobs.items()})
        for name, knobs in told["condition"].items()
    }
    return int(told["seed"]), conditions
