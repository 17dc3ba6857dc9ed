"""Route profiles: how long a route lies above the heater's limit or below the minimum lambda, and what a pass means."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.elevation import elevation, stretch_words, stretches_above
from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.points import RouteSums, RouteTotals, RouteUse

COLUMNS = ["route_id", "heater", *RouteTotals._fields, "heater_altitude_limit_m", "heater_off", "text"]
WAY_COLUMNS = ("route_id", "distance_km", "altitude_m")
NOWHERE = elevation([], [])
NO_WAY = "The table gives no distance_km: where along the way is not known."


def route_uses(frame: pd.DataFrame, fleet: Fleet) -> list[RouteUse]:
    """Return every route and heater type of the planned vehicles, with what its points are judged by."""
    used = frame.loc[frame["route_id"] != "", ["route_id", "heater", "altitude_m", "design_temp_c"]].drop_duplicates()
    by_name = {one.name: one for one in fleet.types}
    uses = []
    for (route, heater), part in used.groupby(["route_id", "heater"], sort=False):
        base, numbers = by_name[heater].base, by_name[heater].numbers
        limits = numbers["altitude_limit_m"], numbers["air_ratio_min"]
        sites = tuple(part["altitude_m"].tolist()), tuple(part["design_temp_c"].tolist())
        uses.append(RouteUse(str(route), heater, base.surface, *limits, *sites))
    return uses


def routes_frame(sums: RouteSums, uses: list[RouteUse]) -> pd.DataFrame:
    """Return one row a route and heater type that drives it; the minutes of a point last until the next point.

    A point without a temperature has that of the design night of the nearest site in height, with the standard lapse.
    """
    rows: list[dict[str, Any]] = []
    for use in uses:
        values = sums.table.get((use.route_id, use.heater))
        if values is None:
            continue
        if np.isnan(use.limit_m):
            values = values._replace(minutes_above_limit=np.nan)
        row = {"route_id": use.route_id, "heater": use.heater, **values._asdict()}
        row["heater_altitude_limit_m"] = use.limit_m
        way = sums.ways.get(use.route_id, NOWHERE)
        row["heater_off"] = stretch_words(stretches_above(way, use.limit_m)) if len(way.height_m) else NO_WAY
        rows.append({**row, "text": _text(row)})
    return pd.DataFrame(rows, columns=COLUMNS)


def ways_frame(sums: RouteSums) -> pd.DataFrame:
    """Return ``route_id, distance_km, altitude_m``: the highest point of each stretch, by route and distance."""
    parts = [
        pd.DataFrame({"route_id": route, "distance_km": way.distance_km, "altitude_m": way.height_m})
        for route, way in sums.ways.items()
        if len(way.height_m)
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(WAY_COLUMNS))


def _text(row: dict[str, Any]) -> str:
    limit, above = row["heater_altitude_limit_m"], row["minutes_above_limit"]
    if np.isnan(limit):
        return "The heater's own altitude limit is not entered: the heater stays off on this route until it is."
    if row["highest_m"] > limit:
        where = "" if row["heater_off"] in ("", NO_WAY) else f", {row['heater_off']}"
        unknown = f" {NO_WAY}" if row["heater_off"] == NO_WAY else ""
        return (
            f"{above:.0f} min above the heater's own limit of {limit:.0f} m (highest {row['highest_m']:.0f} m{where}): "
            f"heater off there unless its document allows it.{unknown} A pass alone calls for no compensation kit; the "
            "night's site decides."
        )
    return f"Highest point {row['highest_m']:.0f} m, within the heater's own limit of {limit:.0f} m."
