"""What helps where heat runs short or lambda is too low, ranked by what it achieves and then by effort."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import KEEP_OFF, RUNS
from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import as_typed, fuel_mass_ratio, heat_short, kept_heat
from combust.application.fleet.policy import Policy
from combust.kernel.cab import cab_temperature_reached, heat_demand

# Cheapest and least effort first (common practice, no source); ties in what is achieved fall to the cheaper one.
INSULATION = (
    ("window_covers", "window_cover_heat_change", "window covers"),
    ("curtain", "curtain_heat_change", "a curtain behind the seats"),
    ("insulated_curtain", "insulated_curtain_heat_change", "an insulated curtain"),
)
MOST_SITES = 25  # candidates of a heater type, the warmest of the fleet's sites
EFFORT = (*(name for name, _, _ in INSULATION), "trim_to_minimum", "other_site", "larger_heater", "compensation")


@dataclass(frozen=True)
class _Case:
    """The vehicles that are short, as arrays; ``order`` is their place among all that are."""

    frame: pd.DataFrame
    fleet: Fleet
    order: Any

    def column(self, name: str) -> Any:
        return self.frame[name].to_numpy()

    def rows(self, rows: Any, **changed: Any) -> _Case:
        """Return some of the vehicles, with other numbers in some columns."""
        frame = self.frame.iloc[rows].assign(**changed)
        return _Case(frame, Fleet(self.fleet.types, self.fleet.index[rows]), self.order[rows])

    def with_remedy(self, remedy: str, text: Any, loss: Any, by_density: Any, full: Any) -> pd.DataFrame:
        """Return what a remedy achieves: heat loss [W/K] and the heat of both accounts [kW] as they are with it."""
        outdoor, target = self.column("design_temp_c"), self.column("cab_target_c")
        return pd.DataFrame(
            {
                "vehicle_id": self.column("vehicle_id"),
                "remedy": remedy,
                "cab_temp_reached_c": cab_temperature_reached(loss, outdoor, by_density, target),
                "cab_temp_reached_full_c": cab_temperature_reached(loss, outdoor, full, target),
                "shortfall_full_kw": np.maximum(heat_demand(loss, target, outdoor) - full, 0.0),
                "text": text,
                "cab_target_c": target,
                "order": self.order,
            }
        )


def remedies_frame(frame: pd.DataFrame, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return the remedies of every vehicle whose cab stays cold and of every heater that stays off, best first.

    A heater that stays off gets what lets it run: its kit where its document allows one, or another site.

    Returns
    -------
    DataFrame
        ``vehicle_id, rank, remedy, cab_temp_reached_c, cab_temp_reached_full_c, shortfall_full_kw, enough, text``.
        The first temperature follows dry-air density alone, the second the full lambda, which ranks.
    """
    off = frame["decision"].isin(KEEP_OFF).to_numpy()
    everyone = _Case(frame, fleet, np.arange(len(frame)))
    cold = everyone.rows(np.flatnonzero((frame["cab"] == "cold").to_numpy()))
    # No other site helps a wrong voltage, a limit that was not entered or a stop of the heater itself.
    too_high = off & ~frame["decision"].isin(["wrong_voltage", "limit_missing", "stopped"]).to_numpy()
    height = everyone.rows(np.flatnonzero(too_high))
    kit = everyone.rows(np.flatnonzero(frame["decision"].isin(["compensate", "no_kit_left"]).to_numpy()))
    parts = [*_insulation(cold, policy), _trim_to_minimum(cold), _larger_heater(cold), _compensation(cold)]
    parts += [_compensation(kit), *_other_sites(cold, frame), *_other_sites(height, frame)]
    table = pd.concat(parts, ignore_index=True)
    enough = ~heat_short(table, policy)
    # What is enough is ranked by effort; what is not, by how warm it gets.
    effort = table["remedy"].map({name: place for place, name in enumerate(EFFORT)})
    warmth = np.where(enough, 0.0, -table["cab_temp_reached_full_c"])
    order = np.lexsort((effort, warmth, ~enough, table["order"]))
    table.insert(5, "enough", enough)
    table = table.iloc[order].drop(columns=["cab_target_c", "order"]).reset_index(drop=True)
    table.insert(1, "rank", table.groupby("vehicle_id", sort=False).cumcount() + 1)
    return table


def _insulation(case: _Case, policy: Policy) -> list[pd.DataFrame]:
    loss, heat = case.column("heat_loss_w_per_k"), (case.column("useful_heat_kw"), case.column("useful_heat_full_kw"))
    return [
        case.with_remedy(remedy, f"{words}: heat loss {100 * policy[key]:.0f} %", loss * (1.0 + policy[key]), *heat)
        for remedy, key, words in INSULATION
    ]


def _trim_to_minimum(case: _Case) -> pd.DataFrame:
    """Trim only as far as the minimum lambda needs: more fuel stays in, soot comes closer. Never above the setting."""
    trimmed, nominal = np.isin(case.column("compensation"), ("none", "fuel")), case.column("nominal_heat_kw")
    heat = []
    for account, density in (("", 1.0), ("_full", fuel_mass_ratio(case.column("design_temp_c"), case.fleet))):
        held = nominal * (1.0 + case.column(f"fuel_trim_to_minimum{account}_pct") / 100.0) * density
        heat.append(np.where(trimmed, held, case.column(f"useful_heat{account}_kw")))
    text = "trim the fuel only as far as the minimum lambda needs (where the document allows a trim; soot comes closer)"
    return case.with_remedy("trim_to_minimum", text, case.column("heat_loss_w_per_k"), *heat)


def _compensation(case: _Case) -> pd.DataFrame:
    """A kit that holds lambda and heat, where the heater's document allows one at this height and none holds it yet."""
    allowed = case.column("altitude_m") <= case.column("compensation_limit_m").astype(float)
    rows = np.flatnonzero(np.isin(case.column("compensation"), ("none", "fuel")) & allowed)
    case = case.rows(rows, compensation="automatic")
    heat = (kept_heat(case.frame, case.fleet, account) for account in ("", "_full"))
    text = [
        f"a compensation kit: its document allows it up to {one:.0f} m" for one in case.column("compensation_limit_m")
    ]
    return case.with_remedy("compensation", text, case.column("heat_loss_w_per_k"), *heat)


def _larger_heater(case: _Case) -> pd.DataFrame:
    """A heater whose nominal heat is larger by what is missing, everything else alike."""
    demand = case.column("heat_demand_kw")
    needed = demand * case.column("nominal_heat_kw") / case.column("useful_heat_full_kw")
    text = [f"a larger heater: {kw:.1f} kW nominal or more, trimmed alike, allowed at this height" for kw in needed]
    return case.with_remedy("larger_heater", text, case.column("heat_loss_w_per_k"), np.inf, np.inf)


def _other_sites(case: _Case, frame: pd.DataFrame) -> list[pd.DataFrame]:
    """The site of the fleet where this heater stays warmest, of those where its type stands already uncompensated."""
    columns = ["site_id", "heater", "altitude_m", "design_temp_c", "useful_heat_full_kw", "useful_heat_kw"]
    runs = (frame["compensation"] == "none") & frame["decision"].isin(RUNS)
    known = frame.loc[runs, columns].drop_duplicates(["site_id", "heater"])
    known = known[known["altitude_m"].to_numpy() <= frame["heater_altitude_limit_m"].max()]
    alike = known.groupby("heater", sort=False)
    heaters = case.column("heater")
    return [_best_site(case.rows(np.flatnonzero(heaters == name)), sites) for name, sites in alike if name in heaters]


def _best_site(case: _Case, sites: pd.DataFrame) -> pd.DataFrame:
    loss, target = case.column("heat_loss_w_per_k"), case.column("cab_target_c")
    warmth = sites["design_temp_c"] + 1000.0 * sites["useful_heat_full_kw"] / float(np.median(loss))
    sites = sites.iloc[np.argsort(-warmth.to_numpy(), kind="stable")[:MOST_SITES]]
    at, heat = sites["design_temp_c"].to_numpy(), sites["useful_heat_full_kw"].to_numpy()
    reached = cab_temperature_reached(loss[:, None], at, heat, target[:, None])
    fits = sites["altitude_m"].to_numpy() <= case.column("heater_altitude_limit_m")[:, None]
    fits &= sites["site_id"].to_numpy() != case.column("site_id")[:, None]
    best = np.argmax(np.where(fits, reached, -np.inf), axis=1)
    found = np.flatnonzero(fits.any(axis=1))
    there = sites.iloc[best[found]]
    text = [
        f"spend the night at {one.site_id} ({one.altitude_m:.0f} m, {as_typed(one.design_temp_c)} °C)"
        for one in there.itertuples()
    ]
    return case.rows(found, design_temp_c=there["design_temp_c"].to_numpy()).with_remedy(
        "other_site", text, loss[found], there["useful_heat_kw"].to_numpy(), there["useful_heat_full_kw"].to_numpy()
    )
