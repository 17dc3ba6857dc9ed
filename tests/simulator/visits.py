"""Simulated visits: a fault, a site, an analyser, and every column."""

from __future__ import annotations

import numpy as np

from tests.simulator.faults import faults_of
from tests.simulator.heaters import HZ_HIGH, HZ_LOW, PORT_PA, RPM_HIGH, RPM_LOW, STROKE_UL, Analyser
from tests.simulator.physics import Condition, dry_gas

PLANS = (
    ("high", "as_installed"),
    ("low", "as_installed"),
    ("high", "intake_duct_off"),
    ("high", "exhaust_duct_off"),
)
# How far a healthy heater is from its baseline day: standard deviations of ratios.
DAY = {"speed": 0.008, "r_b": 0.03, "fuel": 0.015, "dirt": 0.02, "duct": 0.02, "r_in": 0.04, "r_ex": 0.04}


def visits(heater, names, rng, *, low=0.15, high=0.40, sites="mixed", plans=PLANS, **analyser_and_day):
    """Full-evidence visits: a list of lists of row dictionaries, one visit for each tuple of causes.

    Rows: full stage as installed with all checks, low stage, full stage with the intake duct off, with the exhaust
    duct off. ``sites``: ``mixed`` (to 2500 m, -20 to 25 °C), ``wide`` (to 4000 m, -25 to 25 °C), ``high`` (2000 to
    4200 m, -25 to 20 °C), or the baseline's. ``analyser_and_day``: ``cell`` and ``flue_offset_k`` of the analyser,
    ``wind`` around the casing, ``noted`` of the site (``altitude_m`` in place of ``pressure_hpa``).
    """
    size = len(names)
    wind = analyser_and_day.pop("wind", np.ones(size))
    noted = analyser_and_day.pop("noted", "pressure_hpa")
    site = _sites(sites, size, rng)
    altitude_m = site.pop("altitude_m")
    site["wind"] = wind
    case = faults_of(names, rng, heater, low, high)
    day = {key: 1.0 + sd * rng.standard_normal(size) for key, sd in DAY.items()}
    analyser = Analyser(rng, size, **analyser_and_day)
    at_port = rng.random(size) < 0.6
    rows = []
    for stage, arrangement in plans:
        place = _place(heater, case, day, site, stage, arrangement, rng)
        read = _row(heater, case, place, stage, analyser, rng)
        seen_intake = np.where(at_port, read.pop("port_c"), site["intake_c"])
        if noted == "altitude_m":
            read[noted] = np.round(altitude_m)
        else:
            read[noted] = np.round(site["pressure_hpa"], 1)
        read["intake_temp_c"] = np.round(seen_intake + 0.7 * rng.standard_normal(size), 1)
        state = read.pop("state")
        if not rows:
            read |= _checks(heater, state, case, names, rng)
        rows.append((stage, arrangement, read))
    return [
        [
            {"stage": stage, "arrangement": arrangement, "location": "outdoors", "co2_origin": "calculated"}
            | {key: _plain(column[i]) for key, column in read.items() if _plain(column[i]) is not None}
            for stage, arrangement, read in rows
        ]
        for i in range(size)
    ]


def _sites(kind, size, rng):
    """Pressure, intake and heating-air temperature of each visit."""
    if kind == "mixed":
        altitude = rng.uniform(0.0, 2500.0, size) * (rng.random(size) < 0.6)
        intake = rng.uniform(-20.0, 25.0, size)
    elif kind == "wide":
        altitude, intake = rng.uniform(0.0, 4000.0, size), rng.uniform(-25.0, 25.0, size)
    elif kind == "high":
        altitude, intake = rng.uniform(2000.0, 4200.0, size), rng.uniform(-25.0, 20.0, size)
    else:
        altitude, intake = np.full(size, 210.0), np.full(size, 15.0)
    weather = 1.0 + 0.008 * rng.standard_normal(size)
    pressure = 1013.25 * (1.0 - 2.25577e-5 * altitude) ** 5.25588 * weather
    air_in = intake + rng.uniform(0.0, 6.0, size)
    return {"pressure_hpa": pressure, "intake_c": intake, "air_in_c": air_in, "altitude_m": altitude}


def _place(heater, case, day, site, stage, arrangement, rng):
    """The condition of the heater for one row of every visit."""
    size, low = len(case["fuel"]), stage == "low"
    parts = {key: case[key] * day[key] for key in ("r_in", "r_ex", "r_b", "dirt", "duct")}
    returned = np.ones(size)
    if arrangement != "as_installed":
        side = "r_in" if arrangement == "intake_duct_off" else "r_ex"
        parts[side] = np.full(size, heater.hidden.left_in if side == "r_in" else heater.hidden.left_ex)
        returned = rng.uniform(0.0, 0.1, size)
    return Condition(
        **site,
        **parts,
        fuel_c=site["intake_c"],
        speed=case["speed_low" if low else "speed"] * day["speed"],
        head=case["head"],
        fuel=case["fuel"] * (case["fuel_low"] if low else 1.0) * day["fuel"],
        need=case["need"],
        heat_per_air=case["heat_per_air"],
        returned_heat=case["returned_heat"],
        recirculated=case["recirculated"] * returned,
    )


def _row(heater, case, place, stage, analyser, rng):
    """Columns of one row of every visit, with the true state under ``state`` and the port's temperature."""
    size, low = len(case["fuel"]), stage == "low"
    normal = lambda: rng.standard_normal(size)  # noqa: E731
    state = {key: np.asarray(value) for key, value in heater.run(heater.stages[stage], place).items()}
    pulses, turns = (HZ_LOW if low else HZ_HIGH) * case["freq"], (RPM_LOW if low else RPM_HIGH) * place.speed
    scale = 1.0
    if not low and np.any(case["shift"] > 0.0):
        state, pulses, turns, scale = _regulated_down(heater, state, place, case["shift"], pulses, turns)
    shaky = case["unsteady"]
    moved = {
        "unsteady_o2": shaky * (0.6 + 1.4 * normal()),
        "unsteady_flue": shaky * (-35.0 + 40.0 * normal()),
        "unsteady_rise": shaky * (-0.06 + 0.14 * normal()),
        "unsteady_co": shaky * np.abs(1.0 + 0.7 * normal()),
        "unsteady_static": 0.12 * shaky,
    }
    read = analyser.read(heater, stage, state, place, case | moved, rng)
    for key in ("intake_static_pa", "exhaust_static_pa"):
        read[key] = np.round(read[key] * scale)
    volts = heater.volts * case["volts"] * (1.0 + 0.015 * normal()) + 0.03 * normal()
    read["supply_v"] = np.round(volts, 2)
    read["blower_rpm"] = np.round(turns * (1.0 + 0.006 * normal()))
    read["pump_hz"] = np.round(pulses * (1.0 + 0.004 * normal()), 2)
    return read | {"state": state, "port_c": state["port_c"]}


def _regulated_down(heater, state, place, shift, pulses, turns):
    """The heater ran part of the way towards its low stage while the high one was noted."""
    low = heater.run(heater.stages["low"], place)
    mixed = {}
    for key, value in state.items():
        other = np.asarray(low[key])
        mixed[key] = np.where(shift > 0.0, value + shift * (other - value), value)
    go = lambda a, b: np.where(shift > 0.0, a * (b / a) ** shift, a)  # noqa: E731
    scale = np.where(shift > 0.0, (PORT_PA["low"] / PORT_PA["high"]) ** shift, 1.0)
    return mixed, go(pulses, HZ_LOW), go(turns, RPM_LOW * place.speed), scale


def _plain(value):
    if isinstance(value, (str, np.str_)):
        return str(value) or None
    return None if np.isnan(value) else float(value)


def _checks(heater, state, c, names, rng):
    """Columns of the checks that are made once."""
    size = len(names)
    normal = lambda: rng.standard_normal(size)  # noqa: E731
    o2, co2, _ = dry_gas(state["air_ratio"])
    share = c["recirculated"]
    has = lambda cause: np.array([cause in causes for causes in names])  # noqa: E731

    def look(usual, special):
        out = []
        for causes in names:
            table = next((special[cause] for cause in causes if cause in special), usual)
            out.append(rng.choice(list(table), p=list(table.values())))
        return np.array(out, dtype=object)

    strokes = np.full(size, 200.0)
    unsteady = c["unsteady"] > 0.0
    petrol = c["petrol"] > 0.5
    sample = look(
        {"as_stated": 0.99, "other": 0.006, "waxed": 0.004},
        {
            "fuel_other": {"as_stated": 0.10, "other": 0.90},
            "gasoline_in_diesel": {"as_stated": 0.10, "other": 0.90},
            "diesel_in_gasoline": {"as_stated": 0.10, "other": 0.90},
            "water_in_fuel": {"as_stated": 0.25, "water": 0.75},
            "fuel_under": {"as_stated": 0.90, "waxed": 0.06, "water": 0.04},
        },
    )
    sample = np.where(petrol & (sample == "other"), "gasoline", sample)
    return {
        "ambient_o2_pct": np.round(20.9 + c["offset"] + 0.08 * normal(), 1),
        "span_o2_pct": np.full(size, 6.0),
        "span_o2_read_pct": np.round(6.0 + c["offset"] - c["slope"] * 14.95 + 0.1 * normal(), 1),
        "intake_co2_pct": np.round(np.maximum(0.0, 0.04 + share * co2 + 0.05 * normal()), 2),
        "intake_o2_pct": np.round(np.minimum(20.9 - share * (20.9 - o2) + 0.08 * normal(), 21.2), 1),
        "strokes": strokes,
        "delivered_ml": np.round(
            strokes * STROKE_UL * 1e-3 * heater.hidden.stroke_true * c["delivery"] * (1.0 + 0.01 * normal()), 2
        ),
        "o2_span_over_3min_pct": np.round(
            np.where(unsteady, np.exp(-0.3 + 0.5 * normal()), np.exp(-2.3 + 0.3 * normal())), 2
        ),
        "flue_drift_k_per_min": np.round(
            np.where(unsteady, np.exp(1.6 + 0.6 * normal()), np.exp(-0.9 + 0.45 * normal())), 1
        ),
        "minutes_since_ignition": np.where(
            unsteady, rng.uniform(2.0, 12.0, size), rng.uniform(10.0, 40.0, size)
        ).round(),
        "probe_leak_test": look({"pass": 0.997, "fail": 0.003}, {"sample_air_leak": {"pass": 0.10, "fail": 0.90}}),
        "sample_line": look({"dry": 0.997, "wet": 0.003}, {"sample_wet": {"dry": 0.10, "wet": 0.90}}),
        "analyser_fuel": np.where(
            c["setting"] == 11.8, "natural gas", np.where(c["setting"] == 13.8, "liquefied gas", "heating oil")
        ),
        "terminals": look(
            {"clear": 0.96, "intake_blocked": 0.02, "exhaust_blocked": 0.02},
            {
                "intake_restricted": {"clear": 0.5, "intake_blocked": 0.5},
                "exhaust_restricted": {"clear": 0.5, "exhaust_blocked": 0.5},
            },
        ),
        "fuel_sample": sample,
        "strip_down": np.where(
            rng.random(size) < 0.92,
            np.select(
                [has("burner_fouled"), has("exchanger_fouled"), has("blower_weak")],
                ["burner_fouled", "exchanger_fouled", "blower_weak"],
                "nothing_found",
            ),
            "nothing_found",
        ),
    }
