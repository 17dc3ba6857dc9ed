"""What to do in which month: kits before the first night, the fuel grade to buy, heaters due; and what is not known.

Months come from the tables alone: ``season_first_month``, ``season_last_month`` and ``month_coldest_c`` of a site,
``service_due_month`` of a vehicle. Where they are not entered the design night holds for the whole season.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import NOT_ENTERED
from combust.application.fleet.kits import by_id
from combust.application.fleet.nights import colder
from combust.application.fleet.overview import grade_of, names_of
from combust.application.fleet.policy import Policy
from combust.application.fleet.tables import Faults
from combust.domain.result import many

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
COLUMNS = ("place", "month", "what", "detail", "count", "who")
KITS, FUEL, SERVICE, DOCUMENTS, UNKNOWN = "fit kits", "buy fuel", "heaters due", "read documents", "not known"
ANY = 0  # the month of what must be done before the season, where its month is not known
JULY = 7


def check_months(sites: pd.DataFrame, faults: Faults) -> None:
    """Refuse sites whose months are not twelve, or end without a beginning; warn of one colder than the design night.

    A ``month_coldest_c`` below ``design_temp_c`` says that the design night is not the coldest.
    """
    given, cold = sites["month_coldest_c"], sites["design_temp_c"].to_numpy(dtype=float)
    first, last = (sites[f"season_{end}_month"].to_numpy(dtype=float) for end in ("first", "last"))
    wrong = np.array([bool(one) and len(one) != len(MONTHS) for one in given], dtype=bool)
    text = "month_coldest_c holds not twelve numbers. Write January first, like -20;-18;-12;-6;-1;3;5;4;0;-6;-12;-18."
    faults.add("sites", wrong, "month_coldest_c", given, "format", text)
    half = np.isnan(first) != np.isnan(last)
    text = "season_first_month and season_last_month belong together. Fill in both, 1 to 12, or neither."
    faults.add("sites", half, "season_first_month", None, "missing", text)
    whole = (first % 1.0 != 0.0) & ~np.isnan(first) | (last % 1.0 != 0.0) & ~np.isnan(last)
    faults.add("sites", whole, "season_first_month", first, "format", "A month is a whole number from 1 to 12.")
    below = np.array([len(one) == len(MONTHS) and min(one) < cold[row] for row, one in enumerate(given)], dtype=bool)
    text = (
        "month_coldest_c is colder than design_temp_c: the design night is the coldest of all. The heater, cab and "
        "battery are judged by the design night: correct it."
    )
    faults.add("sites", below, "month_coldest_c", None, "conflict", text, warn=True)


def calendar_frame(
    frame: pd.DataFrame, sites: pd.DataFrame, due_month: Any, history_month: Any, policy: Policy
) -> pd.DataFrame:
    """Return what to do by month.

    Parameters
    ----------
    frame : DataFrame
        Decided vehicles, kits given out.
    sites : DataFrame
        The cleaned sites.
    due_month : array of float
        ``service_due_month`` of each vehicle, NaN where not entered.
    history_month : array of float
        Month in which the history of its heater makes it due, NaN where it does not.

    Returns
    -------
    DataFrame
        ``place, month, what, detail, count, who``: month 1 to 12, 0 before the season where its month is not known;
        ``place`` orders the months of a winter.
    """
    held = sites[sites["site_id"].isin(frame["site_id"])].drop_duplicates("site_id").set_index("site_id")
    first = {str(site): int(month) for site, month in held["season_first_month"].dropna().items()}
    frame = frame[["vehicle_id", "site_id", "decision", "shorten_service", "fuel_when", "fuel_grade"]]
    rows: list[tuple[int, str, str, int, str]] = []

    def add(month: int, what: str, detail: str, who: pd.DataFrame) -> None:
        ordered = who.iloc[np.argsort(by_id(who["vehicle_id"]), kind="stable")]
        rows.append((month, what, detail, len(who), names_of(ordered["vehicle_id"], len(frame))))

    for what, chosen in ((KITS, frame["decision"] == "compensate"), (DOCUMENTS, frame["decision"].isin(NOT_ENTERED))):
        for site, part in frame[chosen].groupby("site_id", sort=False):
            add(first.get(str(site), ANY), what, str(site), part)
    stopped = frame["decision"] == "stopped"
    if stopped.any():
        add(ANY, SERVICE, "HEATER OFF by the last visit: mend and read it first", frame[stopped])
    entered, seen = (pd.Series(one, index=frame.index).mask(stopped) for one in (due_month, history_month))
    for month, detail in ((entered, "by its own entry"), (seen, "by the history of the heater")):
        for number, part in frame[month.notna()].groupby(month):
            add(int(number), SERVICE, detail, part)
    if len(soon := frame[frame["shorten_service"]]):
        add(ANY, SERVICE, "and once more within the season: many nights at a low lambda", soon)
    rows += _fuel(frame, held, policy) + _not_known(held, int((entered.isna() & seen.isna() & ~stopped).sum()))
    start = _start_of_winter(held)
    places = [-1 if one == ANY else (one - start) % 12 for one, *_ in rows]
    table = pd.DataFrame([(place, *row) for place, row in zip(places, rows, strict=True)], columns=list(COLUMNS))
    order = {name: place for place, name in enumerate((KITS, DOCUMENTS, FUEL, SERVICE, UNKNOWN))}
    return table.sort_values(
        ["place", "what"], key=lambda column: column.map(order) if column.name == "what" else column, kind="stable",
        ignore_index=True,
    )  # fmt: skip


def season_months(site: Any) -> list[int]:
    """Return the months of a site's season, 1 to 12 in their order; none where it was not entered."""
    if np.isnan(site["season_first_month"]) or np.isnan(site["season_last_month"]):
        return []
    first, last = int(site["season_first_month"]), int(site["season_last_month"])
    return [(first - 1 + step) % 12 + 1 for step in range((last - first) % 12 + 1)]


def needed_by_month(site: Any, margin_k: float) -> dict[int, float]:
    """Return month -> plugging point that the fuel bought in it must have [°C].

    A tank lasts into the next month of the season (common practice, no source), so the colder of both counts; without
    temperatures of the months the design night counts in all. Nothing where the season has no months.
    """
    months, cold = season_months(site), site["month_coldest_c"]
    if not len(cold):
        return dict.fromkeys(months, float(site["design_temp_c"]) - margin_k)
    following = [*months[1:], *months[-1:]]
    return {one: min(cold[one - 1], cold[two - 1]) - margin_k for one, two in zip(months, following, strict=True)}


def _fuel(frame: pd.DataFrame, held: pd.DataFrame, policy: Policy) -> list[tuple[int, str, str, int, str]]:
    """Return the grade to buy of each month: one row a grade, the sites named with the point that they need."""
    burns = frame["fuel_when"].isin(["now", "with_kit", "look_up"]) & (frame["fuel_grade"] != "no_plugging_point")
    found = []
    for site, row in held.loc[held.index.isin(frame.loc[burns, "site_id"])].iterrows():
        needed = needed_by_month(row, policy["cold_filter_margin_k"])
        needed = needed or {ANY: float(row["design_temp_c"]) - policy["cold_filter_margin_k"]}
        found += [(month, point, grade_of(point), f"{site} ({colder(point)} °C)") for month, point in needed.items()]
    table = pd.DataFrame(found, columns=["month", "point", "grade", "site"]).sort_values("point", kind="stable")
    return [
        (int(month), FUEL, str(grade), len(part), ", ".join(part["site"]))
        for (month, grade), part in table.groupby(["month", "grade"], sort=False)
    ]


def _not_known(held: pd.DataFrame, without_due: int) -> list[tuple[int, str, str, int, str]]:
    """Return what the calendar lacks, and which column to add."""
    seasons = held.index[held["season_first_month"].isna()]
    colds = held.index[(held["month_coldest_c"].str.len() == 0) & held["season_first_month"].notna()]
    told = [
        (seasons, "the months of the season: add season_first_month and season_last_month (1 to 12) to the sites"),
        (colds, "the coldest night of each month, the design night counts in all: add month_coldest_c (January first)"),
    ]
    rows = [(ANY, UNKNOWN, text, len(names), ", ".join(map(str, names))) for names, text in told if len(names)]
    text = "the month in which a heater is due: add service_due_month (1 to 12) to the vehicles"
    return rows + ([(ANY, UNKNOWN, text, without_due, many(without_due, "vehicle"))] if without_due else [])


def _start_of_winter(held: pd.DataFrame) -> int:
    """Return the month that begins a winter: the first after the longest time in which no site is in season."""
    busy = {month for _, row in held.iterrows() for month in season_months(row)}
    if not busy or len(busy) == len(MONTHS):
        return JULY
    quiet = {
        month: next(step for step in range(1, 13) if (month - 1 - step) % 12 + 1 in busy)
        for month in busy
    }  # fmt: skip
    return max(sorted(busy), key=lambda month: quiet[month])
