"""Worked answers: for each kind of exercise, under its own name, the numbers shown and the numbers asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from combust.application.lessons import gas as demo
from combust.application.lessons.machine import SEA_LEVEL, STAGE_CAUSES, stage_pattern
from combust.domain.fuel import Fuel
from combust.domain.instrument import instrument_class
from combust.domain.site import Site
from combust.kernel import heat as losses
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.carbon_monoxide import co_air_free, co_mass_per_heat
from combust.kernel.flue_gas import co_share_from_co, flue_gas_moles
from combust.kernel.fuel_delivery import delivered_while_attempting, delivery_test
from combust.kernel.printed_forms import air_ratio_shortcut
from combust.kernel.stoichiometry import co2_maximum, stoichiometric_air_moles
from combust.kernel.wiring import conductor_resistance, source_voltage_for, voltage_under_load

Numbers = Mapping[str, float]
NATURAL_GAS_CO2_MAXIMUM = 11.8  # [vol %], from memory
# A site explains a reading that lies this close to what is expected: class limit of O2 cells, and rounding.
O2_CLOSE_PCT = 0.5
# More air than this without the duct cannot be the sound duct itself (convention of the exercise).
DUCT_CARRIES_PCT = 7.0
SOUND_GAIN_PCT, BETWEEN_GAIN_PCT = 1.0, 5.0  # of random sheets: below the analyser's limits, and between the two
INSTRUMENT = instrument_class("portable")
OF_THE_SIDE = {
    "intake": "More than a sound duct carries: the duct that was taken off carried the fault. Look on the intake side.",
    "not the intake duct": "No change below the analyser's own limits counts: the intake duct is cleared. That does "
    "not accuse the exhaust: pump, blower and voltage are left as well.",
    "cannot tell": "A change, but a sound duct alone may bring it: cannot tell. Port pressures can.",
}


def _yes(condition: bool) -> str:
    return "yes" if condition else "no"


def _density_ratio(n: Numbers) -> float:
    site = Site(n["altitude_m"], intake_temp_c=n["intake_temp_c"])
    return site.dry_air_density_ratio / SEA_LEVEL.dry_air_density_ratio


def read_the_gas(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Lambda, shortcut, CO air-free and per kWh."""
    o2, co = n["o2_dry_pct"], n["co_dry_ppm"]
    ratio, short = air_ratio_from_o2(o2, fuel, co_dry_ppm=co), air_ratio_shortcut(o2)
    share = co_share_from_co(fuel, ratio, 1e-6 * co)
    dry = flue_gas_moles(fuel, 1.0).dry / stoichiometric_air_moles(fuel)
    return {
        "air_ratio": ratio,
        "shortcut": short,
        "shortcut_error_pct": 100.0 * (short / ratio - 1.0),
        "co_air_free_ppm": co_air_free(co, o2),
        "co_mg_per_kwh": co_mass_per_heat(share, fuel, fuel.net_heating_value_mj_per_kg),
        "dry_per_air": dry,
    }


def wet_pair(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Fuel factor of a wet pair; the numbers shown come from a lambda when none are given."""
    shown = dict(n)
    if "air_ratio" in n:
        wet = demo.read_wet(demo.heater_gas(fuel, n["air_ratio"]), fuel, n["air_ratio"])
        shown = {"o2_dry_pct": round(float(wet.o2_dry_pct), 2), "co2_dry_pct": round(float(wet.co2_dry_pct), 2)}
    pair = demo.SampledGas(shown["o2_dry_pct"], shown["co2_dry_pct"], 0.0)
    on_line = demo.heater_gas(fuel, air_ratio_from_o2(pair.o2_dry_pct, fuel))
    factors = {"fuel_factor": demo.fuel_factor(pair), "own_factor": demo.fuel_factor(on_line)}
    return {**shown, **factors, "heater_fault": "no"}


def stack_loss(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Siegert loss with mild and with cold air, and the enthalpy balance of the mild one."""
    flue, o2 = n["flue_temp_c"], n["o2_dry_pct"]
    moles = flue_gas_moles(fuel, air_ratio_from_o2(o2, fuel))
    net = fuel.net_heating_value_mj_per_kg
    return {
        "loss_pct": losses.stack_loss_siegert(flue, n["intake_temp_c"], o2),
        "loss_cold_pct": losses.stack_loss_siegert(flue, n["cold_temp_c"], o2),
        "loss_enthalpy_pct": losses.stack_loss(moles, flue, n["intake_temp_c"], fuel, net),
    }


def reading_at_a_pass(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """O2 to expect at a site by dry-air density, and whether a reading needs more than the site to explain it."""
    density = _density_ratio(n)
    before = air_ratio_from_o2(n["base_o2_pct"], fuel)
    expected = before * density
    o2 = float(demo.heater_gas(fuel, expected).o2_dry_pct)
    read = n["o2_dry_pct"] if "o2_dry_pct" in n else round(max(o2 - 1.9 * n["fault"], 0.5), 1)
    return {
        "o2_dry_pct": read,
        "base_air_ratio": before,
        "density_ratio": density,
        "expected_air_ratio": expected,
        "expected_o2_pct": o2,
        "fault_needed": _yes(abs(read - o2) > O2_CLOSE_PCT),
    }


def intake_duct_off(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Air gained when the intake duct comes off, whether the analyser can show it, and what it says of the side."""
    before, read = air_ratio_from_o2(n["before_o2_pct"], fuel), n.get("after_o2_pct")
    if read is None:
        gained = 1.0 + 0.01 * (SOUND_GAIN_PCT, BETWEEN_GAIN_PCT, n["gain_pct"])[int(n["pattern"])]
        read = round(float(demo.heater_gas(fuel, before * gained).o2_dry_pct), 2)
    after, limit_pct = air_ratio_from_o2(read, fuel), INSTRUMENT.o2_limit_pct
    gain, moved, change = 100.0 * (after / before - 1.0), abs(read - n["before_o2_pct"]), limit_pct * 2.0**0.5
    seen = moved > change
    side = "not the intake duct" if not seen else "intake" if gain > DUCT_CARRIES_PCT else "cannot tell"
    return {
        "after_o2_pct": read,
        "o2_limit_pct": limit_pct,
        "o2_change_pct": change,
        "duct_carries_pct": DUCT_CARRIES_PCT,
        "before_air_ratio": before,
        "after_air_ratio": after,
        "air_gain_pct": gain,
        "moved_pct": moved,
        "seen": _yes(seen),
        "side": side,
        "told": OF_THE_SIDE[side],
    }


def pump_delivery(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Delivery against nominal and what it alone makes of lambda."""
    nominal = n["strokes"] * n["stroke_ul"] * 1e-3
    delivered = n["delivered_ml"] if "delivered_ml" in n else round(nominal * n["share"], 2)
    test = delivery_test(n["strokes"], delivered, n["stroke_ul"])
    return {
        "delivered_ml": delivered,
        "nominal_ml": test.nominal_ml,
        "deviation_pct": test.deviation_pct,
        "deviation_u_pct": test.deviation_u_pct,
        "passes": _yes(bool(test.within_band)),
        "ratio": 1.0 / test.air_ratio_factor,
        "new_air_ratio": n["air_ratio"] * test.air_ratio_factor,
    }


def analyser_fuel(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """CO2 that an instrument calculates with the wrong and with the right fuel."""
    o2 = n["o2_dry_pct"]
    right, maximum = demo.co2_by_calculation(o2, fuel), co2_maximum(fuel)
    return {
        "co2_shown_pct": right * NATURAL_GAS_CO2_MAXIMUM / maximum,
        "co2_maximum_pct": maximum,
        "co2_right_pct": right,
        "air_ratio": air_ratio_from_o2(o2, fuel),
        "lean": "no",
    }


def voltage_at_the_heater(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Voltage behind battery, cable and contacts."""
    metre = 1e3 * conductor_resistance(n["area_mm2"])
    total = n["battery_mohm"] + 2.0 * n["length_m"] * metre + n["contacts_mohm"]
    volt = voltage_under_load(n["battery_v"], n["current_a"], total * 1e-3)
    return {"cable_mohm_per_m": metre, "total_mohm": total, "heater_v": volt}


def who_acts_first(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Cut-out of the heater referred to the battery post, against the vehicle's disconnect."""
    at_battery = source_voltage_for(n["cutout_v"], n["current_a"], n["loop_mohm"] * 1e-3)
    first = "heater" if at_battery > n["disconnect_v"] else "disconnect"
    wrong = "Wrong order: power goes away in mid-flame, without a cool-down."
    right = "Right order: the heater stops by itself and cools down."
    return {"cutout_at_battery_v": at_battery, "first": first, "told": wrong if first == "disconnect" else right}


def failed_start(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Fuel dosed by two failed attempts and the time to the earliest restart."""
    times = ("check_s", "preheat_1_s", "attempt_s", "preheat_2_s", "attempt_s", "cool_down_s")
    dosed = delivered_while_attempting(n["stroke_ul"], n["pump_hz"], 2.0 * n["attempt_s"])
    return {"fuel_ml": dosed, "restart_s": sum(n[key] for key in times)}


def night_at_a_hut(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Lambda, trim and cab temperature at height by dry-air density alone, fuel trimmed to keep lambda."""
    density = _density_ratio(n)
    needed = n["ua_w_per_k"] * (n["cab_c"] - n["intake_temp_c"]) * 1e-3
    heat = n["heat_kw"] * min(density, 1.0)
    reached = n["intake_temp_c"] + 1e3 * heat / n["ua_w_per_k"]
    return {
        "density_ratio": density,
        "site_air_ratio": n["air_ratio"] * density,
        "fuel_trim_pct": 100.0 * (min(density, 1.0) - 1.0),
        "trimmed_kw": heat,
        "needed_kw": needed,
        "cab_free_c": reached,
        "held": f", more than wanted: it holds {n['cab_c']:.0f} °C" if reached > n["cab_c"] else "",
        "cab_reached_c": min(reached, n["cab_c"]),
    }


def recirculation(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Share of flue gas in the intake from its CO2."""
    share = demo.recirculated_share(n["intake_co2_pct"], fuel, n["air_ratio"])
    ratio = n["air_ratio"] * (1.0 - share)
    flue = demo.heater_gas(fuel, ratio)
    return {
        "share_pct": 100.0 * share,
        "new_air_ratio": ratio,
        "flue_co2_pct": flue.co2_dry_pct,
        "o2_dry_pct": flue.o2_dry_pct,
    }


def two_stages(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """Which of low voltage and restriction the stage pattern puts first."""
    shown = dict(n)
    if "pattern" in n:
        cause = list(STAGE_CAUSES)[2] if n["pattern"] else "restriction"
        found = stage_pattern(cause, n["size_pct"], fuel=fuel)
        gases = (found.healthy_low, found.low, found.healthy_high, found.high)
        keys = ("low_before_pct", "low_after_pct", "high_before_pct", "high_after_pct")
        shown = {key: round(float(gas.o2_dry_pct), 2) for key, gas in zip(keys, gases, strict=True)}
    ratios = {key: air_ratio_from_o2(value, fuel) for key, value in shown.items()}
    low = ratios["low_after_pct"] / ratios["low_before_pct"]
    high = ratios["high_after_pct"] / ratios["high_before_pct"]
    saturated = abs(low - 1.0) < 0.25 * abs(high - 1.0)
    return {
        **shown,
        "low_change_pct": 100.0 * (low - 1.0) + 0.0,
        "high_change_pct": 100.0 * (high - 1.0),
        "first_cause": "supply_low" if saturated else "restriction",
    }


def two_heaters(n: Numbers, fuel: Fuel) -> dict[str, Any]:
    """CO air-free of two heaters with the same CO as read."""
    found: dict[str, Any] = {}
    for name in ("first", "second"):
        o2 = demo.heater_gas(fuel, n[f"{name}_air_ratio"]).o2_dry_pct
        found[f"{name}_o2_pct"], found[f"{name}_free_ppm"] = o2, co_air_free(n["co_dry_ppm"], o2)
    found["worse"] = "first" if found["first_free_ppm"] > found["second_free_ppm"] else "second"
    return found
