"""Driver cards: one for each site, in plain words for people with cold hands."""

from __future__ import annotations

from typing import Any

import pandas as pd

from combust.application.fleet.rules import KEEP_OFF
from combust.domain.limits import cautions

MOST_NAMES = 12


def site_cards(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one card a site: ``site_id, title, lines``; a line that keeps a heater off stands first."""
    return [_card(str(site), part) for site, part in frame.groupby("site_id", sort=False)]


def _card(site: str, part: pd.DataFrame) -> dict[str, Any]:
    barred = part["decision"].isin(KEEP_OFF)
    off, on = part[barred], part[~barred]
    first = part.iloc[0]
    cold_night = first["design_temp_c"]
    lines = []
    if len(off):
        why = "The unit's own document does not cover this height as it is fitted."
        lines.append(f"HEATER OFF here: {_names(off)}. {why}")
    if len(on):
        lines.append(f"Heater allowed here by the unit's own limit: {_names(on)}.")
        lines += _numbers(on)
    smoky = on[on["decision"] == "watch"]
    if len(smoky):
        who = f"On mild nights {_names(smoky)} can smoke."
        lines.append(f"{who} Watch the exhaust: dark smoke or a smell means heater off.")
        capped = smoky[smoky["cap_at_low_stage"]]
        if len(capped):
            lines.append(f"On mild nights keep {_names(capped)} on low heat.")
    chilly = on[on["heat_short"]]
    if len(chilly):
        lines.append(
            f"On the coldest night the cab of {_names(chilly)} reaches about "
            f"{chilly['cab_temp_reached_full_c'].min():.0f} °C. Put up the curtain, take the warm sleeping bag."
        )
    if (part["fuel_grade"] == "below").any():
        lines.append(f"Fuel sold here can wax at {cold_night:.0f} °C. Bring winter fuel.")
    elif (part["fuel_grade"] == "marginal").any():
        lines.append(f"Fuel sold here only just stands {cold_night:.0f} °C. Better bring winter fuel.")
    weak = on[on["battery"] == "too_small"]
    if len(weak):
        lines.append(f"The battery of {_names(weak)} may not last the night. Start with it full.")
    lines += cautions()
    title = f"{site}: {first['altitude_m']:.0f} m, {cold_night:.0f} to {first['mildest_use_temp_c']:.0f} °C"
    return {"site_id": site, "title": title, "lines": lines}


def _numbers(on: pd.DataFrame) -> list[str]:
    """Return the gas the analyser should show here, by dry-air density alone and in full, and the fuel to bring."""
    lines = []
    for (heater, compensation), alike in on.groupby(["heater", "compensation"], sort=False):
        if compensation != "none":
            lines.append(f"{heater} with its {compensation} compensation should read as at home.")
            continue
        row = alike.iloc[0]
        shown = [one for one in (row["o2_dry_pct"], row["o2_dry_full_pct"]) if one == one]
        if shown:
            band = f"{min(shown):.1f} to {max(shown):.1f}" if max(shown) - min(shown) >= 0.05 else f"{shown[0]:.1f}"
            night = f"{row['design_temp_c']:.0f} °C night"
            lines.append(f"{heater} at full heat on a {night}: O2 of {band} % belongs to the height.")
    lines.append(f"Heater fuel for the coldest night: up to {on['fuel_l_per_night'].max():.1f} l for each vehicle.")
    return lines


def _names(part: pd.DataFrame) -> str:
    names = part["vehicle_id"].astype(str).tolist()
    more = len(names) - MOST_NAMES
    return ", ".join(names) if more <= 0 else f"{', '.join(names[:MOST_NAMES])} and {more} more"
