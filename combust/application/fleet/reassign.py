"""Which vehicle goes where so that fewer compensation kits are needed; the fleet's places stay as they are.

Places (site and route) and vehicles are counted by kind, so the optimiser sees a transport problem whose linear
program has whole-number corners, however large the fleet.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import decision_columns
from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import nights_frame
from combust.application.fleet.policy import Policy
from combust.application.fleet.rules import gets_worse, stays_off

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
        Vehicles above their heater's own limit without a compensation.
    cold_before, cold_after : int
        Vehicles whose cab stays below its target with lambda kept.
    moves : DataFrame
        ``vehicle_id, group, from_site, from_route, to_site, to_route, reason``.
    note : str
        Why nothing was done, or what bounds the answer.
    """

    kits_before: int = 0
    kits_after: int = 0
    cold_before: int = 0
    cold_after: int = 0
    moves: pd.DataFrame = field(default_factory=pd.DataFrame)
    note: str = "not asked for"


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
    start_of, first = _kinds(frame, (*KIND, *PLACE[1:]))  # vehicles of one kind at one place; the first row of each
    place_of, places = _kinds(frame, PLACE)
    rows, groups = np.arange(len(frame)), frame["group"].to_numpy()
    kits, cold = int((frame["decision"] == "compensate").sum()), int(frame["heat_short"].sum())
    before = Reassignment(kits, kits, cold, cold, _moves(frame, rows))
    # Every move that stays within its group, group by group.
    starts = pd.DataFrame({"group": groups[first], "start": np.arange(len(first))})
    ends = pd.DataFrame({"group": groups[places], "place": np.arange(len(places))})
    if starts["group"].map(ends["group"].value_counts()).sum() > MOST_PAIRS:
        note = f"more than {MOST_PAIRS} combinations of vehicle kind and place: not tried. Split the fleet by group."
        return replace(before, note=note)
    if importlib.util.find_spec("scipy") is None:
        note = "scipy is not installed, nothing was exchanged. Install it with: pip install 'combust[scale]'"
        return replace(before, note=note)
    pairs = starts.sort_values("group", kind="stable").merge(ends, on="group")
    example = first[pairs["start"]]
    row_of_site = pd.Index(sites["site_id"]).get_indexer(frame["site_id"].iloc[places])
    types = Fleet(fleet.types, fleet.index[example])
    moved = nights_frame(vehicles.iloc[example], sites, row_of_site[pairs["place"]], types, policy)
    moved = moved.assign(**decision_columns(moved, policy))
    kept = np.flatnonzero(~gets_worse(moved, frame.iloc[example]))
    moved, source, target = moved.iloc[kept], pairs["start"].to_numpy()[kept], pairs["place"].to_numpy()[kept]
    kit, stays = (moved["decision"] == "compensate").to_numpy(), target == place_of[first][source]
    cold_there = moved["heat_short"].to_numpy()
    cost = COST_NOT_ALLOWED * (stays_off(moved) & ~kit) + COST_KIT * kit + COST_COLD * cold_there + COST_MOVE * ~stays
    solved = _solve(cost, source, target, np.bincount(start_of), np.bincount(place_of))
    if solved.x is None:
        return replace(before, note=f"solver: {solved.message}")
    flows = np.rint(solved.x).astype(int)
    # Vehicles that stay are the first of their kind in the table.
    order = np.lexsort((~stays, source))
    place_after = np.empty_like(place_of)
    place_after[np.argsort(start_of, kind="stable")] = np.repeat(target[order], flows[order])
    return Reassignment(
        kits,
        int((kit * flows).sum()),
        cold,
        int((cold_there * flows).sum()),
        _moves(frame, np.where(place_after == place_of, rows, places[place_after])),
        "Exchange within each group; every place keeps its number of vehicles. The heater's own limit decides.",
    )


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


def _moves(frame: pd.DataFrame, row_after: Any) -> pd.DataFrame:
    """Return the vehicles whose place is another row's afterwards, with the heater's own limit as the reason."""
    rows = np.flatnonzero(row_after != np.arange(len(frame)))
    old, new = (frame.iloc[at].reset_index(drop=True) for at in (rows, row_after[rows]))
    reasons = [
        f"heater's own limit {limit:.0f} m, site {height:.0f} m"
        + ("" if height <= limit else " (needs a kit there, as before: frees a place for others)")
        for limit, height in zip(old["heater_altitude_limit_m"], new["altitude_m"], strict=True)
    ]
    places = {
        f"{way}_{key}": part[f"{key}_id"] for way, part in (("from", old), ("to", new)) for key in ("site", "route")
    }
    return old[["vehicle_id", "group"]].assign(**places, reason=reasons)
