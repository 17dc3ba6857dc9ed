"""Which vehicle goes where, and who gets a compensation kit: an optimisation with aims in a stated order.

The wall first: nobody who may run now is moved to where the heater must stay off or lambda falls below its minimum, and
a vehicle whose own limit was not entered stays where it is. Then, one aim after the other: fewest heaters that run with
lambda below the minimum, fewest heaters off, fewest kits (within a number or a budget), kits where most nights are
spent, fewest cold cabs, fewest moves, shortest way. Vehicles alike in all that are counted together; of those alike the
first by id are moved or get the kit. It is worked out only where moves are asked for, and it is a proposal: the plan's
own rows, sums, parts and money hold for the places of now.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import KEEP_OFF, decision_columns
from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.kits import by_id, cab_with_kit, most_kits, what_it_buys
from combust.application.fleet.nights import heat_short, nights_frame
from combust.application.fleet.places import Most, Options, Places, Solved, solve_in_order
from combust.application.fleet.policy import Policy
from combust.application.fleet.rules import richer_than_air
from combust.data.errors import how_to_install
from combust.data.told import Told
from combust.domain.result import many

AIMS = {
    "hazard": "heaters that run with lambda below the minimum",
    "off": "heaters off",
    "kits": "compensation kits to fit",
    "kit_nights": "nights a season with a kit",
    "cold": "cold cabs of heaters that run",
    "moves": "vehicles moved",
    "km": "way of the moves [km]",
}
MOST_PAIRS = 2_000_000
MOST_ROWS = 65_536  # vehicles at places worked out at once
KIND = (
    "group",
    "heater",
    "compensation",
    "compensation_limit_m",
    "cab_ua_w_per_k",
    "ventilation_m3_per_h",
    "cab_target_c",
    "blower_trim_limit_pct",
    "battery_v",
    "stopped",
)
AIMS_COLUMNS = ("aim", "now", "planned", "bound", "proved")
KITS_COLUMNS = ("rank", "vehicle_id", "site_id", "nights_per_season", "cab_temp_reached_c", "text")
NOT_ASKED = "Nobody is moved: not asked for. --max-moves N proposes who could change places."
LOST_KIT = (
    "off in both: frees a place, so that in all fewest heaters are off; here a kit could have helped, there it cannot"
)
MOVES_COLUMNS = ("vehicle_id", "group", "from_site", "from_route", "to_site", "to_route", "reason")


@dataclass(frozen=True)
class Assignment(Told):
    """Who goes where and who gets a kit.

    Attributes
    ----------
    kits_before, kits_after, off_before, off_after, cold_before, cold_after : int
        At the present places and after the moves, kits within the limit fitted in both; cold cabs of heaters that run.
    proved : bool
        Every aim was proved to be the best there is, those before it kept.
    aims : DataFrame
        ``aim, now, planned, bound, proved`` in the order of the aims: nothing better than the bound can be had.
    moves : DataFrame
        ``vehicle_id, group, from_site, from_route, to_site, to_route, reason``.
    kits : DataFrame
        ``rank, vehicle_id, site_id, nights_per_season, cab_temp_reached_c, text``: who gets the kits.
    note : str
        What holds of it, or why nothing was done.
    """

    kits_before: int = 0
    kits_after: int = 0
    off_before: int = 0
    off_after: int = 0
    cold_before: int = 0
    cold_after: int = 0
    proved: bool = False
    aims: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(AIMS_COLUMNS)))
    moves: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(MOVES_COLUMNS)))
    kits: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(KITS_COLUMNS)))
    note: str = NOT_ASKED


def assign(
    frame: pd.DataFrame, vehicles: pd.DataFrame, sites: pd.DataFrame, fleet: Fleet, policy: Policy
) -> Assignment:
    """Return the assignment of the vehicles of a plan, solved by scipy's HiGHS.

    Parameters
    ----------
    frame : DataFrame
        The planned vehicles with their decisions.
    vehicles, sites : DataFrame
        The cleaned tables of them; a site with a ``capacity`` takes so many vehicles in all, any other keeps the
        number that stands there now.
    fleet : Fleet
    policy : Policy
        ``max_kits``, ``kit_budget`` and ``max_moves`` bound what is spent, ``assignment_s`` the time for each aim.

    Raises
    ------
    CombustError
        Never for a valid plan; what cannot be done comes back unchanged with a note.
    """
    if importlib.util.find_spec("scipy") is None:
        note = f"scipy is not installed, nothing was exchanged. {how_to_install('scale')}"
        return _unchanged(frame, note)
    places = _places(frame, sites)
    pairs = places.frame.groupby("group").size().reindex(frame["group"]).sum()
    if pairs > MOST_PAIRS:
        note = f"more than {MOST_PAIRS} combinations of vehicle and place: not tried. Split the fleet by group."
        return _unchanged(frame, note)
    options = _options(frame, vehicles, sites, fleet, policy, places)
    most = _most(policy)
    solved = solve_in_order(options, places, most)
    if solved is None:
        note = "the places cannot take all vehicles within the wall: correct the capacity of a site. Nothing was moved."
        return _unchanged(frame, note)
    return _told(frame, sites, options, places, solved, most)


def _most(policy: Policy) -> Most:
    """Return what may be spent: kits by number and by budget, moves by number."""
    moves = policy.given("max_moves")
    return Most(most_kits(policy), None if moves is None else int(moves), policy["assignment_s"])


def _unchanged(frame: pd.DataFrame, note: str) -> Assignment:
    kits, cold = int((frame["decision"] == "compensate").sum()), int((frame["cab"] == "cold").sum())
    off = int(frame["decision"].isin(KEEP_OFF).sum())
    return Assignment(kits, kits, off, off, cold, cold, note=note)


def _places(frame: pd.DataFrame, sites: pd.DataFrame) -> Places:
    """Return where vehicles can stand: each group's sites and routes, and any site that has places left to give."""
    now = frame[["group", "site_id", "route_id"]].drop_duplicates()
    free = sites.loc[sites["capacity"].notna(), ["site_id"]]
    more = frame[["group"]].drop_duplicates().merge(free, how="cross").assign(route_id="")
    held = pd.MultiIndex.from_frame(now[["group", "site_id"]])
    more = more[~pd.MultiIndex.from_frame(more[["group", "site_id"]]).isin(held)]
    table = pd.concat([now, more], ignore_index=True)
    site = pd.Index(sites["site_id"]).get_indexer(table["site_id"])
    count = frame.groupby(["group", "site_id", "route_id"]).size()
    here = count.reindex(pd.MultiIndex.from_frame(table)).fillna(0).to_numpy(dtype=float)
    capacity = sites["capacity"].to_numpy(dtype=float)
    return Places(table, site, here, capacity)


def _everywhere(
    vehicles: pd.DataFrame, example: Any, sites: pd.DataFrame, fleet: Fleet, policy: Policy, at: Any
) -> dict[str, Any]:
    """Return the outcomes of some vehicles, each at a site, in blocks site by site: a large fleet fills no memory."""
    order = np.argsort(at, kind="stable")
    found: dict[str, Any] = {}
    for rows in np.array_split(order, len(order) // MOST_ROWS + 1):
        types = Fleet(fleet.types, fleet.index[example[rows]])
        for key, column in _outcomes(vehicles.iloc[example[rows]], sites, types, policy, at[rows]).items():
            found.setdefault(key, np.empty(len(order), dtype=column.dtype))[rows] = column
    return found


def _outcomes(vehicles: pd.DataFrame, sites: pd.DataFrame, fleet: Fleet, policy: Policy, at: Any) -> dict[str, Any]:
    """Return for each row of vehicles at a site: off, hazard, cold, whether a kit lets it run, and its cab with one."""
    moved = nights_frame(vehicles, sites, at, fleet, policy)
    moved = moved.assign(**decision_columns(moved, policy))
    off, kit = moved["decision"].isin(KEEP_OFF).to_numpy(), (moved["decision"] == "compensate").to_numpy()
    cab = cab_with_kit(moved, fleet)
    thin = ~(moved["margin_air_ratio"].to_numpy() >= 0.0) | richer_than_air(moved)
    return {
        "off": off,
        "hazard": thin & ~off,
        "cold": (moved["cab"] == "cold").to_numpy(),
        "kit": kit,
        "cold_with_kit": kit & heat_short(moved.assign(cab_temp_reached_full_c=cab), policy),
        "cab_with_kit": cab,
    }


def _options(
    frame: pd.DataFrame, vehicles: pd.DataFrame, sites: pd.DataFrame, fleet: Fleet, policy: Policy, places: Places
) -> Options:
    """Return every way a vehicle may go that the wall leaves open, vehicles alike counted together."""
    kind_of, kinds = _codes(frame, KIND)
    group_of, groups = pd.factorize(frame["group"])
    sites_of = {group: np.unique(places.site[rows]) for group, rows in places.frame.groupby("group").indices.items()}
    each = [sites_of[groups[group_of[row]]] for row in kinds]
    example, at = np.repeat(kinds, [len(one) for one in each]), np.concatenate(each)
    found = _everywhere(vehicles, example, sites, fleet, policy, at)
    # A kind's outcomes at all sites of its group, as one word: kinds of one word are one class.
    table = np.stack([found[key] for key in ("off", "hazard", "cold", "kit", "cold_with_kit")], axis=1).astype(np.int8)
    ends = np.cumsum([len(one) for one in each])
    words = [table[end - len(one) : end].tobytes() for end, one in zip(ends, each, strict=True)]
    class_of_kind = pd.factorize(pd.Series(list(zip(group_of[kinds].tolist(), words, strict=True))))[0]
    stuck = frame["decision"].isin(["limit_missing", "look_up", "stopped"]).to_numpy()
    start = pd.DataFrame({"class": class_of_kind[kind_of], "place": places.of(frame), "stuck": stuck})
    source_of, first = _codes(start, tuple(start.columns))
    ways = pd.DataFrame({"source": np.arange(len(first)), "group": frame["group"].to_numpy()[first]})
    ends_of = pd.DataFrame({"target": np.arange(len(places.frame)), "group": places.frame["group"]})
    ways = ways.merge(ends_of, on="group")
    source, target = ways["source"].to_numpy(), ways["target"].to_numpy()
    position = _position(kind_of[first][source], places.site[target], each)
    there = {key: column[position] for key, column in found.items()}
    own = _position(kind_of[first], places.site[start["place"].to_numpy()[first]], each)
    here = {key: column[own][source] for key, column in found.items()}
    stays = start["place"].to_numpy()[first][source] == target
    keeps = np.where(here["off"], ~there["hazard"], ~there["off"] & (~there["hazard"] | here["hazard"]))
    open_way = stays | (keeps & ~stuck[first][source])
    bare, kitted = np.flatnonzero(open_way), np.flatnonzero(open_way & there["kit"])
    rows, kit = np.concatenate([bare, kitted]), np.repeat([False, True], [len(bare), len(kitted)])
    nights = sites["nights_per_season"].to_numpy(dtype=float)[places.site[target[rows]]]
    from_site = places.site[start["place"].to_numpy()[first][source[rows]]]
    return Options(
        source_of=source_of,
        source=source[rows],
        target=target[rows],
        kit=kit,
        stays=stays[rows],
        cab_with_kit=there["cab_with_kit"][rows],
        costs={
            "hazard": there["hazard"][rows] & ~kit,
            "off": there["off"][rows] & ~kit,
            "kits": kit,
            "kit_nights": -nights * kit,
            "cold": np.where(kit, there["cold_with_kit"][rows], there["cold"][rows]),
            "moves": ~stays[rows],
            "km": _way(sites, from_site, places.site[target[rows]]),
        },
    )


def _position(kind: Any, site: Any, each: list[Any]) -> Any:
    """Return the row of the outcomes that holds a kind at a site."""
    most = max(int(one.max()) for one in each) + 1
    keys = np.concatenate([number * most + one for number, one in enumerate(each)])
    return np.searchsorted(keys, np.asarray(kind) * most + site)


def _way(sites: pd.DataFrame, one: Any, other: Any) -> Any:
    """Return the straight way between sites [km]; 0 where the table gives no position."""
    east, north = (sites[key].to_numpy(dtype=float) for key in ("east_km", "north_km"))
    return np.nan_to_num(np.hypot(east[one] - east[other], north[one] - north[other]), nan=0.0)


def _codes(frame: pd.DataFrame, columns: tuple[str, ...]) -> tuple[Any, Any]:
    """Return (which different set of some columns each row has, the first row of each set)."""
    codes = frame[list(columns)].round(6).groupby(list(columns), sort=False, dropna=False).ngroup().to_numpy()
    return codes, np.unique(codes, return_index=True)[1]


def _told(
    frame: pd.DataFrame, sites: pd.DataFrame, options: Options, places: Places, solved: Solved, most: Most
) -> Assignment:
    """Return the solution in the words of the plan: vehicle by vehicle."""
    column_of = options.vehicles(solved.flows, by_id(frame["vehicle_id"]))
    after, kit = options.target[column_of], options.kit[column_of]
    now, located = options.at_present(most.kits), sites[["east_km", "north_km"]].notna().all(axis=1).to_numpy()
    aims = pd.DataFrame(
        [
            (words, abs(now[aim]), abs(solved.values[aim]), abs(solved.bounds[aim]), solved.proved[aim])
            for aim, words in AIMS.items()
            if aim != "km" or located.any()
        ],
        columns=list(AIMS_COLUMNS),
    )
    text = "Every aim is proved the best there is, those before it kept."
    if not all(solved.proved.values()):
        text = "Not every aim was proved within the time: its bound says what at best could still be gained."
    if located.any() and not located.all():
        text += f" {many(int((~located).sum()), 'site')} without a position: the way there counts as 0 km."
    return Assignment(
        kits_before=int(now["kits"]),
        kits_after=int(kit.sum()),
        off_before=int(now["off"]),
        off_after=int(solved.values["off"]),
        cold_before=int(now["cold"]),
        cold_after=int(solved.values["cold"]),
        proved=all(solved.proved.values()),
        aims=aims,
        moves=_moves(frame, sites, options, places, column_of, after, kit),
        kits=_kits(frame, sites, options, places, column_of),
        note=f"Nobody who may run is moved to where the heater would be off or short of air. {text}",
    )


def _moves(
    frame: pd.DataFrame, sites: pd.DataFrame, options: Options, places: Places, column_of: Any, after: Any, kit: Any
) -> pd.DataFrame:
    rows = np.flatnonzero(~options.stays[column_of])
    old, new = frame.iloc[rows], places.frame.iloc[after[rows]]
    height = sites["altitude_m"].to_numpy(dtype=float)[places.site[after[rows]]]
    off = options.costs["off"][column_of][rows].astype(bool)
    column, count = column_of[rows], len(places.frame)
    low = options.costs["hazard"][column].astype(bool)
    homes = dict(zip(options.source[options.stays].tolist(), options.target[options.stays].tolist(), strict=True))
    home = np.array([homes[one] for one in options.source[column].tolist()], dtype=int)
    with_kit = options.source[options.kit] * count + options.target[options.kit]
    here, there = (np.isin(options.source[column] * count + one, with_kit) for one in (home, after[rows]))
    ends = np.select(
        [kit[rows], off & here & ~there, off, low],
        ["with a kit it may run there", LOST_KIT, "off in both: frees a place",
         "lambda below its minimum there too: trim first"],
        default="may run there",
    )  # fmt: skip
    reasons = [
        f"heater's own limit {limit:.0f} m, site {metres:.0f} m: {end}"
        for limit, metres, end in zip(old["heater_altitude_limit_m"], height, ends, strict=True)
    ]
    return pd.DataFrame(
        {
            "vehicle_id": old["vehicle_id"].to_numpy(),
            "group": old["group"].to_numpy(),
            "from_site": old["site_id"].to_numpy(),
            "from_route": old["route_id"].to_numpy(),
            "to_site": new["site_id"].to_numpy(),
            "to_route": np.where(new["route_id"] == "", old["route_id"], new["route_id"]),
            "reason": reasons,
        },
        columns=list(MOVES_COLUMNS),
    )


def _kits(frame: pd.DataFrame, sites: pd.DataFrame, options: Options, places: Places, column_of: Any) -> pd.DataFrame:
    """Return who gets a kit, most nights first."""
    rows = np.flatnonzero(options.kit[column_of])
    column = column_of[rows]
    site = places.site[options.target[column]]
    nights, cab = sites["nights_per_season"].to_numpy(dtype=float)[site], options.cab_with_kit[column]
    order = np.lexsort((by_id(frame["vehicle_id"].iloc[rows]), -np.round(cab, 1), -nights))
    table = pd.DataFrame(
        {
            "rank": np.arange(1, len(rows) + 1),
            "vehicle_id": frame["vehicle_id"].to_numpy()[rows][order],
            "site_id": sites["site_id"].to_numpy()[site][order],
            "nights_per_season": nights[order],
            "cab_temp_reached_c": cab[order],
        }
    )
    cold = sites["design_temp_c"].to_numpy(dtype=float)[site][order]
    told = zip(table["nights_per_season"], table["cab_temp_reached_c"], cold, strict=True)
    return table.assign(text=[what_it_buys(*one) for one in told])
