"""What helps where heat runs short or lambda is too low, ranked by what it achieves and then by effort."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.nights import fuel_mass_ratio, kept_heat
from combust.application.fleet.policy import Policy
from combust.application.fleet.types import Fleet
from combust.kernel.cab import cab_temperature_reached

# Cheapest first (common practice, no source); ties in what is achieved fall to the cheaper one.
INSULATION = (
    ("window_covers", "window_cover_heat_change", "window covers"),
    ("curtain", "curtain_heat_change", "a curtain behind the seats"),
    ("insulated_curtain", "insulated_curtain_heat_change", "an insulated curtain"),
)
EFFORT = (
    "window_covers",
    "curtain",
    "insulated_curtain",
    "trim_to_minimum",
    "other_site",
    "larger_heater",
    "compensation",
)


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
    target = table["cab_target_c"] - policy["heat_short_tolerance_k"]
    table["enough"] = table["cab_temp_reached_full_c"] >= target
    table["effort"] = table["remedy"].map({name: place for place, name in enumerate(EFFORT)})
    # What is enough is ranked by effort; what is not, by how warm it gets.
    table["warmth"] = np.where(table["enough"], 0.0, -table["cab_temp_reached_full_c"])
    table = table.sort_values(
        ["order", "enough", "warmth", "effort"], ascending=[True, False, True, True], kind="stable", ignore_index=True
    )
    table["rank"] = table.groupby("vehicle_id", sort=False).cumcount() + 1
    return table[columns]


def _part(case: _Case, remedy: str, simple: Any, full: Any, loss: Any, heat_full: Any, text: Any) -> pd.DataFrame:
    gap = np.maximum(case.column("cab_target_c") - case.column("design_temp_c"), 0.0)
    return pd.DataFrame(
        {
            "order": np.arange(len(case.frame)),
            "vehicle_id": case.column("vehicle_id"),
            "remedy": remedy,
            "cab_temp_reached_c": simple,
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
    own = np.isin(case.column("compensation"), ("none", "fuel"))
    simple = np.where(
        own, nominal * (1.0 + case.column("fuel_trim_to_minimum_pct") / 100.0), case.column("useful_heat_kw")
    )
    full = np.where(
        own,
        nominal * mass * (1.0 + case.column("fuel_trim_to_minimum_full_pct") / 100.0),
        case.column("useful_heat_full_kw"),
    )
    text = "trim the fuel only as far as the minimum lambda needs (where the document allows a trim; soot comes closer)"
    return _part(case, "trim_to_minimum", case.reached(loss, simple), case.reached(loss, full), loss, full, text)


def _compensation(case: _Case) -> pd.DataFrame:
    """An automatic compensation holds lambda and heat; it is a remedy only where none or a plain trim is fitted."""
    other = np.isin(case.column("compensation"), ("none", "fuel"))
    fitted = np.where(other, "automatic", case.column("compensation"))
    loss = case.column("heat_loss_w_per_k")
    simple = kept_heat(case.frame, case.fleet, "air_ratio", compensation=fitted)
    full = kept_heat(case.frame, case.fleet, "air_ratio_full", compensation=fitted)
    text = "a compensation that holds lambda with the blower, if the unit's document has one for this height"
    part = _part(case, "compensation", case.reached(loss, simple), case.reached(loss, full), loss, full, text)
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
    """The site of the fleet where this heater stays warmest, from where vehicles of its type stand already."""
    columns = ["site_id", "heater", "altitude_m", "design_temp_c", "useful_heat_full_kw", "useful_heat_kw"]
    plain = frame[frame["compensation"] == "none"]
    known = plain[columns].drop_duplicates(["site_id", "heater"])
    known = known[known["altitude_m"] <= frame["unit_altitude_limit_m"].max()]
    parts = []
    loss, target = case.column("heat_loss_w_per_k"), case.column("cab_target_c")
    limit, heater = case.column("unit_altitude_limit_m"), case.column("heater")
    for row in known.itertuples(index=False):
        fits = (heater == row.heater) & (row.altitude_m <= limit) & (case.column("site_id") != row.site_id)
        if not fits.any():
            continue
        at = row.design_temp_c
        simple = cab_temperature_reached(loss, at, row.useful_heat_kw, target)
        full = cab_temperature_reached(loss, at, row.useful_heat_full_kw, target)
        text = f"spend the night at {row.site_id} ({row.altitude_m:.0f} m, {at:.0f} °C)"
        part = _part(case, "other_site", simple, full, loss, row.useful_heat_full_kw, text)
        part["shortfall_full_kw"] = np.maximum(loss * np.maximum(target - at, 0.0) / 1e3 - row.useful_heat_full_kw, 0)
        parts.append(part[fits])
    if not parts:
        return _part(case, "other_site", 0.0, 0.0, loss, 0.0, "").iloc[:0]
    table = pd.concat(parts, ignore_index=True)
    best = table.sort_values(["order", "cab_temp_reached_full_c"], ascending=[True, False], kind="stable")
    return best.drop_duplicates("order")
