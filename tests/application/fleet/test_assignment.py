"""The assignment against every assignment there is: random small fleets, tried one by one without the optimiser."""

from __future__ import annotations

from itertools import permutations, product
from typing import Any

import numpy as np
import pandas as pd
import pytest

from combust.application.fleet.assignment import Assignment
from combust.application.fleet.decisions import KEEP_OFF
from combust.application.fleet.places import AIMS, Most, Options, Places, solve_in_order
from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import foreign
from tests.long import LONG

HEATERS = foreign.heaters()
FLEETS = 2000 if LONG else 150
UNKNOWN = ("limit_missing", "look_up")


def small_fleets(seed: int, count: int) -> pd.DataFrame:
    """Return many fleets of two to six vehicles as the groups of one table, at two to four stations each."""
    random = np.random.default_rng(seed)
    parts = []
    for number in range(count):
        stations = tuple(random.choice(foreign.HEIGHTS, random.integers(2, 5), replace=False).tolist())
        cars = foreign.vehicles(int(random.integers(1 << 30)), int(random.integers(2, 7)), stations)
        parts.append(cars.assign(group=f"g{number}", vehicle_id=[f"g{number}-{row}" for row in range(len(cars))]))
    return pd.concat(parts, ignore_index=True)


def told(cars: pd.DataFrame, **more: Any) -> pd.DataFrame:
    """Return what the planner says of each vehicle where the table puts it."""
    plan = plan_fleet(cars, foreign.sites(), heaters=HEATERS, with_assignment=False, with_sensitivity=False, **more)
    frame = plan.vehicles.set_index("vehicle_id")
    off = frame["decision"].isin(KEEP_OFF)
    thin = ~off & ~(frame["margin_air_ratio"] >= 0.0)  # not known counts as too thin
    return pd.DataFrame({"decision": frame["decision"], "off": off, "thin": thin, "cold": frame["cab"] == "cold"})


def everywhere(cars: pd.DataFrame) -> tuple[dict[tuple[str, str], Any], dict[tuple[str, str], Any]]:
    """Return (vehicle, site) -> what is said of it there as it is, and with a kit that its document allows there."""
    pairs = cars.merge(cars[["group", "site_id"]].drop_duplicates(), on="group", suffixes=("", "_there"))
    there = pairs.assign(vehicle_id=pairs["vehicle_id"] + "@" + pairs["site_id_there"], site_id=pairs["site_id_there"])
    there = there.drop(columns="site_id_there")
    bare = told(there)
    wanting = bare.index[bare["decision"] == "compensate"]
    kitted = told(there[there["vehicle_id"].isin(wanting)].assign(compensation="automatic", blower_trim_max_pct=np.nan))
    return _by_place(bare), _by_place(kitted)


def _by_place(frame: pd.DataFrame) -> dict[tuple[str, str], Any]:
    named = (str(name).split("@") for name in frame.index)
    return {(vehicle, site): row for (vehicle, site), (_, row) in zip(named, frame.iterrows(), strict=True)}


def enumerated(cars: pd.DataFrame, bare: Any, kitted: Any, nights: Any) -> tuple[float, ...]:
    """Return the best value of each aim in turn over every exchange of places in one group, tried one by one."""
    names, places = cars["vehicle_id"].tolist(), cars["site_id"].tolist()
    best: tuple[float, ...] | None = None
    for order in set(permutations(places)):
        value = np.zeros(6)
        for name, home, place in zip(names, places, order, strict=True):
            here, there = bare[name, home], bare[name, place]
            kit = there["decision"] == "compensate"
            if place != home:
                if here["decision"] in UNKNOWN:
                    break
                if not here["off"] and (there["off"] or (there["thin"] and not here["thin"])):
                    break
                if here["off"] and there["thin"]:
                    break
            after = kitted[name, place] if kit else there
            value += (there["thin"], there["off"] and not kit, kit, -nights[place] * kit, after["cold"], place != home)
        else:
            best = tuple(value) if best is None else min(best, tuple(value))
    assert best is not None
    return best


def reached(cars: pd.DataFrame, change: Assignment, bare: Any, kitted: Any, nights: Any) -> pd.DataFrame:
    """Return the value of each aim of each group as the moves and kits of the assignment give it."""
    place = dict(zip(change.moves["vehicle_id"], change.moves["to_site"], strict=True))
    kits = dict(zip(change.kits["vehicle_id"], change.kits["site_id"], strict=True))
    rows = []
    for row in cars.itertuples():
        site = place.get(row.vehicle_id, row.site_id)
        there, kit = bare[row.vehicle_id, site], row.vehicle_id in kits
        assert not kit or (there["decision"] == "compensate" and kits[row.vehicle_id] == site)  # its document allows it
        after = kitted[row.vehicle_id, site] if kit else there
        if not bare[row.vehicle_id, row.site_id]["off"]:
            assert not there["off"], "a heater that may run was moved to where it is off"
            assert bare[row.vehicle_id, row.site_id]["thin"] or not there["thin"]
        value = (
            there["thin"],
            there["off"] and not kit,
            kit,
            -nights[site] * kit,
            after["cold"],
            row.vehicle_id in place,
        )
        rows.append((row.group, site, *map(float, value)))
    return pd.DataFrame(rows, columns=["group", "site_id", *AIMS[:6]])


@pytest.mark.independent
def test_each_aim_in_turn_is_the_best_of_every_assignment() -> None:
    cars = small_fleets(6, FLEETS)
    bare, kitted = everywhere(cars)
    nights = foreign.sites().set_index("site_id")["nights_per_season"].to_dict()
    plan = plan_fleet(cars, foreign.sites(), heaters=HEATERS, with_sensitivity=False, max_moves=10**6)
    change = plan.assignment
    assert change.proved
    found = reached(cars, change, bare, kitted, nights)
    standing = found.groupby(["group", "site_id"]).size()
    assert standing.equals(
        cars.groupby(["group", "site_id"]).size().reindex(standing.index)
    )  # places keep their number
    values = found.groupby("group", sort=False)[list(AIMS[:6])].sum()
    for group, part in cars.groupby("group", sort=False):
        assert tuple(values.loc[group]) == enumerated(part, bare, kitted, nights), group
    sums = values.sum().abs().tolist()
    assert change.aims["planned"].tolist()[:6] == sums
    assert change.aims["bound"].tolist()[:6] == sums
    assert (len(change.moves), len(change.kits)) == (sums[5], sums[2])
    assert sums[5] > FLEETS / 5  # there was something to do
    assert min(len(change.kits), change.off_before - change.off_after) > FLEETS / 50
    named = "\n".join("\n".join(card["lines"]) for card in plan.cards)
    assert all(name in named for name in cars["vehicle_id"])


def case(random: np.random.Generator) -> tuple[Options, Places]:
    """Return a small case of random outcomes, every vehicle a class of its own: up to five, at up to three sites."""
    count, spots = int(random.integers(2, 6)), int(random.integers(2, 4))
    home = np.concatenate([np.arange(spots), random.integers(0, spots, count)])[:count]
    capacity = np.where(
        random.random(spots) < 0.4, np.bincount(home, minlength=spots) + random.integers(0, 2, spots), np.nan
    )
    places = Places(
        pd.DataFrame({"group": "g", "site_id": [f"s{one}" for one in range(spots)], "route_id": ""}),
        np.arange(spots),
        np.bincount(home, minlength=spots).astype(float),
        capacity,
    )
    rows = [
        (car, place, kit)
        for car, place, kit in product(range(count), range(spots), (False, True))
        if (place == home[car] and not kit) or random.random() < 0.6
    ]
    source, target, kit = (np.array(column) for column in zip(*rows, strict=True))
    stays = target == home[source]
    costs: dict[str, Any] = {
        "hazard": random.integers(0, 2, len(rows)),
        "off": random.integers(0, 2, len(rows)) * ~kit,
        "kits": kit.astype(int),
        "kit_nights": -random.integers(1, 9, len(rows)) * kit,
        "cold": random.integers(0, 2, len(rows)),
        "moves": (~stays).astype(int),
        "km": random.integers(1, 50, len(rows)) * ~stays,
    }
    return Options(np.arange(count), source, target, kit, stays, np.zeros(len(rows)), costs), places


@pytest.mark.independent
def test_kits_moves_and_places_within_their_number() -> None:
    """Cases with a most of kits and of moves and sites with room: every combination of ways is tried."""
    random = np.random.default_rng(10)
    bounded = 0
    for _ in range(500 if LONG else 120):
        options, places = case(random)
        most = Most(*(None if random.random() < 0.4 else int(random.integers(0, 3)) for _ in range(2)))
        ways = [np.flatnonzero(options.source == car) for car in range(len(options.source_of))]
        best = None
        for chosen in product(*ways):
            picked = np.array(chosen)
            standing = np.bincount(options.target[picked], minlength=len(places.site))
            keeps = np.where(np.isnan(places.capacity), standing == places.count, standing <= places.capacity)
            value = tuple(float(options.costs[aim][picked].sum()) for aim in AIMS)
            within = (most.kits is None or value[2] <= most.kits) and (most.moves is None or value[5] <= most.moves)
            if keeps.all() and within:
                best = value if best is None else min(best, value)
        solved = solve_in_order(options, places, most)
        assert solved is not None
        assert best is not None
        assert tuple(solved.values.values()) == pytest.approx(best)
        assert tuple(solved.bounds.values()) == pytest.approx(best)
        assert all(solved.proved.values())
        bounded += most.kits == best[2]
    assert bounded > (15 if LONG else 6)


@pytest.mark.hand
def test_the_first_kits_and_what_each_next_one_buys() -> None:
    """Four heaters of 1400 m stand at 2000 m, three at 60 nights and one at 90; its document allows a kit there."""
    sites = pd.DataFrame({"site_id": ["hut", "pass"], "altitude_m": 2000}).assign(
        design_temp_c=-10, mildest_use_temp_c=10, nights_per_season=[60, 90], hours_per_night=10
    )
    cars = pd.DataFrame({"vehicle_id": list("abcd"), "site_id": ["hut", "hut", "hut", "pass"], "heater_id": "moss"})
    cars = cars.assign(cab_ua_w_per_k=30)

    def plan(**more: Any) -> FleetPlan:
        return plan_fleet(cars, sites, heaters=HEATERS, **more)

    one = plan(max_kits=1)
    assert one.kits["vehicle_id"].tolist() == ["d", "a", "b", "c"]  # 90 nights before 60, then by id
    assert one.kits["given"].tolist() == [True, False, False, False]
    assert one.kits["heaters_off_then"].tolist() == [3, 2, 1, 0]
    assert one.vehicles["decision"].tolist() == ["no_kit_left"] * 3 + ["compensate"]
    assert (one.totals["off"], one.totals["off_with_kits"]) == (4, 3)
    # Every sum is that of the one kit: a spare for it, its litres, nothing of those that get none.
    assert one.parts.loc[one.parts["part"] == "compensation kit", "count"].tolist() == [1, 1]
    assert one.totals["fuel_l_per_season_with_kit"] == pytest.approx(plan().vehicles["fuel_l_per_season"].iloc[3])
    assert not len(one.assignment.moves)
    # A spare for every ten kits begun: two kits and a spare are 1500, one over the budget; one and a spare are 1000.
    budget = {"price_compensation_kit": 500, "kit_budget": 1499}
    assert plan(policy=budget).totals["cost_kits"] == 1000
    assert plan(policy=budget | {"kit_budget": 1500}).totals["cost_kits"] == 1500
    assert plan().kits["given"].all()


@pytest.mark.hand
def test_alike_vehicles_are_taken_by_id_whatever_their_order() -> None:
    """Twelve of 1400 m at 2000 m, alike: car-2 comes before car-10, in any order of the rows."""
    sites = foreign.sites(heights=(2050,)).assign(nights_per_season=60)
    names = [f"car-{number}" for number in range(1, 13)]
    random = np.random.default_rng(2)
    for _ in range(3):
        cars = pd.DataFrame({"vehicle_id": random.permutation(names), "site_id": "station_2050", "heater_id": "moss"})
        plan = plan_fleet(cars.assign(cab_ua_w_per_k=30), sites, heaters=HEATERS, max_kits=3)
        assert plan.kits["vehicle_id"].tolist() == names


@pytest.mark.hand
def test_room_at_a_site_and_the_shorter_way() -> None:
    """Two heaters of 1400 m stand at 2600 m; below are two sites with room for one each, 5 km and 20 km away."""
    sites = pd.DataFrame({"site_id": ["top", "near", "far"], "altitude_m": [2900, 500, 500]}).assign(
        design_temp_c=-5, mildest_use_temp_c=10, nights_per_season=60, hours_per_night=10, capacity=[2, 1, 1],
        east_km=[0, 3, 20], north_km=[0, 4, 0],
    )  # fmt: skip
    cars = pd.DataFrame({"vehicle_id": ["a", "b"], "site_id": "top", "heater_id": "moss", "cab_ua_w_per_k": 30})

    def moves(**more: Any) -> dict[str, str]:
        change = plan_fleet(cars, sites, heaters=HEATERS, **{"max_moves": 99, **more}).assignment
        return dict(zip(change.moves["vehicle_id"], change.moves["to_site"], strict=True))

    assert sorted(moves().values()) == ["far", "near"]
    assert set(moves(max_moves=1).values()) == {"near"}
    assert moves(max_moves=0) == moves(max_moves=None) == {}
    crowded = sites.assign(capacity=[0, 1, 0])
    assert "correct the capacity" in plan_fleet(cars, crowded, heaters=HEATERS, max_moves=9).assignment.note
