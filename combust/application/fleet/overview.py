"""What a planner asks first: one line a site, what helps, what to buy; all of it follows from the vehicles' rows."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import DECISIONS, KEEP_OFF, NOT_ENTERED, SURENESS
from combust.application.fleet.nights import as_typed, colder
from combust.application.fleet.policy import Policy
from combust.data.errors import first_few
from combust.data.tables import load_table

Tell = Callable[[pd.Series], str]
SHORT = {  # a decision in a cell
    "stopped": "OFF: stop at its last visit",
    "limit_missing": "OFF: no limit entered",
    "barred": "OFF: too high",
    "wrong_voltage": "OFF: voltage",
    "check_document": "OFF: read document",
    "no_kit_left": "OFF: no kit left",
    "compensate": "OFF: needs kit",
    "trim_first": "trim first",
    "look_up": "look up limit",
    "runs_but": "runs, but",
    "not_all_known": "runs, not all known",
    "compensated": "runs, compensated",
    "as_is": "runs as it is",
}
SITE_COLUMNS = [
    "site_id", "vehicle_id", "heater", "decision", "sureness", "altitude_m", "design_temp_c", "mildest_use_temp_c",
    "cab", "battery", "fuel_grade", "cold_filter_plugging_c", "fuel_when", "fuel_l_per_season",
]  # fmt: skip
AH_STEP = 5.0  # batteries are bought in steps of so many Ah
KITS, BATTERIES, DOCUMENTS = "compensation kit", "battery", "limits to look up in the document"
GRADES = "fuel grade to ask for"
NOBODY = "no heater runs"
WITH_KIT = ", with the kit"  # what a heater wants besides the kit that it gets
LARGE, FEW = 1000, 12  # a cell of a plan of more vehicles names the first few; the rows of the vehicles name all
BLENDED = " + "  # stands in the name of a type that burns a blend
OF_A_BLEND = ", each part of the blend; a point of the blend does not follow from those of its parts"


def worst_first(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the vehicles with the worst decision first, then those with the least margin."""
    rank = frame["decision"].map({code: place for place, code in enumerate(SHORT)}).to_numpy()
    left = np.minimum(np.nan_to_num(frame["margin_m"].to_numpy(dtype=float) / 1000.0, nan=-9.0), 9.0)
    margin = np.nan_to_num(frame["margin_air_ratio"].to_numpy(dtype=float), nan=-9.0)
    return frame.iloc[np.lexsort((margin, left, rank))]


def sites_frame(frame: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Return one row a site, the one with most heaters off first.

    Returns
    -------
    DataFrame
        ``site_id, altitude_m, design_temp_c, vehicles``, how many are ``off`` with their names by cause in
        ``off_named``, how many run with something not in order (``but``) and in which words, ``kits``, what is to be
        said of ``fuel_grade`` and ``battery``, litres a season now and more with kits, ``cost`` (NaN without prices)
        and the four counts of how sure the decisions are.
    """
    tell = partial(names_of, planned=len(frame))
    rows = [
        _site(str(site), part, policy, tell) for site, part in light(frame[SITE_COLUMNS]).groupby("site_id", sort=False)
    ]
    table = pd.DataFrame(rows)
    return table.sort_values(["off", "kits", "altitude_m"], ascending=False, kind="stable", ignore_index=True)


def light(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose texts are objects: many small parts of it are cut quickly."""
    return frame.astype(dict.fromkeys(frame.select_dtypes(include="str"), object))


def _site(site: str, part: pd.DataFrame, policy: Policy, tell: Tell) -> dict[str, Any]:
    off = part["decision"].isin(KEEP_OFF)
    on, fitted = part[~off], part[part["decision"] == "compensate"]
    kits, grade = len(fitted), _grade(on, policy)
    if kits and not len(on):
        grade += f"; with the kits: {_grade(fitted, policy)}"
    litres = part.groupby("fuel_when")["fuel_l_per_season"].sum()
    per_kit, per_l = policy.given("price_compensation_kit"), policy.given("price_fuel_per_l")
    now, later = float(litres.get("now", 0.0)), float(litres.get("with_kit", 0.0))
    priced = [price * amount for price, amount in ((per_kit, kits), (per_l, now + later)) if price is not None]
    return {
        "site_id": site,
        "altitude_m": part["altitude_m"].iloc[0],
        "design_temp_c": part["design_temp_c"].iloc[0],
        "mildest_use_temp_c": part["mildest_use_temp_c"].iloc[0],
        "vehicles": len(part),
        "off": int(off.sum()),
        "off_named": _by_cause(part[off], tell),
        "not_as_it_is": _by_cause(on[~on["decision"].isin(["as_is", "compensated"])], tell),
        "cold_cabs": tell(on.loc[on["cab"] == "cold", "vehicle_id"]),
        "kits": kits,
        "fuel_grade": grade,
        "battery": _battery(on, tell),
        "fuel_l_per_season": now,
        "fuel_l_per_season_with_kit": later,
        "cost": sum(priced) if priced else np.nan,
        **{name: int((part["sureness"] == name).sum()) for name in SURENESS},
    }


def _by_cause(part: pd.DataFrame, tell: Tell) -> str:
    """Return the names, grouped by what was decided."""
    alike = dict(list(part.groupby("decision", sort=False)["vehicle_id"]))
    return "; ".join(
        f"{words.removeprefix('OFF: ')} ({len(alike[code])}): {tell(alike[code])}"
        for code, words in SHORT.items()
        if code in alike
    )


def as_fitted(heater: str, compensation: str) -> str:
    """Return a heater and the compensation that is fitted to it, in a cell."""
    return heater if compensation == "none" else f"{heater} + {compensation}"


def names_of(vehicles: pd.Series, planned: int) -> str:
    """Return the names of some vehicles of a plan of so many: all, or the first few where it is large."""
    return first_few(vehicles.astype(str).tolist(), len(vehicles) if planned <= LARGE else FEW)


def grade_of(needed_c: float) -> str:
    """Return the warmest grade of diesel that has a plugging point [°C], in words."""
    grades: dict[str, float] = load_table("fuel_grades")["grade"]
    return next((name for name, point in grades.items() if point <= needed_c), "no class of EN 590 is as cold")


def grade_to_buy(needed_c: float) -> str:
    """Return the plugging point that is needed [°C], never on the warm side, and the grade of diesel that has it."""
    return f"{colder(needed_c)} °C or lower ({grade_of(needed_c)})"


def _grade(on: pd.DataFrame, policy: Policy) -> str:
    """Return what is to be said of the fuel at a site, worst first, and the plugging point that is needed."""
    asked = on[on["fuel_grade"] != "no_plugging_point"]
    if not len(asked):
        return NOBODY if not len(on) else "gasoline only"
    needed = grade_to_buy(asked["design_temp_c"].iloc[0] - policy["cold_filter_margin_k"])
    words = {
        "below": "WAXES ({}): buy " + needed,
        "unknown": "not known: needs " + needed,
        "marginal": "marginal ({}): better " + needed,
        "fits": "fits ({})",
    }
    parts = []
    for verdict, text in words.items():
        alike = asked[asked["fuel_grade"] == verdict]
        if len(alike):
            point = f"{as_typed(alike['cold_filter_plugging_c'].max())} °C" if verdict != "unknown" else ""
            some = f"{len(alike)} of {len(asked)}: " if len(alike) < len(asked) else ""
            blended = alike["heater"].str.contains(BLENDED, regex=False).any()
            parts.append(f"{some}{text.format(point)}{OF_A_BLEND if blended else ''}")
    return "; ".join(parts)


def _battery(on: pd.DataFrame, tell: Tell) -> str:
    weak, unknown = (on.loc[on["battery"] == word, "vehicle_id"] for word in ("too_small", "unknown"))
    parts = [f"too small ({len(weak)}): {tell(weak)}"] if len(weak) else []
    parts += [f"not known ({len(unknown)}): {tell(unknown)}"] if len(unknown) else []
    return "; ".join(parts) or ("enough" if len(on) else NOBODY)


def parts_frame(frame: pd.DataFrame, remedies: pd.DataFrame, policy: Policy, spares: int) -> pd.DataFrame:
    """Return what to get before the season: ``part, detail, count, who``; nothing for a heater that stays off.

    Batteries and fuel of heaters that run once their kit is fitted stand apart: a kit alone does not make them run.
    """
    rows: list[tuple[Any, ...]] = []
    tell = partial(names_of, planned=len(frame))

    def add(part: str, detail: str, who: pd.DataFrame) -> None:
        rows.append((part, detail, len(who), tell(who["vehicle_id"])))

    kits = frame[frame["decision"] == "compensate"]
    for heater, alike in kits.groupby("heater", sort=True):
        add(KITS, f"for {heater}", alike)
    if spares:
        rows.append((KITS, "spare", spares, ""))
    for what, with_kit in ((frame[~frame["decision"].isin(KEEP_OFF)], ""), (kits, WITH_KIT)):
        rows += [(f"{part}{with_kit}", *rest) for part, *rest in _supplies(what, policy, tell)]
    enough = remedies[remedies["enough"] & (remedies["rank"] == 1)]
    cold = frame[frame["cab"] == "cold"]
    for remedy, alike in enough[enough["vehicle_id"].isin(cold["vehicle_id"])].groupby("remedy", sort=False):
        if remedy in ("window_covers", "curtain", "insulated_curtain", "larger_heater"):
            add("against cold cabs", str(remedy).replace("_", " "), cold[cold["vehicle_id"].isin(alike["vehicle_id"])])
    for heater, alike in frame[frame["decision"].isin(NOT_ENTERED)].groupby("heater", sort=True):
        add(DOCUMENTS, str(heater), alike)
    return pd.DataFrame(rows, columns=["part", "detail", "count", "who"])


def _supplies(on: pd.DataFrame, policy: Policy, tell: Tell) -> list[tuple[str, str, int, str]]:
    """Return the batteries and the fuel that some vehicles want: ``part, detail, count, who``."""
    rows: list[tuple[str, str, int, str]] = []

    def add(part: str, detail: str, who: pd.DataFrame) -> None:
        rows.append((part, detail, len(who), tell(who["vehicle_id"])))

    weak = on[on["battery"] == "too_small"]
    needed = np.ceil(weak["battery_needed_ah"] / AH_STEP) * AH_STEP
    for (amp_hours, volts), alike in weak.groupby([needed, weak["battery_v"]], sort=True):
        add(BATTERIES, f"at least {amp_hours:.0f} Ah at {volts:g} V", alike)
    wax = on[on["fuel_grade"].isin(["below", "marginal"])]
    for (verdict, site), alike in wax.groupby(["fuel_grade", "site_id"], sort=False):
        grade = grade_to_buy(alike["design_temp_c"].iloc[0] - policy["cold_filter_margin_k"])
        litres = alike["fuel_l_per_season"].sum()
        word = "winter fuel" if verdict == "below" else "winter fuel, better"
        add(word, f"{site}: plugging point {grade}, {litres:.0f} l", alike)
    for site, alike in on[on["fuel_grade"] == "unknown"].groupby("site_id", sort=False):
        grade = grade_to_buy(alike["design_temp_c"].iloc[0] - policy["cold_filter_margin_k"])
        blended = alike["heater"].str.contains(BLENDED, regex=False).any()
        add(GRADES, f"{site}: not known, needs a plugging point of {grade}{OF_A_BLEND if blended else ''}", alike)
    return rows


def decided(frame: pd.DataFrame, refused: int) -> list[tuple[str, int]]:
    """Return how many vehicles have each decision, refused rows last; the counts add up to the rows read."""
    found = frame["decision"].value_counts()
    return [(DECISIONS[code], int(found[code])) for code in SHORT if code in found] + [
        ("refused rows, not planned", refused)
    ]


def helps(remedies: pd.DataFrame) -> pd.DataFrame:
    """Return the best remedy of each vehicle, alike ones together: ``text, enough, count, who``."""
    best = remedies[remedies["rank"] == 1]
    return alike(best, ["text", "enough"]).sort_values(["enough", "count"], ascending=False, kind="stable")


def alike(table: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Return the rows of vehicles with equal columns as one: the columns, ``count`` and ``who``."""
    found = table.groupby(columns, sort=False)["vehicle_id"]
    return found.agg(count="size", who=partial(names_of, planned=len(table))).reset_index()
