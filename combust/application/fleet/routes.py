"""Route profiles: how long a route lies above the unit's limit or below the minimum lambda, and what a pass means."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.types import Fleet
from combust.kernel.air import pressure_from_altitude
from combust.kernel.altitude import derate

COLUMNS = (
    "route_id",
    "heater",
    "highest_m",
    "lowest_m",
    "minutes",
    "unit_altitude_limit_m",
    "minutes_above_limit",
    "minutes_below_minimum",
    "air_ratio_lowest",
    "air_ratio_full_lowest",
    "text",
)


def routes_frame(frame: pd.DataFrame, routes: pd.DataFrame | None, sites: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """Return one row a route and heater type that drives it.

    Temperatures that a point lacks follow the standard lapse from the design night of the nearest site in height that
    the route's vehicles use; the minutes of a point last until the next point.
    """
    if routes is None or len(routes) == 0:
        return pd.DataFrame(columns=list(COLUMNS))
    used = frame[frame["route_id"] != ""][["route_id", "heater", "site_id"]].drop_duplicates()
    points = dict(iter(routes.groupby("route_id", sort=False)))
    by_name = {one.name: one for one in fleet.types}
    site_rows = sites.set_index("site_id")
    rows: list[dict[str, Any]] = []
    for (route, heater), group in used.groupby(["route_id", "heater"], sort=False):
        if route not in points:
            continue
        part, one = points[route], by_name[heater]
        height, minutes = part["altitude_m"].to_numpy(dtype=float), part["minutes"].to_numpy(dtype=float)
        temp = point_temperatures(part, site_rows.loc[group["site_id"].unique()])
        told = derate(one.base.derating, pressure_hpa=pressure_from_altitude(height), temp_c=temp)
        above = height > one.altitude_limit_m
        low = told.air_ratio_full < one.air_ratio_min
        row = {
            "route_id": route,
            "heater": heater,
            "highest_m": height.max(),
            "lowest_m": height.min(),
            "minutes": minutes.sum(),
            "unit_altitude_limit_m": one.altitude_limit_m,
            "minutes_above_limit": minutes[above].sum() if one.altitude_limit_m == one.altitude_limit_m else np.nan,
            "minutes_below_minimum": minutes[low].sum(),
            "air_ratio_lowest": told.air_ratio.min(),
            "air_ratio_full_lowest": told.air_ratio_full.min(),
        }
        rows.append({**row, "text": _text(row)})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def point_temperatures(points: pd.DataFrame, sites: pd.DataFrame) -> Any:
    """Return the temperature of each route point [°C], as given or by the standard lapse from the nearest site."""
    given = points["temp_c"].to_numpy(dtype=float)
    height = points["altitude_m"].to_numpy(dtype=float)
    site_height = sites["altitude_m"].to_numpy(dtype=float)
    nearest = np.argmin(np.abs(height[:, None] - site_height[None, :]), axis=1)
    lapsed = sites["design_temp_c"].to_numpy(dtype=float)[nearest] - 0.0065 * (height - site_height[nearest])
    return np.clip(np.where(np.isnan(given), lapsed, given), -60.0, 60.0)


def _text(row: dict[str, Any]) -> str:
    limit, above = row["unit_altitude_limit_m"], row["minutes_above_limit"]
    if np.isnan(limit):
        return "The unit's own altitude limit is not entered: the heater stays off on this route until it is."
    if above > 0.0:
        return (
            f"{above:.0f} min above the unit's own limit of {limit:.0f} m (highest {row['highest_m']:.0f} m): "
            "heater off there unless its document allows it. A pass alone calls for no compensation unit; the night's "
            "site decides."
        )
    return f"Highest point {row['highest_m']:.0f} m, within the unit's own limit of {limit:.0f} m."
