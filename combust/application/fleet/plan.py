"""plan_fleet: from three tables to decisions, with every assumption named."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet import tables
from combust.application.fleet.assignment import Assignment, assign
from combust.application.fleet.calendar import calendar_frame, check_months
from combust.application.fleet.decisions import (
    DECISIONS,
    decision_columns,
    sensitivity_frame,
    sureness,
)
from combust.application.fleet.driver_cards import refused_card, site_cards
from combust.application.fleet.due import DueList, HeaterLog, due_list, with_stops
from combust.application.fleet.heater_types import Fleet, HeaterType, names_in, types_of
from combust.application.fleet.kits import share_out
from combust.application.fleet.nights import nights_frame
from combust.application.fleet.overview import parts_frame, sites_frame
from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse
from combust.application.fleet.policy import Policy
from combust.application.fleet.remedies import remedies_frame
from combust.application.fleet.routes import route_uses, routes_frame, ways_frame
from combust.application.fleet.rules import (
    counts_frame,
    plan_safety,
    reasons,
    rule_columns,
    state_columns,
    without_trims,
)
from combust.application.fleet.totals import ALWAYS, TOTALS, totals_of
from combust.application.fleet.weather import NO_WEATHER, Weather
from combust.data.errors import CombustError, shorten
from combust.data.near import folded_name, near_matches, one_spelling
from combust.data.told import Rows
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.result import Assumed, Result, many, plain
from combust.domain.safety import Safety, of_all

NOT_COVERED = (
    "What thin air does to a small flame beyond air over fuel: no public data.",
    "What the maker approves: the heater's own document decides, always.",
    "Wind on terminals, snow, fouling and worn parts: a heater that reads other than expected needs a diagnosis first.",
    "Change of efficiency with the trim: heat is taken in proportion to fuel.",
)

FILLED = {  # what stands for an empty cell of a column
    ("sites", "pressure_hpa"): "standard atmosphere at the site's height (ISO 2533:1975)",
    ("sites", "night_temps_c"): "straight between design night, median and mildest night, 21 even quantiles",
} | {
    ("vehicles", key): "column empty: policy or table default"
    for key in ("cab_target_c", "cab_ua_w_per_k", "ventilation_m3_per_h", "compensation", "group")
}
# What is said of a name, and what to do.
SITE_REFUSED = ("names a site that was refused itself.", "See its own row and correct it there.")
SITE_UNKNOWN = ("is in no row of the sites table.", "Add the site or correct the name.")
ROUTE_UNKNOWN = (
    "has no valid point in the routes table.",
    "The night is planned, the route is not: add the route or correct the name.",
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
    sites, parts : DataFrame
        One line a site, and what to get before the season.
    kits : DataFrame
        Every kit that is needed in the order in which they are given out, and what each buys; ``given`` within the
        number and the budget.
    calendar : DataFrame
        What to do in which month, and what of it is not known.
    remedies, routes, sensitivity : DataFrame
    ways : DataFrame
        ``route_id, distance_km, altitude_m``: how high each route climbs along its way.
    assignment : Assignment
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
    refused : DataFrame
        ``vehicle_id, site_id, row`` of each vehicle that is not planned: nothing is known of it, its heater stays off.
    notes : tuple of str
        What is to be told of the tables, such as columns that are not used.
    weather : Weather
        What hourly series count to, beside the design night.
    history : DueList
        Which vehicle is due for a visit this season and which heater stays off by its last one; empty without a log.
    """

    vehicles: pd.DataFrame
    counts: pd.DataFrame
    sites: pd.DataFrame
    parts: pd.DataFrame
    kits: pd.DataFrame
    calendar: pd.DataFrame
    remedies: pd.DataFrame
    routes: pd.DataFrame
    ways: pd.DataFrame
    sensitivity: pd.DataFrame
    assignment: Assignment
    faults: pd.DataFrame
    rows: Mapping[str, Mapping[str, int]]
    totals: Mapping[str, float | int | None]
    cards: list[dict[str, Any]]
    assumptions: pd.DataFrame
    refused: pd.DataFrame
    notes: tuple[str, ...] = ()
    weather: Weather = NO_WEATHER
    not_covered: tuple[str, ...] = NOT_COVERED
    history: DueList = field(default_factory=DueList)

    derived = ("cautions",)

    @property
    def cautions(self) -> tuple[str, ...]:
        """The sentence of the safety state, then the cautions."""
        return (*self.safety.lines(), *cautions())

    @property
    def safety(self) -> Safety:
        """The safety state of the plan."""
        planned = plan_safety(self.vehicles, sum(row["refused"] for row in self.rows.values()))
        return of_all([self.history.safety, planned]) if self.history.safety.findings else planned

    @property
    def summary(self) -> str:
        """The plan in one line."""
        kits, without = (int(self.totals[key] or 0) for key in ("compensation_kits", "kits_left_out"))
        need = f"{kits + without} need a compensation kit by the heater's own limit"
        read, kept = self.rows["vehicles"]["read"], self.rows["vehicles"]["planned"]
        return f"{kept} of {many(read, 'vehicle')} planned; {need}{f', {kits} get one' if without else ''}"

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is told beside the stops: heaters short of air, then names that are nearly alike."""
        found = [one.text for one in self.safety.findings if one.code == "vehicles_watch"]
        alike = self.faults.query("severity == 'warned' and code == 'duplicate'")
        low = (f"{text} Not to be run untrimmed there." for text in found)
        return (*low, *self.weather.warnings, *alike["text"])

    def opening(self) -> tuple[str, ...]:
        """Return the plan in one line."""
        return (self.summary,)

    def lines(self) -> Rows:
        """Return how many vehicles each decision has, and the totals; costs only where they were priced."""
        found = self.vehicles["decision"].value_counts()
        decided = [(text, str(found[code])) for code, text in DECISIONS.items() if code in found]
        shown = [(words, self.totals[key]) for key, words in TOTALS.items()]
        # A row of "not known", "off" or "open" that holds nobody is left out; the others stand even at 0.
        told = [(words, number) for words, number in shown if number or (number == 0 and words in ALWAYS)]
        return decided + self.history.lines() + [(words, f"{number:.0f}") for words, number in told]

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain values for JSON, the assumptions as ``assumed``; missing is None, never NaN."""
        shown = super().to_dict()
        assumed = shown.pop("assumptions")
        return {"safety": shown.pop("safety"), "warnings": list(self.warnings), **shown, "assumed": assumed}


def plan_tables(
    vehicles: tables.FleetTable,
    sites: tables.FleetTable,
    routes: Callable[[list[RouteUse]], RouteSums] | None = None,
    *,
    heaters: Mapping[str, Heater | str | Path] | None = None,
    profiles: str | Path | None = None,
    policy: Mapping[str, Any] | str | Path | Policy | None = None,
    with_sensitivity: bool = True,
    with_assignment: bool = True,
    weather: Callable[[pd.DataFrame, pd.DataFrame, Fleet, Policy], Weather] | None = None,
    log: HeaterLog | None = None,
) -> FleetPlan:
    """Plan a fleet from tables that were read; ``routes`` is a function that sums the route points.

    ``weather`` counts hourly series beside what is planned, from (vehicles, sites, heater types, policy). ``log`` holds
    the winters of its heaters: who is due, and who stays off whatever the rest says.

    :func:`combust.edge.tables.fleet.plan_fleet` reads the tables and says what the rest means.

    Raises
    ------
    CombustError
        No vehicle can be planned; every fault at once.
    """
    rules = Policy.of(policy)
    faults = tables.Faults()
    clean_sites = _checked_sites(sites, rules, faults)
    clean_vehicles = _as_known(faults.take(vehicles), clean_sites["site_id"], heaters or {}, profiles)
    kept_sites = clean_sites[~faults.refused["sites"]].reset_index(drop=True)
    at = _rows_of_sites(clean_vehicles["site_id"], clean_sites, kept_sites, faults)
    folder = None if profiles is None else Path(profiles)
    sold = np.where(at < 0, "", np.append(kept_sites["fuel"].to_numpy(dtype=object), "")[at])
    types, index = types_of(clean_vehicles, heaters or {}, folder, rules, faults, sold)
    good, rows = ~faults.refused["vehicles"], _rows_of(faults)
    chosen = tables.not_measured(clean_vehicles, rules, faults)[good].reset_index(drop=True)
    fleet = Fleet(types, index[good])
    history, chosen["stopped"] = due_list(chosen, fleet, log)
    frame = _decided(chosen, kept_sites, at[good], fleet, rules)
    flips = sensitivity_frame(frame, fleet, rules)
    frame["sureness"] = sureness(frame, flips, rules)
    decided = frame
    frame, kits = share_out(frame, kept_sites["nights_per_season"].to_numpy(dtype=float)[at[good]], fleet, rules)
    frame["reason"] = with_stops(frame["vehicle_id"], reasons(frame), history.due)
    entered = chosen["service_due_month"].to_numpy(dtype=float)
    uses = route_uses(frame, fleet)
    sums = NO_POINTS if routes is None else routes(uses)
    if routes is not None:
        rows["routes"] = _tally(sums.read, sums.refused)
        _tell_of_routes(sums, clean_vehicles["route_id"].where(good, ""), sites, faults)
    asked = rules.given("max_moves") if with_assignment else None
    change = assign(decided, chosen, kept_sites, fleet, rules) if asked else Assignment()
    totals, remedies = totals_of(frame, rules, rows["vehicles"]["refused"]), remedies_frame(frame, fleet, rules)
    not_planned = clean_vehicles[["vehicle_id", "site_id"]].assign(row=vehicles.lines)[~good].reset_index(drop=True)
    return FleetPlan(
        without_trims(frame),
        counts_frame(frame),
        sites_frame(frame, rules),
        parts_frame(frame, remedies, rules, int(totals["spare_kits"] or 0)),
        kits,
        calendar_frame(frame, kept_sites, entered, history.months(chosen["vehicle_id"]), rules),
        remedies,
        routes_frame(sums, uses),
        ways_frame(sums),
        flips if with_sensitivity else flips.iloc[:0],
        change,
        faults.frame(),
        rows,
        totals,
        site_cards(frame, folded_name) + refused_card(not_planned),
        _assumptions(rules, types, {"vehicles": vehicles.frame, "sites": kept_sites}),
        not_planned,
        (*vehicles.notes, *sites.notes, *history.notes),
        weather(frame, kept_sites, fleet, rules) if weather else NO_WEATHER,
        history=history,
    )


def _rows_of(faults: tables.Faults) -> dict[str, dict[str, int]]:
    """Return table -> rows read, planned and refused.

    Raises
    ------
    CombustError
        No vehicle is left.
    """
    if faults.refused["vehicles"].all():
        raise CombustError(faults.as_faults())
    return {name: _tally(len(refused), int(refused.sum())) for name, refused in faults.refused.items()}


def _as_known(vehicles: pd.DataFrame, sites: pd.Series, heaters: Iterable[str], profiles: Any) -> pd.DataFrame:
    """Return the vehicles with sites, routes and heaters spelled as they are known, or as they came first."""
    written = [*heaters, *names_in(profiles)]
    known = {"site_id": sites, "route_id": (), "heater_id": written, "profile": written}
    return vehicles.assign(
        **{key: pd.Series(one_spelling(vehicles[key], names), vehicles.index, object) for key, names in known.items()}
    )


def _checked_sites(sites: tables.FleetTable, rules: Policy, faults: tables.Faults) -> pd.DataFrame:
    """Return the sites with the faults of their heights, temperatures and months told."""
    clean = faults.take(sites)
    tables.suspect_feet(clean, rules["highest_site_m"], faults, given_in_feet=sites.in_feet)
    tables.check_order_of_temperatures(clean, faults)
    check_months(clean, faults)
    return clean


def _rows_of_sites(site_of: pd.Series, sites: pd.DataFrame, kept: pd.DataFrame, faults: tables.Faults) -> Any:
    """Return the row of each vehicle's site among those that are kept, -1 and a fault where there is none."""
    at = pd.Index(kept["site_id"]).get_indexer(site_of)
    refused, lost = site_of.isin(sites["site_id"]), (at < 0) & (site_of != "")
    _tell_unknown(site_of, lost & refused, [], SITE_REFUSED, faults)
    _tell_unknown(site_of, lost & ~refused, kept["site_id"].tolist(), SITE_UNKNOWN, faults)
    return at


def _tell_of_routes(sums: RouteSums, route_of: pd.Series, sites: tables.FleetTable, faults: tables.Faults) -> None:
    """Tell the faults of the points, routes that have none, and sites under a heading in feet far below theirs."""
    faults.rows.extend(sums.faults)
    known = sorted({route for route, _ in sums.table})
    _tell_unknown(route_of, (route_of != "") & ~route_of.isin(known), known, ROUTE_UNKNOWN, faults, warn=True)
    tables.metres_beside_routes(sites, max((row.highest_m for row in sums.table.values()), default=0.0), faults)


def _decided(vehicles: pd.DataFrame, sites: pd.DataFrame, at: Any, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return one row a vehicle with what its nights need, the rules, what is decided, its safety state."""
    frame = nights_frame(vehicles, sites, at, fleet, policy)
    frame = frame.assign(**rule_columns(frame, policy))
    frame = frame.assign(**decision_columns(frame, policy))
    return frame.assign(**state_columns(frame))


def _tally(read: int, refused: int) -> dict[str, int]:
    return {"read": read, "planned": read - refused, "refused": refused}


def _tell_unknown(
    names: pd.Series, unknown: Any, known: list[str], words: tuple[str, str], faults: tables.Faults, warn: bool = False
) -> None:
    """Tell each different name that no other table holds once: what it is, the names near it, what to do."""
    lost, column = names[unknown], str(names.name)
    for number, (name, rows) in enumerate(lost.groupby(lost, sort=False).groups.items()):
        alike = _alike(name, known[:MOST_COMPARED]) if number < MOST_COMPARED else []
        near = f"Did you mean {' or '.join(shorten(one, 40) for one in alike)}? " if alike else ""
        text = f"{column} = {shorten(name)} {words[0]} {near}{words[1]}"
        faults.add_group("vehicles", rows, column, name, f"unknown_{column.removesuffix('_id')}", text, warn)


def _alike(name: str, known: list[str]) -> list[str]:
    """Return up to two names near a name, those that differ in capitals, letter form or blanks alone first."""
    same = [one for one in known if folded_name(one) == folded_name(name)]
    return list(dict.fromkeys([*same, *near_matches(name, known, n=2)]))[:2]


def _assumptions(policy: Policy, types: list[HeaterType], frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return every number of the plan that is not in the vehicle and site tables, with its origin."""
    found = [("policy", row) for row in policy.rows.values()]
    for one in types:
        numbers = [Assumed(key, one.numbers[key], "", origin) for key, origin in one.origins.items()]
        found += [(f"heater {one.name}", row) for row in (*one.base.assumed, *one.base.assumed_structure(), *numbers)]
    for (where, key), origin in FILLED.items():
        count = int(tables.is_empty(frames[where][key]).sum())
        if count:
            found.append((where, Assumed(key, f"filled in for {many(count, 'row')}", "", origin)))
    return pd.DataFrame([{"where": where, **plain(row)} for where, row in found])
