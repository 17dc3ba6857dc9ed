"""A vehicle's nights at its site: lambda, heat, cab, fuel and battery, one row a vehicle, all columns at once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.policy import Policy
from combust.application.safety import own_limits
from combust.kernel import air, cab, wiring
from combust.kernel.altitude import LambdaAtSite
from combust.kernel.fuel_delivery import fuel_density_ratio

NIGHTS = (("design_night", "", "design_temp_c"), ("mildest_night", "_mild", "mildest_use_temp_c"))
AT_DESIGN = [  # what the design night shows of the stage, beside its lambdas
    f"{number}{account}_pct"
    for number in ("o2_dry", "co2_dry", "fuel_trim", "fuel_trim_to_minimum", "blower_trim")
    for account in ("", "_full")
]
ROWS_AT_ONCE = 8192
QUANTILES = np.linspace(0.0, 1.0, 21)


def nights_frame(vehicles: pd.DataFrame, sites: pd.DataFrame, at: Any, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return one row a vehicle with everything its nights need.

    Parameters
    ----------
    vehicles : DataFrame
        Valid vehicles, cleaned.
    sites : DataFrame
        Valid sites, cleaned.
    at : array of int
        Row of ``sites`` for each vehicle.
    fleet : Fleet
        Heater types and the type of each vehicle.
    """
    here = sites.iloc[at].reset_index(drop=True)
    vehicles = vehicles.reset_index(drop=True)
    height = here["altitude_m"].to_numpy(dtype=float)
    pressure = station_pressure(here)
    cold, mild = here["design_temp_c"].to_numpy(dtype=float), here["mildest_use_temp_c"].to_numpy(dtype=float)
    frame = pd.DataFrame(
        {
            "vehicle_id": vehicles["vehicle_id"],
            "group": vehicles["group"].where(vehicles["group"] != "", "all"),
            "heater": np.array([one.name for one in fleet.types], dtype=object)[fleet.index],
            "site_id": here["site_id"],
            "route_id": vehicles["route_id"],
            "compensation": vehicles["compensation"].where(vehicles["compensation"] != "", "none"),
            "altitude_m": height,
            "pressure_hpa": pressure,
            "design_temp_c": cold,
            "mildest_use_temp_c": mild,
            "heater_altitude_limit_m": fleet.of("altitude_limit_m"),
            "compensation_limit_m": vehicles["compensation_limit_m"].fillna(
                pd.Series(fleet.of("compensation_limit_m"))
            ),
            "minimum_air_ratio": fleet.of("air_ratio_min"),
            "base_air_ratio": fleet.of("base_air_ratio"),
            "base_air_ratio_u": fleet.of("base_air_ratio_u"),
            "cab_ua_w_per_k": vehicles["cab_ua_w_per_k"],
            "ventilation_m3_per_h": vehicles["ventilation_m3_per_h"].fillna(0.0),
            "stopped": vehicles["stopped"],
        }
    )
    coldest, mildest = fleet.columns_at(pressure, cold), fleet.lambda_at(pressure, mild)
    lambdas = {key: coldest[key] for key in LambdaAtSite._fields}
    at_mild = {f"{key}_mild": column for key, column in mildest._asdict().items()}
    frame = frame.assign(**lambdas, **at_mild, **{key: coldest[key] for key in AT_DESIGN})
    # Unknown limit: NaN compares False, so "possible" is only ever said where it is known.
    available = vehicles["blower_trim_max_pct"].astype(float).fillna(pd.Series(fleet.of("blower_trim_pct")))
    possible = np.where(frame["blower_trim_full_pct"] <= available, "yes", "no")
    frame["blower_trim_limit_pct"] = available
    frame["blower_trim_possible"] = np.where(available.isna(), "unknown", possible)
    frame = frame.assign(**heat_columns(frame, vehicles, fleet, policy))
    return frame.assign(**_season(frame, sites, at, fleet, policy), **_battery(frame, vehicles, here, fleet, policy))


def station_pressure(sites: pd.DataFrame) -> Any:
    """Return the station pressure of each site [hPa]: as given, else the standard atmosphere's."""
    given = sites["pressure_hpa"].to_numpy(dtype=float)
    return np.where(np.isnan(given), air.pressure_from_altitude(sites["altitude_m"].to_numpy(dtype=float)), given)


def heat_columns(frame: pd.DataFrame, vehicles: pd.DataFrame, fleet: Fleet, policy: Policy) -> dict[str, Any]:
    """Return demand, heat with lambda kept, shortfall and cab temperature at the design night.

    Heat follows the fuel: with the fuel trimmed it falls with the air; a blower or an automatic compensation holds it
    as far as its speed reaches.
    """
    outdoor = frame["design_temp_c"].to_numpy()
    target = vehicles["cab_target_c"].to_numpy(dtype=float)
    target = np.where(np.isnan(target), policy["cab_target_c"], target)
    density = air.air_density(frame["pressure_hpa"].to_numpy(), outdoor)
    venting = frame["ventilation_m3_per_h"].to_numpy(dtype=float)
    loss = cab.heat_loss_coefficient(vehicles["cab_ua_w_per_k"].to_numpy(dtype=float), venting, density)
    demand = cab.heat_demand(loss, target, outdoor)
    columns = {
        "cab_target_c": target,
        "heat_loss_w_per_k": loss,
        "nominal_heat_kw": fleet.of("useful_heat_kw"),
        "heat_demand_kw": demand,
    }
    for account in ("", "_full"):
        heat = kept_heat(frame, fleet, account)
        columns[f"useful_heat{account}_kw"] = heat
        columns[f"shortfall{account}_kw"] = np.maximum(demand - heat, 0.0)
        columns[f"cab_temp_reached{account}_c"] = cab.cab_temperature_reached(loss, outdoor, heat, target)
    low = fleet.of("low_heat_kw") * fuel_mass_ratio(outdoor, fleet)
    columns["cab_temp_low_stage_c"] = cab.cab_temperature_reached(loss, outdoor, low, target)
    return columns


def kept_heat(frame: pd.DataFrame, fleet: Fleet, account: str) -> Any:
    """Return the useful heat with lambda kept, for the compensation of each row [kW].

    ``account`` is "" (dry-air density alone) or "_full", of lambda and of the trims.
    """
    nominal = fleet.of("useful_heat_kw")
    trims = (1.0 + frame[f"{trim}_trim{account}_pct"].to_numpy() / 100.0 for trim in ("fuel", "blower"))
    share = kept_share(frame["compensation"].to_numpy(), frame["blower_trim_limit_pct"].to_numpy(), *trims)
    density = fuel_mass_ratio(frame["design_temp_c"].to_numpy(), fleet) if account else 1.0
    return nominal * share * density


def kept_share(fitted: Any, reach_pct: Any, fuel: Any, speed: Any) -> Any:
    """Return the share of the fuel volume that is burnt with lambda kept [-], for what is fitted.

    ``fuel`` and ``speed`` are the factors of the trims that hold lambda; ``reach_pct`` is what the blower has left.
    """
    # An automatic compensation holds lambda by itself; a blower trim of unknown reach is not counted on.
    reach = np.where(np.isnan(reach_pct), np.where(fitted == "automatic", np.inf, 0.0), reach_pct)
    by_blower = np.maximum(np.minimum((1.0 + reach / 100.0) / speed, 1.0), fuel)
    return np.where(np.isin(fitted, ("blower", "automatic")), by_blower, fuel)


def heat_short(frame: pd.DataFrame, policy: Policy) -> Any:
    """Return where the cab stays below its target with lambda kept."""
    short = frame["cab_temp_reached_full_c"] < frame["cab_target_c"] - policy["heat_short_tolerance_k"]
    return short.to_numpy()


def fuel_mass_ratio(temp: Any, fleet: Fleet) -> Any:
    """Return the fuel mass of a stroke at a temperature over that at the baseline [-]."""
    return fuel_density_ratio(temp, fleet.of("fuel_temp_c"), fleet.of("expansion_per_k"))


def as_typed(temp_c: float) -> str:
    """Return a temperature [°C] as it was typed: its tenths are shown where it has them."""
    return f"{round(float(temp_c), 1) + 0.0:g}"


def colder(temp_c: float) -> str:
    """Return a temperature [°C] that must be reached, never rounded to the warmer side: down to a tenth."""
    return f"{math.floor(round(10.0 * float(temp_c), 6)) / 10.0 + 0.0:g}"


def site_night_temps(sites: pd.DataFrame) -> list[Any]:
    """Return the temperatures of each site's nights [°C].

    Where no distribution was given: straight between design night (coldest), median and mildest, 21 even quantiles;
    a missing median is taken as the middle.
    """
    nights = []
    for row in sites.itertuples():
        if row.night_temps_c:
            nights.append(np.array(row.night_temps_c))
            continue
        cold, mild = float(row.design_temp_c), float(row.mildest_use_temp_c)
        median = float(row.median_temp_c)
        median = (cold + mild) / 2.0 if np.isnan(median) else min(max(median, cold), mild)
        nights.append(np.interp(QUANTILES, [0.0, 0.5, 1.0], [cold, median, mild]))
    return nights


def _season(frame: pd.DataFrame, sites: pd.DataFrame, at: Any, fleet: Fleet, policy: Policy) -> dict[str, Any]:
    """Return the season scan: lowest lambda, nights below the limits, fuel of a night and of the season.

    The low stage is taken to fall by the same share as the full one: air density and fuel density act on both alike.
    """
    nights = site_night_temps(sites)
    pressure = station_pressure(sites)
    of_pair, pairs = pd.factorize(fleet.index * len(sites) + at)
    lowest, width, warmest, below, low_service = (np.empty(len(pairs)) for _ in range(5))
    type_of, site_of = np.divmod(pairs, len(sites))
    for code in np.unique(type_of):
        one, mine = fleet.types[code], np.flatnonzero(type_of == code)
        temps = [nights[site] for site in site_of[mine]]
        sizes = [len(temp) for temp in temps]
        here = one.base.lambda_at(one.base.air_at(np.repeat(pressure[site_of[mine]], sizes), np.concatenate(temps)))
        ends = np.cumsum(sizes)
        for position, first, last, temp in zip(mine, ends - sizes, ends, temps, strict=True):
            lam = here.air_ratio_full[first:last]
            worst = int(np.argmin(lam))
            lowest[position], warmest[position] = lam[worst], temp[worst]
            width[position] = here.air_ratio_full_u[first + worst]
            below[position] = np.mean(lam < one.numbers["air_ratio_min"])
            low_service[position] = np.mean(lam < policy["service_air_ratio"])
    count = sites["nights_per_season"].to_numpy(dtype=float)[at]
    return {
        "air_ratio_full_season_lowest": lowest[of_pair],
        "air_ratio_full_season_lowest_u": width[of_pair],
        "air_ratio_low_stage_lowest": fleet.of("low_air_ratio") * lowest[of_pair] / fleet.of("base_air_ratio"),
        "season_lowest_at_c": warmest[of_pair],
        "nights_below_minimum": below[of_pair] * count,
        "nights_below_service_air_ratio": low_service[of_pair] * count,
        **_fuel(frame, sites, nights, at, fleet),
    }


def _fuel(frame: pd.DataFrame, sites: pd.DataFrame, nights: list[Any], at: Any, fleet: Fleet) -> dict[str, Any]:
    """Return the fuel of the coldest night and of the season [l]: what the cab asks for, at most what is burnt."""
    count, hours = (sites[key].to_numpy(dtype=float)[at] for key in ("nights_per_season", "hours_per_night"))
    per_kw = cab.fuel_volume(1.0, hours, fleet.of("efficiency"), fleet.of("heating_value_kwh_per_l"))
    most, loss = frame["nominal_heat_kw"].to_numpy(), frame["heat_loss_w_per_k"].to_numpy()
    target, mean_heat = frame["cab_target_c"].to_numpy(), np.empty(len(frame))
    for site, rows in pd.Series(at).groupby(at).indices.items():
        for part in np.array_split(rows, len(rows) // ROWS_AT_ONCE + 1):
            asked = cab.heat_demand(loss[part, None], target[part, None], nights[site])
            mean_heat[part] = np.minimum(asked, most[part, None]).mean(axis=1)
    night = per_kw * np.minimum(frame["heat_demand_kw"].to_numpy(), most)
    return {
        "fuel_l_per_night": night,
        "fuel_l_per_season": per_kw * mean_heat * count,
        "fuel_l_per_season_all_design": night * count,
    }


def _battery(
    frame: pd.DataFrame, vehicles: pd.DataFrame, here: pd.DataFrame, fleet: Fleet, policy: Policy
) -> dict[str, Any]:
    """Return the electric energy of a night, its share of the charge that is there in the cold, and the fuel's wax."""
    hours = here["hours_per_night"].to_numpy(dtype=float)
    energy = wiring.night_energy(
        fleet.of("run_power_w"),
        hours,
        starts=policy["starts_per_night"],
        glow_w=fleet.of("glow_power_w"),
        glow_s=fleet.of("glow_s"),
        run_on_w=policy["cool_down_power_w"],
        run_on_s=fleet.of("cool_down_s"),
    )
    cold = frame["design_temp_c"].to_numpy()
    volts, charge = vehicles["battery_v"].to_numpy(dtype=float), vehicles["battery_ah"].to_numpy(dtype=float)
    usable = cab.battery_usable_share(cold, policy["battery_usable_share_cold"])
    with np.errstate(divide="ignore", invalid="ignore"):
        amp_hours = energy / volts
        share = amp_hours / (charge * usable)
    verdict = np.where(np.isnan(share), "unknown", np.where(share > policy["battery_share_max"], "too_small", "enough"))
    brought = ((vehicles["fuel"] != "") & (vehicles["fuel"].to_numpy() != here["fuel"].to_numpy())).to_numpy()
    plugging = np.where(brought, np.nan, here["cold_filter_plugging_c"].to_numpy(dtype=float))
    margin = policy["cold_filter_margin_k"]
    wax = np.where(cold < plugging, "below", np.where(cold < plugging + margin, "marginal", "fits"))
    wax = np.where(np.isnan(plugging), "unknown", wax)
    agree = ~own_limits(system_v=volts, nominal_v=fleet.of("nominal_v"))["system_voltage"]
    return {
        "battery_wh_per_night": energy,
        "battery_ah_per_night": amp_hours,
        "battery_share_of_usable": share,
        "battery_needed_ah": amp_hours / (usable * policy["battery_share_max"]),
        "battery_v": volts,
        "heater_nominal_v": fleet.of("nominal_v"),
        "battery": np.where(agree, verdict, "wrong_voltage"),
        "cold_filter_plugging_c": plugging,
        "fuel_grade": np.where(fleet.of("plugs") == 0.0, "no_plugging_point", wax),
    }
