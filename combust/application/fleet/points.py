"""Route points by the million: one function on a block of rows, the same in one process, streamed and on Dask."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from combust.application.fleet.elevation import Elevation, elevation
from combust.application.fleet.tables import Faults, FleetTable
from combust.data.near import folded_id
from combust.kernel.air import pressure_from_altitude
from combust.kernel.altitude import AltitudeSurface, lambda_from_surface

LAPSE_K_PER_M = 0.0065
MOST_FAULTS = 200_000
# Minutes on a binary grid (1 microsecond): up to 10^8 minutes their sums are exact, alike in any order and division.
GRID_MIN = 2.0**-26


@dataclass(frozen=True)
class RouteUse:
    """A heater type on a route: what a block of points is judged by.

    Attributes
    ----------
    limit_m, minimum_air_ratio : float
        The heater's own altitude limit (NaN = not entered) and the lowest lambda accepted.
    site_heights_m, site_temps_c : tuple of float
        Design nights of the route's sites, for points without a temperature.
    """

    route_id: str
    heater: str
    surface: AltitudeSurface
    limit_m: float
    minimum_air_ratio: float
    site_heights_m: tuple[float, ...]
    site_temps_c: tuple[float, ...]


class RouteTotals(NamedTuple):
    """What the points of a route add up to for a heater type: heights [m], time [min], points, lowest lambdas [-]."""

    highest_m: float
    lowest_m: float
    minutes: float
    minutes_above_limit: float
    minutes_below_minimum: float
    points: float
    air_ratio_lowest: float
    air_ratio_full_lowest: float

    def joined(self, other: RouteTotals) -> RouteTotals:
        """Return the totals of both."""
        sums = (one + two for one, two in zip(self[2:6], other[2:6], strict=True))
        lowest = (min(one, two) for one, two in zip(self[6:], other[6:], strict=True))
        return RouteTotals(max(self[0], other[0]), min(self[1], other[1]), *sums, *lowest)


@dataclass
class RouteSums:
    """What blocks of route points add up to; ``+`` joins two blocks."""

    read: int
    refused: int
    faults: list[tuple[Any, ...]]
    table: dict[tuple[str, str], RouteTotals]
    ways: dict[str, Elevation] = field(default_factory=dict)

    def __add__(self, other: RouteSums) -> RouteSums:
        joined = dict(self.table)
        for key, values in other.table.items():
            joined[key] = joined[key].joined(values) if key in joined else values
        ways = dict(self.ways)
        for route, way in other.ways.items():
            ways[route] = ways[route].joined(way) if route in ways else way
        faults = (self.faults + other.faults)[:MOST_FAULTS]
        return RouteSums(self.read + other.read, self.refused + other.refused, faults, joined, ways)


NO_POINTS = RouteSums(0, 0, [], {})


def route_block(block: FleetTable, uses: Iterable[RouteUse]) -> RouteSums:
    """Return the sums of a block of route points: per route and heater, with faults and counts."""
    faults = Faults()
    clean = faults.take(block)
    refused = faults.refused["routes"]
    kept = clean[~refused]
    routes = kept["route_id"].drop_duplicates()  # a name is folded once, not for each of a million points
    by_route = kept.groupby(
        kept["route_id"].map(dict(zip(routes, routes.map(folded_id), strict=True))), sort=False
    ).indices
    height = kept["altitude_m"].to_numpy(dtype=float)
    minutes = np.rint(kept["minutes"].to_numpy(dtype=float) / GRID_MIN) * GRID_MIN
    temp = kept["temp_c"].to_numpy(dtype=float)
    table = {}
    for use in uses:
        rows = by_route.get(folded_id(use.route_id))
        if rows is not None:
            table[(use.route_id, use.heater)] = _totals(use, height[rows], minutes[rows], temp[rows])
    distance, used = kept["distance_km"].to_numpy(dtype=float), dict.fromkeys(route for route, _ in table)
    ways = {
        route: elevation(distance[by_route[folded_id(route)]], height[by_route[folded_id(route)]]) for route in used
    }
    return RouteSums(len(clean), int(refused.sum()), faults.rows[:MOST_FAULTS], table, ways)


def _totals(use: RouteUse, height: Any, minutes: Any, temp: Any) -> RouteTotals:
    temp = point_temperatures(use, height, temp)
    here = lambda_from_surface(use.surface, pressure_hpa=pressure_from_altitude(height), temp_c=temp)
    above, low = height > use.limit_m, here.air_ratio_full < use.minimum_air_ratio
    sums = (minutes.sum(), minutes[above].sum(), minutes[low].sum(), len(height))
    lowest = (here.air_ratio.min(), here.air_ratio_full.min())
    return RouteTotals(*map(float, (height.max(), height.min(), *sums, *lowest)))


def point_temperatures(use: RouteUse, height_m: Any, temp_c: Any) -> Any:
    """Return the temperature of each point [°C]: as given, or by the standard lapse from the nearest site in height."""
    missing = np.isnan(temp_c)
    if not missing.any():
        return temp_c
    sites, temps = np.array(use.site_heights_m), np.array(use.site_temps_c)
    nearest = np.argmin(np.abs(height_m[missing, None] - sites[None, :]), axis=1)
    filled = temp_c.copy()
    filled[missing] = np.clip(temps[nearest] - LAPSE_K_PER_M * (height_m[missing] - sites[nearest]), -60.0, 60.0)
    return filled
