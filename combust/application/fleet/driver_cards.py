"""Driver cards: one for each site, in plain words for people with cold hands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from combust.application.fleet.decisions import KEEP_OFF
from combust.application.fleet.nights import as_typed
from combust.application.fleet.overview import light
from combust.application.fleet.rules import low_stage_cab, richer_than_air
from combust.application.site.findings import ACCOUNTS
from combust.domain.limits import cautions

CARD_COLUMNS = [
    "site_id", "vehicle_id", "heater", "decision", "compensation", "altitude_m", "design_temp_c", "mildest_use_temp_c",
    *ACCOUNTS, "cap_at_low_stage", "cab_temp_low_stage_c", "fuel_when", "fuel_l_per_night", "heat_short",
    "cab_temp_reached_full_c", "fuel_grade", "battery", "o2_dry_pct", "o2_dry_full_pct",
]  # fmt: skip
NOT_COVERED = "The heater's own document does not cover this height as it is fitted."
WHY_OFF = {
    "stopped": "A stop condition stands in its history: do not switch it on until it was mended and read again.",
    "barred": "The heater's own document does not cover this height, with a kit or without.",
    "wrong_voltage": "Battery and heater are of different voltage: do not switch it on.",
    "no_kit_left": "It would need a compensation kit, and none is left for it this season.",
    "limit_missing": "No altitude limit was entered: read the heater's own document first.",
    "check_document": "No limit with the compensation was entered: read the heater's own document first.",
}


def site_cards(frame: pd.DataFrame, folded: Callable[[str], str]) -> list[dict[str, Any]]:
    """Return one card a site: ``site_id, title, lines``; a line that keeps a heater off stands first.

    Names of vehicles or sites that ``folded`` makes equal are told on each card where one of them stands.
    """
    sites, keys = frame["site_id"].drop_duplicates(), frame["vehicle_id"].map(folded)
    site_keys = {one: folded(one) for one in sites}
    again = keys.duplicated(keep=False)
    near, keys = frame[again], keys[again]
    cards = []
    for site, part in light(frame[CARD_COLUMNS]).groupby("site_id", sort=False):
        card = _card(str(site), part)
        mine = keys[near["site_id"] == site].drop_duplicates()
        told = [near[keys == key] for key in mine]
        lines = [f"Names nearly alike, read yours letter by letter: {_with_site(alike)}." for alike in told]
        twins = [str(one) for one in sites if one != site and site_keys[one] == site_keys[site]]
        if twins:
            lines.insert(
                0, f"There is another site of nearly this name: {', '.join(twins)}. Be sure which one is meant."
            )
        cards.append({**card, "lines": [*lines, *card["lines"]]})
    return cards


def refused_card(refused: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a card for the vehicles that are not planned, by name; none where every row was planned."""
    if refused.empty:
        return []
    who = ", ".join(f"{row.vehicle_id or 'no name'} (row {row.row})" for row in refused.itertuples(index=False))
    lines = [f"HEATER OFF until its row of the table is mended: {who}. Nothing is known of these heaters.", *cautions()]
    return [{"site_id": "", "title": "Not planned", "lines": lines}]


def _with_site(part: pd.DataFrame) -> str:
    return "; ".join(
        f"{row.vehicle_id} at {row.site_id} ({'HEATER OFF' if row.decision in KEEP_OFF else 'see its line'})"
        for row in part.itertuples(index=False)
    )


def _card(site: str, part: pd.DataFrame) -> dict[str, Any]:
    barred = part["decision"].isin(KEEP_OFF)
    off, on = part[barred], part[~barred]
    first = part.iloc[0]
    cold_night = as_typed(first["design_temp_c"])
    lines = []
    for why, alike in off.groupby(off["decision"].map(WHY_OFF).fillna(NOT_COVERED), sort=False):
        lines.append(f"HEATER OFF here: {_names(alike)}. {why}")
    if len(off):
        lines.append(
            f"A cab whose heater is off has no heat, {cold_night} °C on the coldest night: agree where to sleep before "
            "you go. No stove, grill or running engine to warm a cab: carbon monoxide."
        )
    smoky = on["decision"] == "trim_first"
    lines += _smoky(on[smoky])
    unknown, known = on[on["decision"] == "look_up"], on[~on["decision"].isin(["trim_first", "look_up"])]
    if len(unknown):
        lines.append(
            f"No altitude limit was entered for {_names(unknown)}: look it up in the heater's own document first."
        )
    if len(known):
        lines.append(f"Heater allowed here by the heater's own limit: {_names(known)}.")
        lines += _numbers(known)
    burning = on[on["fuel_when"] == "now"]
    if len(burning):
        most = burning["fuel_l_per_night"].max()
        lines.append(f"Heater fuel for the coldest night: up to {most:.1f} l for each vehicle that runs.")
    chilly = on[on["heat_short"]]
    if len(chilly):
        lines.append(
            f"On the coldest night the cab of {_names(chilly)} reaches about "
            f"{chilly['cab_temp_reached_full_c'].min():.0f} °C. Put up the curtain, take the warm sleeping bag."
        )
    if (on["fuel_grade"] == "below").any():
        lines.append(f"Fuel sold here can wax at {cold_night} °C. Bring winter fuel.")
    elif (on["fuel_grade"] == "marginal").any():
        lines.append(f"Fuel sold here only just stands {cold_night} °C. Better bring winter fuel.")
    weak = on[on["battery"] == "too_small"]
    if len(weak):
        lines.append(f"The battery of {_names(weak)} may not last the night. Start with it full.")
    lines += cautions()
    title = f"{site}: {first['altitude_m']:.0f} m, {cold_night} to {as_typed(first['mildest_use_temp_c'])} °C"
    return {"site_id": site, "title": title, "lines": lines}


def _smoky(smoky: pd.DataFrame) -> list[str]:
    """Return what is told of heaters within their limit for which the air is too thin untrimmed."""
    if not len(smoky):
        return []
    lines = [
        f"Do not run untrimmed here: {_names(smoky)}. The air is too thin for the full fuel: soot and carbon monoxide. "
        "Dark smoke or a smell means heater off."
    ]
    rich, capped = smoky[richer_than_air(smoky)], smoky[smoky["cap_at_low_stage"]]
    if len(rich):
        cold = as_typed(rich["design_temp_c"].iloc[0])
        lines.append(f"Even on a {cold} °C night {_names(rich)} has more fuel than the air can burn.")
    if len(capped):
        warmth = low_stage_cab(capped["cab_temp_low_stage_c"].min(skipna=False))
        lines.append(f"Until the fuel is trimmed keep {_names(capped)} on low heat: {warmth}.")
    return lines


def _numbers(on: pd.DataFrame) -> list[str]:
    """Return the gas the analyser should show here, by dry-air density alone and in full."""
    lines = []
    for (heater, compensation), alike in on.groupby(["heater", "compensation"], sort=False):
        if compensation != "none":
            lines.append(f"{heater} with its {compensation} compensation should read as at home.")
            continue
        row = alike.iloc[0]
        shown = [one for one in (row["o2_dry_pct"], row["o2_dry_full_pct"]) if one == one]
        if shown:
            band = f"{min(shown):.1f} to {max(shown):.1f}" if max(shown) - min(shown) >= 0.05 else f"{shown[0]:.1f}"
            night = f"{as_typed(row['design_temp_c'])} °C night"
            lines.append(f"{heater} at full heat on a {night}: O2 of {band} % belongs to the height.")
    return lines


def _names(part: pd.DataFrame) -> str:
    return ", ".join(part["vehicle_id"].astype(str))
