"""Which vehicle goes where so that fewer compensation kits are needed; the fleet's places stay as they are.

Places (site and route) and vehicles are counted by kind, so the optimiser sees a transport problem whose linear
program has whole-number corners, however large the fleet.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import heat_short, nights_frame
from combust.application.fleet.policy import Policy
from combust.application.fleet.rules import decision_columns, gets_worse

# One kit outweighs any cold cab, one cold cab any number of moves (moves are counted in thousandths).
COST_NOT_ALLOWED, COST_KIT, COST_COLD, COST_MOVE = 1.0e4, 100.0, 10.0, 0.001
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
PLACE = ("group", "site_id", "route_id")


@dataclass(frozen=True)
class Reassignment:
    """Kits needed before and after, and the moves.

    Attributes
    ----------
    kits_before, kits_after : int
        Vehicles above their unit's own limit without a compensation.
    cold_before, cold_after : int
        Vehicles whose cab stays below its target with lambda kept.
    moves : DataFrame
        ``vehicle_id, group, from_site, from_route, to_site, to_route, reason``.
    note : str
        Why nothing was done, or what bounds the answer.
    """

    kits_before: int
    kits_after: int
    cold_before: int
    cold_after: int
    moves: pd.DataFrame
    note: str


def reassign(
    frame: pd.DataFrame, vehicles: pd.DataFrame, sites: pd.DataFrame, fleet: Fleet, policy: Policy
) -> Reassignment:
    """Return the exchange of places within each group that needs the fewest compensation kits.

    No vehicle goes where its safety state gets worse, or where it would run with a lambda newly below its minimum.
    First fewest vehicles that may not run at all, then fewest kits, then fewest cold cabs, then fewest moves. Every
    place keeps its number of vehicles. Solved by scipy's HiGHS solver.

    Raises
    ------
    CombustError
        Never for a valid plan; a fleet with too many different kinds comes back unchanged with a note.
    """
    kind_of, kinds = _kinds(frame, KIND)
    place_of, places = _kinds(frame, PLACE)
    start, start_of, supply = np.unique(np.stack([kind_of, place_of]), axis=1, return_inverse=True, return_counts=True)
    needs, cold = _kits(frame)[0], frame["heat_short"].to_numpy()

    def planned(needs_after: Any, cold_after: Any, row_after: Any, note: str) -> Reassignment:
        moves = _moves(frame, row_after)
        return Reassignment(
            int(needs.sum()), int(needs_after.sum()), int(cold.sum()), int(cold_after.sum()), moves, note
        )

    unchanged = partial(planned, needs, cold, np.arange(len(frame)))
    # Every move that stays within its group, group by group.
    starts = pd.DataFrame({"group": frame["group"].to_numpy()[kinds[start[0]]], "start": np.arange(len(supply))})
    ends = pd.DataFrame({"group": frame["group"].to_numpy()[places], "place": np.arange(len(places))})
    if starts["group"].map(ends["group"].value_counts()).sum() > MOST_PAIRS:
        return unchanged(
            f"more than {MOST_PAIRS} combinations of vehicle kind and place: not tried. Split the fleet by group."
        )
    if importlib.util.find_spec("scipy") is None:
        return unchanged("scipy is not installed, nothing was exchanged. Install it with: pip install 'combust[scale]'")
    pairs = starts.sort_values("group", kind="stable").merge(ends, on="group")
    source, target = pairs["start"].to_numpy(), pairs["place"].to_numpy()
    example = kinds[start[0][source]]
    row_of_site = pd.Index(sites["site_id"]).get_indexer(frame["site_id"].iloc[places])
    types = Fleet(fleet.types, fleet.index[example])
    moved = nights_frame(vehicles.iloc[example], sites, row_of_site[target], types, policy)
    moved = moved.assign(**decision_columns(moved, policy))
    first_row = np.unique(start_of, return_index=True)[1]
    kept = np.flatnonzero(~gets_worse(moved, frame.iloc[first_row[source]]))
    moved, source, target = moved.iloc[kept], source[kept], target[kept]
    (kit, stopped), stays = _kits(moved), target == start[1][source]
    cold_there = heat_short(moved, policy)
    cost = COST_NOT_ALLOWED * stopped + COST_KIT * kit + COST_COLD * cold_there + COST_MOVE * ~stays
    solved = _solve(cost, source, target, supply, np.bincount(place_of))
    if solved.x is None:
        return unchanged(f"solver: {solved.message}")
    flows = np.rint(solved.x).astype(int)
    # Vehicles that stay are the first of their kind in the table.
    order = np.lexsort((~stays, source))
    place_after = np.empty_like(place_of)
    place_after[np.argsort(start_of.reshape(-1), kind="stable")] = np.repeat(target[order], flows[order])
    row_after = np.where(place_after == place_of, np.arange(len(frame)), places[place_after])
    note = "Exchange within each group; every place keeps its number of vehicles. The unit's own limit decides."
    return planned(kit * flows, cold_there * flows, row_after, note)


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


def _kinds(frame: pd.DataFrame, columns: tuple[str, ...]) -> tuple[Any, Any]:
    """Return (which different set of some columns each row has, the first row of each set)."""
    codes = frame[list(columns)].round(6).groupby(list(columns), sort=False, dropna=False).ngroup().to_numpy()
    return codes, np.unique(codes, return_index=True)[1]


def _kits(frame: pd.DataFrame) -> tuple[Any, Any]:
    """Return (needs a kit, may not run even with what it has) of each row."""
    height, limit = frame["altitude_m"].to_numpy(), frame["heater_altitude_limit_m"].to_numpy()
    fitted = frame["compensation"].to_numpy() != "none"
    fitted_limit = frame["compensation_limit_m"].to_numpy(dtype=float)
    above = ~(height <= limit)
    # An unknown limit with compensation counts as not allowed: NaN compares False.
    return above & ~fitted, above & fitted & ~(height <= fitted_limit)


def _moves(frame: pd.DataFrame, row_after: Any) -> pd.DataFrame:
    """Return the vehicles whose place is another row's afterwards, with the unit's own limit as the reason."""
    rows = np.flatnonzero(row_after != np.arange(len(frame)))
    old, new = frame.iloc[rows], frame.iloc[row_after[rows]]
    reasons = [
        f"unit's own limit {limit:.0f} m, site {height:.0f} m"
        + ("" if height <= limit else " (needs a kit there, as before: frees a place for others)")
        for limit, height in zip(old["heater_altitude_limit_m"], new["altitude_m"], strict=True)
    ]
    return pd.DataFrame(
        {
            "vehicle_id": old["vehicle_id"].to_numpy(),
            "group": old["group"].to_numpy(),
            "from_site": old["site_id"].to_numpy(),
            "from_route": old["route_id"].to_numpy(),
            "to_site": new["site_id"].to_numpy(),
            "to_route": new["route_id"].to_numpy(),
            "reason": reasons,
        }
    )
