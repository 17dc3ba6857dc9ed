"""Route profiles: how long a route lies above the heater's limit or below the minimum lambda, and what a pass means."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.points import RouteSums, RouteTotals, RouteUse

COLUMNS = ["route_id", "heater", *RouteTotals._fields, "heater_altitude_limit_m", "text"]


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
        rows.append({**row, "text": _text(row)})
    return pd.DataFrame(rows, columns=COLUMNS)


def _text(row: dict[str, Any]) -> str:
    limit, above = row["heater_altitude_limit_m"], row["minutes_above_limit"]
    if np.isnan(limit):
        return "The heater's own altitude limit is not entered: the heater stays off on this route until it is."
    if above > 0.0:
        return (
            f"{above:.0f} min above the heater's own limit of {limit:.0f} m (highest {row['highest_m']:.0f} m): "
            "heater off there unless its document allows it. A pass alone calls for no compensation kit; the night's "
            "site decides."
        )
    return f"Highest point {row['highest_m']:.0f} m, within the heater's own limit of {limit:.0f} m."
