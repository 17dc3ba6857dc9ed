"""The assignment in whole numbers: so many of a class go to a place, with a kit or without; HiGHS solves it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

AIMS = ("hazard", "off", "kits", "kit_nights", "cold", "moves", "km")
WHOLE = ("hazard", "off", "kits", "cold", "moves")
ROUND_OFF = 1e-6


@dataclass(frozen=True)
class Places:
    """Where vehicles can stand.

    Attributes
    ----------
    frame : DataFrame
        ``group, site_id, route_id`` of each place.
    site : array of int
        Row of the sites table for each place.
    count : array of float
        Vehicles that stand there now.
    capacity : array of float
        Vehicles that a site takes in all; NaN where each of its places keeps its number.
    """

    frame: pd.DataFrame
    site: Any
    count: Any
    capacity: Any

    def of(self, frame: pd.DataFrame) -> Any:
        """Return the place of each vehicle."""
        keys = ["group", "site_id", "route_id"]
        return pd.MultiIndex.from_frame(self.frame).get_indexer(pd.MultiIndex.from_frame(frame[keys]))


@dataclass(frozen=True)
class Options:
    """The ways that are open, one column each.

    Attributes
    ----------
    source_of : array of int
        Class of each vehicle: alike in group, place and all that follows from a place.
    source, target : array of int
        Class and place of a column; ``kit``: a new kit is fitted; ``stays``: it is the place of now.
    cab_with_kit : array of float
        Cab temperature with a kit on the coldest night [°C].
    costs : mapping
        Aim -> what one vehicle of a column adds to it, in the order of the aims; the less the better.
    """

    source_of: Any
    source: Any
    target: Any
    kit: Any
    stays: Any
    cab_with_kit: Any
    costs: dict[str, Any]

    def vehicles(self, flows: Any, first: Any = None) -> Any:
        """Return the column of each vehicle; ``first`` orders those of a class: the first get a kit, then move."""
        order = np.lexsort((self.stays, ~self.kit, self.source))
        columns = np.repeat(order, flows[order])
        out = np.empty(len(self.source_of), dtype=int)
        rank = np.arange(len(out)) if first is None else first
        out[np.lexsort((rank, self.source_of))] = columns
        return out

    def at_present(self, most_kits: int | None) -> dict[str, float]:
        """Return the value of each aim when nobody moves, the kits within the limit fitted where most nights are."""
        supply = np.bincount(self.source_of)
        stay = np.flatnonzero(self.stays & ~self.kit)
        flows = np.zeros(len(self.source), dtype=int)
        flows[stay] = supply[self.source[stay]]
        left = np.inf if most_kits is None else most_kits
        kitted = np.flatnonzero(self.stays & self.kit)
        bare_of = dict(zip(self.source[stay].tolist(), stay.tolist(), strict=True))
        for column in kitted[np.argsort(self.costs["kit_nights"][kitted], kind="stable")].tolist():
            bare = bare_of[int(self.source[column])]
            fitted = int(min(left, flows[bare]))
            flows[[bare, column]] += (-fitted, fitted)
            left -= fitted
        return {aim: float(np.asarray(cost, dtype=float) @ flows) for aim, cost in self.costs.items()}


@dataclass(frozen=True)
class Solved:
    """Vehicles of each column, and for each aim its value, the bound it cannot pass and whether it was proved."""

    flows: Any
    values: dict[str, float]
    bounds: dict[str, float]
    proved: dict[str, bool]


@dataclass(frozen=True)
class Most:
    """What an assignment may spend: kits and moves (None = as many as help), and seconds for each aim."""

    kits: int | None = None
    moves: int | None = None
    seconds: float = 60.0


def solve_in_order(options: Options, places: Places, most: Most, aims: tuple[str, ...] = AIMS) -> Solved | None:
    """Return the best flows, aim after aim, each within the values of those before it; None where there are none.

    Raises
    ------
    ValueError
        Never for options of a plan.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix, vstack

    count = len(options.source)
    rows, low, high = _rules(options, places, most)
    limits = Bounds(0, np.inf)
    flows, values, bounds, proved = None, {}, {}, {}
    for aim in aims:
        cost = np.asarray(options.costs[aim], dtype=float)
        least = float(cost.min(initial=0.0)) if count else 0.0
        if flows is not None and ((least >= 0.0 and cost @ flows < ROUND_OFF) or not cost.any()):
            value, bound, done = 0.0, 0.0, True
        else:
            found = milp(
                cost,
                integrality=np.ones(count),
                bounds=limits,
                constraints=LinearConstraint(rows, low, high),
                options={"time_limit": most.seconds, "mip_rel_gap": 0.0},
            )
            if found.x is not None:
                flows = np.rint(found.x).astype(int)
            elif flows is None:
                return None
            value, done = float(cost @ flows), found.status == 0
            bound = value if done else -np.inf if found.mip_dual_bound is None else float(found.mip_dual_bound)
            bound = float(np.ceil(bound - ROUND_OFF)) if aim in WHOLE and np.isfinite(bound) else bound
        values[aim], bounds[aim], proved[aim] = value, bound, done
        rows = vstack([rows, csr_matrix(cost)]).tocsr()
        low, high = np.append(low, -np.inf), np.append(high, value + ROUND_OFF * max(1.0, abs(value)))
    return Solved(flows, values, bounds, proved)


def _rules(options: Options, places: Places, most: Most) -> tuple[Any, Any, Any]:
    """Return what every assignment keeps: all vehicles go somewhere, places keep their number, sites their capacity."""
    from scipy.sparse import coo_matrix, csr_matrix, vstack

    count = len(options.source)
    ones, each = np.ones(count), np.arange(count)
    supply = np.bincount(options.source_of).astype(float)
    leaving = coo_matrix((ones, (options.source, each)), shape=(len(supply), count))
    arriving = coo_matrix((ones, (options.target, each)), shape=(len(places.site), count))
    at_site = coo_matrix((ones, (places.site[options.target], each)), shape=(len(places.capacity), count))
    spent = csr_matrix(np.stack([options.costs[aim] for aim in ("kits", "moves")]).astype(float))
    free = ~np.isnan(places.capacity)[places.site]
    rows = vstack([leaving, arriving, at_site, spent]).tocsr()
    low = np.concatenate([supply, np.where(free, 0.0, places.count), np.zeros(len(places.capacity) + 2)])
    room = np.where(np.isnan(places.capacity), np.inf, places.capacity)
    limits = [np.inf if number is None else float(number) for number in (most.kits, most.moves)]
    high = np.concatenate([supply, np.where(free, np.inf, places.count), room, limits])
    return rows, low, high
