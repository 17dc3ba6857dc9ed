"""plan_fleet: from three tables to decisions, with every assumption named."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from combust import __version__
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
)
from combust.application.fleet.sensitivity import sensitivity_frame
from combust.data.errors import CombustError, Fault, shorten
from combust.data.near import near_matches
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.result import Result, Rows, plain
from combust.domain.safety import Safety

NOT_COVERED = (
    "What thin air does to a small flame beyond air over fuel: no public data.",
    "What the maker approves: the unit's own document decides, always.",
    "Wind on terminals, snow, fouling and worn parts: a heater that reads other than expected needs a diagnosis first.",
    "Change of efficiency with the trim: heat is taken in proportion to fuel.",
)

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
        Units, spares, fuel, cost where prices were given (None otherwise).
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
    version: str = __version__

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
        units = self.totals["compensation_units"]
        read, kept = self.rows["vehicles"]["read"], self.rows["vehicles"]["planned"]
        return f"{kept} of {read} vehicles planned; {units} need a compensation kit by the unit's own limit"

    def opening(self) -> tuple[str, ...]:
        """Return the plan in one line."""
        return (self.summary,)

    def lines(self) -> Rows:
        """Return the totals."""
        return [(key.replace("_", " "), f"{value:.6g}") for key, value in self.totals.items() if value is not None]

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain values for JSON; missing is None, never NaN."""
        told = {key: records(one) if isinstance(one, pd.DataFrame) else one for key, one in self._told().items()}
        change = asdict(self.reassignment)
        told["reassignment"] = change | {"moves": records(self.reassignment.moves)}
        told["assumed"] = told.pop("assumptions")
        plan: dict[str, Any] = plain({"safety": self.safety.to_dict(), **told})
        return plan


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame as a list of plain dictionaries; NaN becomes None."""
    clean = frame.astype(object).where(frame.notna(), None)
    rows: list[dict[str, Any]] = plain(clean.to_dict("records"))
    return rows


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
    """
    rules = Policy.of(policy)
    faults = tables.Faults()
    clean_vehicles, clean_sites = faults.take(vehicles), faults.take(sites)
    tables.suspect_feet(clean_sites, rules["highest_site_m"], faults, given_in_feet=sites.in_feet)
    tables.check_order_of_temperatures(clean_sites, faults)
    kept_sites = _kept("sites", clean_sites, faults)
    at = _find(clean_vehicles, kept_sites, clean_sites, "site_id", faults)
    folder = None if profiles is None else Path(profiles)
    types, index = types_of(clean_vehicles, heaters or {}, folder, rules, faults)
    good = ~faults.refused["vehicles"]
    rows = {
        "vehicles": _tally(len(clean_vehicles), int(good.sum())),
        "sites": _tally(len(clean_sites), len(kept_sites)),
    }
    if not good.any():
        raise CombustError(_as_faults(faults.frame()))
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
        rows["routes"] = _tally(sums.read, sums.read - sums.refused)
        faults.rows.extend(sums.faults)
        _warn_unknown_routes(clean_vehicles, frame, sums, faults)
        tables.metres_beside_routes(sites, max((row[0] for row in sums.table.values()), default=0.0), faults)
    nothing = Reassignment(0, 0, 0, 0, pd.DataFrame(), "not asked for")
    change = reassign(frame, chosen, kept_sites, fleet, rules) if with_reassignment else nothing
    return FleetPlan(
        frame,
        counts_frame(frame),
        remedies_frame(frame, fleet, rules),
        routes_frame(sums, uses),
        sensitivity_frame(frame, fleet, rules) if with_sensitivity else pd.DataFrame(),
        change,
        faults.frame(),
        rows,
        _totals(frame, rules),
        site_cards(frame),
        _assumptions(rules, types, clean_vehicles, kept_sites),
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


def _tally(read: int, kept: int) -> dict[str, int]:
    return {"read": read, "planned": kept, "refused": read - kept}


def _kept(name: str, frame: pd.DataFrame, faults: tables.Faults) -> pd.DataFrame:
    return frame[~faults.refused[name]].reset_index(drop=True)


def _find(vehicles: pd.DataFrame, kept: pd.DataFrame, every: pd.DataFrame, key: str, faults: tables.Faults) -> Any:
    """Return the row of each vehicle's site or route; -1 and a fault where there is none."""
    unique = kept.drop_duplicates(key)
    position = pd.Series(unique.index.to_numpy(), index=unique[key])
    at = vehicles[key].map(position).fillna(-1).to_numpy(dtype=int)
    values = vehicles[key].to_numpy()
    refused = set(every[key]) - set(unique[key])
    lost = (at < 0) & (values != "")
    near = _near_of(unique[key].head(MOST_COMPARED).tolist())
    what = key.removesuffix("_id")
    by_name: dict[str, list[int]] = {}
    for row in np.flatnonzero(lost).tolist():
        by_name.setdefault(values[row], []).append(row)
    for name, rows in by_name.items():
        text = f"{key} = {shorten(name)} is in no row of the {what}s table. "
        text += f"{near(name)}Add the {what} or correct the name."
        if name in refused:
            text = f"{key} = {shorten(name)}: this {what} was refused itself, see its own row. Correct it there."
        faults.add_group("vehicles", rows, key, name, f"unknown_{what}", text)
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


def _as_faults(frame: pd.DataFrame) -> list[Fault]:
    rows = frame[frame["severity"] == "refused"].head(50)
    return [
        Fault(
            f"{row.table} row {row.row}, {row.column}",
            row.value,
            row.code,
            why="was refused",
            hint=row.text,
        )
        for row in rows.itertuples()
    ]


def _totals(frame: pd.DataFrame, policy: Policy) -> dict[str, float | int | None]:
    units = int((frame["decision"] == "compensate").sum())
    spares = math.ceil(units * policy["spare_share"] - 1e-9)
    fuel = float(frame["fuel_l_per_season"].sum())
    unit_price, fuel_price = policy.given("price_compensation_unit"), policy.given("price_fuel_per_l")
    return {
        "vehicles": len(frame),
        "compensation_units": units,
        "spare_units": spares,
        "heat_short": int(frame["heat_short"].sum()),
        "battery_too_small": int((frame["battery"] == "too_small").sum()),
        "fuel_grade_below": int((frame["fuel_grade"] == "below").sum()),
        "shorten_service": int(frame["shorten_service"].sum()),
        "fuel_l_per_season": fuel,
        "cost_units": None if unit_price is None else (units + spares) * unit_price,
        "cost_fuel": None if fuel_price is None else fuel * fuel_price,
    }


def _assumptions(policy: Policy, types: list[HeaterType], vehicles: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Return every number of the plan that is not in the vehicle and site tables, with its origin."""
    rows: list[dict[str, Any]] = [{"where": "policy", **plain(row)} for row in policy.rows.values()]
    for one in types:
        for row in (*one.base.assumed, *one.base.assumed_structure()):
            rows.append({"where": f"heater {one.name}", **plain(row)})
        for key, origin in one.origins.items():
            told = {"quantity": key, "value": getattr(one, key), "unit": "", "origin": origin}
            rows.append({"where": f"heater {one.name}", **told})
    empty_pressure = int(sites["pressure_hpa"].isna().sum())
    if empty_pressure:
        origin = "standard atmosphere at the site's height (ISO 2533:1975)"
        rows.append(_filled("sites", "pressure_hpa", empty_pressure, origin))
    without_nights = int((sites["night_temps_c"] == "").sum())
    if without_nights:
        origin = "straight between design night, median and mildest night, 21 even quantiles"
        rows.append(_filled("sites", "night_temps_c", without_nights, origin))
    for key in ("cab_target_c", "ventilation_m3_per_h", "compensation", "group"):
        empty = int(tables.is_empty(vehicles[key]).sum())
        if empty:
            rows.append(_filled("vehicles", key, empty, "column empty: policy or table default"))
    return pd.DataFrame(rows, columns=["where", "quantity", "value", "unit", "origin"])


def _filled(where: str, key: str, count: int, origin: str) -> dict[str, Any]:
    return {"where": where, "quantity": key, "value": f"filled in for {count} rows", "unit": "", "origin": origin}
