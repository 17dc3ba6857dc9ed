"""Write data/larkfell_winters.csv and data/larkfell_series.csv: invented visits over five winters, and one logged series.

    python tools/make_larkfell_winters.py data/

Everything is invented; gases come from the forward balance at a stated lambda, what the site makes of it from the
heater's working point; the seed is fixed.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

from combust.application.heater.baseline import healthy_stage
from combust.application.heater.healthy import HealthyStage
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.site import Site
from combust.kernel.flue_gas import flue_gas_moles

# heater -> (lambda at reference air in the first winter, change a year, repair after which visit or None, its step)
HEATERS = {
    "heater-0107": (1.82, -0.045, None, 0.0),
    "heater-0312": (1.62, 0.0, 5, 0.07),
    "heater-0203": (1.58, 0.0, None, 0.0),
}
PLACES = [
    ("Fellarch depot", 150, 4),
    ("Stonnebrae clinic", 860, -2),
    ("Hallowick Pass", 1850, -9),
    ("Harlowen depot", 410, 1),
]
COLUMNS = [
    "visit_id", "reading_id", "heater_id", "taken_at", "fuel", "stage", "phase", "location", "altitude_m", "intake_temp_c",
    "o2_dry_pct", "co_dry_ppm", "instrument", "probe_leak_test", "sample_line", "ambient_o2_pct", "ambient_co_ppm", "event",
    "note",
]  # fmt: skip
NOISE = 0.02
PROFILES = Path(__file__).parents[1] / "data" / "heaters"


def oxygen(stage: HealthyStage, ratio: float, altitude: float, temp: float) -> float:
    """Return dry O2 [vol %] of a heater whose lambda at reference air is ``ratio``, at a site."""
    here, reference = (
        stage.at(stage.air_of(site), stage.fuel_density(site.intake_temp_c)).air_ratio.mean()
        for site in (Site(altitude_m=altitude, intake_temp_c=temp), Site())
    )
    gas = flue_gas_moles(get_fuel("diesel_b7"), ratio * here / reference)
    return round(float(gas.o2_dry_pct), 1)


def winters(rng: np.random.Generator) -> list[dict[str, object]]:
    """Return the rows of all visits: autumn and spring, 2021 to 2026, with one missing and one entered twice."""
    rows: list[dict[str, object]] = []
    for heater, (start, slope, repair, step) in HEATERS.items():
        profile = PROFILES / f"{heater}.toml"
        stage = healthy_stage(Heater.load(profile if profile.exists() else PROFILES / "heater-0107.toml"), stage="high")
        for visit in range(10):
            year, autumn = 2021 + (visit + 1) // 2, visit % 2 == 0
            if heater == "heater-0203" and visit in (5, 6):
                continue  # nobody went: the gap is told
            day = f"{year}-{'10' if autumn else '03'}-{10 + (visit * 7) % 17:02d}"
            place, altitude, temp = PLACES[(visit + 3 + int(heater[-1])) % len(PLACES)]
            level = start * np.exp(slope * visit / 2.0 + (step if repair is not None and visit > repair else 0.0))
            visit_noise = rng.normal(0.0, NOISE)
            for phase, bonus in (("before", 0.0), ("after", step)) if visit == repair else (("before", 0.0),):
                ratio = level * np.exp(visit_noise + bonus)
                row = dict.fromkeys(COLUMNS, "")
                row |= {
                    "visit_id": f"{heater} {day}", "reading_id": f"{heater[-4:]}-{visit}{phase[0]}", "heater_id": heater,
                    "taken_at": f"{day}T{9 + int(bonus != 0.0):02d}:30+01:00", "fuel": "diesel_b7", "stage": "high",
                    "phase": phase, "location": "outdoors", "altitude_m": altitude, "intake_temp_c": temp,
                    "o2_dry_pct": oxygen(stage, ratio, altitude, temp), "co_dry_ppm": int(rng.integers(40, 80)),
                    "instrument": "portable 0017" if visit < 6 else "portable 0044", "probe_leak_test": "pass",
                    "sample_line": "dry", "ambient_o2_pct": 20.9, "ambient_co_ppm": 0,
                    "event": "repair" if phase == "after" else "",
                    "note": f"{place}{'; intake hose replaced' if phase == 'after' else ''}",
                }  # fmt: skip
                rows.append(row)
    rows.append(rows[3])  # entered twice by hand
    return rows


def series(rng: np.random.Generator) -> list[dict[str, object]]:
    """Return 22 minutes after ignition, a sample every 10 s: the gas settles, then stays."""
    rows = []
    for second in range(0, 22 * 60 + 1, 10):
        settle = np.exp(-second / 180.0)
        rows.append(
            {
                "time_s": second, "minutes_since_ignition": round(second / 60.0, 2), "fuel": "diesel_b7", "stage": "high",
                "location": "outdoors", "o2_dry_pct": round(8.6 + 9.0 * settle + rng.normal(0.0, 0.05), 1),
                "co_dry_ppm": round(46 + 600 * settle + rng.normal(0.0, 1.5)),
                "flue_temp_c": round(292.0 - 270.0 * settle + rng.normal(0.0, 0.5), 1), "intake_temp_c": 4.0,
                "altitude_m": 150,
            }
        )  # fmt: skip
    return rows


def main() -> None:
    """Write both tables."""
    folder = Path(sys.argv[1])
    rng = np.random.default_rng(20_211_010)
    for name, rows in (("larkfell_winters.csv", winters(rng)), ("larkfell_series.csv", series(rng))):
        with (folder / name).open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    main()
