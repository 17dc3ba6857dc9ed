"""Who needs a compensation kit by three counting rules, the safety state of each vehicle, its reason in a sentence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from combust.application.fleet.decisions import DECISIONS, KEEP_OFF, SUPPLIES, UNKNOWN
from combust.application.fleet.nights import NIGHTS, as_typed
from combust.application.fleet.policy import Policy
from combust.application.site.findings import ACCOUNTS
from combust.domain.limits import finding
from combust.domain.result import many
from combust.domain.safety import STATES, Safety, calculation, of_all, ranks_of

RULES = ("heater_limit", "design_night", "mildest_night")


def rule_columns(frame: pd.DataFrame, policy: Policy) -> dict[str, Any]:
    """Return the counting rules of each vehicle: its limit, each lambda at two nights; and where the lambdas differ."""
    limit = frame["heater_altitude_limit_m"].to_numpy()
    height, minimum = frame["altitude_m"].to_numpy(), frame["minimum_air_ratio"].to_numpy()
    out: dict[str, Any] = {
        "needed_by_heater_limit": np.where(np.isnan(limit), "unknown", np.where(height > limit, "yes", "no"))
    }
    flips = np.full(len(frame), "", dtype=object)
    for night, suffix, _ in NIGHTS:
        gaps = np.stack([frame[account + suffix].to_numpy() - minimum for account in ACCOUNTS])
        for account, gap in zip(ACCOUNTS, gaps, strict=True):
            short = account.removeprefix("air_ratio").strip("_") or "dry_air"
            answer = np.where(gap < 0.0, "yes", "no")
            out[f"needed_by_{night}_{short}"] = np.where(abs(gap) <= policy["borderline_margin"], "borderline", answer)
        differs = (gaps < 0.0).any(axis=0) & (gaps >= 0.0).any(axis=0)
        flips = flips + np.where(differs, f" {night}", "")
    return out | {"flips_between_lambdas": [both.strip() for both in flips]}


def counts_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Return how many vehicles need a kit by each rule and lambda, side by side."""
    counts = frame.filter(like="needed_by_").apply(pd.Series.value_counts).T
    counts = counts.reindex(columns=["yes", "borderline", "no", "unknown"]).fillna(0).astype(int)
    names = counts.index.str.extract(f"needed_by_({'|'.join(RULES)})_?(.*)")
    counts.insert(0, "rule", names[0].to_numpy())
    counts.insert(1, "air_ratio_by", names[1].replace("", "-").to_numpy())
    return counts.assign(vehicles=len(frame)).reset_index(drop=True)


def stays_off(frame: pd.DataFrame) -> Any:
    """Return where the heater must stay off at its site as things stand."""
    return frame["decision"].isin(KEEP_OFF).to_numpy(dtype=bool)


def state_columns(frame: pd.DataFrame) -> dict[str, Any]:
    """Return the safety state of each vehicle where it stands, by the limits of its heater."""
    return {"safety": np.array(STATES)[ranks_of(_found(frame))]}


def _found(frame: pd.DataFrame) -> dict[str, Any]:
    below = frame["margin_air_ratio"].to_numpy() < 0.0
    return {"above_heater_limit": stays_off(frame), "air_ratio_below_minimum": below, "calculation_only": True}


def richer_than_air(frame: pd.DataFrame) -> Any:
    """Return where lambda is 1 or below on the design night in one of the three accounts, with nothing fitted."""
    lowest = frame[list(ACCOUNTS)].min(axis=1).to_numpy()
    return (lowest <= 1.0) & (frame["compensation"] == "none").to_numpy()


def without_trims(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the vehicles as they are told: the safety state first, no trim where the heater stays off."""
    trims = [name for name in frame if "_trim_" in name and name.endswith("_pct") and "limit" not in name]
    shown = frame.assign(**{name: frame[name].where(frame["safety"] != "heater_off") for name in trims})
    return shown[["safety", *shown.columns.drop("safety")]]


def plan_safety(frame: pd.DataFrame, refused: int) -> Safety:
    """Return the safety state of a whole plan: how many heaters stay off, how many run short of air, refused rows."""
    found = []
    for code, state in (("vehicles_off", "heater_off"), ("vehicles_watch", "outdoors_only")):
        count = int((frame["safety"] == state).sum())
        found += [finding(code, count=count, vehicles=many(len(frame), "vehicle"))] if count else []
    return of_all([calculation(*found)], refused=refused)


# What each part of the sentence depends on: where and how it is fitted gives every number but those of cab and battery.
PLACE = ["site_id", "heater", "decision", "compensation", "compensation_limit_m", "blower_trim_limit_pct"]


def reasons(frame: pd.DataFrame) -> list[str]:
    """Return one plain sentence for each vehicle: decision, why, and the margin.

    Each part is worked once for each different set of numbers as they are shown: a large fleet has few of them.
    """
    said = {code: text.removesuffix(": see the reason") for code, text in DECISIONS.items()}
    parts = [
        ([*PLACE, "battery_v"], _height),
        (PLACE, _air_ratio),
        (["cap_at_low_stage", "air_ratio_low_stage_lowest", "cab_temp_low_stage_c"], _low_stage),
        *SUPPLY,
        ([column for column, _ in UNKNOWN], _lacking),
    ]
    alike = [_alike(frame, columns) for columns, _ in parts]
    needed = np.unique(np.concatenate([first for _, first in alike]))
    rows = dict(zip(needed.tolist(), frame.iloc[needed].itertuples(index=False), strict=True))
    told = []
    for (_, tell), (codes, first) in zip(parts, alike, strict=True):
        texts = ["; ".join(tell(rows[at])) for at in first.tolist()]
        told.append([texts[code] for code in codes.tolist()])
    return [
        f"{said[code][0].upper()}{said[code][1:]}: {'; '.join(filter(None, found))}."
        for code, *found in zip(frame["decision"].tolist(), *told, strict=True)
    ]


def _alike(frame: pd.DataFrame, columns: list[str]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the group of each vehicle and the first of each group: numbers that are shown alike are told once."""
    digits = {column: SHOWN_DIGITS[column] for column in columns if column in SHOWN_DIGITS}
    codes = frame[columns].round(digits).groupby(columns, sort=False, dropna=False).ngroup().to_numpy()
    return codes, np.unique(codes, return_index=True)[1]


def _height(row: Any) -> list[str]:
    limit, kit_limit = row.heater_altitude_limit_m, row.compensation_limit_m
    place = f"{row.altitude_m:.0f} m at {row.site_id}"
    if row.decision == "wrong_voltage":
        place = f"battery of {row.battery_v:g} V, heater of {row.heater_nominal_v:g} V; {place}"
    if np.isnan(limit):
        return [f"{place}; the heater's own altitude limit is not entered"]
    gap = row.altitude_m - limit
    parts = [f"{place} is {abs(gap):.0f} m {'above' if gap > 0 else 'below'} the heater's own limit of {limit:.0f} m"]
    kit = "a compensation kit" if row.compensation == "none" else f"its {row.compensation} compensation"
    if row.decision == "check_document":
        parts.append(f"up to where its document allows it with {kit} is not entered")
    elif gap > 0 and kit_limit <= limit:
        parts.append("its document allows no compensation")
    elif gap > 0 and not np.isnan(kit_limit):
        parts.append(f"with {kit} the limit is {kit_limit:.0f} m")
    return parts


def _air_ratio(row: Any) -> list[str]:
    text = {
        "held": f"lambda held at {row.base_air_ratio:.2f} by its {row.compensation} compensation; without it ",
        "in_part": f"its blower has {row.blower_trim_limit_pct:.0f} % of speed left; without it ",
        "unknown": "how much speed its blower has left is not entered; without it ",
        "not_fitted": "",
    }[row.air_ratio_held]
    margin = "not known" if np.isnan(row.margin_air_ratio) else f"{row.margin_air_ratio:+.2f}"
    lowest = row.air_ratio_full_season_lowest
    parts = [
        f"{text}full lambda {row.air_ratio_full:.2f} on the design night, lowest {lowest:.2f} at "
        f"{row.season_lowest_at_c:.0f} °C, minimum {row.minimum_air_ratio:.2f} (margin as fitted {margin})"
    ]
    if row.compensation == "none" and min(getattr(row, name) for name in ACCOUNTS) <= 1.0:
        parts.append("lambda is 1 or below on the design night: more fuel than the air can burn")
    return parts


def _low_stage(row: Any) -> list[str]:
    if not row.cap_at_low_stage:
        return []
    return [
        f"until it is trimmed only on the low stage (lambda about {row.air_ratio_low_stage_lowest:.2f} there): "
        f"{low_stage_cab(row.cab_temp_low_stage_c)}"
    ]


def low_stage_cab(temp_c: float) -> str:
    """Return what the low stage gives on the coldest night, or that the profile has no heat of that stage."""
    if np.isnan(temp_c):
        return "how warm the cab then gets is not known, the profile has no heat of that stage"
    return f"the cab then reaches about {round(temp_c)} °C on the coldest night"


def _cab(row: Any) -> list[str]:
    words = SUPPLIES["cab", "cold"]
    told = f"{words} with lambda kept, {row.cab_temp_reached_full_c:.1f} of {row.cab_target_c:.0f} °C"
    return [told] if row.cab == "cold" else []


def _fuel_grade(row: Any) -> list[str]:
    words = SUPPLIES.get(("fuel_grade", row.fuel_grade))
    point, night = as_typed(row.cold_filter_plugging_c), as_typed(row.design_temp_c)
    return [f"{words}, plugging point {point} °C, night {night} °C"] if words else []


def _battery(row: Any) -> list[str]:
    words, share = SUPPLIES["battery", "too_small"], 100 * row.battery_share_of_usable
    return (
        [f"{words}, a night takes {share:.0f} % of the charge there in the cold"] if row.battery == "too_small" else []
    )


def _lacking(row: Any) -> list[str]:
    lacking = [words for key, words in UNKNOWN.items() if getattr(row, key[0]) == key[1]]
    return [f"not entered: {', '.join(lacking)}"] if lacking else []


SHOWN_DIGITS = {"cab_temp_reached_full_c": 1, "cab_temp_low_stage_c": 0, "battery_share_of_usable": 2}
SUPPLY: tuple[tuple[list[str], Callable[[Any], list[str]]], ...] = (
    (["cab", "cab_temp_reached_full_c", "cab_target_c"], _cab),
    (["fuel_grade", "cold_filter_plugging_c", "design_temp_c"], _fuel_grade),
    (["battery", "battery_share_of_usable"], _battery),
)
