"""What must be said about a reading before and beside its lambda: stops first, then validity, then notes."""

from __future__ import annotations

from functools import reduce
from typing import Any

import numpy as np

from combust.application import safety
from combust.application.reading.columns import Columns
from combust.data.vocabulary import inputs, quantity
from combust.domain.limits import finding_kinds, limit
from combust.domain.reading import WORTH_TELLING

OF_PORTS = ("intake_static_pa", "exhaust_static_pa")
# Findings that say a number is probably in another unit.
OF_A_UNIT = ("co_looks_like_pct", "looks_like_fraction", "unit_doubtful")


def stop_conditions(columns: Columns, o2: Any, co: Any) -> dict[str, Any]:
    """Return code -> where, for every stop condition of a reading, and where nothing was entered to judge."""
    # A reading knows no heater: the stated fuel counts as the heater's own.
    other = np.array([safety.not_for_gasoline(fuel) for fuel in columns.fuels])
    not_gasoline = other[0] if columns.fuel_index is None else other[columns.fuel_index]
    # Dry CO is never below wet CO: a wet reading that cannot be brought to dry gas stops by itself.
    as_measured = np.fmax(co, columns.number("co_wet_ppm"))
    seen = ~(np.asarray(columns.empty("terminals")) | columns.chosen("terminals", "clear"))
    return {
        **safety.gas_stops(as_measured, o2, columns.chosen("probe_leak_test", "pass")),
        **safety.cab_stops(columns.number("cab_co_in_ppm"), columns.number("cab_co_out_ppm")),
        "gasoline_in_diesel_heater": columns.chosen("fuel_sample", "gasoline") & not_gasoline,
        "heating_air_exhaust": columns.chosen("heating_air_smell", "exhaust"),
        "joints_leaking": columns.chosen("joints", "leaking"),
        "terminals_blocked": seen,
        **safety.place_stops(columns.chosen("location", "indoors"), columns.empty("location"), _anything(columns)),
    }


def _anything(columns: Columns) -> Any:
    """Return where something was entered that could show a danger: a gas, smoke, the cab, what was seen."""
    entered = ~np.isnan(columns.number(WORTH_TELLING[0]))
    if np.all(entered):
        return entered
    for key in WORTH_TELLING[1:]:
        entered = entered | ~np.isnan(columns.number(key))
    for key in ("terminals", "fuel_sample", "heating_air_smell", "joints"):
        entered = entered | ~np.asarray(columns.empty(key))
    return entered


def instrument_findings(columns: Columns) -> dict[str, Any]:
    """Return code -> where, for what the checks of instrument and sample showed."""
    number = columns.number
    waxed, water = (np.asarray(columns.chosen("fuel_sample", what)) for what in ("waxed", "water"))
    in_air, on_gas = oxygen_off(columns)
    return {
        "simulated": columns.chosen("simulated", "yes"),
        "leak_test_failed": columns.chosen("probe_leak_test", "fail"),
        "leak_test_not_done": columns.empty("probe_leak_test"),
        "sample_wet": columns.chosen("sample_line", "wet"),
        "ambient_o2_off": in_air > limit("ambient_o2_off"),
        "ambient_co_off": np.abs(number("ambient_co_ppm")) > limit("ambient_co_off"),
        "span_gas_off": on_gas > limit("ambient_o2_off"),
        "not_steady": (number("o2_span_over_3min_pct") > limit("steady_o2_span"))
        | (number("flue_drift_k_per_min") > limit("steady_flue_drift")),
        "too_early": number("minutes_since_ignition") < limit("steady_minutes"),
        "intake_recirculation": (number("intake_co2_pct") > limit("intake_co2_high"))
        | (number("intake_o2_pct") < limit("intake_o2_low")),
        "fuel_not_as_stated": (np.asarray(columns.values.get("fuel_sample", -1)) > 0) & ~(waxed | water),
        "fuel_sample_waxed": waxed,
        "fuel_sample_water": water,
    }


def oxygen_off(columns: Columns) -> tuple[Any, Any]:
    """Return by how much the O2 cell was off in clean air and on span gas [vol %], NaN where nobody looked."""
    number = columns.number
    in_air = np.abs(number("ambient_o2_pct") - limit("clean_air_o2"))
    return in_air, np.abs(number("span_o2_read_pct") - number("span_o2_pct"))


def gas_findings(columns: Columns, gas: dict[str, Any]) -> dict[str, Any]:
    """Return code -> where, for what the gases themselves show. ``gas`` holds the used and computed columns."""
    o2, co2, co, air_ratio = gas["o2"], gas["co2"], gas["co"], gas["air_ratio"]
    number = columns.number
    has_o2, has_co2 = ~np.isnan(o2), ~np.isnan(co2)
    not_passed = ~np.asarray(columns.chosen("probe_leak_test", "pass"))
    derived = has_o2 & has_co2 & ~gas["measured"] & (o2 < limit("o2_near_air"))
    off_setting = np.abs(gas["analyser_co2_maximum"] / gas["co2_maximum"] - 1.0) > limit("analyser_factor_share")
    smoke, as_entered = number("smoke_number"), np.fmax(co, number("co_wet_ppm"))
    return {
        "no_gas": ~has_o2 & ~has_co2,
        "co2_alone": ~has_o2 & has_co2 & ~gas["measured"],
        "co2_only": ~has_o2 & has_co2 & gas["measured"],
        "o2_like_air": o2 >= limit("o2_no_lambda"),
        "o2_near_air": (o2 >= limit("o2_near_air")) & (o2 < limit("o2_no_lambda")),
        "co_looks_like_pct": quantity("co_dry_ppm").doubts(as_entered),
        "looks_like_fraction": quantity("o2_dry_pct").doubts(o2),
        "unit_doubtful": reduce(np.logical_or, doubtful(columns).values(), np.bool(False)),
        "co2_above_maximum": gas["co2_above_maximum"],
        "pair_impossible": gas["impossible"],
        "gases_impossible": gas["no_balance"] & ~gas["impossible"],
        "pair_disagrees": (gas["verdict"] == 2) & ~gas["impossible"],
        "pair_cannot_be_checked": gas["verdict"] == 0,
        "co2_origin_unknown": has_co2 & columns.empty("co2_origin"),
        "analyser_fuel_other": derived & off_setting,
        "rich": ~gas["at_most"] & (air_ratio <= 1.0),
        "at_most": gas["at_most"],
        "soot_range": ~gas["at_most"] & (air_ratio > 1.0) & (air_ratio < limit("air_ratio_soot")),
        "very_lean": ~gas["diluted"] & (air_ratio > limit("air_ratio_very_lean")),
        "exhaust_co_warn": (co > limit("exhaust_co_warn")) & ~(co > limit("exhaust_co_stop")),
        "exhaust_co_air_free_warn": not_passed
        & (gas["co_air_free"] > limit("exhaust_co_warn"))
        & ~(co > limit("exhaust_co_warn")),
        "exhaust_hc_warn": gas["hc"] > limit("exhaust_hc_warn"),
        "no_over_approval": gas["no"] > limit("exhaust_no_note"),
        "co_not_entered": np.isnan(co),
        "smoke_warn": smoke > limit("smoke_warn"),
        "smoke_note": (smoke > limit("smoke_note")) & ~(smoke > limit("smoke_warn")),
        "flue_below_intake": gas["flue_temp"] < gas["intake_given"],
        "flue_condensing": (gas["flue_temp"] < gas["dew_point"]) & ~(gas["flue_temp"] < gas["intake_given"]),
        "wet_converted": gas["was_wet"],
        "o2_from_analyser": gas["o2_from_analyser"],
        "pressure_and_altitude": np.abs(number("pressure_hpa") - gas["altitude_pressure"])
        > limit("pressure_and_altitude"),
        "outside_checked_range": gas["outside"],
        "heating_value_estimated": columns.of_fuel("heating_value_is_estimated") > 0.0,
    }


def doubtful(columns: Columns) -> dict[str, Any]:
    """Return key -> where a number beside the gases is probably in another unit.

    The port of a duct that was taken off shows next to nothing.
    """
    found = {}
    for key in (key for key, field in inputs().items() if field.doubt and key in columns.values):
        off = columns.chosen("arrangement", f"{key.partition('_')[0]}_duct_off") if key in OF_PORTS else False
        found[key] = quantity(key).doubts(columns.number(key)) & ~np.asarray(off)
    return found


def doubts_in_words(columns: Columns, row: int) -> str:
    """Return the numbers of a row that are probably in another unit, and what is said of each."""
    unsure = [key for key, where in doubtful(columns).items() if np.broadcast_to(where, columns.size)[row]]
    told = [(key, np.broadcast_to(columns.number(key), columns.size)[row], quantity(key)) for key in unsure]
    return "; ".join(f"{key} = {value:.3g} {known.unit} {known.doubt}" for key, value, known in told)


def mask_of(found: dict[str, Any], size: int) -> Any:
    """Return findings as one bit mask per row."""
    mask = np.zeros(size, dtype=np.uint64)
    for code, where in found.items():
        if np.ndim(where) == 0:
            if where:
                mask |= np.uint64(1 << finding_kinds()[code].bit)
        elif where.any():
            mask |= where.astype(np.uint64) << np.uint64(finding_kinds()[code].bit)
    return mask


def codes_of(mask: int) -> list[str]:
    """Return the codes of one mask, stops first."""
    return [code for code, kind in finding_kinds("reading").items() if int(mask) >> kind.bit & 1]
