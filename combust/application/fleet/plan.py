"""plan_fleet: from three tables to decisions, with every assumption named."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from combust import __version__
from combust.application.fleet import tables
from combust.application.fleet.driver_cards import site_cards
from combust.application.fleet.nights import nights_frame
from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse, route_block
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
from combust.application.fleet.types import Fleet, HeaterType, types_of
from combust.data.errors import CombustError, Fault, shorten
from combust.data.near import near_matches
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.result import plain
from combust.domain.safety import Safety

NOT_COVERED = (
    "What thin air does to a small flame beyond air over fuel: no public data.",
    "What the maker approves: the unit's own document decides, always.",
    "Wind on terminals, snow, fouling and worn parts: a heater that reads other than expected needs a diagnosis first.",
    "Change of efficiency with the trim: heat is taken in proportion to fuel.",
)

MOST_COMPARED = 200  # near matches take long: so many names are compared with so many


@dataclass(frozen=True)
class FleetPlan:
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
    not_covered: tuple[str, ...] = NOT_COVERED
    version: str = __version__

    @property
    def safety(self) -> Safety:
        """The safety state of the plan."""
        return plan_safety(self.vehicles, sum(row["refused"] for row in self.rows.values()))

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain values for JSON; missing is None, never NaN."""
        change = self.reassignment
        return {
            "safety": self.safety.to_dict(),
            "rows": {name: dict(counts) for name, counts in self.rows.items()},
            "totals": dict(self.totals),
            "counts": records(self.counts),
            "vehicles": records(self.vehicles),
            "remedies": records(self.remedies),
            "routes": records(self.routes),
            "sensitivity": records(self.sensitivity),
            "reassignment": {
                "units_before": change.units_before,
                "units_after": change.units_after,
                "cold_before": change.cold_before,
                "cold_after": change.cold_after,
                "moves": records(change.moves),
                "note": change.note,
            },
            "faults": records(self.faults),
            "cards": self.cards,
            "assumed": records(self.assumptions),
            "not_covered": list(self.not_covered),
            "cautions": cautions(),
            "version": self.version,
        }

    def __str__(self) -> str:
        units = self.totals["compensation_units"]
        read, kept = self.rows["vehicles"]["read"], self.rows["vehicles"]["planned"]
        return f"{kept} of {read} vehicles planned; {units} need a compensation kit by the unit's own limit"


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame as a list of plain dictionaries; NaN becomes None."""
    clean = frame.astype(object).where(frame.notna(), None)
    rows: list[dict[str, Any]] = plain(clean.to_dict("records"))
    return rows


def plan_fleet(
    vehicles: pd.DataFrame,
    sites: pd.DataFrame,
    routes: pd.DataFrame | Callable[[list[RouteUse]], RouteSums] | None = None,
    *,
    heaters: Mapping[str, Heater | str | Path] | None = None,
    profiles: str | Path | None = None,
    policy: Mapping[str, Any] | str | Path | Policy | None = None,
    with_sensitivity: bool = True,
    with_reassignment: bool = True,
) -> FleetPlan:
    """Plan a fleet: which vehicles need altitude compensation, where heat runs short, and what it costs.

    Parameters
    ----------
    vehicles, sites, routes : DataFrame
        Tables with the columns of ``fleet_columns.toml``; other units by column suffix (``altitude_ft``). For
        route points beyond memory, ``routes`` may be a function that sums them (see ``combust.edge.tables.points``).
    heaters : mapping, optional
        heater_id or profile name -> Heater or path of its profile.
    profiles : path, optional
        Folder with ``<name>.toml`` profiles for the names that ``heaters`` lacks.
    policy : mapping or path, optional
        Values that replace the shipped policy.

    Returns
    -------
    FleetPlan

    Raises
    ------
    CombustError
        An empty table, a missing column, a bad policy, or no valid row left. Faults of single rows are listed in the
        plan and the other rows are planned.

    Examples
    --------
    >>> import pandas as pd
    >>> sites = pd.DataFrame([{"site_id": "hut", "altitude_m": 2600, "design_temp_c": -18, "mildest_use_temp_c": 15,
    ...                        "nights_per_season": 120, "hours_per_night": 10}])
    >>> cars = pd.DataFrame([{"vehicle_id": "V2", "heater_id": "two_kw", "site_id": "hut", "cab_ua_w_per_k": 50}])
    >>> heater = Heater.from_dict({"fuel": "diesel_b7", "limits": {"altitude_m": 1400}, "stages": {
    ...     "high": {"useful_heat_kw": 2.0, "air_ratio_band": [1.5, 1.7]}}})
    >>> plan = plan_fleet(cars, sites, heaters={"two_kw": heater})
    >>> plan.vehicles["decision"].tolist()
    ['compensate']
    """
    rules = Policy.of(policy)
    faults = tables.Faults()
    clean_vehicles = tables.clean_table("vehicles", vehicles, faults)
    clean_sites = tables.clean_table("sites", sites, faults)
    in_feet = any(str(name).strip().lower() == "altitude_ft" for name in sites.columns)
    tables.suspect_feet(clean_sites, rules["highest_site_m"], faults, given_in_feet=in_feet)
    tables.check_order_of_temperatures(clean_sites, faults)
    kept_sites = _kept("sites", clean_sites, faults)
    at = _find(clean_vehicles, kept_sites, clean_sites, "site_id", faults)
    folder = None if profiles is None else Path(profiles)
    types, index = types_of(clean_vehicles, heaters or {}, folder, rules, faults)
    good = ~faults.refused("vehicles", len(clean_vehicles))
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
    sums = _route_sums(routes, uses)
    if routes is not None:
        rows["routes"] = _tally(sums.read, sums.read - sums.refused)
        faults.rows.extend(sums.faults)
        _warn_unknown_routes(clean_vehicles, frame, sums, faults)
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
    )


def _route_sums(routes: pd.DataFrame | Callable[[list[RouteUse]], RouteSums] | None, uses: list[RouteUse]) -> RouteSums:
    if routes is None:
        return NO_POINTS
    return route_block(routes, uses) if isinstance(routes, pd.DataFrame) else routes(uses)


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
    return frame[~faults.refused(name, len(frame))].reset_index(drop=True)


def _find(vehicles: pd.DataFrame, kept: pd.DataFrame, every: pd.DataFrame, key: str, faults: tables.Faults) -> Any:
    """Return the row of each vehicle's site or route; -1 and a fault where there is none."""
    unique = kept.drop_duplicates(key)
    position = pd.Series(unique.index.to_numpy(), index=unique[key])
    at = vehicles[key].map(position).fillna(-1).to_numpy(dtype=int)
    values = vehicles[key].to_numpy()
    refused = set(every[key]) - set(unique[key])
    lost = (at < 0) & (values != "")
    near = _near_of(unique[key].head(MOST_COMPARED).tolist())

    def text(row: int) -> str:
        what, name = key.removesuffix("_id"), shorten(values[row])
        if values[row] in refused:
            return f"{key} = {name}: this {what} was refused itself, see its own row. Correct it there."
        told = f"{key} = {name} is in no row of the {what}s table."
        return f"{told} {near(values[row])}Add the {what} or correct the name."

    faults.add("vehicles", lost, key, values, f"unknown_{key.removesuffix('_id')}", text)
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
        for row in one.base.assumed.values():
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
