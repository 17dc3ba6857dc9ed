"""Write data/larkfell_readings.csv: invented readings of the Larkfell heaters, with honest faults in them.

    python tools/make_larkfell_readings.py > data/larkfell_readings.csv

Everything is invented. The gases come from the forward balance at a stated lambda, so that a reader can see which
fault was put in; the seed is fixed.
"""

from __future__ import annotations

import csv
import sys

import numpy as np

from combust.domain.catalogue import get_fuel
from combust.domain.site import REFERENCE_DENSITY, Site
from combust.kernel.flue_gas import flue_gas_moles

SITES = {
    "Fellarch depot": (150, 8),
    "Harlowen depot": (410, 3),
    "Stonnebrae clinic": (860, 1),
    "Hallowick Pass": (1850, -12),
    "Upper Larkfell hut": (2600, -18),
    "Ommerfell hut": (3300, -25),
    "Summit relay": (4100, -15),
}
COLUMNS = [
    "reading_id", "visit_id", "heater_id", "taken_at", "fuel", "stage", "location", "altitude_m", "intake_temp_c",
    "humidity_pct", "o2_dry_pct", "co2_dry_pct", "co2_origin", "co_dry_ppm", "flue_temp_c", "smoke_number",
    "ambient_o2_pct", "ambient_co_ppm", "sample_line", "probe_leak_test", "o2_span_over_3min_pct",
    "cab_co_in_ppm", "cab_co_out_ppm", "note",
]  # fmt: skip


def reading(rng: np.random.Generator, number: int, place: str, stage: str, ratio: float, **changes: object) -> dict:
    """Return one row: a heater of base lambda ``ratio`` at a place, then the stated changes."""
    altitude, temp = SITES[place]
    air = Site(altitude_m=altitude, intake_temp_c=temp).dry_air_density_kg_m3 / REFERENCE_DENSITY
    local = ratio * air * rng.normal(1.0, 0.01)
    gas = flue_gas_moles(get_fuel("diesel_b7"), local)
    visit = (number + 1) // 2
    co = 45 + 900 * max(0.0, 1.35 - local) ** 1.5 + 25 * rng.random()
    row = {
        "reading_id": f"R{number:03d}",
        "visit_id": f"V{visit:03d}",
        "heater_id": f"heater-{[107, 118, 203, 312, 325][visit % 5]:04d}",
        "taken_at": f"2026-{1 + visit % 3:02d}-{3 + visit:02d}T{9 + visit % 6:02d}:{15 + 20 * (number % 2)}+01:00",
        "fuel": "diesel_b7",
        "stage": stage,
        "location": "outdoors",
        "altitude_m": altitude,
        "intake_temp_c": temp,
        "humidity_pct": int(rng.integers(45, 90)),
        "o2_dry_pct": round(float(gas.o2_dry_pct + rng.normal(0, 0.08)), 1),
        "co2_dry_pct": round(float(gas.co2_dry_pct + rng.normal(0, 0.1)), 1),
        "co2_origin": "measured",
        "co_dry_ppm": round(float(co)),
        "flue_temp_c": round(float((330 if stage == "high" else 185) + rng.normal(0, 6))),
        "smoke_number": int(local < 1.25) + int(rng.random() < 0.3),
        "ambient_o2_pct": 20.9,
        "ambient_co_ppm": 0,
        "sample_line": "dry",
        "probe_leak_test": "pass",
        "o2_span_over_3min_pct": round(float(abs(rng.normal(0.12, 0.05))), 2),
        "cab_co_in_ppm": int(rng.integers(0, 3)),
        "cab_co_out_ppm": 0,
        "note": place,
    }
    return row | changes


def rows() -> list[dict]:
    """Return the table: plain readings first, then one fault each, said in the note."""
    rng = np.random.default_rng(312)
    plain = [(place, stage) for place in SITES for stage in ("high", "low")]
    table = [
        reading(rng, i + 1, place, stage, 1.60 if stage == "high" else 2.05) for i, (place, stage) in enumerate(plain)
    ]
    faults: list[tuple[str, str, float, dict]] = [
        ("Harlowen depot", "high", 1.60, {"o2_dry_pct": 7.5, "co2_dry_pct": 8.5, "sample_line": "", "note": "water in the hose, nobody looked"}),
        ("Harlowen depot", "high", 1.60, {"co2_dry_pct": 7.2, "co2_origin": "calculated", "note": "instrument set to natural gas"}),
        ("Fellarch depot", "high", 1.60, {"o2_dry_pct": 9.5, "probe_leak_test": "fail", "co2_origin": "", "note": "hose cracked"}),
        ("Fellarch depot", "high", 1.60, {"o2_dry_pct": 7.4, "ambient_o2_pct": 20.1, "note": "cell not zeroed at the site"}),
        ("Stonnebrae clinic", "high", 1.26, {"smoke_number": 4, "co_dry_ppm": 460, "note": "intake duct crushed behind the bench"}),
        ("Hallowick Pass", "high", 1.18, {"smoke_number": 5, "co_dry_ppm": 1240, "note": "snow in the intake"}),
        ("Stonnebrae clinic", "high", 1.60, {"cab_co_in_ppm": 23, "cab_co_out_ppm": 1, "note": "driver reports a headache"}),
        ("Harlowen depot", "low", 2.05, {"o2_dry_pct": 20.7, "co2_dry_pct": 0.2, "note": "probe fell out"}),
        ("Harlowen depot", "low", 2.05, {"o2_span_over_3min_pct": 0.9, "note": "stage was still changing"}),
        ("Upper Larkfell hut", "high", 1.60, {"location": "", "note": "nobody wrote where"}),
        ("Fellarch depot", "high", 1.60, {"location": "indoors", "note": "in the wash bay, door open"}),
        ("Ommerfell hut", "high", 1.60, {"co2_dry_pct": "", "co2_origin": "", "co_dry_ppm": "", "note": "only O2 was read"}),
        ("Harlowen depot", "high", 1.60, {"o2_dry_pct": 23.1, "note": "typed wrong: refused"}),
        ("Harlowen depot", "high", 1.60, {"co_dry_ppm": "lots", "note": "a word instead of a number: refused"}),
        ("Harlowen depot", "high", 1.60, {"fuel": "deisel", "note": "fuel misspelt: refused"}),
        ("Fellarch depot", "high", 1.60, {"fuel": "biodiesel_b100", "o2_dry_pct": 9.5, "co2_dry_pct": 8.7, "note": "trial with pure ester"}),
        ("Hallowick Pass", "low", 2.05, {"flue_temp_c": 31, "note": "probe at the far end of a cold tail pipe"}),
        ("Harlowen depot", "high", 1.60, {"flue_temp_c": "", "humidity_pct": "", "note": "thermocouple broken"}),
    ]  # fmt: skip
    for place, stage, ratio, changes in faults:
        table.append(reading(rng, len(table) + 1, place, stage, ratio, **changes))
    return table


def main() -> None:
    """Print the table as CSV."""
    writer = csv.DictWriter(sys.stdout, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows())


if __name__ == "__main__":
    main()
