"""What a plan adds up to: vehicles by what they are, kits, litres and money; every sum follows from the rows."""

from __future__ import annotations

import pandas as pd

from combust.application.fleet.decisions import FUEL_WHEN
from combust.application.fleet.kits import spares_of
from combust.application.fleet.policy import Policy
from combust.application.fleet.rules import stays_off

TOTALS = {
    "refused": "refused rows of the vehicles table, nothing known of them",
    "off": "heaters off as things stand",
    "off_with_kits": "heaters off once the kits are fitted",
    "compensation_kits": "compensation kits to fit",
    "kits_left_out": "heaters that need a kit and get none within the number or the budget",
    "spare_kits": "spare compensation kits",
    "kits_not_known": "kits not known: up to where the document allows one is not entered",
    "short_of_air": "lambda below its minimum, of heaters that may run: not to be run untrimmed",
    "heat_short": "cab stays below its target with lambda kept",
    "cab_warm": "cab reaches its target with lambda kept",
    "cab_off": "cab without heat: heater off",
    "cab_unknown": "cab not known: the heater's own limit must be looked up first",
    "battery_too_small": "battery too small for a cold night, of heaters that may run",
    "battery_unknown": "battery not known, of heaters that may run",
    "fuel_grade_below": "fuel grade below the coldest night, of heaters that may run",
    "fuel_grade_marginal": "fuel grade only just stands the coldest night, of heaters that may run",
    "fuel_grade_unknown": "fuel grade not known, of heaters that may run",
    "shorten_service": "shorten the service interval",
    "flips_between_lambdas": "lambda rule answered differently by the three lambdas",
    "sureness_open": "decision open: within its own uncertainty",
    "sureness_unknown": "decision hangs on a limit that was not entered",
    "fuel_l_per_season": FUEL_WHEN["now"],
    "fuel_l_per_season_with_kit": FUEL_WHEN["with_kit"],
    "fuel_l_per_season_look_up": FUEL_WHEN["look_up"],
    "cost_kits": "cost of kits and spares, in the money of the policy",
    "cost_fuel": "cost of the season's fuel of heaters that may run now, in the money of the policy",
    "cost_fuel_with_kit": "cost of the more fuel once the kits are fitted, in the money of the policy",
    "cost": "grand total of kits, spares and fuel, in the money of the policy",
}
ALWAYS = {TOTALS[key] for key in ("off", "compensation_kits", "heat_short", "battery_too_small", "fuel_grade_below")}
COUNTED = {  # how many vehicles have a value in a column
    "compensation_kits": ("decision", "compensate"),
    "kits_left_out": ("decision", "no_kit_left"),
    "heat_short": ("cab", "cold"),
    "cab_warm": ("cab", "warm"),
    "cab_off": ("cab", "off"),
    "cab_unknown": ("cab", "unknown"),
    "battery_too_small": ("battery", "too_small"),
    "battery_unknown": ("battery", "unknown"),
    "fuel_grade_below": ("fuel_grade", "below"),
    "fuel_grade_marginal": ("fuel_grade", "marginal"),
    "fuel_grade_unknown": ("fuel_grade", "unknown"),
    "sureness_open": ("sureness", "open"),
    "sureness_unknown": ("sureness", "unknown"),
}


def counts_of(frame: pd.DataFrame) -> dict[str, int]:
    """Return how many vehicles have each value of ``COUNTED``."""
    off = {column: stays_off(frame) for column in ("battery", "fuel_grade")}  # what it has does not matter there
    return {
        key: int(((frame[column] == value) & ~off.get(column, False)).sum()) for key, (column, value) in COUNTED.items()
    }


def litres_of(frame: pd.DataFrame) -> dict[str, float]:
    """Return the fuel of the season by when it is burnt [l]."""
    return {when: float(frame.loc[frame["fuel_when"] == when, "fuel_l_per_season"].sum()) for when in FUEL_WHEN}


def totals_of(frame: pd.DataFrame, policy: Policy, refused: int) -> dict[str, float | int | None]:
    """Return how many vehicles are what, and litres and money; every sum follows from the rows of the vehicles."""
    counted, litres = counts_of(frame), litres_of(frame)
    kits = counted["compensation_kits"]
    spares, keeps_off = spares_of(kits, policy), int(stays_off(frame).sum())
    asked = (frame["decision"] == "check_document") & (frame["compensation"] == "none")
    kit_price, fuel_price = policy.given("price_compensation_kit"), policy.given("price_fuel_per_l")
    costs = {
        "cost_kits": None if kit_price is None else (kits + spares) * kit_price,
        "cost_fuel": None if fuel_price is None else litres["now"] * fuel_price,
        "cost_fuel_with_kit": None if fuel_price is None else litres["with_kit"] * fuel_price,
    }
    priced = [one for one in costs.values() if one is not None]
    return {
        "vehicles": len(frame),
        "refused": refused,
        "off": keeps_off,
        "off_with_kits": keeps_off - kits,
        **counted,
        "spare_kits": spares,
        "short_of_air": int((frame["safety"] == "outdoors_only").sum()),
        "kits_not_known": int(asked.sum()),
        "shorten_service": int(frame["shorten_service"].sum()),
        "flips_between_lambdas": int((frame["flips_between_lambdas"] != "").sum()),
        "fuel_l_per_season": litres["now"],
        "fuel_l_per_season_with_kit": litres["with_kit"],
        "fuel_l_per_season_look_up": litres["look_up"],
        **costs,
        "cost": sum(priced) if priced else None,
    }
