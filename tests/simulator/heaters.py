"""Simulated heaters, the profile a technician would write of each, and the analyser with its errors."""

from __future__ import annotations

import numpy as np

from tests.simulator.physics import NEED, O2_AIR, Condition, Heater, Hidden, Stage, dry_gas

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


def profile(heater, rng, heater_id="heater-0001", **unhealthy):
    """The profile a technician would write: plate and one measured reading of each stage, believed to be healthy.

    ``unhealthy``: what was wrong with the heater on that day, as fields of a condition.
    """
    baselines = []
    analyser = Analyser(rng, 1)
    for name in ("high", "low"):
        day = {"pressure_hpa": 988.0, "intake_c": 15.0, "air_in_c": 15.0} | unhealthy
        place = Condition(**{key: np.array([value]) for key, value in day.items()})
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
                    for key in [
                        "o2_dry_pct",
                        "co_dry_ppm",
                        "flue_temp_c",
                        "air_in_temp_c",
                        "air_out_temp_c",
                        "intake_static_pa",
                        "exhaust_static_pa",
                        "smoke_number",
                    ]
                },
                "supply_v": round(heater.volts + 0.05 * rng.standard_normal(), 2),
                "blower_rpm": round((RPM_HIGH if name == "high" else RPM_LOW) * (1.0 + 0.004 * rng.standard_normal())),
                "pump_hz": HZ_HIGH if name == "high" else HZ_LOW,
            }
        )
    return {
        "heater_id": heater_id,
        "limits": {"altitude_m": 5000.0},
        "fuel": "diesel_b7",
        "nominal_v": 12,
        "blower": heater.hidden.blower,
        "speed_regulated": heater.hidden.regulated,
        "heating_air_on_same_shaft": True,
        "stroke_ul": STROKE_UL,
        "stages": {
            "high": {
                "fuel_l_per_h": 0.43,
                "useful_heat_kw": 3.4,
                "pump_hz": HZ_HIGH,
                "blower_rpm": 4600,
                "air_ratio_band": [1.35, 1.8],
            },
            "low": {
                "fuel_l_per_h": 0.144,
                "useful_heat_kw": 1.2,
                "pump_hz": HZ_LOW,
                "blower_rpm": 2100,
                "air_ratio_band": [1.8, 2.4],
            },
        },
        "baseline": baselines,
    }


def co2_beside(o2, co):
    """CO2 of the dry gas [%] that holds so much O2 and CO [%]: carbon, oxygen and nitrogen balanced, soot left out."""
    nitrogen = (1.0 - O2_AIR) / O2_AIR
    dry_at_one = 1.0 + nitrogen * NEED
    return (100.0 - (1.0 + nitrogen) * o2 + 0.5 * nitrogen * co) / dry_at_one - co


class Analyser:
    """One analyser on one visit (arrays over visits): errors within its class that stay for the visit.

    ``cell`` is a generator: the analyser has a CO2 cell of its own too. ``flue_offset_k``: its flue sensor is off.
    """

    def __init__(self, rng, size, *, cell=None, flue_offset_k=0.0):
        self.o2 = 0.12 * rng.standard_normal(size)
        self.flue = 0.006 * rng.standard_normal(size)
        self.air = 0.6 * rng.standard_normal((2, size))
        self.static = 0.02 * rng.standard_normal((2, size))
        self.flue_offset_k = flue_offset_k
        self.cell = cell
        self.co2 = None if cell is None else 0.12 * cell.standard_normal(size)

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
        log_co = (
            np.log(heater.co_base[stage]) + heater.hidden.co_slope * rich + 3.0 * lean + get("co") + 0.25 * normal()
        )
        log_co = np.minimum(log_co + np.log(kept * (1.0 - leak)) + get("unsteady_co"), np.log(90_000.0))
        smoke = heater.smoke_base + 10.0 * rich + get("smoke") + 0.6 * normal() + 0.5 * get("unsteady_co")
        flue = state["flue_c"] * (1.0 + self.flue) + 4.0 * normal() + get("unsteady_flue") + self.flue_offset_k
        rise = state["rise_k"] * (1.0 + 0.015 * normal()) * np.exp(get("unsteady_rise"))
        cold = place.air_in_c + self.air[0]
        pa = PORT_PA[stage]
        wobble = 1.0 + get("unsteady_static") * normal()
        own_cell = {}
        if self.cell is not None:
            co = 1e-4 * np.exp(log_co) / (kept * (1.0 - leak))
            co2_true = co2_beside(o2, co)
            moved = get("unsteady_o2") * co2_true / np.maximum(20.95 - o2, 1.0)
            read = co2_true * kept * (1.0 - leak) - moved + self.co2 + 0.05 * self.cell.standard_normal(size)
            own_cell = {"co2_measured_pct": np.round(np.clip(read, 0.0, 20.0), 1)}
        return own_cell | {
            "o2_dry_pct": o2_read,
            "co2_dry_pct": co2,
            "co_dry_ppm": np.round(np.exp(log_co)),
            "smoke_number": np.clip(np.round(smoke), 0.0, 9.0),
            "flue_temp_c": np.round(flue, 0),
            "air_in_temp_c": np.round(cold, 1),
            "air_out_temp_c": np.round(np.minimum(cold + rise + 0.6 * normal() + self.air[1], 245.0), 1),
            "intake_static_pa": -np.round(
                pa * state["suction"] * wobble * (1.0 + self.static[0] + 0.02 * normal()) + 1.0 * normal(), 0
            ),
            "exhaust_static_pa": np.round(
                pa * state["back"] * wobble * (1.0 + self.static[1] + 0.02 * normal()) + 1.0 * normal(), 0
            ),
        }
