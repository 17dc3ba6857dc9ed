"""Driver cards: one for each site, in plain words for people with cold hands."""

from __future__ import annotations

from typing import Any

import pandas as pd

from combust.application.fleet.rules import KEEP_OFF
from combust.domain.limits import cautions


def site_cards(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one card a site: ``site_id, title, lines``; a line that keeps a heater off stands first."""
    return [_card(str(site), part) for site, part in frame.groupby("site_id", sort=False)]


def _card(site: str, part: pd.DataFrame) -> dict[str, Any]:
    row = part.iloc[0]
    off = part[part["decision"].isin(KEEP_OFF)]
    on = part[~part["decision"].isin(KEEP_OFF)]
    lines = []
    if len(off):
        why = "The unit's own document does not cover this height as it is fitted."
        lines.append(f"HEATER OFF here: {_names(off)}. {why}")
    if len(on):
        lines.append(f"Heater allowed here by the unit's own limit: {_names(on)}.")
        lines += _numbers(on)
    smoky = on[on["decision"] == "watch"]
    if len(smoky):
        lines.append(
            f"On mild nights {_names(smoky)} can smoke. Watch the exhaust: dark smoke or a smell means heater off."
        )
    cold = on[on["heat_short"].astype(bool)]
    if len(cold):
        lines.append(
            f"On the coldest night the cab of {_names(cold)} reaches about "
            f"{cold['cab_temp_reached_full_c'].min():.0f} °C. Put up the curtain, take the warm sleeping bag."
        )
    if (part["fuel_grade"] == "below").any():
        lines.append(f"Fuel sold here can wax at {row['design_temp_c']:.0f} °C. Bring winter fuel.")
    elif (part["fuel_grade"] == "marginal").any():
        lines.append(f"Fuel sold here only just stands {row['design_temp_c']:.0f} °C. Better bring winter fuel.")
    weak = on[on["battery"] == "too_small"]
    if len(weak):
        lines.append(f"The battery of {_names(weak)} may not last the night. Start with it full.")
    lines.append(cautions()[0])
    title = f"{site}: {row['altitude_m']:.0f} m, {row['design_temp_c']:.0f} to {row['mildest_use_temp_c']:.0f} °C"
    return {"site_id": site, "title": title, "lines": lines}


def _numbers(on: pd.DataFrame) -> list[str]:
    """Return the gas the analyser should show here, by dry-air density alone and in full, and the fuel to bring."""
    lines = []
    for (heater, compensation), part in on.groupby(["heater", "compensation"], sort=False):
        row = part.iloc[0]
        if compensation != "none":
            lines.append(f"{heater} with its {compensation} compensation should read as at home.")
            continue
        told = row[["o2_dry_pct", "o2_dry_full_pct"]].dropna().tolist()
        if told:
            band = f"{min(told):.1f} to {max(told):.1f}" if max(told) - min(told) >= 0.05 else f"{told[0]:.1f}"
            lines.append(
                f"{heater} at full heat on a {row['design_temp_c']:.0f} °C night: O2 of {band} % belongs to the height."
            )
    most = on["fuel_l_per_night"].max()
    lines.append(f"Heater fuel for the coldest night: up to {most:.1f} l for each vehicle.")
    return lines


def _names(part: pd.DataFrame) -> str:
    names = part["vehicle_id"].astype(str).tolist()
    return ", ".join(names) if len(names) <= 12 else f"{', '.join(names[:12])} and {len(names) - 12} more"
