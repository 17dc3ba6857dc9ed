"""From parameters to what a row would read: the channels, each nearly Gaussian around its expectation."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import Convictions
from combust.application.causes.draws import Parameters
from combust.application.causes.rows import (
    Healthy,
    Row,
    air_ratio_of_co2,
    air_ratio_of_o2,
    dry_o2_of_air_ratio,
    oxygen_need,
)
from combust.domain.heater import Heater
from combust.kernel.constants import DRY_AIR
from combust.kernel.heater_air import HealthyState, HeaterParameters, HeaterState, heater_state
from combust.kernel.heater_heat import FuelHeat, fuel_heat
from combust.kernel.types import Floats

ROW_CHANNELS = (
    "o2",
    "co2",
    "setting",
    "co",
    "smoke",
    "flue",
    "rise",
    "voltage",
    "speed",
    "intake_static",
    "exhaust_static",
    "frequency",
)
VISIT_CHANNELS = ("delivery", "ambient_o2", "span", "intake_co2", "intake_o2", "span_over_3min", "drift")
ALL_CHANNELS = frozenset((*ROW_CHANNELS, *VISIT_CHANNELS))
SIMPLE_CHECKS = frozenset(("delivery", "ambient_o2", "span", "span_over_3min", "drift"))
OF_STATE = frozenset(
    ("o2", "co2", "co", "smoke", "flue", "rise", "intake_static", "exhaust_static", "intake_co2", "intake_o2")
)
O2_AIR = 100.0 * DRY_AIR.o2
CO2_AIR = 100.0 * DRY_AIR.co2


@dataclass(frozen=True)
class Model:
    """The forward model of one heater: what its fuel needs, and the numbers of the table."""

    heater: Heater
    held: Convictions
    heat: FuelHeat
    nu: float
    inert: float

    @classmethod
    def of(cls, heater: Heater, held: Convictions) -> Model:
        """Return the model of a heater."""
        nu, inert = oxygen_need(heater)
        return cls(heater, held, fuel_heat(heater.fuel, heater.fuel.net_heating_value_mj_per_kg), nu, inert)

    def expected(self, row: Row, p: Parameters, needed: Set[str] = ALL_CHANNELS) -> dict[str, Any]:
        """Return the needed channels of a row for every draw, arrays of one length.

        o2, co2: ln of the lambda that the reading gives; setting: ln of the analyser's CO2 maximum over the fuel's;
        co, rise, voltage, speed, statics, frequency, delivery: ln; flue [°C]; smoke [-]; the gases of checks [%].
        """
        size = len(p["steepness"])
        healthy, moved = self._healthy_of(row, p)
        base = row.healthy.value
        out: dict[str, Any] = {}
        if needed & OF_STATE:
            state = self._state(row, healthy, p)
            out |= self._gases(state.air_ratio, base, p, needed)
            out["flue"] = state.flue_c
            if "rise" in needed and "rise" in base:
                out["rise"] = np.log(np.maximum(state.rise * healthy.rise_k, 0.5))
            for key, relative in (("intake_static", state.intake_static), ("exhaust_static", state.exhaust_static)):
                if key in needed and key in base:
                    out[key] = base[key] + np.log(np.maximum(relative, 1e-4)) + moved.get(key, 0.0)
        plain = {"voltage": p.get("voltage", 1.0), "speed": None, "frequency": p.get("frequency", 1.0)}
        for key, ratio in plain.items():
            if key in needed and key in base:
                ratio = self.speed(row, p) if ratio is None else ratio
                out[key] = base[key] + np.log(ratio) + moved.get(key, 0.0)
        if "setting" in needed:
            out["setting"] = p.get("setting", 0.0)
        if needed & SIMPLE_CHECKS:
            out |= self._checks(p)
        return {key: value if np.ndim(value) else np.full(size, value) for key, value in out.items()}

    def expected_healthy(self, row: Row) -> HeaterState:
        """Return the healthy working point at a row's site, with the middle of the structural priors."""
        usual: Parameters = {
            "steepness": np.full(1, 0.7),
            "w_in": 0.22,
            "w_ex": 0.29,
            "hot_share": 0.55,
            "exponent": 0.7,
            "air_side": 0.15,
            "shaft": 1.0,
            "duct_off_left": 0.1,
        }
        state = self._state(row, row.healthy.state, usual)
        return HeaterState(*(float(np.ravel(value)[0]) for value in state))

    def _gases(self, ratio: Floats, base: Mapping[str, float], p: Parameters, needed: Set[str]) -> dict[str, Any]:
        """Return the channels that follow from lambda and from what sample and analyser make of it."""
        get = p.get
        out: dict[str, Any] = {}
        o2 = dry_o2_of_air_ratio(ratio, self.nu, self.inert)
        dilution = get("sample_air", 0.0)
        water = get("water_left")
        kept = 1.0 - dilution if water is None else (1.0 - self._water_share(ratio) * water) * (1.0 - dilution)
        if "o2" in needed:
            shown = o2 * kept + O2_AIR * dilution
            shown = O2_AIR - (O2_AIR - shown) * (1.0 + get("o2_slope", 0.0)) + get("o2_offset", 0.0)
            out["o2"] = np.log(air_ratio_of_o2(np.minimum(shown, 20.6), self.nu, self.inert))
        if "co2" in needed:
            co2 = self._dry_co2(ratio, get("co2_maximum", 1.0)) * kept + CO2_AIR * dilution
            out["co2"] = np.log(air_ratio_of_co2(co2, self.nu, self.inert))
        if "co" in needed:
            bath = self._bath(ratio) - self._bath(np.exp(base["air_ratio"]))
            gained = np.minimum(get("co_gain", 1.0) * bath, 9.0) + get("co_extra", 0.0)
            out["co"] = base["co"] + gained + np.log(np.maximum(kept, 0.05))
        if "smoke" in needed:
            out["smoke"] = self._smoke(ratio, base, p)
        share = get("recirculated", 0.0)
        if "intake_co2" in needed:
            out["intake_co2"] = CO2_AIR + share * self._dry_co2(np.maximum(1.0, ratio), 1.0)
        if "intake_o2" in needed:
            out["intake_o2"] = O2_AIR - share * (O2_AIR - o2)
        return out

    def _checks(self, p: Parameters) -> dict[str, Any]:
        """Return the channels of checks that do not need the heater's state."""
        get, numbers = p.get, self.held.table["reading"]
        unsteady = get("unsteady", 0.0)
        wide = np.log(numbers["unsteady_span_median_pct"] / numbers["span_over_3min_median_pct"])
        fast = np.log(numbers["unsteady_drift_median_k_per_min"] / numbers["drift_median_k_per_min"])
        return {
            "delivery": np.log(get("delivery", 1.0)),
            "ambient_o2": 20.9 + get("o2_offset", 0.0),
            "span": get("o2_offset", 0.0) - get("o2_slope", 0.0) * 15.0,
            "span_over_3min": np.log(numbers["span_over_3min_median_pct"]) + wide * unsteady,
            "drift": np.log(numbers["drift_median_k_per_min"]) + fast * unsteady,
        }

    def speed(self, row: Row, p: Parameters) -> Any:
        """Return the blower speed ratio at the row's stage: low voltage bites where the regulator runs out."""
        speed = p.get("blower_speed", 1.0) * (1.0 - p.get("slow_unregulated", 0.0))
        if "regulated" in p:
            reach = p["voltage"] / (p["saturation"] * row.healthy.load)
            speed = speed * np.where(p["regulated"] > 0.5, np.minimum(1.0, reach), 1.0)
        return np.broadcast_to(speed, len(p["steepness"]))

    def _fuel(self, row: Row, p: Parameters) -> Any:
        """Return the fuel flow ratio at the row's stage."""
        fuel = p.get("stroke", 1.0) * p.get("frequency", 1.0) * (1.0 - p.get("lost_stroke", 0.0)) * row.fuel_density
        if "starving" in p:
            low = row.healthy.load < 0.8
            fuel = fuel * (1.0 - p["starving"] * (p["starving_low"] if low else 1.0))
        return fuel

    def _state(self, row: Row, healthy: HealthyState, p: Parameters) -> HeaterState:
        get = p.get
        r_in, r_ex, recirculated = get("r_in", 1.0), get("r_ex", 1.0), get("recirculated", 0.0)
        if row.arrangement == "intake_duct_off":
            r_in, recirculated = p["duct_off_left"], recirculated * p["duct_off_left"]
        elif row.arrangement == "exhaust_duct_off":
            r_ex, recirculated = p["duct_off_left"], recirculated * p["duct_off_left"]
        parameters = HeaterParameters(
            speed=self.speed(row, p),
            head=get("head", 1.0),
            r_in=r_in,
            r_burner=get("r_burner", 1.0),
            r_ex=r_ex,
            recirculated=recirculated,
            unseen_warming=get("unseen_warming", 0.0),
            recirculated_heat=get("recirculated_heat", 1.0),
            fuel=self._fuel(row, p) * get("air_need", 1.0),
            fuel_heat=get("heat_per_air", 1.0),
            released=get("released", 1.0),
            clean=get("clean", 1.0),
            heating_air=get("heating_air", 1.0),
            steepness=p["steepness"],
            w_in=p["w_in"],
            w_ex=p["w_ex"],
            hot_share=p["hot_share"],
            exponent=p["exponent"],
            air_side=p["air_side"],
            shaft=p["shaft"],
        )
        return heater_state(healthy, row.site, parameters, self.heat)

    def _healthy_of(self, row: Row, p: Parameters) -> tuple[HealthyState, dict[str, Any]]:
        """Return the healthy state behind each draw: another stage's where the stage is mistaken."""
        state = row.healthy.state
        full, low = p.get("stage_shift_fullest", 0.0), p.get("stage_shift_lower", 0.0)
        shift = {"either": full + low, "fullest": full, "lower": low}[row.mistaken]
        if not np.any(shift):
            return state, {}
        target = mistaken_stage(row.healthy, row.other, p["stage_unknown"])
        mixed = HealthyState(
            np.exp(np.log(state.air_ratio) + shift * target["air_ratio"]),
            state.flue_c + shift * target["flue"],
            state.intake_c,
            state.air_in_c,
            state.rise_k * np.exp(shift * target["rise"]),
        )
        return mixed, {key: shift * target[key] for key in ("speed", "frequency", "intake_static", "exhaust_static")}

    def _water_share(self, ratio: Floats) -> Any:
        half = self.heater.fuel.h_c / 2.0
        dry = self.inert + np.maximum(ratio - 1.0, 0.0) * self.nu / DRY_AIR.o2
        return half / (dry + half)

    def _dry_co2(self, ratio: Any, maximum: Any) -> Any:
        """Return dry CO2 [%]; below lambda 1 it falls as carbon turns to CO."""
        lean = np.maximum(ratio - 1.0, 0.0)
        moles = self.nu / DRY_AIR.o2
        burnt = np.minimum(1.0, 1.0 - 1.9 * (1.0 - np.minimum(ratio, 1.0)))
        return 100.0 * (maximum * burnt + (1.0 + lean) * moles * DRY_AIR.co2) / (self.inert + lean * moles)

    def _bath(self, ratio: Any) -> Any:
        """Return ln of the CO factor of a lambda: up when rich, up again when very lean (weak, from memory)."""
        flame = self.held.table["flame"]
        rich = np.logaddexp(0.0, (flame["rich_knee"] - ratio) / flame["rich_width"])
        lean = np.logaddexp(0.0, (ratio - flame["lean_knee"]) / flame["lean_width"])
        return flame["rich_slope"] * flame["rich_width"] * rich + flame["lean_slope"] * flame["lean_width"] * lean

    def _smoke(self, ratio: Floats, base: Any, p: Parameters) -> Any:
        flame = self.held.table["flame"]
        width = flame["rich_width"]
        rich = np.logaddexp(0.0, (flame["rich_knee"] - ratio) / width)
        rich_0 = np.logaddexp(0.0, (flame["rich_knee"] - np.exp(base["air_ratio"])) / width)
        smoke = base["smoke"] + flame["smoke_slope"] * width * (rich - rich_0) + p.get("smoke_extra", 0.0)
        return np.minimum(smoke, 9.0)


def mistaken_stage(healthy: Healthy, other: Healthy | None, unknown: Floats) -> dict[str, Any]:
    """Return how another stage differs from the noted one, channel by channel; drawn where the profile has none."""
    first, second = unknown[:, 0], unknown[:, 1]
    if other is not None:
        shift = {
            key: other.value[key] - healthy.value[key]
            for key in ("air_ratio", "flue", "speed", "frequency", "intake_static", "exhaust_static")
            if key in other.value and key in healthy.value
        }
        if "rise" in other.value and "rise" in healthy.value:
            shift["rise"] = other.value["rise"] - healthy.value["rise"]
        down = other.load < healthy.load
    else:
        shift, down = {}, True
    sign = 1.0 if down else -1.0
    rough = {
        "air_ratio": sign * (0.22 + 0.08 * first),
        "flue": -sign * (110.0 + 35.0 * second),
        "rise": -sign * (0.25 + 0.12 * second),
        "speed": -sign * (0.75 + 0.15 * first),
        "frequency": -sign * (1.0 + 0.2 * first),
        "intake_static": -sign * (1.5 + 0.3 * first),
        "exhaust_static": -sign * (1.6 + 0.3 * first),
    }
    return {**rough, **shift}
