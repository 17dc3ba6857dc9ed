"""The assignment in whole numbers: so many of a class go to a place, with a kit or without; HiGHS solves it."""

from __future__ import annotations

from dataclasses import dataclass
from time import monotonic
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

    What shares no place, site or limit is solved part by part. Of each aim the continuous problem comes first: where
    its best is in whole numbers, as it mostly is, it is the best; else HiGHS branches. A column that costs more than
    the best leaves (its reduced cost) is out of all later aims.

    Raises
    ------
    ValueError
        Never for options of a plan.
    """
    rows, low, high = _rules(options, places, most)
    ends = monotonic() + most.seconds * len(aims)
    flows, sums = np.zeros(len(options.source), dtype=int), [(0.0, 0.0, True) for _ in aims]
    for columns in sorted(_parts(rows, high), key=len):
        part = rows[:, columns]
        held = np.diff(part.indptr) > 0
        costs = [np.asarray(options.costs[aim], dtype=float)[columns] for aim in aims]
        stays = np.where(
            (options.stays & ~options.kit)[columns], np.bincount(options.source_of)[options.source[columns]], 0
        )
        problem = _Problem(part[held], low[held], high[held], most.seconds, ends)
        found = problem.in_order(aims, costs, stays)
        if found is None:
            return None
        flows[columns], of_part = found
        sums = [(one[0] + two[0], one[1] + two[1], one[2] and two[2]) for one, two in zip(sums, of_part, strict=True)]
    values, bounds, proved = (dict(zip(aims, column, strict=True)) for column in zip(*sums, strict=True))
    return Solved(flows, values, bounds, proved)


def _parts(rows: Any, high: Any) -> list[Any]:
    """Return the columns of each part of the problem: parts have no rule in common that can bind."""
    from scipy.sparse import bmat
    from scipy.sparse.csgraph import connected_components

    binding = rows[np.isfinite(high)]
    graph = bmat([[None, binding], [binding.T, None]])
    part_of = connected_components(graph, directed=False)[1][binding.shape[0] :]
    return [np.flatnonzero(part_of == part) for part in np.unique(part_of)]


@dataclass
class _Problem:
    """The rules of a part, which grow with each aim that is reached; seconds for each aim, and when all must end."""

    rows: Any
    low: Any
    high: Any
    seconds: float
    ends: float

    def in_order(self, aims: tuple[str, ...], costs: list[Any], stays: Any) -> tuple[Any, list[Any]] | None:
        """Return (flows, value, bound and proof of each aim); None where nothing keeps the rules."""
        from scipy.sparse import csr_matrix, vstack

        flows = stays if self._kept(stays) else None
        told, open_columns = [], np.arange(len(stays))
        for aim, every in zip(aims, costs, strict=True):
            cost = every[open_columns]
            least = float(cost.min(initial=0.0))
            if flows is not None and ((least >= 0.0 and every @ flows < ROUND_OFF) or not cost.any()):
                told.append((float(every @ flows), float(every @ flows), True))
                keep = np.ones(len(cost), dtype=bool)
            else:
                best, bound, continuous, spare = self._best(cost)
                if best is not None:
                    flows = np.zeros(len(stays), dtype=int)
                    flows[open_columns] = best
                elif flows is None:
                    return None
                value, bound = float(every @ flows), max(bound, least * float(flows.sum()))
                room = ROUND_OFF * max(1.0, abs(value))
                bound = float(np.ceil(bound - ROUND_OFF)) if aim in WHOLE and np.isfinite(bound) else bound
                proved = value <= bound + room
                told.append((value, value if proved else bound, proved))
                keep = spare <= room + value - continuous
            limit = told[-1][0] + ROUND_OFF * max(1.0, abs(told[-1][0]))
            self.rows = vstack([self.rows, csr_matrix(cost)]).tocsr()[:, keep]
            self.low, self.high = np.append(self.low, -np.inf), np.append(self.high, limit)
            open_columns = open_columns[keep]
        return flows, told

    def _kept(self, flows: Any) -> bool:
        there = self.rows @ flows
        return bool(np.all(there >= self.low - ROUND_OFF) and np.all(there <= self.high + ROUND_OFF))

    def _best(self, cost: Any) -> tuple[Any, float, float, Any]:
        """Return (best flows or None, bound, best of the continuous problem, what each column costs beyond that)."""
        from scipy.optimize import Bounds, LinearConstraint, linprog, milp
        from scipy.sparse import vstack

        equal, count = self.low == self.high, len(cost)
        upper, lower = ~equal & np.isfinite(self.high), ~equal & (self.low > 0.0)
        found = linprog(
            cost,
            A_ub=vstack([self.rows[upper], -self.rows[lower]]),
            b_ub=np.concatenate([self.high[upper], -self.low[lower]]),
            A_eq=self.rows[equal],
            b_eq=self.low[equal],
            method="highs-ds",
            options={"time_limit": self._left()},
        )
        if found.status != 0:
            return None, -np.inf, -np.inf, np.zeros(count)
        continuous, spare = float(found.fun), found.lower.marginals
        whole = np.rint(found.x).astype(int)
        if np.abs(found.x - whole).max(initial=0.0) < ROUND_OFF and self._kept(whole):
            return whole, float(cost @ whole), continuous, spare
        rules, how = LinearConstraint(self.rows, self.low, self.high), {"time_limit": self._left(), "mip_rel_gap": 0.0}
        branched = milp(cost, integrality=np.ones(count), bounds=Bounds(0, np.inf), constraints=rules, options=how)
        best = None if branched.x is None else np.rint(branched.x).astype(int)
        bound = continuous if branched.mip_dual_bound is None else max(continuous, float(branched.mip_dual_bound))
        return best, float(cost @ best) if best is not None and branched.status == 0 else bound, continuous, spare

    def _left(self) -> float:
        return max(min(self.seconds, self.ends - monotonic()), 0.0)


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
    limits = [np.inf if number is None or number >= supply.sum() else number for number in (most.kits, most.moves)]
    high = np.concatenate([supply, np.where(free, np.inf, places.count), room, limits])
    return rows, low, high
