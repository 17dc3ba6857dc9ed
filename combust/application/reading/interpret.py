"""From columns of readings to columns of results: one code path for a single reading and for millions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.reading import judge
from combust.application.reading.columns import Columns
from combust.application.safety import air_free_at_least
from combust.data.vocabulary import quantities
from combust.domain.instrument import InstrumentClass
from combust.domain.limits import limit
from combust.domain.site import REFERENCE_DENSITY
from combust.kernel import air, air_ratio, carbon_monoxide, heat, printed_forms, stoichiometry, uncertainty, wet_reading
from combust.kernel.blocks import run_in_blocks
from combust.kernel.constants import DRY_AIR, ZERO_CELSIUS_K
from combust.kernel.flue_gas import flue_gas_moles

BLOCK = 16_384
ROUTES = ("o2", "co2", "balance", "brettschneider", "spindt", "shortcut")
ONE_SIDED_95, TWO_SIDED_95 = 1.645, 1.960  # standard uncertainties of a normal distribution
LEAN = 10.0  # lambda for the fuel's own factor where the reading is too near air to have one
VERDICTS = ("cannot_check", "agree", "disagree")

RESULT_KEYS = (
    *("air_ratio", "air_ratio_u", "air_ratio_low", "air_ratio_high"),
    *(*(f"air_ratio_by_{route}" for route in ROUTES), "excess_air_pct"),
    *("co_air_free_ppm", "co_at_3pct_o2_ppm", "co_mg_per_m3", "co_mg_per_kwh"),
    *("stack_loss_pct", "stack_loss_siegert_pct", "loss_unburnt_pct", "efficiency_net_pct", "efficiency_gross_pct"),
    *("water_dew_point_c", "pressure_hpa_used", "air_density_kg_m3", "density_ratio", "dry_air_density_ratio"),
    *("air_ratio_at_reference", "agreement_z", "fuel_factor", "fuel_factor_of_fuel"),
)


@dataclass(frozen=True, slots=True)
class Interpretation:
    """Results as columns: numbers (NaN = cannot be told), the verdict's index, and the findings as a bit mask.

    ``details`` holds further columns that sentences need (O2 as used, CO2 maximum, …).
    """

    values: dict[str, Any]
    verdict: Any
    mask: Any
    details: dict[str, Any]


def interpret_columns(columns: Columns, instrument: InstrumentClass) -> Interpretation:
    """Return the interpretation of a batch, worked in cache-sized blocks on all cores (numpy frees the lock)."""
    if columns.size <= BLOCK:
        return _interpret_block(columns, instrument)
    values = {key: np.empty(columns.size) for key in RESULT_KEYS}
    verdict, mask = np.empty(columns.size, dtype=np.int8), np.empty(columns.size, dtype=np.uint64)

    def work(start: int, stop: int) -> None:
        part = _interpret_block(columns.part(start, stop), instrument)
        for key in RESULT_KEYS:
            values[key][start:stop] = part.values[key]
        verdict[start:stop], mask[start:stop] = part.verdict, part.mask

    run_in_blocks(work, columns.size, BLOCK)
    return Interpretation(values, verdict, mask, {})


def _interpret_block(columns: Columns, instrument: InstrumentClass) -> Interpretation:
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        place = _place(columns)
        gas = _dry_gases(columns, place["humidity_ratio"])
        ratio = _air_ratio(columns, gas, instrument)
        result = {**place, **ratio, **_heat_and_co(columns, gas, place, ratio)}
        found = judge.stop_conditions(columns, gas["o2"], gas["co"])
        found |= judge.instrument_findings(columns)
        gas |= {key: column for key, column in ratio.items() if key != "air_ratio"} | {
            "air_ratio": ratio["air_ratio_at_most"],
            "co_air_free": air_free_at_least(gas["co"], gas["o2"]),
            "flue_temp": columns.number("flue_temp_c"),
            "intake_given": columns.number("intake_temp_c"),
            "dew_point": result["water_dew_point_c"],
            "altitude_pressure": place["altitude_pressure"],
            "outside": _outside_validated(columns),
        }
        found |= judge.gas_findings(columns, gas)
    full = {key: np.broadcast_to(result[key], columns.size) for key in RESULT_KEYS}
    return Interpretation(full, ratio["verdict"], judge.mask_of(found, columns.size), gas)


def _place(columns: Columns) -> dict[str, Any]:
    """Return pressure, densities and humidity of each row; what was not entered is standard air."""
    altitude = np.nan_to_num(columns.number("altitude_m"))
    intake = columns.number("intake_temp_c")
    intake = np.where(np.isnan(intake), air.STANDARD_TEMP_C, intake)
    humidity = np.nan_to_num(columns.number("humidity_pct"))
    from_altitude = air.pressure_from_altitude(altitude)
    pressure = columns.number("pressure_hpa")
    pressure = np.where(np.isnan(pressure), from_altitude, pressure)
    vapour = air.vapour_pressure(intake, humidity) if np.any(humidity) else 0.0
    kelvin = 100.0 / (air.GAS_CONSTANT_DRY_AIR * (intake + ZERO_CELSIUS_K))
    dry = (pressure - vapour) * kelvin
    density = dry + air.WATER_TO_AIR_MOLAR_MASS * vapour * kelvin
    given_altitude = np.isnan(columns.number("altitude_m"))
    return {
        "pressure_hpa_used": pressure,
        "altitude_pressure": np.where(given_altitude, np.nan, from_altitude),
        "humidity_ratio": vapour / (pressure - vapour),
        "air_density_kg_m3": density,
        "density_ratio": density / REFERENCE_DENSITY,
        "dry_air_density_ratio": dry / REFERENCE_DENSITY,
    }


def _dry_gases(columns: Columns, humidity_ratio: Any) -> dict[str, Any]:
    """Return the dry gases of each row; wet readings are converted with the water of the same balance."""
    names = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm", "hc_dry_ppm", "no_dry_ppm")
    gases = {name: np.broadcast_to(columns.number(name), columns.size) for name in names}
    wet = {name: columns.number(quantities()[name].wet_twin or "") for name in names}
    was_wet = np.zeros(columns.size, dtype=bool)
    if any(np.any(~np.isnan(column)) for column in wet.values()):
        share = _dry_share(columns, gases, wet, humidity_ratio)
        for name in names:
            converted = wet[name] / share
            use = np.isnan(gases[name]) & ~np.isnan(converted)
            gases[name] = np.where(use, converted, gases[name])
            was_wet |= use
    measured = columns.chosen("co2_origin", "measured")
    shown_o2 = _o2_behind(columns, np.where(measured, np.nan, gases["co2_dry_pct"]))
    from_analyser = np.isnan(gases["o2_dry_pct"]) & ~np.isnan(shown_o2)
    gases["o2_dry_pct"] = np.where(from_analyser, shown_o2, gases["o2_dry_pct"])
    return {
        **{name.split("_")[0]: gas for name, gas in gases.items()},
        "measured": np.broadcast_to(measured, columns.size),
        "was_wet": was_wet,
        "o2_from_analyser": from_analyser,
        "any_co": bool(np.any(gases["co_dry_ppm"] > 0.0)),
    }


def _o2_behind(columns: Columns, co2_calculated_pct: Any) -> Any:
    """Return the O2 an analyser calculated from [vol %]: of its excess air, else of its CO2 and fuel setting."""
    oxygen = 100.0 * DRY_AIR.o2
    of_excess = oxygen * (1.0 - 1.0 / (1.0 + columns.number("analyser_excess_air_pct") / 100.0))
    of_co2 = oxygen * (1.0 - co2_calculated_pct / columns.analyser_co2_maximum)
    return np.where(np.isnan(of_excess), of_co2, of_excess)


def _dry_share(columns: Columns, gases: dict[str, Any], wet: dict[str, Any], humidity_ratio: Any) -> Any:
    """Return dry over wet gas: from the wet O2 or CO2, or, when O2 was read dry, from its lambda."""
    co_wet, hc_wet = np.nan_to_num(wet["co_dry_ppm"]), np.nan_to_num(wet["hc_dry_ppm"])
    measured = columns.chosen("co2_origin", "measured")
    share = wet_reading.dry_fraction_of_wet_reading(
        columns.atoms,
        o2_wet_pct=wet["o2_dry_pct"],
        co2_wet_pct=np.where(measured, wet["co2_dry_pct"], np.nan),
        co_wet_ppm=co_wet,
        hc_wet_ppm=hc_wet,
        humidity_ratio=humidity_ratio,
    )
    by_dry = air_ratio.air_ratio_from_o2(gases["o2_dry_pct"], columns.atoms)
    by_co2 = np.where(measured, air_ratio.air_ratio_from_co2(gases["co2_dry_pct"], columns.atoms), np.nan)
    by_dry = np.where(np.isnan(by_dry), by_co2, by_dry)
    water = wet_reading.flue_water_fraction(columns.atoms, by_dry, humidity_ratio=humidity_ratio)
    return np.where(np.isnan(share), 1.0 - water, share)


def _air_ratio(columns: Columns, gas: dict[str, Any], instrument: InstrumentClass) -> dict[str, Any]:
    """Return lambda by every route, the best estimate with its uncertainty, and whether O2 and CO2 agree."""
    fuel = columns.atoms
    o2, co2, measured = gas["o2"], gas["co2"], gas["measured"]
    co = np.nan_to_num(gas["co"]) if gas["any_co"] else 0.0
    hc = np.nan_to_num(gas["hc"]) if np.any(gas["hc"] > 0.0) else 0.0
    no = np.nan_to_num(gas["no"]) if np.any(gas["no"] > 0.0) else 0.0
    u = _reading_uncertainties(columns, gas, instrument)
    gases: dict[str, Any] = {"co_dry_ppm": co, "hc_dry_ppm": hc}
    shared = gases | {"co_u": u["co"], "hydrogen_u": columns.of_fuel("h_c_u")}
    co2_measured = np.where(measured, co2, np.nan) if measured.any() else np.nan
    o2_of_co2 = uncertainty.uncertain_route(
        air_ratio.o2_from_co2, co2_measured, fuel, gas_u=u["co2"], no_dry_ppm=no, **shared
    )
    here = np.where(np.isnan(o2), o2_of_co2.value, o2)
    by_o2 = uncertainty.uncertain_route(air_ratio.air_ratio_from_o2, here, fuel, gas_u=u["o2"], no_dry_ppm=no, **shared)
    best = uncertainty.best_air_ratio(by_o2, o2, u["o2"], o2_of_co2)
    near_air = np.fmax(here, best.o2) >= limit("o2_no_lambda")
    o2_used, co2_used = np.where(near_air, np.nan, o2), np.where(near_air, np.nan, co2_measured)
    co2_maximum = stoichiometry.co2_maximum(fuel)
    above = measured & (co2 > co2_maximum + 2.0 * u["co2"])
    pair_gases = {"no_dry_ppm": no, **gases}
    verdict = np.where(np.isnan(best.z), 0, np.where(best.z <= limit("pair_disagree_z"), 1, 2)).astype(np.int8)
    impossible = (best.z > limit("pair_impossible_z")) | above
    no_balance = ~near_air & ((best.air_ratio <= 0.0) | (best.slope <= 0.0))
    withheld = impossible | no_balance | near_air
    # Without CO a rich flame shows as little O2 as one just lean: lambda has no lower end there.
    at_most = ~withheld & (best.o2 < limit("o2_rich_possible")) & np.isnan(gas["co"])
    # Nor has it one in a sample that holds outside air: whatever share of it, its O2 is higher than the flame's.
    diluted = ~withheld & columns.chosen("probe_leak_test", "fail")
    no_low = at_most | diluted
    shown = np.where(withheld | no_low, np.nan, best.air_ratio)
    high = best.at(np.where(no_low, ONE_SIDED_95, TWO_SIDED_95))
    high = np.where(withheld | np.isinf(high), np.nan, high)
    oxygen = 100.0 * DRY_AIR.o2
    pair = np.where(measured, printed_forms.fuel_factor(o2, co2, co), np.nan)
    return {
        "air_ratio": shown,
        "air_ratio_u": np.where(withheld | no_low, np.nan, best.air_ratio_u),
        "air_ratio_low": np.where(withheld | no_low, np.nan, best.at(-TWO_SIDED_95)),
        "air_ratio_high": high,
        "air_ratio_at_most": np.where(no_low, high, shown),
        "air_ratio_by_o2": np.where(np.isnan(o2_used), np.nan, by_o2.value),
        "air_ratio_by_co2": air_ratio.air_ratio_from_co2(co2_used, fuel, **gases),
        "air_ratio_by_balance": air_ratio.air_ratio_from_balance(o2_used, co2_used, fuel, **pair_gases),
        "air_ratio_by_brettschneider": printed_forms.air_ratio_brettschneider(o2_used, co2_used, fuel, **pair_gases),
        "air_ratio_by_spindt": printed_forms.air_ratio_spindt(o2_used, co2_used, fuel, **gases),
        "air_ratio_by_shortcut": printed_forms.air_ratio_shortcut(o2_used),
        "excess_air_pct": 100.0 * (shown - 1.0),
        "agreement_z": best.z,
        "fuel_factor": np.where(near_air & ~impossible, np.nan, pair),
        "fuel_factor_of_fuel": _fuel_factor_of_fuel(np.where(near_air, LEAN, best.air_ratio), fuel),
        "verdict": verdict,
        "at_most": at_most,
        "diluted": diluted,
        "impossible": impossible,
        "no_balance": no_balance,
        "co2_above_maximum": above,
        "co2_maximum": co2_maximum,
        "analyser_co2_maximum": co2 * oxygen / (oxygen - o2),
        "co_used": co,
        "hc_used": hc,
    }


def _fuel_factor_of_fuel(ratio: Any, fuel: Any) -> Any:
    """Return (X - O2)/CO2 of the fuel's own CO-free gas at a lambda (both dry)."""
    need = stoichiometry.stoichiometric_oxygen(fuel)
    air_moles = need / DRY_AIR.o2
    dry = stoichiometry.dry_flue_gas_moles(fuel) + (ratio - 1.0) * air_moles
    oxygen = (ratio - 1.0) * need / dry
    return (DRY_AIR.o2 - oxygen) * dry / (1.0 + ratio * air_moles * DRY_AIR.co2)


def _reading_uncertainties(columns: Columns, gas: dict[str, Any], instrument: InstrumentClass) -> dict[str, Any]:
    """Return the standard uncertainty of O2, CO2 [%] and CO [ppm] of each row."""
    repeats = np.nan_to_num(columns.number("repeats"), nan=1.0)
    co = np.nan_to_num(gas["co"]) if gas["any_co"] else 0.0

    def standard(limit: Any, resolution: Any, spread: str) -> Any:
        return uncertainty.standard_uncertainty(limit, resolution, np.nan_to_num(columns.number(spread)), repeats)

    # An analyser that shows only what it calculated hides its O2 behind the step of its CO2.
    step = instrument.co2_resolution_pct * 100.0 * DRY_AIR.o2 / stoichiometry.co2_maximum(columns.atoms)
    step = np.where(gas["o2_from_analyser"], step, instrument.o2_resolution_pct)
    return {
        "o2": np.hypot(standard(instrument.o2_limit_pct, step, "o2_repeat_sd_pct"), _known_errors(columns, gas)),
        "co2": standard(instrument.co2_limit_pct, instrument.co2_resolution_pct, "co2_repeat_sd_pct"),
        "co": standard(instrument.co_limit_ppm(co), instrument.co_resolution_ppm, "co_repeat_sd_ppm"),
    }


def _known_errors(columns: Columns, gas: dict[str, Any]) -> Any:
    """Return the standard uncertainty of O2 from what was seen of cell and sample [vol %]; 0 where both were in order.

    The cell is off by up to as much as in clean air or on span gas, a wet sample low by up to the water of the flame:
    the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7), with which 95 % hold the whole of it.
    """
    off = np.fmax(*judge.oxygen_off(columns))
    off = np.where(off > limit("ambient_o2_off"), off, 0.0)
    wet = np.asarray(columns.chosen("sample_line", "wet"))
    low: Any = 0.0
    if wet.any():
        water = wet_reading.flue_water_fraction(columns.atoms, air_ratio.air_ratio_from_o2(gas["o2"], columns.atoms))
        low = np.where(wet, np.nan_to_num(gas["o2"] * water), 0.0)
    return np.hypot(off, low) / np.sqrt(3.0)


def _heat_and_co(columns: Columns, gas: dict[str, Any], place: dict[str, Any], ratio: dict[str, Any]) -> dict[str, Any]:
    """Return CO on every basis, losses, efficiency and dew point at the lambda that is told."""
    fuel, net = columns.atoms, columns.of_fuel("net_heating_value_mj_per_kg")
    shown, co, hc = ratio["air_ratio"], ratio["co_used"], ratio["hc_used"]
    shares = _carbon_shares(fuel, shown, co, hc)
    moles = flue_gas_moles(fuel, shown, **shares, humidity_ratio=place["humidity_ratio"])
    o2_of_lambda = moles.o2_dry_pct
    o2 = np.where(np.isnan(gas["o2"]), o2_of_lambda, gas["o2"])
    co_known = ~np.isnan(gas["co"])
    like_air = o2 >= limit("o2_no_lambda")
    flue, intake = columns.number("flue_temp_c"), columns.number("intake_temp_c")
    warm = ~(flue < intake)
    stack: Any = np.nan
    siegert: Any = np.nan
    if not (np.all(np.isnan(flue)) or np.all(np.isnan(intake))):
        stack = np.where(warm, heat.stack_loss(moles, flue, intake, fuel, net), np.nan)
        siegert = np.where(warm & ~np.isnan(shown), heat.stack_loss_siegert(flue, intake, o2), np.nan)
    unburnt = np.where(co_known, heat.unburnt_loss(moles.co, moles.hc, fuel, net), np.nan)
    efficiency = 100.0 - stack - unburnt
    net_to_gross = net / stoichiometry.gross_from_net_heating_value(net, fuel)
    return {
        "co_air_free_ppm": np.where(like_air, np.nan, carbon_monoxide.co_air_free(gas["co"], o2)),
        "co_at_3pct_o2_ppm": np.where(like_air, np.nan, carbon_monoxide.co_at_reference_o2(gas["co"], o2)),
        "co_mg_per_m3": carbon_monoxide.co_mass_concentration(gas["co"]),
        "co_mg_per_kwh": np.where(co_known, carbon_monoxide.co_mass_per_heat(moles.co, fuel, net), np.nan),
        "stack_loss_pct": stack,
        "stack_loss_siegert_pct": siegert,
        "loss_unburnt_pct": unburnt,
        "efficiency_net_pct": efficiency,
        "efficiency_gross_pct": efficiency * net_to_gross,
        "water_dew_point_c": air.water_dew_point(100.0 * place["pressure_hpa_used"] * moles.h2o / moles.wet),
        "air_ratio_at_reference": shown / place["dry_air_density_ratio"],
    }


def _carbon_shares(fuel: Any, shown: Any, co: Any, hc: Any) -> dict[str, Any]:
    """Return the shares of fuel carbon behind dry CO and HC fractions at a lambda (CO-free dry volume, then mended)."""
    if np.ndim(co) == 0 and np.ndim(hc) == 0:
        return {"co_share": 0.0, "hc_share": 0.0}
    oxygen = stoichiometry.stoichiometric_oxygen(fuel)
    dry = stoichiometry.dry_flue_gas_moles(fuel) + (shown - 1.0) * oxygen / DRY_AIR.o2
    # Each mol of CO leaves half a mol of O2 unused, and H2 by water gas as much again in its proportion; unburnt fuel
    # (C1) leaves its whole oxygen and forms no CO2.
    water_gas = fuel.h_c / (2.0 * 3.5)
    co_1, hc_1 = co * 1e-6, hc * 1e-6
    dry = dry / (1.0 - 0.5 * co_1 - 1.5 * water_gas * co_1 - hc_1 * (oxygen - fuel.s_c - fuel.n_c / 2.0))
    return {"co_share": co_1 * dry, "hc_share": hc_1 * dry}


def _outside_validated(columns: Columns) -> Any:
    outside = np.zeros(columns.size, dtype=bool)
    for key, column in columns.values.items():
        record = quantities()[key]
        if record.kind == "number" and (record.validated_low, record.validated_high) != (record.low, record.high):
            outside |= (column < record.validated_low) | (column > record.validated_high)
    return outside
