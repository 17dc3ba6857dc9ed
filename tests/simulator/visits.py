"""Simulated heaters and visits: hidden structure, a fault, a site, an analyser with its errors, and every column."""

from __future__ import annotations

import numpy as np

from tests.simulator.physics import Condition, Heater, Hidden, Stage, dry_gas

CAUSES = (
    "healthy intake_restricted exhaust_restricted exhaust_recirculated supply_low blower_weak fuel_over fuel_under "
    "burner_fouled exchanger_fouled heating_air_restricted sample_air_leak sample_wet o2_cell_drift "
    "analyser_fuel_setting fuel_other stage_mistaken not_steady"
).split()
HEATER_FAULTS = CAUSES[1:11]
STROKE_UL, HZ_HIGH, HZ_LOW, RPM_HIGH, RPM_LOW = 36.0, 3.32, 1.11, 4700.0, 2100.0
PORT_PA = {"high": 420.0, "low": 80.0}


def hidden_heater(rng, blower="centrifugal"):
    """Draw a heater: structure nobody knows and two stages."""
    shares = rng.dirichlet([6.0, 12.0, 8.0])
    side = blower == "side_channel"
    hidden = Hidden(
        blower=blower,
        a1=rng.uniform(1.4, 2.6) if side else rng.uniform(0.05, 0.40),
        a2=rng.uniform(0.0, 0.4) if side else rng.uniform(0.25, 0.65),
        w_in=shares[0],
        w_b=shares[1],
        w_ex=shares[2],
        exponent_in=rng.uniform(1.8, 2.0),
        exponent_b=rng.uniform(1.8, 2.0),
        exponent_ex=rng.uniform(1.8, 2.0),
        hot=rng.uniform(0.3, 0.85),
        gas_exponent=rng.uniform(0.58, 0.82),
        air_exponent=rng.uniform(0.5, 0.8),
        air_resistance=rng.uniform(0.05, 0.25),
        radiated=rng.uniform(0.03, 0.12),
        co_knee=rng.uniform(1.20, 1.38),
        co_slope=rng.uniform(9.0, 18.0),
        saturation=rng.uniform(0.82, 0.96),
        regulated=bool(rng.random() < 0.7),
        shaft=True,
        stroke_true=1.0 + 0.03 * rng.standard_normal(),
        left_in=rng.uniform(0.03, 0.15),
        left_ex=rng.uniform(0.03, 0.15),
    )
    low_rise = rng.uniform(42.0, 58.0)
    stages = {
        "high": Stage(rng.uniform(1.48, 1.72), 1.0, 1.0, rng.uniform(290.0, 370.0), rng.uniform(65.0, 82.0)),
        "low": Stage(rng.uniform(1.9, 2.2), 0.335, RPM_LOW / RPM_HIGH, rng.uniform(165.0, 225.0), low_rise),
    }
    heater = Heater(hidden, stages)
    heater.co_base = {"high": rng.uniform(25.0, 80.0), "low": rng.uniform(30.0, 90.0)}
    heater.smoke_base = rng.uniform(0.2, 1.2)
    heater.volts = rng.uniform(12.4, 12.9)
    return heater


def profile(heater, rng, heater_id="LF-0001"):
    """The profile a technician would write: plate and one measured healthy reading of each stage."""
    baselines = []
    analyser = Analyser(rng, 1)
    for name in ("high", "low"):
        place = Condition(pressure_hpa=np.array([988.0]), intake_c=np.array([15.0]), air_in_c=np.array([15.0]))
        state = heater.run(heater.stages[name], place)
        row = analyser.read(heater, name, state, place, {}, rng)
        baselines.append(
            {
                "origin": "unit",
                "stage": name,
                "pressure_hpa": 988.0,
                "intake_temp_c": 15.0,
                **{
                    key: float(row[key][0])
                    for key in (
                        "o2_dry_pct co_dry_ppm flue_temp_c air_in_temp_c air_out_temp_c intake_static_pa "
                        "exhaust_static_pa smoke_number"
                    ).split()
                },
                "supply_v": round(heater.volts + 0.05 * rng.standard_normal(), 2),
                "blower_rpm": round((RPM_HIGH if name == "high" else RPM_LOW) * (1.0 + 0.004 * rng.standard_normal())),
                "pump_hz": HZ_HIGH if name == "high" else HZ_LOW,
            }
        )
    return {
        "heater_id": heater_id,
        "fuel": "diesel_b7",
        "nominal_v": 12,
        "blower": heater.hidden.blower,
        "speed_regulated": heater.hidden.regulated,
        "heating_air_on_same_shaft": True,
        "stroke_ul": STROKE_UL,
        "stages": {
            "high": {"fuel_l_per_h": 0.43, "useful_heat_kw": 3.4, "pump_hz": HZ_HIGH, "blower_rpm": 4600, "air_ratio_band": [1.35, 1.8]},
            "low": {"fuel_l_per_h": 0.144, "useful_heat_kw": 1.2, "pump_hz": HZ_LOW, "blower_rpm": 2100, "air_ratio_band": [1.8, 2.4]},
        },
        "baseline": baselines,
    }


class Analyser:
    """One analyser on one visit (arrays over visits): errors within its class that stay for the visit."""

    def __init__(self, rng, size):
        self.o2 = 0.12 * rng.standard_normal(size)
        self.flue = 0.006 * rng.standard_normal(size)
        self.air = 0.6 * rng.standard_normal((2, size))
        self.static = 0.02 * rng.standard_normal((2, size))

    def read(self, heater, stage, state, place, fault, rng):
        """Columns of one row."""
        size = len(self.o2)
        normal = lambda: rng.standard_normal(size)  # noqa: E731
        zero = np.zeros(size)
        get = lambda key, usual=0.0: fault.get(key, zero + usual)  # noqa: E731
        ratio = state["air_ratio"]
        o2, _, water = dry_gas(ratio)
        kept = 1.0 - water * get("wet")
        leak = get("leak")
        shown = (o2 * kept) * (1.0 - leak) + 20.95 * leak
        shown = 20.95 - (20.95 - shown) * (1.0 + get("slope")) + get("offset")
        shown = shown + self.o2 + 0.08 * normal() + get("unsteady_o2")
        o2_read = np.round(np.clip(shown, 0.0, 20.9), 1)
        maximum = 15.35 * (1.0 + 0.005 * normal())
        setting = np.where(get("setting") > 0.0, get("setting"), maximum)
        co2 = np.round(setting * (20.95 - o2_read) / 20.95, 1)
        rich = np.maximum(0.0, heater.hidden.co_knee - ratio)
        lean = np.maximum(0.0, ratio - 2.6)
        log_co = np.log(heater.co_base[stage]) + heater.hidden.co_slope * rich + 3.0 * lean + get("co") + 0.25 * normal()
        log_co = np.minimum(log_co + np.log(kept * (1.0 - leak)) + get("unsteady_co"), np.log(90_000.0))
        smoke = heater.smoke_base + 10.0 * rich + get("smoke") + 0.6 * normal() + 0.5 * get("unsteady_co")
        flue = state["flue_c"] * (1.0 + self.flue) + 4.0 * normal() + get("unsteady_flue")
        rise = state["rise_k"] * (1.0 + 0.015 * normal()) * np.exp(get("unsteady_rise"))
        cold = place.air_in_c + self.air[0]
        pa = PORT_PA[stage]
        wobble = 1.0 + get("unsteady_static") * normal()
        return {
            "o2_dry_pct": o2_read,
            "co2_dry_pct": co2,
            "co_dry_ppm": np.round(np.exp(log_co)),
            "smoke_number": np.clip(np.round(smoke), 0.0, 9.0),
            "flue_temp_c": np.round(flue, 0),
            "air_in_temp_c": np.round(cold, 1),
            "air_out_temp_c": np.round(np.minimum(cold + rise + 0.6 * normal() + self.air[1], 245.0), 1),
            "intake_static_pa": -np.round(pa * state["suction"] * wobble * (1.0 + self.static[0] + 0.02 * normal()) + 1.0 * normal(), 0),
            "exhaust_static_pa": np.round(pa * state["back"] * wobble * (1.0 + self.static[1] + 0.02 * normal()) + 1.0 * normal(), 0),
        }


def faults_of(names, rng, heater, low=0.15, high=0.40):
    """Condition changes and measurement faults for a list of (sets of) causes, as arrays over visits.

    Flow faults remove ``low`` to ``high`` of the air (or change the fuel by as much) at full stage, at design.
    """
    size = len(names)
    ones, zero = np.ones(size), np.zeros(size)
    c = {key: ones.copy() for key in "head r_in r_b r_ex fuel need heat_per_air released dirt duct".split()}
    c |= {"speed": ones.copy(), "speed_low": ones.copy(), "fuel_low": ones.copy(), "recirculated": zero.copy(), "returned_heat": ones.copy()}
    m = {key: zero.copy() for key in "wet leak slope offset setting co smoke shift unsteady volts rpm_seen freq delivery port_known".split()}
    m["rpm_seen"], m["freq"], m["delivery"], m["volts"] = ones.copy(), ones.copy(), ones.copy(), ones.copy()
    hidden = heater.hidden

    def resistance(remaining):
        """Total resistance that leaves a share of the flow, by the blower's own curve."""
        return hidden.curve(remaining) / remaining**1.93

    for i, causes in enumerate(names):
        for cause in causes:
            size_ = rng.uniform(low, high)
            if cause == "intake_restricted":
                c["r_in"][i] += (resistance(1.0 - size_) - 1.0) / hidden.w_in
            elif cause == "exhaust_restricted":
                c["r_ex"][i] += (resistance(1.0 - size_) - 1.0) / hidden.w_ex
            elif cause == "exhaust_recirculated":
                c["recirculated"][i] = size_
                c["returned_heat"][i] = rng.uniform(0.4, 1.0)
            elif cause == "supply_low":
                if hidden.regulated:
                    m["volts"][i] = hidden.saturation * (1.0 - size_)
                    c["speed_low"][i] *= min(1.0, m["volts"][i] / (hidden.saturation * RPM_LOW / RPM_HIGH))
                else:
                    m["volts"][i] = 1.0 - size_ / rng.uniform(1.02, 1.3)
                    c["speed_low"][i] *= 1.0 - size_
                c["speed"][i] *= 1.0 - size_
                c["fuel"][i] *= 1.0 - rng.uniform(0.0, 0.3) * (1.0 - m["volts"][i])
            elif cause == "blower_weak":
                if rng.random() < 0.5:
                    c["speed"][i] *= 1.0 - size_
                    c["speed_low"][i] *= 1.0 - size_
                else:
                    c["head"][i] /= resistance(1.0 - size_)
            elif cause in ("fuel_over", "fuel_under"):
                factor = 1.0 + size_ if cause == "fuel_over" else 1.0 - size_
                way = rng.random()
                if way < 0.1:
                    m["freq"][i] *= factor
                elif cause == "fuel_under" and way < 0.4:
                    c["fuel"][i] *= factor
                    c["fuel_low"][i] /= 1.0 - size_ * rng.uniform(0.6, 1.0)
                    m["delivery"][i] *= 1.0 - size_ * rng.uniform(0.2, 1.0)
                    continue
                else:
                    m["delivery"][i] *= factor
                c["fuel"][i] *= factor
            elif cause == "burner_fouled":
                m["co"][i] += rng.uniform(1.2, 2.6)
                m["smoke"][i] += rng.uniform(1.5, 4.0)
                c["r_b"][i] += (resistance(1.0 - rng.uniform(0.02, 0.10)) - 1.0) / hidden.w_b
                c["dirt"][i] *= rng.uniform(0.88, 0.99)
            elif cause == "exchanger_fouled":
                c["dirt"][i] *= 1.0 - rng.uniform(max(low, 0.15), high)
                c["r_b"][i] += (resistance(1.0 - rng.uniform(0.0, 0.06)) - 1.0) / hidden.w_b
            elif cause == "heating_air_restricted":
                c["duct"][i] *= 1.0 - rng.uniform(low, high)
            elif cause == "sample_air_leak":
                m["leak"][i] = rng.uniform(0.12, 0.35)
            elif cause == "sample_wet":
                m["wet"][i] = rng.uniform(0.6, 1.0)
            elif cause == "o2_cell_drift":
                sign = rng.choice([-1.0, 1.0])
                if rng.random() < 0.6:
                    m["offset"][i] = sign * rng.uniform(0.8, 2.0)
                else:
                    m["slope"][i] = sign * rng.uniform(0.065, 0.16)
            elif cause == "analyser_fuel_setting":
                m["setting"][i] = rng.choice([11.8, 13.8])
            elif cause == "fuel_other":
                kind = rng.choice(["paraffinic", "fame", "petrol", "kerosene"])
                need, heat = {"paraffinic": (0.958, 1.0), "fame": (0.905, 1.015), "petrol": (0.862, 1.01), "kerosene": (0.965, 1.0)}[kind]
                c["need"][i], c["heat_per_air"][i] = need, heat
                m["port_known"][i] = {"petrol": 2.0}.get(kind, 1.0)
            elif cause == "stage_mistaken":
                m["shift"][i] = rng.uniform(0.55, 1.0)
            elif cause == "not_steady":
                m["unsteady"][i] = 1.0
    return c, m


def drawn_causes(rng, size):
    """Single causes and healthy heaters in the proportions of the stated prior (0.20 to 0.70)."""
    faults = rng.choice(CAUSES[1:], size)
    return [(str(cause),) if rng.random() < 0.70 / 0.90 else ("healthy",) for cause in faults]


def visits(heater, names, rng, *, low=0.15, high=0.40, sites="mixed"):
    """Full-evidence visits: a list of lists of row dictionaries, one visit for each tuple of causes.

    Rows: full stage as installed with all checks, low stage, full stage with the intake duct off, with the exhaust
    duct off.
    """
    size = len(names)
    if sites == "mixed":
        altitude = rng.uniform(0.0, 2500.0, size) * (rng.random(size) < 0.6)
        intake = rng.uniform(-20.0, 25.0, size)
    elif sites == "wide":
        altitude, intake = rng.uniform(0.0, 4000.0, size), rng.uniform(-25.0, 25.0, size)
    else:
        altitude, intake = np.full(size, 210.0), np.full(size, 15.0)
    pressure = 1013.25 * (1.0 - 2.25577e-5 * altitude) ** 5.25588 * (1.0 + 0.008 * rng.standard_normal(size))
    air_in = intake + rng.uniform(0.0, 6.0, size)
    c, m = faults_of(names, rng, heater, low, high)
    jitter = lambda sd: 1.0 + sd * rng.standard_normal(size)  # noqa: E731
    day = {key: jitter(sd) for key, sd in (("speed", 0.008), ("r_b", 0.03), ("fuel", 0.015), ("dirt", 0.02), ("duct", 0.02), ("r_in", 0.04), ("r_ex", 0.04))}
    analyser = Analyser(rng, size)
    at_port = rng.random(size) < 0.6
    unsteady = m["unsteady"]
    rows = []
    plans = (("high", "as_installed"), ("low", "as_installed"), ("high", "intake_duct_off"), ("high", "exhaust_duct_off"))
    for name, arrangement in plans:
        low_stage = name == "low"
        inside = {
            "r_in": c["r_in"] * day["r_in"] if arrangement != "intake_duct_off" else np.full(size, heater.hidden.left_in),
            "r_ex": c["r_ex"] * day["r_ex"] if arrangement != "exhaust_duct_off" else np.full(size, heater.hidden.left_ex),
            "recirculated": c["recirculated"] * (1.0 if arrangement == "as_installed" else rng.uniform(0.0, 0.1, size)),
        }
        place = Condition(
            pressure_hpa=pressure,
            intake_c=intake,
            air_in_c=air_in,
            fuel_c=intake,
            speed=(c["speed_low"] if low_stage else c["speed"]) * day["speed"],
            head=c["head"],
            r_b=c["r_b"] * day["r_b"],
            fuel=c["fuel"] * (c["fuel_low"] if low_stage else 1.0) * day["fuel"],
            need=c["need"],
            heat_per_air=c["heat_per_air"],
            released=c["released"],
            dirt=c["dirt"] * day["dirt"],
            duct=c["duct"] * day["duct"],
            returned_heat=c["returned_heat"],
            **inside,
        )
        state = heater.run(heater.stages[name], place)
        ratio_true = {key: np.asarray(value) for key, value in state.items()}
        hz = HZ_LOW if low_stage else HZ_HIGH
        rpm = RPM_LOW if low_stage else RPM_HIGH
        pulses, turns = hz * m["freq"], rpm * place.speed
        scale = 1.0
        if not low_stage and np.any(m["shift"] > 0.0):
            ratio_true, pulses, turns, scale = _regulated_down(heater, ratio_true, place, m["shift"], pulses, turns)
        moved = {
            "unsteady_o2": unsteady * (0.6 + 1.4 * rng.standard_normal(size)),
            "unsteady_flue": unsteady * (-35.0 + 40.0 * rng.standard_normal(size)),
            "unsteady_rise": unsteady * (-0.06 + 0.14 * rng.standard_normal(size)),
            "unsteady_co": unsteady * np.abs(1.0 + 0.7 * rng.standard_normal(size)),
            "unsteady_static": 0.12 * unsteady,
        }
        read = analyser.read(heater, name, ratio_true, place, m | moved, rng)
        for key in ("intake_static_pa", "exhaust_static_pa"):
            read[key] = np.round(read[key] * scale)
        seen_intake = np.where(at_port, ratio_true["port_c"], intake)
        read |= {
            "pressure_hpa": np.round(pressure, 1),
            "intake_temp_c": np.round(seen_intake + 0.7 * rng.standard_normal(size), 1),
            "supply_v": np.round(heater.volts * m["volts"] * jitter(0.015) + 0.03 * rng.standard_normal(size), 2),
            "blower_rpm": np.round(turns * jitter(0.006)),
            "pump_hz": np.round(pulses * jitter(0.004), 2),
        }
        if name == "high" and arrangement == "as_installed":
            read |= _checks(heater, ratio_true, m, c, names, rng)
        rows.append((name, arrangement, read))
    return [
        [
            {"stage": name, "arrangement": arrangement, "location": "outdoors", "co2_origin": "calculated"}
            | {key: _plain(column[i]) for key, column in read.items() if _plain(column[i]) is not None}
            for name, arrangement, read in rows
        ]
        for i in range(size)
    ]


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


def _checks(heater, state, m, c, names, rng):
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
    unsteady = m["unsteady"] > 0.0
    petrol = m["port_known"] > 1.5
    sample = look(
        {"as_stated": 0.97, "other": 0.02, "waxed": 0.01},
        {"fuel_other": {"as_stated": 0.10, "other": 0.90}, "fuel_under": {"as_stated": 0.90, "waxed": 0.06, "water": 0.04}},
    )
    sample = np.where(petrol & (sample == "other"), "gasoline", sample)
    return {
        "ambient_o2_pct": np.round(20.9 + m["offset"] + 0.08 * normal(), 1),
        "span_o2_pct": np.full(size, 6.0),
        "span_o2_read_pct": np.round(6.0 + m["offset"] - m["slope"] * 14.95 + 0.1 * normal(), 1),
        "intake_co2_pct": np.round(np.maximum(0.0, 0.04 + share * co2 + 0.05 * normal()), 2),
        "intake_o2_pct": np.round(np.minimum(20.9 - share * (20.9 - o2) + 0.08 * normal(), 21.2), 1),
        "strokes": strokes,
        "delivered_ml": np.round(strokes * STROKE_UL * 1e-3 * heater.hidden.stroke_true * m["delivery"] * (1.0 + 0.01 * normal()), 2),
        "o2_span_over_3min_pct": np.round(np.where(unsteady, np.exp(-0.3 + 0.5 * normal()), np.exp(-2.3 + 0.3 * normal())), 2),
        "flue_drift_k_per_min": np.round(np.where(unsteady, np.exp(1.6 + 0.6 * normal()), np.exp(-0.9 + 0.45 * normal())), 1),
        "minutes_since_ignition": np.where(unsteady, rng.uniform(2.0, 12.0, size), rng.uniform(10.0, 40.0, size)).round(),
        "probe_leak_test": look({"pass": 0.997, "fail": 0.003}, {"sample_air_leak": {"pass": 0.10, "fail": 0.90}}),
        "sample_line": look({"dry": 0.997, "wet": 0.003}, {"sample_wet": {"dry": 0.10, "wet": 0.90}}),
        "analyser_fuel": np.where(m["setting"] == 11.8, "natural gas", np.where(m["setting"] == 13.8, "liquefied gas", "heating oil")),
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
            np.select([has("burner_fouled"), has("exchanger_fouled"), has("blower_weak")], ["burner_fouled", "exchanger_fouled", "blower_weak"], "nothing_found"),
            "nothing_found",
        ),
    }


CONTEXT = ("stage", "arrangement", "location", "pressure_hpa", "intake_temp_c", "co2_origin")
GAS = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm")
TEMPERATURES = ("flue_temp_c", "air_in_temp_c", "air_out_temp_c")
CHECKS = {
    "ambient_air": ("ambient_o2_pct",),
    "probe_leak": ("probe_leak_test", "sample_line"),
    "analyser_settings": ("analyser_fuel",),
    "stage_and_steadiness": ("pump_hz", "o2_span_over_3min_pct", "flue_drift_k_per_min", "minutes_since_ignition"),
    "supply_voltage": ("supply_v",),
    "intake_air_co2": ("intake_co2_pct", "intake_o2_pct"),
    "heating_air": ("air_in_temp_c", "air_out_temp_c"),
    "look_at_terminals": ("terminals",),
    "port_pressures": ("intake_static_pa", "exhaust_static_pa"),
    "fuel_sample": ("fuel_sample",),
    "pump_delivery": ("strokes", "delivered_ml"),
    "blower_speed": ("blower_rpm",),
    "span_gas": ("span_o2_pct", "span_o2_read_pct"),
    "strip_down": ("strip_down",),
}
ROW_OF_CHECK = {"second_stage": 1, "intake_duct_off": 2, "exhaust_duct_off": 3}
WORKSHOP = tuple(
    column
    for check in ("port_pressures", "supply_voltage", "ambient_air", "probe_leak", "pump_delivery")
    for column in CHECKS[check]
)


def only(visit, columns, rows=(0,)):
    """The rows of a visit with some columns only (context always kept); columns None = all."""
    return [
        {key: value for key, value in visit[index].items() if columns is None or key in CONTEXT or key in columns}
        for index in rows
    ]


def with_check(known, visit, check):
    """The known rows of a visit with the columns of one more check."""
    if check in ROW_OF_CHECK:
        columns = (*GAS, *(key for key in TEMPERATURES if key in known[0]))
        return [*known, *only(visit, columns, (ROW_OF_CHECK[check],))]
    more = {key: visit[0][key] for key in CHECKS.get(check, ()) if key in visit[0]}
    return [{**known[0], **more}, *known[1:]]
