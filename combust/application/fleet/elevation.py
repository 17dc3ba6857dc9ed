"""How high a route climbs along its way: its points reduced to the highest of each stretch, in bounded memory.

Stretches are cells of equal length, a power of two of a kilometre, as many as fit into ``CELLS``: the same points give
the same cells in whatever blocks and order they come.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

CELLS = 256
NARROWEST_KM = 2.0**-10


class Elevation(NamedTuple):
    """The highest point of each cell of a route.

    Attributes
    ----------
    distance_km, height_m : array of float
        Of those points, by distance.
    without : int
        Points that have no distance: they are not in it.
    """

    distance_km: Any
    height_m: Any
    without: int = 0

    def joined(self, other: Elevation) -> Elevation:
        """Return the elevation of the points of both."""
        columns = [np.concatenate(pair) for pair in zip(self[:2], other[:2], strict=True)]
        return elevation(*columns)._replace(without=self.without + other.without)


def elevation(distance_km: Any, height_m: Any) -> Elevation:
    """Return the elevation of some points of a route; NaN as a distance leaves a point out and counts it."""
    distance, height = np.asarray(distance_km, dtype=float), np.asarray(height_m, dtype=float)
    known = ~np.isnan(distance)
    without = int(len(known) - known.sum())
    if without:
        distance, height = distance[known], height[known]
    if not len(distance):
        return Elevation(distance, height, without)
    width = max(2.0 ** math.ceil(math.log2(max(float(distance.max()), NARROWEST_KM) / CELLS)), NARROWEST_KM)
    cell = np.floor(distance / width).astype(np.int64)
    if (np.diff(cell) < 0).any():
        order = np.argsort(cell, kind="stable")
        cell, distance, height = cell[order], distance[order], height[order]
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    highest = np.maximum.reduceat(height, starts)
    at_top = height == np.repeat(highest, np.diff(starts, append=len(cell)))
    return Elevation(np.minimum.reduceat(np.where(at_top, distance, np.inf), starts), highest, without)


def crossings(way: Elevation, limit_m: float) -> list[tuple[float, float]]:
    """Return (from, to) of each stretch above a height [km], straight between points."""
    distance, height = way.distance_km, way.height_m
    above = height > limit_m
    if not above.any():
        return []
    turns = np.flatnonzero(np.diff(above))
    steps = (limit_m - height[turns]) / (height[turns + 1] - height[turns])
    crossed = distance[turns] + steps * (distance[turns + 1] - distance[turns])
    ends = [*(distance[:1] if above[0] else ()), *crossed, *(distance[-1:] if above[-1] else ())]
    return list(zip(ends[::2], ends[1::2], strict=True))


def stretches_above(way: Elevation, limit_m: float) -> list[tuple[float, float]]:
    """Return (from, to) of each stretch above a height [km], rounded outwards to 0.1 km."""
    out = [(math.floor(10.0 * one + 1e-6) / 10.0, math.ceil(10.0 * two - 1e-6) / 10.0)
           for one, two in crossings(way, limit_m)]  # fmt: skip
    return _together(out)


def _together(stretches: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return stretches that touch after rounding as one."""
    out: list[tuple[float, float]] = []
    for one in stretches:
        if out and one[0] <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], one[1]))
        else:
            out.append(one)
    return out


def stretch_words(stretches: list[tuple[float, float]]) -> str:
    """Return stretches in words: ``km 12.1 to 31.4 and 40 to 44``."""
    return "km " + " and ".join(f"{one:g} to {two:g}" for one, two in stretches) if stretches else ""
