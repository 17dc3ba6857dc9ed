"""Who gets a compensation kit where not all can have one: whom fuel and battery let run, most nights, warmer cab, id.

Nobody is moved for it. What is left over stays off for the season and counts in no sum; every kit, given or not, is
told with what it buys, so that the next one can be judged.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import KEEP_OFF, SUPPLIES, UNKNOWN
from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import as_typed, kept_heat
from combust.application.fleet.policy import Policy
from combust.kernel.cab import cab_temperature_reached

KITS_COLUMNS = (
    "rank",
    "vehicle_id",
    "site_id",
    "given",
    "nights_per_season",
    "cab_temp_reached_c",
    "fuel_l_per_season",
    "heaters_off_then",
    "cost",
    "text",
)
KEEP_IT_OFF = ("below", "too_small")  # fuel and battery that do not let a heater run
NUMBER = re.compile(r"\d+")


def most_kits(policy: Policy) -> int | None:
    """Return how many kits may be fitted: by number, and by a budget that pays for the spares too; None = any."""
    number, budget, price = (policy.given(key) for key in ("max_kits", "kit_budget", "price_compensation_kit"))
    bounds = [] if number is None else [int(number)]
    if budget is not None and price:
        paid = int(budget // price)
        bounds.append(next((kits for kits in range(paid, 0, -1) if kits + spares_of(kits, policy) <= paid), 0))
    return min(bounds) if bounds else None


def spares_of(kits: int, policy: Policy) -> int:
    """Return the spare kits that go with so many fitted ones, rounded up."""
    return spare_kits(kits, policy["spare_share"])


def spare_kits(kits: int, share: float) -> int:
    """Return the spare kits of a share of the fitted ones [-], rounded up."""
    return math.ceil(kits * share - 1e-9)


def by_id(names: pd.Series) -> Any:
    """Return the place of each name in the order of ids, numbers in them by their value: car-9 before car-10."""
    keys = names.astype(str).map(lambda name: NUMBER.sub(lambda digits: digits[0].zfill(12), name))
    return keys.rank(method="first").to_numpy()


def cab_with_kit(frame: pd.DataFrame, fleet: Fleet) -> Any:
    """Return the cab temperature on the coldest night of each vehicle with a kit that holds lambda and heat [°C]."""
    heat = kept_heat(frame.assign(compensation="automatic"), fleet, "_full")
    loss, cold, target = (frame[key].to_numpy() for key in ("heat_loss_w_per_k", "design_temp_c", "cab_target_c"))
    return cab_temperature_reached(loss, cold, heat, target)


def share_out(frame: pd.DataFrame, nights: Any, fleet: Fleet, policy: Policy) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return (the vehicles with the kits given out, every kit in its order).

    Parameters
    ----------
    frame : DataFrame
        Decided vehicles; those that need a kit and get none become ``no_kit_left``: off, no fuel, in no sum.
    nights : array of float
        Nights a season of each vehicle.

    Returns
    -------
    tuple of DataFrame
        The second holds ``rank, vehicle_id, site_id, given, nights_per_season, cab_temp_reached_c, fuel_l_per_season,
        heaters_off_then, cost, text``; ``cost`` is the kit and the season's fuel with it, NaN without prices.
    """
    off = int(frame["decision"].isin(KEEP_OFF).sum())
    rows = np.flatnonzero((frame["decision"] == "compensate").to_numpy())
    part = frame.iloc[rows]
    cab = cab_with_kit(part, Fleet(fleet.types, fleet.index[rows])) if len(rows) else np.empty(0)
    ready = _runs_with_it(part)
    count = -np.asarray(nights, dtype=float)[rows]
    order = np.lexsort((by_id(part["vehicle_id"]), -np.round(cab, 1), count, ready))
    rows, cab, part = rows[order], cab[order], part.iloc[order]
    most = most_kits(policy)
    given = np.arange(len(rows)) < (len(rows) if most is None else most)
    litres = part["fuel_l_per_season"].to_numpy(dtype=float)
    kit, per_l = policy.given("price_compensation_kit"), policy.given("price_fuel_per_l")
    count = np.asarray(nights, dtype=float)[rows]
    table = pd.DataFrame(
        {
            "rank": np.arange(1, len(rows) + 1),
            "vehicle_id": part["vehicle_id"].to_numpy(),
            "site_id": part["site_id"].to_numpy(),
            "given": given,
            "nights_per_season": count,
            "cab_temp_reached_c": cab,
            "fuel_l_per_season": litres,
            "heaters_off_then": off - np.arange(1, len(rows) + 1),
            "cost": np.nan if kit is None and per_l is None else (kit or 0.0) + (per_l or 0.0) * litres,
            "text": [
                what_it_buys(*one) for one in zip(count, cab, part["design_temp_c"], _in_the_way(part), strict=True)
            ],
        },
        columns=list(KITS_COLUMNS),
    )
    left = np.zeros(len(frame), dtype=bool)
    left[rows[~given]] = True
    burnt = [name for name in frame if name.startswith("fuel_l_per_")]
    return frame.assign(
        decision=frame["decision"].mask(left, "no_kit_left"),
        fuel_when=frame["fuel_when"].mask(left, "off"),
        **{name: frame[name].mask(left, 0.0) for name in burnt},
    ), table


def _runs_with_it(part: pd.DataFrame) -> Any:
    """Return for each vehicle what of battery and fuel a kit leaves: 0 nothing, 1 not known, 2 it does not run."""
    wants = np.zeros(len(part), dtype=int)
    for at, words in enumerate((UNKNOWN, {key: told for key, told in SUPPLIES.items() if key[1] in KEEP_IT_OFF}), 1):
        for column, value in words:
            if column in ("battery", "fuel_grade"):
                wants[(part[column] == value).to_numpy()] = at
    return wants


def _in_the_way(part: pd.DataFrame) -> list[str]:
    """Return for each vehicle what of battery and fuel a kit alone does not mend, in words."""
    told = {
        **{key: words for key, words in SUPPLIES.items() if key[1] in KEEP_IT_OFF},
        **{key: f"{words} is not known" for key, words in UNKNOWN.items()},
    }
    pairs = zip(part["battery"], part["fuel_grade"], strict=True)
    return [
        " and ".join(told[key] for key in (("battery", battery), ("fuel_grade", grade)) if key in told)
        for battery, grade in pairs
    ]


def what_it_buys(nights: float, cab_c: float, outside_c: float, in_the_way: str = "") -> str:
    """Return what one kit buys, in words; what battery and fuel still want comes first."""
    more = (
        "one heater more runs" if not in_the_way else f"not by the kit alone, {in_the_way}; then one heater more runs"
    )
    return (
        f"{more}: {nights:.0f} nights a season, cab at about {cab_c:.0f} °C on the coldest night, "
        f"outside {as_typed(outside_c)} °C"
    )
