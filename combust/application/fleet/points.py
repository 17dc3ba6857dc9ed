"""Route points by the million: one function on a block of rows, the same in one process, streamed and on Dask."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.fleet.tables import Faults, FleetTable
from combust.kernel.air import pressure_from_altitude
from combust.kernel.altitude import AltitudeSurface, lambda_from_surface

LAPSE_K_PER_M = 0.0065
MOST_FAULTS = 200_000


@dataclass(frozen=True)
class RouteUse:
    """A heater type on a route: what a block of points is judged by.

    Attributes
    ----------
    limit_m, minimum_air_ratio : float
        The unit's own altitude limit (NaN = not entered) and the lowest lambda accepted.
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


@dataclass
class RouteSums:
    """What blocks of route points add up to; ``+`` joins two blocks."""

    read: int
    refused: int
    faults: list[tuple[Any, ...]]
    table: dict[tuple[str, str], tuple[float, ...]]

    def __add__(self, other: RouteSums) -> RouteSums:
        joined = dict(self.table)
        for key, values in other.table.items():
            joined[key] = _join(joined[key], values) if key in joined else values
        faults = (self.faults + other.faults)[:MOST_FAULTS]
        return RouteSums(self.read + other.read, self.refused + other.refused, faults, joined)


def _join(one: tuple[float, ...], two: tuple[float, ...]) -> tuple[float, ...]:
    highest, lowest = max(one[0], two[0]), min(one[1], two[1])
    sums = tuple(a + b for a, b in zip(one[2:6], two[2:6], strict=True))
    return (highest, lowest, *sums, min(one[6], two[6]), min(one[7], two[7]))


NO_POINTS = RouteSums(0, 0, [], {})


def route_block(block: FleetTable, uses: Iterable[RouteUse]) -> RouteSums:
    """Return the sums of a block of route points: per route and heater, with faults and counts."""
    faults = Faults()
    clean = faults.take(block)
    refused = faults.refused["routes"]
    kept = clean[~refused]
    by_route = kept.groupby("route_id", sort=False).indices
    height, minutes = kept["altitude_m"].to_numpy(dtype=float), kept["minutes"].to_numpy(dtype=float)
    temp = kept["temp_c"].to_numpy(dtype=float)
    table = {}
    for use in uses:
        rows = by_route.get(use.route_id)
        if rows is not None:
            table[(use.route_id, use.heater)] = _sums(use, height[rows], minutes[rows], temp[rows])
    return RouteSums(len(clean), int(refused.sum()), faults.rows[:MOST_FAULTS], table)


def _sums(use: RouteUse, height: Any, minutes: Any, temp: Any) -> tuple[float, ...]:
    here = lambda_from_surface(
        use.surface, pressure_hpa=pressure_from_altitude(height), temp_c=point_temperatures(use, height, temp)
    )
    above, low = height > use.limit_m, here.air_ratio_full < use.minimum_air_ratio
    return (
        float(height.max()),
        float(height.min()),
        float(minutes.sum()),
        float(minutes[above].sum()),
        float(minutes[low].sum()),
        float(len(height)),
        float(here.air_ratio.min()),
        float(here.air_ratio_full.min()),
    )


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
