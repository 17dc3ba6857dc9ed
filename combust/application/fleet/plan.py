"""plan_fleet: from three tables to decisions, with every assumption named."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from combust.application.fleet import tables
from combust.application.fleet.driver_cards import site_cards
from combust.application.fleet.heater_types import Fleet, HeaterType, types_of
from combust.application.fleet.nights import nights_frame
from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse
from combust.application.fleet.policy import Policy
from combust.application.fleet.reassign import Reassignment, reassign
from combust.application.fleet.remedies import remedies_frame
from combust.application.fleet.routes import route_uses, routes_frame
from combust.application.fleet.rules import (
    counts_frame,
    decision_columns,
    plan_safety,
    reasons,
    rule_columns,
    state_columns,
    without_trims,
)
from combust.application.fleet.sensitivity import sensitivity_frame
from combust.data.errors import CombustError, shorten
from combust.data.near import near_matches
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.result import Assumed, Result, Rows, plain
from combust.domain.safety import Safety

NOT_COVERED = (
    "What thin air does to a small flame beyond air over fuel: no public data.",
    "What the maker approves: the unit's own document decides, always.",
    "Wind on terminals, snow, fouling and worn parts: a heater that reads other than expected needs a diagnosis first.",
    "Change of efficiency with the trim: heat is taken in proportion to fuel.",
)

FILLED = {  # what stands for an empty cell of a column
    ("sites", "pressure_hpa"): "standard atmosphere at the site's height (ISO 2533:1975)",
    ("sites", "night_temps_c"): "straight between design night, median and mildest night, 21 even quantiles",
} | {
    ("vehicles", key): "column empty: policy or table default"
    for key in ("cab_target_c", "ventilation_m3_per_h", "compensation", "group")
}
MOST_COMPARED = 200  # near matches take long: so many names are compared with so many


@dataclass(frozen=True)
class FleetPlan(Result):
    """A plan. Tables are pandas frames; ``counts`` add up: rows = planned + refused.

    Attributes
    ----------
    vehicles : DataFrame
        One row a planned vehicle: lambda three ways, trims, heat, fuel, battery, rules, decision, reason, margin.
    counts : DataFrame
        The three counting rules side by side, by each lambda.
    remedies, routes, sensitivity : DataFrame
    reassignment : Reassignment
    faults : DataFrame
        Every fault of the tables: table, row, column, value, code, severity, text.
    rows : mapping
        Table -> rows read, planned (kept) and refused.
    totals : mapping
        Kits, spares, fuel, cost where prices were given (None otherwise).
    cards : list of dict
        Driver card of each site.
    assumptions : DataFrame
        Every number that was not in the tables, with its origin.
    notes : tuple of str
        What is to be told of the tables, such as columns that are not used.
    """

    vehicles: pd.DataFrame
    counts: pd.DataFrame
    remedies: pd.DataFrame
    routes: pd.DataFrame
    sensitivity: pd.DataFrame
    reassignment: Reassignment
    faults: pd.DataFrame
    rows: Mapping[str, Mapping[str, int]]
    totals: Mapping[str, float | int | None]
    cards: list[dict[str, Any]]
    assumptions: pd.DataFrame
    notes: tuple[str, ...] = ()
    not_covered: tuple[str, ...] = NOT_COVERED

    derived = ("cautions",)

    @property
    def cautions(self) -> tuple[str, ...]:
        """The sentence of the safety state, then the cautions."""
        return (*self.safety.lines(), *cautions())

    @property
    def safety(self) -> Safety:
        """The safety state of the plan."""
        return plan_safety(self.vehicles, sum(row["refused"] for row in self.rows.values()))

    @property
    def summary(self) -> str:
        """The plan in one line."""
        kits = self.totals["compensation_kits"]
        read, kept = self.rows["vehicles"]["read"], self.rows["vehicles"]["planned"]
        return f"{kept} of {read} vehicles planned; {kits} need a compensation kit by the unit's own limit"

    def opening(self) -> tuple[str, ...]:
        """Return the plan in one line."""
        return (self.summary,)

    def lines(self) -> Rows:
        """Return the totals."""
        return [(key.replace("_", " "), f"{value:.6g}") for key, value in self.totals.items() if value is not None]

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain values for JSON, the assumptions as ``assumed``; missing is None, never NaN."""
        told = super().to_dict()
        return told | {"assumed": told.pop("assumptions")}


def plan_tables(
    vehicles: tables.FleetTable,
    sites: tables.FleetTable,
    routes: Callable[[list[RouteUse]], RouteSums] | None = None,
    *,
    heaters: Mapping[str, Heater | str | Path] | None = None,
    profiles: str | Path | None = None,
    policy: Mapping[str, Any] | str | Path | Policy | None = None,
    with_sensitivity: bool = True,
    with_reassignment: bool = True,
) -> FleetPlan:
    """Plan a fleet from tables that were read; ``routes`` is a function that sums the route points.

    :func:`combust.edge.tables.fleet.plan_fleet` reads the tables and says what the rest means.

    Raises
    ------
    CombustError
        No vehicle can be planned; every fault at once.
    """
    rules = Policy.of(policy)
    faults = tables.Faults()
    clean_vehicles, clean_sites = faults.take(vehicles), faults.take(sites)
    tables.suspect_feet(clean_sites, rules["highest_site_m"], faults, given_in_feet=sites.in_feet)
    tables.check_order_of_temperatures(clean_sites, faults)
    kept_sites = clean_sites[~faults.refused["sites"]].reset_index(drop=True)
    at = _site_rows(clean_vehicles, kept_sites, clean_sites, faults)
    folder = None if profiles is None else Path(profiles)
    types, index = types_of(clean_vehicles, heaters or {}, folder, rules, faults)
    good = ~faults.refused["vehicles"]
    rows = {name: _tally(len(refused), int(refused.sum())) for name, refused in faults.refused.items()}
    if not good.any():
        raise CombustError(faults.as_faults())
    chosen = clean_vehicles[good].reset_index(drop=True)
    fleet = Fleet(types, index[good])
    frame = nights_frame(chosen, kept_sites, at[good], fleet, rules)
    frame = frame.assign(**rule_columns(frame, rules))
    frame = frame.assign(**decision_columns(frame, rules))
    frame = frame.assign(**state_columns(frame))
    frame["reason"] = reasons(frame)
    uses = route_uses(frame, fleet)
    sums = NO_POINTS if routes is None else routes(uses)
    if routes is not None:
        rows["routes"] = _tally(sums.read, sums.refused)
        faults.rows.extend(sums.faults)
        _warn_unknown_routes(clean_vehicles, frame, sums, faults)
        tables.metres_beside_routes(sites, max((row.highest_m for row in sums.table.values()), default=0.0), faults)
    nothing = Reassignment(0, 0, 0, 0, pd.DataFrame(), "not asked for")
    change = reassign(frame, chosen, kept_sites, fleet, rules) if with_reassignment else nothing
    return FleetPlan(
        without_trims(frame),
        counts_frame(frame),
        remedies_frame(frame, fleet, rules),
        routes_frame(sums, uses),
        sensitivity_frame(frame, fleet, rules) if with_sensitivity else pd.DataFrame(),
        change,
        faults.frame(),
        rows,
        _totals(frame, rules),
        site_cards(frame),
        _assumptions(rules, types, {"vehicles": clean_vehicles, "sites": kept_sites}),
        (*vehicles.notes, *sites.notes),
    )


def _warn_unknown_routes(vehicles: pd.DataFrame, frame: pd.DataFrame, sums: RouteSums, faults: tables.Faults) -> None:
    """Warn of vehicles whose route has no valid point: their nights are planned, their way is not."""
    known = {route for route, _ in sums.table}
    near = _near_of(sorted(known)[:MOST_COMPARED])
    lost = set(frame["route_id"]) - known - {""}
    values = vehicles["route_id"].to_numpy()
    faults.add(
        "vehicles",
        vehicles["route_id"].isin(lost),
        "route_id",
        values,
        "unknown_route",
        lambda row: (
            f"route_id = {shorten(values[row])} has no valid point in the routes table. {near(values[row])}"
            "The night is planned, the route is not: add the route or correct the name."
        ),
        warn=True,
    )


def _tally(read: int, refused: int) -> dict[str, int]:
    return {"read": read, "planned": read - refused, "refused": refused}


def _site_rows(vehicles: pd.DataFrame, kept: pd.DataFrame, every: pd.DataFrame, faults: tables.Faults) -> Any:
    """Return the row of each vehicle's site; -1 and a fault where there is none."""
    names = vehicles["site_id"]
    at = pd.Index(kept["site_id"]).get_indexer(names)
    lost = names[(at < 0) & (names != "")]
    near = _near_of(kept["site_id"].head(MOST_COMPARED).tolist())
    refused = set(every["site_id"]) - set(kept["site_id"])
    for name, rows in lost.groupby(lost, sort=False).groups.items():
        text = (
            f"site_id = {shorten(name)} is in no row of the sites table. {near(name)}Add the site or correct the name."
        )
        if name in refused:
            text = f"site_id = {shorten(name)}: this site was refused itself, see its own row. Correct it there."
        faults.add_group("vehicles", rows, "site_id", name, "unknown_site", text)
    return at


def _near_of(known: list[str]) -> Callable[[str], str]:
    """Return a function that asks for the known names near an unknown one; each different name is compared once."""
    asked: dict[str, str] = {}

    def near(name: str) -> str:
        if name not in asked and len(asked) < MOST_COMPARED:
            alike = near_matches(name, known, n=2, cutoff=0.6)
            asked[name] = f"Did you mean {' or '.join(shorten(one, 40) for one in alike)}? " if alike else ""
        return asked.get(name, "")

    return near


def _totals(frame: pd.DataFrame, policy: Policy) -> dict[str, float | int | None]:
    kits = int((frame["decision"] == "compensate").sum())
    spares = math.ceil(kits * policy["spare_share"] - 1e-9)
    fuel = float(frame["fuel_l_per_season"].sum())
    kit_price, fuel_price = policy.given("price_compensation_kit"), policy.given("price_fuel_per_l")
    return {
        "vehicles": len(frame),
        "compensation_kits": kits,
        "spare_kits": spares,
        "heat_short": int(frame["heat_short"].sum()),
        "battery_too_small": int((frame["battery"] == "too_small").sum()),
        "fuel_grade_below": int((frame["fuel_grade"] == "below").sum()),
        "shorten_service": int(frame["shorten_service"].sum()),
        "fuel_l_per_season": fuel,
        "cost_kits": None if kit_price is None else (kits + spares) * kit_price,
        "cost_fuel": None if fuel_price is None else fuel * fuel_price,
    }


def _assumptions(policy: Policy, types: list[HeaterType], frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return every number of the plan that is not in the vehicle and site tables, with its origin."""
    found = [("policy", row) for row in policy.rows.values()]
    for one in types:
        numbers = [Assumed(key, one.numbers[key], "", origin) for key, origin in one.origins.items()]
        found += [(f"heater {one.name}", row) for row in (*one.base.assumed, *one.base.assumed_structure(), *numbers)]
    for (where, key), origin in FILLED.items():
        count = int(tables.is_empty(frames[where][key]).sum())
        if count:
            found.append((where, Assumed(key, f"filled in for {count} rows", "", origin)))
    return pd.DataFrame([{"where": where, **plain(row)} for where, row in found])
