"""What comes out of an exercise when one misconception is followed: the wrong numbers, each under a name of its own.

The words of each stand in ``data/exercises.toml`` (``mistakes``). A number that is no other than the right one says
nothing; the right one is looked at first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from combust.application.lessons import gas as demo
from combust.domain.fuel import Fuel
from combust.kernel.air import pressure_from_altitude
from combust.kernel.carbon_monoxide import co_at_reference_o2
from combust.kernel.constants import DRY_AIR
from combust.kernel.heat import stack_loss_siegert

Numbers = Mapping[str, float]
Wrong = dict[str, float]
AIR_O2_PCT = 100.0 * DRY_AIR.o2


def mistakes(kind: str, values: Numbers, fuel: Fuel) -> Wrong:
    """Return the wrong numbers of an exercise by name.

    Parameters
    ----------
    kind : str
        Of the exercise.
    values : mapping
        Its numbers and its answers.
    fuel : Fuel

    Examples
    --------
    >>> from combust.domain.catalogue import get_fuel
    >>> round(mistakes("two_heaters", {"co_dry_ppm": 1000.0}, get_fuel("diesel_b7"))["as_read"])
    1000
    """
    made = _MISTAKES.get(kind)
    return {} if made is None else made(values, fuel)


def _read_the_gas(v: Numbers, fuel: Fuel) -> Wrong:
    co, o2 = v["co_dry_ppm"], v["o2_dry_pct"]
    return {
        "excess_air": v["air_ratio"] - 1.0,
        "as_read": co,
        "at_3_pct": co_at_reference_o2(co, o2),
        "upside_down": co * (AIR_O2_PCT - o2) / AIR_O2_PCT,
        "other_sign": -v["shortcut_error_pct"],
    }


def _wet_pair(v: Numbers, fuel: Fuel) -> Wrong:
    return {"upside_down": v["co2_dry_pct"] / (AIR_O2_PCT - v["o2_dry_pct"])}


def _stack_loss(v: Numbers, fuel: Fuel) -> Wrong:
    return {
        "no_intake": stack_loss_siegert(v["flue_temp_c"], 0.0, v["o2_dry_pct"]),
        "of_gas": (v["flue_temp_c"] - v["intake_temp_c"]) * (0.66 / (21.0 - v["o2_dry_pct"]) + 0.009),
        "no_minus": stack_loss_siegert(v["flue_temp_c"], abs(v["cold_temp_c"]), v["o2_dry_pct"]),
    }


def _o2(fuel: Fuel, ratio: float) -> float:
    return float(demo.heater_gas(fuel, ratio).o2_dry_pct) if ratio >= 1.0 else float("nan")


def _pressure_share(v: Numbers) -> float:
    return float(pressure_from_altitude(v["altitude_m"]) / pressure_from_altitude(0.0))


def _reading_at_a_pass(v: Numbers, fuel: Fuel) -> Wrong:
    return {
        "o2_thinned": v["base_o2_pct"] * v["density_ratio"],
        "leaner": _o2(fuel, v["base_air_ratio"] / v["density_ratio"]),
        "pressure_alone": _o2(fuel, v["base_air_ratio"] * _pressure_share(v)),
    }


def _intake_duct_off(v: Numbers, fuel: Fuel) -> Wrong:
    ratio = v["before_air_ratio"], v["after_air_ratio"]
    return {
        "o2_divided": 100.0 * (v["after_o2_pct"] / v["before_o2_pct"] - 1.0),
        "other_end": 100.0 * (1.0 - ratio[0] / ratio[1]),
        "excess_divided": 100.0 * ((ratio[1] - 1.0) / (ratio[0] - 1.0) - 1.0),
    }


def _pump_delivery(v: Numbers, fuel: Fuel) -> Wrong:
    return {
        "of_delivered": 100.0 * (1.0 - v["nominal_ml"] / v["delivered_ml"]),
        "other_sign": -v["deviation_pct"],
        "more_is_leaner": v["air_ratio"] * v["ratio"],
    }


def _analyser_fuel(v: Numbers, fuel: Fuel) -> Wrong:
    return {"other_way": v["co2_shown_pct"] * 11.8 / v["co2_maximum_pct"]}


def _voltage_at_the_heater(v: Numbers, fuel: Fuel) -> Wrong:
    def volt(mohm: float) -> float:
        return v["battery_v"] - v["current_a"] * mohm / 1000.0

    cable = v["length_m"] * v["cable_mohm_per_m"]
    return {
        "battery": v["battery_v"],
        "one_way": volt(v["battery_mohm"] + cable + v["contacts_mohm"]),
        "cable_alone": volt(2.0 * cable),
        "no_battery": volt(2.0 * cable + v["contacts_mohm"]),
        "added": v["battery_v"] + v["current_a"] * v["total_mohm"] / 1000.0,
    }


def _who_acts_first(v: Numbers, fuel: Fuel) -> Wrong:
    return {"as_printed": v["cutout_v"], "subtracted": v["cutout_v"] - v["current_a"] * v["loop_mohm"] / 1000.0}


def _failed_start(v: Numbers, fuel: Fuel) -> Wrong:
    dose, glow = v["pump_hz"] * v["stroke_ul"] * 1e-3, v["preheat_1_s"] + v["preheat_2_s"]
    return {
        "one_attempt": v["attempt_s"] * dose,
        "while_it_glows": (2.0 * v["attempt_s"] + glow) * dose,
        "no_cool_down": v["restart_s"] - v["cool_down_s"],
    }


def _night_at_a_hut(v: Numbers, fuel: Fuel) -> Wrong:
    return {
        "leaner": v["air_ratio"] / v["density_ratio"],
        "pressure_alone": v["air_ratio"] * _pressure_share(v),
        "more_fuel": -v["fuel_trim_pct"],
        "untrimmed": min(v["intake_temp_c"] + 1e3 * v["heat_kw"] / v["ua_w_per_k"], v["cab_c"]),
    }


def _recirculation(v: Numbers, fuel: Fuel) -> Wrong:
    fresh = demo.heater_gas(fuel, v["air_ratio"])
    return {"fresh": float(fresh.o2_dry_pct), "co2_itself": v["intake_co2_pct"]}


def _two_heaters(v: Numbers, fuel: Fuel) -> Wrong:
    wrong = {"as_read": v["co_dry_ppm"]}
    for name in ("first", "second"):
        if f"{name}_o2_pct" in v:
            wrong[f"{name}_at_3_pct"] = co_at_reference_o2(v["co_dry_ppm"], v[f"{name}_o2_pct"])
            wrong[f"{name}_by_lambda"] = v["co_dry_ppm"] * v[f"{name}_air_ratio"]
    return wrong


_MISTAKES: dict[str, Callable[[Numbers, Fuel], Wrong]] = {
    "read_the_gas": _read_the_gas,
    "wet_pair": _wet_pair,
    "stack_loss": _stack_loss,
    "reading_at_a_pass": _reading_at_a_pass,
    "intake_duct_off": _intake_duct_off,
    "pump_delivery": _pump_delivery,
    "analyser_fuel": _analyser_fuel,
    "voltage_at_the_heater": _voltage_at_the_heater,
    "who_acts_first": _who_acts_first,
    "failed_start": _failed_start,
    "night_at_a_hut": _night_at_a_hut,
    "recirculation": _recirculation,
    "two_heaters": _two_heaters,
}
