"""What helps where heat runs short or lambda is too low, ranked by what it achieves and then by effort."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import fuel_mass_ratio, kept_heat
from combust.application.fleet.policy import Policy
from combust.application.fleet.rules import may_burn
from combust.kernel.cab import cab_temperature_reached

# Cheapest first (common practice, no source); ties in what is achieved fall to the cheaper one.
INSULATION = (
    ("window_covers", "window_cover_heat_change", "window covers"),
    ("curtain", "curtain_heat_change", "a curtain behind the seats"),
    ("insulated_curtain", "insulated_curtain_heat_change", "an insulated curtain"),
)
MOST_SITES = 25  # candidates of a heater type, the warmest of the fleet's sites
# Least effort first, each with what it needs of the heater where the vehicle stands now.
EFFORT = {
    "window_covers": (),
    "curtain": (),
    "insulated_curtain": (),
    "trim_to_minimum": ("burning",),
    "other_site": (),
    "larger_heater": (),
    "compensation": (),
}
FROM_OFF = ("other_site", "compensation")  # what helps a heater that must stay off where it stands


@dataclass(frozen=True)
class _Case:
    """The vehicles that are short, as arrays."""

    frame: pd.DataFrame
    fleet: Fleet
    policy: Policy

    def column(self, name: str) -> Any:
        return self.frame[name].to_numpy()

    def reached(self, loss: Any, heat: Any) -> Any:
        return cab_temperature_reached(loss, self.column("design_temp_c"), heat, self.column("cab_target_c"))


def remedies_frame(frame: pd.DataFrame, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return the remedies of every vehicle whose cab stays cold, best first.

    Returns
    -------
    DataFrame
        ``vehicle_id, rank, remedy, cab_temp_reached_c, cab_temp_reached_full_c, shortfall_full_kw, enough, text``.
        The first temperature follows dry-air density alone, the second the full lambda, which ranks.
    """
    rows = np.flatnonzero(frame["heat_short"].to_numpy(dtype=bool))
    columns = [
        "vehicle_id",
        "rank",
        "remedy",
        "cab_temp_reached_c",
        "cab_temp_reached_full_c",
        "shortfall_full_kw",
        "enough",
        "text",
    ]
    if len(rows) == 0:
        return pd.DataFrame(columns=columns)
    short = Fleet(fleet.types, fleet.index[rows])
    case = _Case(frame.iloc[rows].reset_index(drop=True), short, policy)
    parts = [*_insulation(case), _trim_to_minimum(case), _larger_heater(case), _compensation(case)]
    table = pd.concat([part for part in parts if len(part)] + [_other_site(case, frame)], ignore_index=True)
    burns = may_burn(case.frame)[table["order"].to_numpy()]
    listed = burns | [not EFFORT[name] for name in table["remedy"]]
    table, idle = table[listed].copy(), (~burns & ~table["remedy"].isin(FROM_OFF))[listed]
    table.loc[idle, "text"] += ", once the heater may run here"
    target = table["cab_target_c"] - policy["heat_short_tolerance_k"]
    table["enough"], table["idle"] = (table["cab_temp_reached_full_c"] >= target) & ~idle, idle
    table["effort"] = table["remedy"].map({name: place for place, name in enumerate(EFFORT)})
    # What is enough is ranked by effort; what is not, by how warm it gets.
    table["warmth"] = np.where(table["enough"], 0.0, -table["cab_temp_reached_full_c"])
    table = table.sort_values(
        ["order", "idle", "enough", "warmth", "effort"],
        ascending=[True, True, False, True, True],
        kind="stable",
        ignore_index=True,
    )
    table["rank"] = table.groupby("vehicle_id", sort=False).cumcount() + 1
    return table[columns]


def _part(case: _Case, remedy: str, by_density: Any, full: Any, loss: Any, heat_full: Any, text: Any) -> pd.DataFrame:
    gap = np.maximum(case.column("cab_target_c") - case.column("design_temp_c"), 0.0)
    return pd.DataFrame(
        {
            "order": np.arange(len(case.frame)),
            "vehicle_id": case.column("vehicle_id"),
            "remedy": remedy,
            "cab_temp_reached_c": by_density,
            "cab_temp_reached_full_c": full,
            "shortfall_full_kw": np.maximum(loss * gap / 1000.0 - heat_full, 0.0),
            "cab_target_c": case.column("cab_target_c"),
            "text": text,
        }
    )


def _insulation(case: _Case) -> list[pd.DataFrame]:
    parts = []
    heat, heat_full = case.column("useful_heat_kw"), case.column("useful_heat_full_kw")
    for remedy, key, words in INSULATION:
        loss = case.column("heat_loss_w_per_k") * (1.0 + case.policy[key])
        text = f"{words}: heat loss {100 * case.policy[key]:.0f} %"
        parts.append(
            _part(case, remedy, case.reached(loss, heat), case.reached(loss, heat_full), loss, heat_full, text)
        )
    return parts


def _trim_to_minimum(case: _Case) -> pd.DataFrame:
    """Trim only as far as the minimum lambda needs: more fuel stays in, soot comes closer. Never above the setting."""
    loss, nominal = case.column("heat_loss_w_per_k"), case.column("nominal_heat_kw")
    mass = fuel_mass_ratio(case.column("design_temp_c"), case.fleet)
    trimmed = np.isin(case.column("compensation"), ("none", "fuel"))
    by_density = np.where(
        trimmed, nominal * (1.0 + case.column("fuel_trim_to_minimum_pct") / 100.0), case.column("useful_heat_kw")
    )
    full = np.where(
        trimmed,
        nominal * mass * (1.0 + case.column("fuel_trim_to_minimum_full_pct") / 100.0),
        case.column("useful_heat_full_kw"),
    )
    text = "trim the fuel only as far as the minimum lambda needs (where the document allows a trim; soot comes closer)"
    return _part(case, "trim_to_minimum", case.reached(loss, by_density), case.reached(loss, full), loss, full, text)


def _compensation(case: _Case) -> pd.DataFrame:
    """An automatic compensation holds lambda and heat; it is a remedy only where none or a plain trim is fitted."""
    other = np.isin(case.column("compensation"), ("none", "fuel"))
    fitted = np.where(other, "automatic", case.column("compensation"))
    loss = case.column("heat_loss_w_per_k")
    by_density = kept_heat(case.frame, case.fleet, "air_ratio", compensation=fitted)
    full = kept_heat(case.frame, case.fleet, "air_ratio_full", compensation=fitted)
    text = "a compensation that holds lambda with the blower, if the unit's document has one for this height"
    part = _part(case, "compensation", case.reached(loss, by_density), case.reached(loss, full), loss, full, text)
    return part[other]


def _larger_heater(case: _Case) -> pd.DataFrame:
    """A heater whose nominal heat is larger by what is missing, everything else alike."""
    loss, demand = case.column("heat_loss_w_per_k"), case.column("heat_demand_kw")
    share = case.column("useful_heat_full_kw") / case.column("nominal_heat_kw")
    needed = demand / share
    text = [f"a larger heater: {kw:.1f} kW nominal or more, trimmed alike" for kw in needed]
    target = case.column("cab_target_c")
    return _part(case, "larger_heater", target, target, loss, demand, text)


def _other_site(case: _Case, frame: pd.DataFrame) -> pd.DataFrame:
    """The site of the fleet where this heater stays warmest, of those where its type stands already uncompensated."""
    columns = ["site_id", "heater", "altitude_m", "design_temp_c", "useful_heat_full_kw", "useful_heat_kw"]
    known = frame.loc[frame["compensation"] == "none", columns].drop_duplicates(["site_id", "heater"])
    known = known[known["altitude_m"].to_numpy() <= frame["unit_altitude_limit_m"].max()]
    parts = [_best_site(case, str(heater), sites) for heater, sites in known.groupby("heater", sort=False)]
    found = [part for part in parts if len(part)]
    return pd.concat(found, ignore_index=True) if found else _part(case, "other_site", 0.0, 0.0, 1.0, 0.0, "").iloc[:0]


def _best_site(case: _Case, heater: str, sites: pd.DataFrame) -> pd.DataFrame:
    rows = np.flatnonzero(case.column("heater") == heater)
    if len(rows) == 0:
        return case.frame.iloc[:0]
    loss, target = case.column("heat_loss_w_per_k")[rows], case.column("cab_target_c")[rows]
    warmth = sites["design_temp_c"] + 1000.0 * sites["useful_heat_full_kw"] / float(np.median(loss))
    sites = sites.iloc[np.argsort(-warmth.to_numpy(), kind="stable")[:MOST_SITES]]
    at, heat = sites["design_temp_c"].to_numpy(), sites["useful_heat_full_kw"].to_numpy()
    reached = cab_temperature_reached(loss[:, None], at, heat, target[:, None])
    height, names = sites["altitude_m"].to_numpy(), sites["site_id"].to_numpy()
    fits = height <= case.column("unit_altitude_limit_m")[rows, None]
    fits &= names != case.column("site_id")[rows, None]
    best = np.argmax(np.where(fits, reached, -np.inf), axis=1)
    kept = fits[np.arange(len(rows)), best]
    rows, best = rows[kept], best[kept]
    if len(rows) == 0:
        return case.frame.iloc[:0]
    here = _Case(
        case.frame.iloc[rows].reset_index(drop=True), Fleet(case.fleet.types, case.fleet.index[rows]), case.policy
    )
    loss, target = here.column("heat_loss_w_per_k"), here.column("cab_target_c")
    by_density = cab_temperature_reached(loss, at[best], sites["useful_heat_kw"].to_numpy()[best], target)
    texts = [
        f"spend the night at {name} ({metres:.0f} m, {temp:.0f} °C)"
        for name, metres, temp in zip(names, height, at, strict=True)
    ]
    text = np.array(texts, dtype=object)[best]
    full = cab_temperature_reached(loss, at[best], heat[best], target)
    part = _part(here, "other_site", by_density, full, loss, heat[best], text)
    part["order"] = rows
    part["shortfall_full_kw"] = np.maximum(loss * np.maximum(target - at[best], 0.0) / 1000.0 - heat[best], 0.0)
    return part
