"""Write the invented Larkfell fleet: vehicles, sites, routes, policy and heater profiles in data/larkfell_fleet/.

Run: python tools/make_larkfell_fleet.py [FOLDER]
Same seed, same files. Nothing in it was measured; nobody is meant.
"""

from __future__ import annotations

import csv
import math
import random
import sys
from pathlib import Path

SEED = 2533

MONTHS = ("season_first_month", "season_last_month", "month_coldest_c")
# site_id, altitude, design night, mildest night of use, median, nights, hours, cold filter plugging point, pressure
SITES = [
    ("depot_fennowgate", 150, -4, 12, 4, 60, 8, -15, None),
    ("depot_harlowen_quay", 310, -6, 12, 3, 70, 8, -15, None),
    ("clinic_stop_stonnebrae", 620, -9, 13, 1, 80, 9, -15, None),
    ("clinic_stop_brankellow", 980, -11, 14, 0, 90, 9, -20, None),
    ("winter_yard_quoldrimmen", 1240, -14, 12, -3, 110, 10, -20, None),
    ("clinic_stop_dunmarrow", 1480, -13, 14, -2, 100, 10, -20, 848.0),
    ("hut_oulterfold", 1850, -12, 15, -1, 120, 10, -20, None),
    ("snow_base_varrowmantle", 2150, -19, 10, -7, 130, 11, -20, None),
    ("hut_glimmerwick", 2600, -18, 15, -5, 120, 10, -20, None),
    ("pass_house_hallowick", 2980, -23, 9, -10, 120, 11, -26, None),
    ("hut_immergath", 3300, -25, 15, -9, 110, 10, -26, None),
    ("mast_station_jorkell", 3720, -27, 6, -14, 90, 12, -26, None),
    ("hut_quenellow_col", 4100, -15, 15, -6, 60, 10, -32, None),
    ("refuge_larkcrown", 4300, -29, 5, -15, 40, 12, -32, None),
]
# route_id, [(km, height)] of its corners, minutes a kilometre, whether the table carries temperatures
ROUTES = [
    ("coast_round", [(0, 150), (22, 310), (40, 240), (61, 150)], 1.2, True),
    ("moor_round", [(0, 310), (18, 620), (33, 980), (52, 620), (70, 310)], 1.4, True),
    ("dunmarrow_road", [(0, 980), (14, 1240), (26, 1480), (38, 1300), (55, 980)], 1.7, False),
    ("larkpass", [(0, 900), (16, 1700), (27, 2500), (31, 2540), (36, 2500), (48, 1600), (60, 900)], 2.2, True),
    ("high_traverse", [(0, 1850), (20, 2600), (35, 2980), (52, 2150)], 2.6, False),
    ("crown_track", [(0, 2980), (12, 3300), (25, 3720), (37, 4100), (44, 4300)], 4.0, True),
    ("valley_shuttle", [(0, 620), (30, 640)], 1.1, False),
]
# Figures of their own that no real unit has: heat is 77 to 81 % of the fuel's, pump strokes times pulses give the fuel.
PROFILES = {
    "small": {
        "fuel": "diesel_b7", "limit": 1350, "kit": 2400, "rpm": 4250, "rpm_max": 4750, "run_w": 24, "glow_a": 7.9, "cutout_v": 10.4,
        "stroke_ul": 25.5, "high": (0.242, 1.9, 2.64), "low": (0.094, 0.75, 1.02), "o2": 8.2, "flue": 300,
        "intake_pa": -44, "exhaust_pa": 118,
        "start": (5, [42, 35], [68, 56], 1.1, 175),
    },
    "small_high": {
        "fuel": "diesel_b7", "limit": 2050, "kit": 3450, "rpm": 4650, "rpm_max": 6150, "run_w": 31, "glow_a": 8.1, "cutout_v": 10.7,
        "stroke_ul": 19.5, "high": (0.226, 1.75, 3.22), "low": (0.089, 0.7, 1.27), "o2": 9.0, "flue": 310,
        "intake_pa": -52, "exhaust_pa": 131,
        "start": (7, [48, 36, 36], [58, 44, 44], 1.4, 190),
    },
    "large": {
        "fuel": "diesel_b7", "limit": 1650, "kit": None, "rpm": 4950, "rpm_max": 5400, "run_w": 43, "glow_a": 9.4, "cutout_v": 10.2,
        "stroke_ul": 46.0, "high": (0.563, 4.3, 3.40), "low": (0.184, 1.45, 1.11), "o2": 7.9, "flue": 350,
        "intake_pa": -73, "exhaust_pa": 174,
        "start": (3, [60, 50], [85, 70], 0.9, 230),
    },
    "large_high": {
        "fuel": "diesel_b7", "limit": 3300, "kit": 3650, "rpm": 4550, "rpm_max": 6700, "run_w": 47, "glow_a": 9.1, "cutout_v": 10.6,
        "stroke_ul": 43.5, "high": (0.487, 3.7, 3.11), "low": (0.160, 1.25, 1.02), "o2": 8.8, "flue": 340,
        "intake_pa": -66, "exhaust_pa": 159,
        "start": (4, [64, 52, 40], [66, 58, 50], 1.0, 255),
    },
    "clinic_gasoline": {
        "fuel": "gasoline_e5", "limit": 1150, "kit": 1600, "rpm": 4400, "rpm_max": 4980, "run_w": 33, "glow_a": 8.4, "cutout_v": 10.9,
        "stroke_ul": 50.5, "high": (0.479, 3.3, 2.63), "low": (0.149, 1.05, 0.82), "o2": 8.5, "flue": 330,
        "intake_pa": -61, "exhaust_pa": 146,
        "start": (8, [25, 20], [45, 40], 1.0, 280),
    },
}  # fmt: skip
# group, heater, UA range, battery V, Ah choices
GROUPS = {
    "clinics": [("small", 48), ("large", 85), ("clinic_gasoline", 75)],
    "snow_crews": [("small", 42), ("small_high", 45), ("large_high", 80)],
    "mast_service": [("small_high", 40), ("large_high", 78)],
}
# group, heater, site, route, how many, compensation, limit with compensation
PLACES = [
    ("clinics", "small", "depot_fennowgate", "coast_round", 4, "none", None),
    ("clinics", "small", "depot_harlowen_quay", "moor_round", 3, "none", None),
    ("clinics", "large", "clinic_stop_stonnebrae", "valley_shuttle", 4, "none", None),
    ("clinics", "clinic_gasoline", "clinic_stop_brankellow", "moor_round", 3, "none", None),
    ("clinics", "clinic_gasoline", "clinic_stop_dunmarrow", "dunmarrow_road", 3, "none", None),
    ("clinics", "large", "clinic_stop_dunmarrow", "larkpass", 2, "none", None),
    ("clinics", "large", "hut_oulterfold", "high_traverse", 2, "none", None),
    ("snow_crews", "small_high", "winter_yard_quoldrimmen", "dunmarrow_road", 4, "none", None),
    ("snow_crews", "small", "hut_oulterfold", "high_traverse", 4, "none", None),
    ("snow_crews", "large_high", "snow_base_varrowmantle", "high_traverse", 4, "none", None),
    ("snow_crews", "small", "hut_glimmerwick", "high_traverse", 3, "none", None),
    ("snow_crews", "large_high", "pass_house_hallowick", "crown_track", 3, "automatic", 3650),
    ("snow_crews", "small_high", "snow_base_varrowmantle", "larkpass", 2, "none", None),
    ("mast_service", "small_high", "hut_immergath", "crown_track", 2, "fuel", 3450),
    ("mast_service", "large_high", "mast_station_jorkell", "crown_track", 2, "automatic", 3650),
    ("mast_service", "small_high", "hut_quenellow_col", "crown_track", 2, "none", None),
    ("mast_service", "large_high", "refuge_larkcrown", "crown_track", 1, "none", None),
]


def write_csv(path: Path, headings: list[str], rows: list[tuple[object, ...]]) -> None:
    """Write a table; None is an empty cell."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(headings)
        writer.writerows([["" if cell is None else cell for cell in row] for row in rows])


def seasons(height: int, cold: float, mild: float) -> tuple[int, int, str]:
    """Return first and last month of the season and the coldest night of each month: longer and colder the higher."""
    longer = height // 1500
    swing = [(1.0 - math.cos(2.0 * math.pi * month / 12.0)) / 2.0 for month in range(12)]
    return 11 - longer, 3 + longer, ";".join(f"{round(cold + (mild - 4 - cold) * part)}" for part in swing)


def sites(folder: Path, chance: random.Random) -> None:
    """Write sites.csv; every second one carries a distribution of its nights."""
    rows = []
    for number, (name, height, cold, mild, median, nights, hours, plugging, pressure) in enumerate(SITES):
        spread = ""
        if number % 2 == 0:
            middle = [round(chance.triangular(cold, mild, median)) for _ in range(13)]
            spread = ";".join(str(temp) for temp in sorted([cold, *middle, mild]))
        months = seasons(height, cold, mild) if height < 4300 else ("", "", "")  # one left out, to be told
        rows.append((name, height, cold, mild, nights, hours, median, plugging, pressure, spread, *months))
    headings = "site_id altitude_m design_temp_c mildest_use_temp_c nights_per_season hours_per_night median_temp_c"
    write_csv(
        folder / "sites.csv",
        [*headings.split(), "cold_filter_plugging_c", "pressure_hpa", "night_temps_c", *MONTHS],
        rows,
    )


def routes(folder: Path, chance: random.Random) -> None:
    """Write routes.csv: a point each kilometre, minutes to the next point."""
    rows = []
    for name, corners, pace, with_temps in ROUTES:
        last = corners[-1][0]
        for km in range(last + 1):
            after = next(number for number, (at, _) in enumerate(corners) if at >= km and number)
            (km_0, height_0), (km_1, height_1) = corners[after - 1], corners[after]
            height = height_0 + (height_1 - height_0) * (km - km_0) / (km_1 - km_0) + 12 * math.sin(1.7 * km)
            minutes = 0 if km == last else round(pace * chance.uniform(0.85, 1.3), 1)
            temp = round(6 - 0.0065 * height - 9 + chance.uniform(-2, 2), 1) if with_temps else None
            rows.append((name, km, round(height), minutes, temp))
    write_csv(folder / "routes.csv", ["route_id", "distance_km", "altitude_m", "minutes", "temp_c"], rows)


def vehicles(folder: Path, chance: random.Random) -> int:
    """Write vehicles.csv and return how many there are."""
    rows: list[tuple[object, ...]] = []
    for group, heater, site, route, count, compensation, limit in PLACES:
        loss = dict(GROUPS[group])[heater]
        for _ in range(count):
            battery = chance.choice([(95, 12), (110, 12), (140, 12), (180, 12)])
            rows.append(
                (
                    f"car-{101 + len(rows)}",
                    group,
                    heater,
                    site,
                    route,
                    round(loss * chance.uniform(0.9, 1.15)),
                    20,
                    15 if group == "clinics" else 8,
                    compensation,
                    limit,
                    *battery,
                    25 if compensation == "automatic" else None,
                    "",
                )
            )
    headings = (
        "vehicle_id group heater_id site_id route_id cab_ua_w_per_k cab_target_c ventilation_m3_per_h compensation"
    )
    more = "compensation_limit_m battery_ah battery_v blower_trim_max_pct note"
    write_csv(folder / "vehicles.csv", [*headings.split(), *more.split()], rows)
    return len(rows)


def profiles(folder: Path) -> None:
    """Write one heater profile for each invented type."""
    (folder / "profiles").mkdir(exist_ok=True)
    for name, row in PROFILES.items():
        check, preheats, attempts, pump_hz, cool_down = row["start"]
        kit = f"compensation_altitude_m = {row['kit']}\n" if row["kit"] else ""
        text = f"""# Invented demo heater of the Larkfell fleet; no such unit exists. Copy the layout, not the numbers.
heater_id = "{name}"
fuel = "{row["fuel"]}"
nominal_v = 12
blower = "centrifugal"
speed_regulated = true
blower_rpm_max = {row["rpm_max"]}
power_run_w = {row["run_w"]}
glow_a = {row["glow_a"]}
cutout_v = {row["cutout_v"]}
heating_air_on_same_shaft = true
stroke_ul = {row["stroke_ul"]}

[stages.high]
fuel_l_per_h = {row["high"][0]}
useful_heat_kw = {row["high"][1]}
pump_hz = {row["high"][2]}
blower_rpm = {row["rpm"]}
air_ratio_band = [1.4, 1.9]
[stages.low]
fuel_l_per_h = {row["low"][0]}
useful_heat_kw = {row["low"][1]}
pump_hz = {row["low"][2]}
air_ratio_band = [1.8, 2.4]

[[baseline]]
origin = "type"
stage = "high"
altitude_m = 150
intake_temp_c = 15
o2_dry_pct = {row["o2"]}
co_dry_ppm = 40
flue_temp_c = {row["flue"]}
air_in_temp_c = 15
air_out_temp_c = 85
supply_v = 12.6
blower_rpm = {row["rpm"]}
intake_static_pa = {row["intake_pa"]}
exhaust_static_pa = {row["exhaust_pa"]}

[limits]
altitude_m = {row["limit"]}
{kit}air_ratio_min = 1.30
source = "invented demo document of the type"

[start]
check_s = {check}
preheat_s = {preheats}
attempt_s = {attempts}
attempt_pump_hz = {pump_hz}
cool_down_s = {cool_down}
"""
        (folder / "profiles" / f"{name}.toml").write_text(text, encoding="utf-8")


POLICY = """# Policy of the Larkfell fleet (invented). What is not here keeps its shipped default; every value is printed.
cab_target_c = { value = 20, origin = "invented: Larkfell crew rules" }
spare_share = { value = 0.1, origin = "invented: Larkfell workshop" }
price_compensation_kit = { value = 640, origin = "invented price" }
price_fuel_per_l = { value = 1.9, origin = "invented price" }
"""


def main() -> None:
    """Write everything."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "data" / "larkfell_fleet"
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(SEED)
    sites(folder, chance)
    routes(folder, chance)
    count = vehicles(folder, chance)
    profiles(folder)
    (folder / "policy.toml").write_text(POLICY, encoding="utf-8")
    print(f"{count} vehicles, {len(SITES)} sites, {len(ROUTES)} routes, {len(PROFILES)} profiles in {folder}")


if __name__ == "__main__":
    main()
