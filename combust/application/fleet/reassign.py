"""Which vehicle goes where so that fewer compensation units are needed; the fleet's places stay as they are.

Places (site and route) and vehicles are counted by kind, so the optimiser sees a transport problem whose linear
program has whole-number corners, however large the fleet.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import kept_heat, nights_frame
from combust.application.fleet.policy import Policy
from combust.kernel.cab import cab_temperature_reached

# One unit outweighs any cold cab, one cold cab any number of moves (moves are counted in thousandths).
COST_NOT_ALLOWED, COST_UNIT, COST_COLD, COST_MOVE = 1.0e4, 100.0, 10.0, 0.001
MOST_PAIRS = 2_000_000
KIND = (
    "group",
    "heater",
    "compensation",
    "compensation_limit_m",
    "cab_ua_w_per_k",
    "ventilation_m3_per_h",
    "cab_target_c",
    "blower_trim_limit_pct",
)


@dataclass(frozen=True)
class Reassignment:
    """Units needed before and after, and the moves.

    Attributes
    ----------
    units_before, units_after : int
        Vehicles above their unit's own limit without a compensation.
    cold_before, cold_after : int
        Vehicles whose cab stays below its target with lambda kept.
    moves : DataFrame
        ``vehicle_id, group, from_site, from_route, to_site, to_route, reason``.
    note : str
        Why nothing was done, or what bounds the answer.
    """

    units_before: int
    units_after: int
    cold_before: int
    cold_after: int
    moves: pd.DataFrame
    note: str


def reassign(
    frame: pd.DataFrame, vehicles: pd.DataFrame, sites: pd.DataFrame, fleet: Fleet, policy: Policy
) -> Reassignment:
    """Return the exchange of places within each group that needs the fewest compensation units.

    First fewest vehicles that may not run at all, then fewest units, then fewest cold cabs, then fewest moves. Every
    place keeps its number of vehicles. Solved by scipy's HiGHS solver.

    Raises
    ------
    CombustError
        Never for a valid plan; a fleet with too many different kinds comes back unchanged with a note.
    """
    kinds, kind_of = _factor(frame, KIND)
    places, place_of = _factor(frame, ("group", "site_id", "route_id"))
    start, start_of = np.unique(np.stack([kind_of, place_of]), axis=1, return_inverse=True)
    start_of = start_of.reshape(-1)
    pairs = _pairs(frame, start, kinds, places)
    before = _state(frame, policy)
    nothing = pd.DataFrame(columns=["vehicle_id", "group", "from_site", "from_route", "to_site", "to_route", "reason"])
    if pairs is None:
        note = f"more than {MOST_PAIRS} combinations of vehicle kind and place: not tried. Split the fleet by group."
        return Reassignment(before[0], before[0], before[1], before[1], nothing, note)
    if importlib.util.find_spec("scipy") is None:
        note = "scipy is not installed, nothing was exchanged. Install it with: pip install 'combust[scale]'"
        return Reassignment(before[0], before[0], before[1], before[1], nothing, note)
    source, target = pairs
    cost = _costs(frame, vehicles, sites, fleet, policy, start, source, target, kinds, places, place_of)
    supply = np.bincount(start_of, minlength=start.shape[1])
    room = np.bincount(place_of, minlength=len(places))
    solved = _solve(cost, source, target, supply, room)
    if solved.x is None:
        return Reassignment(before[0], before[0], before[1], before[1], nothing, f"solver: {solved.message}")
    flows = np.rint(solved.x).astype(int)
    new_place = _hand_out(start, start_of, source, target, flows, place_of)
    moves = _moves(frame, places, place_of, new_place)
    units, cold = _after(cost, flows)
    note = "Exchange within each group; every place keeps its number of vehicles. The unit's own limit decides."
    return Reassignment(before[0], units, before[1], cold, moves, note)


def _solve(cost: Any, source: Any, target: Any, supply: Any, room: Any) -> Any:
    """Return scipy's solution of the transport problem; imported here, nothing else needs it."""
    from scipy.optimize import linprog
    from scipy.sparse import coo_matrix, vstack

    count = len(source)
    ones, each = np.ones(count), np.arange(count)
    leaving = coo_matrix((ones, (source, each)), shape=(len(supply), count))
    arriving = coo_matrix((ones, (target, each)), shape=(len(room), count))
    rows, wanted = vstack([leaving, arriving]).tocsr(), np.concatenate([supply, room])
    return linprog(cost, A_eq=rows, b_eq=wanted, bounds=(0, None), method="highs-ds")


def _factor(frame: pd.DataFrame, columns: tuple[str, ...]) -> tuple[pd.DataFrame, Any]:
    """Return (different rows of some columns, which of them each row is)."""
    part = frame[list(columns)].round(6)
    codes = part.groupby(list(columns), sort=False, dropna=False).ngroup().to_numpy()
    first = np.unique(codes, return_index=True)[1]
    return part.iloc[first].reset_index(drop=True), codes


def _pairs(frame: pd.DataFrame, start: Any, kinds: pd.DataFrame, places: pd.DataFrame) -> tuple[Any, Any] | None:
    """Return (start, place) of every move that stays within its group."""
    group_of_start = kinds["group"].to_numpy()[start[0]]
    group_of_place = places["group"].to_numpy()
    names, place_codes = np.unique(group_of_place, return_inverse=True)
    start_codes = np.searchsorted(names, group_of_start)
    total = sum(int((start_codes == code).sum()) * int((place_codes == code).sum()) for code in range(len(names)))
    if total > MOST_PAIRS:
        return None
    source, target = [], []
    for code in range(len(names)):
        starts, ends = np.flatnonzero(start_codes == code), np.flatnonzero(place_codes == code)
        source.append(np.repeat(starts, len(ends)))
        target.append(np.tile(ends, len(starts)))
    return np.concatenate(source), np.concatenate(target)


def _costs(
    frame: pd.DataFrame,
    vehicles: pd.DataFrame,
    sites: pd.DataFrame,
    fleet: Fleet,
    policy: Policy,
    start: Any,
    source: Any,
    target: Any,
    kinds: pd.DataFrame,
    places: pd.DataFrame,
    place_of: Any,
) -> Any:
    """Return the cost of one vehicle of each start at each place."""
    example = _example_rows(frame, kinds, KIND)[start[0][source]]
    row_of_site = pd.Index(sites["site_id"]).get_indexer(places["site_id"])
    types = Fleet(fleet.types, fleet.index[example])
    moved = nights_frame(vehicles.iloc[example], sites, row_of_site[target], types, policy)
    units, stopped = _units(moved)
    heat = kept_heat(moved, types, "air_ratio_full")
    reached = cab_temperature_reached(
        moved["heat_loss_w_per_k"].to_numpy(), moved["design_temp_c"].to_numpy(), heat, moved["cab_target_c"].to_numpy()
    )
    cold = reached < moved["cab_target_c"].to_numpy() - policy["heat_short_tolerance_k"]
    stays = target == start[1][source]
    return COST_NOT_ALLOWED * stopped + COST_UNIT * units + COST_COLD * cold + COST_MOVE * ~stays


def _example_rows(frame: pd.DataFrame, kinds: pd.DataFrame, columns: tuple[str, ...]) -> Any:
    _, codes = _factor(frame, columns)
    return np.unique(codes, return_index=True)[1][: len(kinds)]


def _units(frame: pd.DataFrame) -> tuple[Any, Any]:
    """Return (needs a unit, may not run even with what it has) of each row."""
    height, limit = frame["altitude_m"].to_numpy(), frame["unit_altitude_limit_m"].to_numpy()
    fitted = frame["compensation"].to_numpy() != "none"
    fitted_limit = frame["compensation_limit_m"].to_numpy(dtype=float)
    above = ~(height <= limit)
    # An unknown limit with compensation counts as not allowed: NaN compares False.
    return above & ~fitted, above & fitted & ~(height <= fitted_limit)


def _state(frame: pd.DataFrame, policy: Policy) -> tuple[int, int]:
    return int(_units(frame)[0].sum()), int(frame["heat_short"].sum())


def _after(cost: Any, flows: Any) -> tuple[int, int]:
    rest = np.mod(cost, COST_NOT_ALLOWED)
    units = np.floor(rest / COST_UNIT)
    cold = np.floor((rest - units * COST_UNIT) / COST_COLD)
    return int((units * flows).sum()), int((cold * flows).sum())


def _hand_out(start: Any, start_of: Any, source: Any, target: Any, flows: Any, place_of: Any) -> Any:
    """Return the new place of each vehicle; those that stay are the first of their kind in the table."""
    new_place = place_of.copy()
    used = np.flatnonzero(flows)
    stays = target[used] == start[1][source[used]]
    order = used[np.argsort(~stays, kind="stable")]
    waiting = {int(one): list(np.flatnonzero(start_of == one)) for one in np.unique(source[order])}
    for pair in order:
        queue = waiting[int(source[pair])]
        for _ in range(int(flows[pair])):
            new_place[queue.pop(0)] = target[pair]
    return new_place


def _moves(frame: pd.DataFrame, places: pd.DataFrame, place_of: Any, new_place: Any) -> pd.DataFrame:
    rows = np.flatnonzero(new_place != place_of)
    old, new = places.iloc[place_of[rows]], places.iloc[new_place[rows]]
    limits = frame["unit_altitude_limit_m"].to_numpy()[rows]
    heights = dict(zip(frame["site_id"], frame["altitude_m"], strict=True))
    reasons = [
        f"unit's own limit {limit:.0f} m, site {heights[site]:.0f} m"
        + ("" if heights[site] <= limit else " (needs a kit there, as before: frees a place for others)")
        for limit, site in zip(limits, new["site_id"], strict=True)
    ]
    return pd.DataFrame(
        {
            "vehicle_id": frame["vehicle_id"].to_numpy()[rows],
            "group": frame["group"].to_numpy()[rows],
            "from_site": old["site_id"].to_numpy(),
            "from_route": old["route_id"].to_numpy(),
            "to_site": new["site_id"].to_numpy(),
            "to_route": new["route_id"].to_numpy(),
            "reason": reasons,
        }
    )
