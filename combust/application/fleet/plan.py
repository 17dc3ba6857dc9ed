"""plan_fleet: from three tables to decisions, with every assumption named."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet import tables
from combust.application.fleet.assignment import Assignment, assign
from combust.application.fleet.decisions import (
    DECISIONS,
    FUEL_WHEN,
    decision_columns,
    sensitivity_frame,
    sureness,
)
from combust.application.fleet.driver_cards import site_cards
from combust.application.fleet.heater_types import Fleet, HeaterType, types_of
from combust.application.fleet.nights import nights_frame
from combust.application.fleet.overview import parts_frame, sites_frame
from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse
from combust.application.fleet.policy import Policy
from combust.application.fleet.remedies import remedies_frame
from combust.application.fleet.routes import route_uses, routes_frame
from combust.application.fleet.rules import (
    counts_frame,
    plan_safety,
    reasons,
    rule_columns,
    state_columns,
    stays_off,
    without_trims,
)
from combust.application.fleet.weather import NO_WEATHER, Weather
from combust.data.errors import CombustError, shorten
from combust.data.near import near_matches
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.result import Assumed, Result, Rows, plain
from combust.domain.safety import Safety

NOT_COVERED = (
    "What thin air does to a small flame beyond air over fuel: no public data.",
    "What the maker approves: the heater's own document decides, always.",
    "Wind on terminals, snow, fouling and worn parts: a heater that reads other than expected needs a diagnosis first.",
    "Change of efficiency with the trim: heat is taken in proportion to fuel.",
)

TOTALS = {
    "refused": "refused rows of the vehicles table, nothing known of them",
    "compensation_kits": "compensation kits to fit",
    "spare_kits": "spare compensation kits",
    "kits_not_known": "kits not known: up to where the document allows one is not entered",
    "short_of_air": "lambda below its minimum, of heaters that may run: not to be run untrimmed",
    "heat_short": "cab stays below its target with lambda kept",
    "cab_warm": "cab reaches its target with lambda kept",
    "cab_off": "cab without heat: heater off",
    "cab_unknown": "cab not known: the heater's own limit must be looked up first",
    "battery_too_small": "battery too small for a cold night, of heaters that may run",
    "battery_unknown": "battery not known, of heaters that may run",
    "fuel_grade_below": "fuel grade below the coldest night, of heaters that may run",
    "fuel_grade_marginal": "fuel grade only just stands the coldest night, of heaters that may run",
    "fuel_grade_unknown": "fuel grade not known, of heaters that may run",
    "shorten_service": "shorten the service interval",
    "flips_between_lambdas": "lambda rule answered differently by the three lambdas",
    "sureness_open": "decision open: within its own uncertainty",
    "sureness_unknown": "decision hangs on a limit that was not entered",
    "fuel_l_per_season": FUEL_WHEN["now"],
    "fuel_l_per_season_with_kit": FUEL_WHEN["with_kit"],
    "fuel_l_per_season_look_up": FUEL_WHEN["look_up"],
    "cost_kits": "cost of kits and spares, in the money of the policy",
    "cost_fuel": "cost of the season's fuel of heaters that may run now, in the money of the policy",
    "cost_fuel_with_kit": "cost of the more fuel once the kits are fitted, in the money of the policy",
}
ALWAYS = {TOTALS[key] for key in ("compensation_kits", "heat_short", "battery_too_small", "fuel_grade_below")}
COUNTED = {  # how many vehicles have a value in a column
    "compensation_kits": ("decision", "compensate"),
    "heat_short": ("cab", "cold"),
    "cab_warm": ("cab", "warm"),
    "cab_off": ("cab", "off"),
    "cab_unknown": ("cab", "unknown"),
    "battery_too_small": ("battery", "too_small"),
    "battery_unknown": ("battery", "unknown"),
    "fuel_grade_below": ("fuel_grade", "below"),
    "fuel_grade_marginal": ("fuel_grade", "marginal"),
    "fuel_grade_unknown": ("fuel_grade", "unknown"),
    "sureness_open": ("sureness", "open"),
    "sureness_unknown": ("sureness", "unknown"),
}
FILLED = {  # what stands for an empty cell of a column
    ("sites", "pressure_hpa"): "standard atmosphere at the site's height (ISO 2533:1975)",
    ("sites", "night_temps_c"): "straight between design night, median and mildest night, 21 even quantiles",
} | {
    ("vehicles", key): "column empty: policy or table default"
    for key in ("cab_target_c", "ventilation_m3_per_h", "compensation", "group")
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
    remedies, routes, sensitivity : DataFrame
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
    notes : tuple of str
        What is to be told of the tables, such as columns that are not used.
    weather : Weather
        What hourly series count to, beside the design night.
    """

    vehicles: pd.DataFrame
    counts: pd.DataFrame
    sites: pd.DataFrame
    parts: pd.DataFrame
    remedies: pd.DataFrame
    routes: pd.DataFrame
    sensitivity: pd.DataFrame
    assignment: Assignment
    faults: pd.DataFrame
    rows: Mapping[str, Mapping[str, int]]
    totals: Mapping[str, float | int | None]
    cards: list[dict[str, Any]]
    assumptions: pd.DataFrame
    notes: tuple[str, ...] = ()
    weather: Weather = NO_WEATHER
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
        return f"{kept} of {read} vehicles planned; {kits} need a compensation kit by the heater's own limit"

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
        return decided + [(words, f"{number:.0f}") for words, number in told]

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
) -> FleetPlan:
    """Plan a fleet from tables that were read; ``routes`` is a function that sums the route points.

    ``weather`` counts hourly series beside what is planned, from (vehicles, sites, heater types, policy).

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
    site_of = clean_vehicles["site_id"]
    at = pd.Index(kept_sites["site_id"]).get_indexer(site_of)
    refused, lost = site_of.isin(clean_sites["site_id"]), (at < 0) & (site_of != "")
    _tell_unknown(site_of, lost & refused, [], SITE_REFUSED, faults)
    _tell_unknown(site_of, lost & ~refused, kept_sites["site_id"].tolist(), SITE_UNKNOWN, faults)
    sold = np.where(at < 0, "", np.append(kept_sites["fuel"].to_numpy(dtype=object), "")[at])
    types, index = types_of(clean_vehicles, heaters or {}, Path(profiles) if profiles else None, rules, faults, sold)
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
    flips = sensitivity_frame(frame, fleet, rules)
    frame["sureness"] = sureness(frame, flips, rules)
    frame["reason"] = reasons(frame)
    uses = route_uses(frame, fleet)
    sums = NO_POINTS if routes is None else routes(uses)
    if routes is not None:
        rows["routes"] = _tally(sums.read, sums.refused)
        faults.rows.extend(sums.faults)
        route_of, known = clean_vehicles["route_id"], sorted({route for route, _ in sums.table})
        lost = good & (route_of != "") & ~route_of.isin(known)
        _tell_unknown(route_of, lost, known, ROUTE_UNKNOWN, faults, warn=True)
        tables.metres_beside_routes(sites, max((row.highest_m for row in sums.table.values()), default=0.0), faults)
    change = assign(frame, chosen, kept_sites, fleet, rules) if with_assignment else Assignment()
    totals, remedies = _totals(frame, rules, rows["vehicles"]["refused"]), remedies_frame(frame, fleet, rules)
    return FleetPlan(
        without_trims(frame),
        counts_frame(frame),
        sites_frame(frame, rules),
        parts_frame(frame, remedies, rules, int(totals["spare_kits"] or 0)),
        remedies,
        routes_frame(sums, uses),
        flips if with_sensitivity else flips.iloc[:0],
        change,
        faults.frame(),
        rows,
        totals,
        site_cards(frame, tables.folded_name),
        _assumptions(rules, types, {"vehicles": clean_vehicles, "sites": kept_sites}),
        (*vehicles.notes, *sites.notes),
        weather(frame, kept_sites, fleet, rules) if weather else NO_WEATHER,
    )


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
    same = [one for one in known if tables.folded_name(one) == tables.folded_name(name)]
    return list(dict.fromkeys([*same, *near_matches(name, known, n=2)]))[:2]


def _totals(frame: pd.DataFrame, policy: Policy, refused: int) -> dict[str, float | int | None]:
    """Return how many vehicles are what, and litres and money; every sum follows from the rows of the vehicles."""
    off = {column: stays_off(frame) for column in ("battery", "fuel_grade")}  # what it has does not matter there
    counted = {
        key: int(((frame[column] == value) & ~off.get(column, False)).sum()) for key, (column, value) in COUNTED.items()
    }
    kits = counted["compensation_kits"]
    spares = math.ceil(kits * policy["spare_share"] - 1e-9)
    asked = (frame["decision"] == "check_document") & (frame["compensation"] == "none")
    litres = {when: float(frame.loc[frame["fuel_when"] == when, "fuel_l_per_season"].sum()) for when in FUEL_WHEN}
    kit_price, fuel_price = policy.given("price_compensation_kit"), policy.given("price_fuel_per_l")
    return {
        "vehicles": len(frame),
        "refused": refused,
        **counted,
        "spare_kits": spares,
        "short_of_air": int((frame["safety"] == "outdoors_only").sum()),
        "kits_not_known": int(asked.sum()),
        "shorten_service": int(frame["shorten_service"].sum()),
        "flips_between_lambdas": int((frame["flips_between_lambdas"] != "").sum()),
        "fuel_l_per_season": litres["now"],
        "fuel_l_per_season_with_kit": litres["with_kit"],
        "fuel_l_per_season_look_up": litres["look_up"],
        "cost_kits": None if kit_price is None else (kits + spares) * kit_price,
        "cost_fuel": None if fuel_price is None else litres["now"] * fuel_price,
        "cost_fuel_with_kit": None if fuel_price is None else litres["with_kit"] * fuel_price,
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
