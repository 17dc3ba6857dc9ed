"""Driver cards: one for each site, in plain words for people with cold hands."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.rules import KEEP_OFF
from combust.domain.limits import cautions

COLUMNS = (
    "vehicle_id",
    "heater",
    "compensation",
    "decision",
    "cap_at_low_stage",
    "heat_short",
    "battery",
    "fuel_grade",
    "altitude_m",
    "design_temp_c",
    "mildest_use_temp_c",
    "cab_temp_reached_full_c",
    "o2_dry_pct",
    "o2_dry_full_pct",
    "fuel_l_per_night",
)
MOST_NAMES = 12


def site_cards(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one card a site: ``site_id, title, lines``; a line that keeps a heater off stands first."""
    columns = {name: frame[name].to_numpy(dtype=object) for name in COLUMNS}
    rows = frame.groupby("site_id", sort=False).indices
    return [_card(str(site), {name: values[at] for name, values in columns.items()}) for site, at in rows.items()]


def _card(site: str, part: dict[str, Any]) -> dict[str, Any]:
    off = np.isin(part["decision"].astype(str), KEEP_OFF)
    on = ~off
    cold_night = part["design_temp_c"][0]
    lines = []
    if off.any():
        why = "The unit's own document does not cover this height as it is fitted."
        lines.append(f"HEATER OFF here: {_names(part, off)}. {why}")
    if on.any():
        lines.append(f"Heater allowed here by the unit's own limit: {_names(part, on)}.")
        lines += _numbers(part, on)
    smoky = on & (part["decision"] == "watch")
    if smoky.any():
        names = _names(part, smoky)
        lines.append(f"On mild nights {names} can smoke. Watch the exhaust: dark smoke or a smell means heater off.")
        capped = smoky & part["cap_at_low_stage"].astype(bool)
        if capped.any():
            lines.append(f"On mild nights keep {_names(part, capped)} on low heat.")
    chilly = on & part["heat_short"].astype(bool)
    if chilly.any():
        lines.append(
            f"On the coldest night the cab of {_names(part, chilly)} reaches about "
            f"{min(part['cab_temp_reached_full_c'][chilly]):.0f} °C. Put up the curtain, take the warm sleeping bag."
        )
    if (part["fuel_grade"] == "below").any():
        lines.append(f"Fuel sold here can wax at {cold_night:.0f} °C. Bring winter fuel.")
    elif (part["fuel_grade"] == "marginal").any():
        lines.append(f"Fuel sold here only just stands {cold_night:.0f} °C. Better bring winter fuel.")
    weak = on & (part["battery"] == "too_small")
    if weak.any():
        lines.append(f"The battery of {_names(part, weak)} may not last the night. Start with it full.")
    lines += cautions()
    title = f"{site}: {part['altitude_m'][0]:.0f} m, {cold_night:.0f} to {part['mildest_use_temp_c'][0]:.0f} °C"
    return {"site_id": site, "title": title, "lines": lines}


def _numbers(part: dict[str, Any], on: Any) -> list[str]:
    """Return the gas the analyser should show here, by dry-air density alone and in full, and the fuel to bring."""
    lines = []
    kinds = dict.fromkeys(zip(part["heater"][on], part["compensation"][on], strict=True))
    for heater, compensation in kinds:
        if compensation != "none":
            lines.append(f"{heater} with its {compensation} compensation should read as at home.")
            continue
        row = int(np.flatnonzero(on & (part["heater"] == heater) & (part["compensation"] == compensation))[0])
        told = [one for one in (part["o2_dry_pct"][row], part["o2_dry_full_pct"][row]) if one == one]
        if told:
            band = f"{min(told):.1f} to {max(told):.1f}" if max(told) - min(told) >= 0.05 else f"{told[0]:.1f}"
            night = f"{part['design_temp_c'][row]:.0f} °C night"
            lines.append(f"{heater} at full heat on a {night}: O2 of {band} % belongs to the height.")
    most = max(part["fuel_l_per_night"][on])
    lines.append(f"Heater fuel for the coldest night: up to {most:.1f} l for each vehicle.")
    return lines


def _names(part: dict[str, Any], where: Any) -> str:
    names = [str(name) for name in part["vehicle_id"][where]]
    more = len(names) - MOST_NAMES
    return ", ".join(names) if more <= 0 else f"{', '.join(names[:MOST_NAMES])} and {more} more"
