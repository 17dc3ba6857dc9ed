"""Who needs a compensation kit, by three counting rules, and the decision for each vehicle with reason and margin.

The heater's own altitude limit decides. Lambda shows how much margin there is and why; it never permits anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.nights import NIGHTS, heat_short
from combust.application.fleet.policy import Policy
from combust.application.safety import own_limits
from combust.application.site.findings import ACCOUNTS
from combust.domain.limits import finding
from combust.domain.safety import STATES, Safety, calculation, forbids, of_all, ranks_of

RULES = ("heater_limit", "design_night", "mildest_night")
DECISIONS = {
    "as_is": "runs as it is",
    "trim_first": "within the heater's own limit, but lambda falls below the minimum: not to be run untrimmed here",
    "look_up": "the heater's own altitude limit is not entered: look it up in its document before the heater runs here",
    "compensate": "needs a compensation kit that its own document allows; heater off here until then",
    "compensated": "compensation fitted, within the limit of its document",
    "check_document": "limit with compensation is not entered: read the heater's document; heater off here until then",
    "limit_missing": "the heater's own altitude limit is not entered: read its document; heater off here until then",
    "barred": "above the limit of the heater even with its compensation: heater off here",
}

KEEP_OFF = ("compensate", "check_document", "limit_missing", "barred")


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


def decision_columns(frame: pd.DataFrame, policy: Policy) -> dict[str, Any]:
    """Return decision, margins, and what else is wrong, for each vehicle."""
    height, limit = frame["altitude_m"].to_numpy(), frame["heater_altitude_limit_m"].to_numpy()
    fitted = frame["compensation"].to_numpy() != "none"
    fitted_limit = frame["compensation_limit_m"].to_numpy(dtype=float)
    lowest = np.minimum(frame["air_ratio_full_season_lowest"].to_numpy(), frame["air_ratio_full"].to_numpy())
    # What is fitted holds lambda at the baseline's; without it lambda follows the air.
    lowest = np.where(fitted, frame["base_air_ratio"].to_numpy(), lowest)
    margin = lowest - frame["minimum_air_ratio"].to_numpy()
    beyond = own_limits(height_m=height, height_limit_m=limit, height_judged=True)
    above = beyond["above_heater_limit"]
    decision = np.select(
        [
            beyond["heater_limit_missing_high"],
            above & ~fitted,
            above & fitted & np.isnan(fitted_limit),
            above & fitted & (height > fitted_limit),
            above & fitted,
            ~fitted & (margin < 0.0),
            beyond["heater_limit_unknown"],
        ],
        ["limit_missing", "compensate", "check_document", "barred", "compensated", "trim_first", "look_up"],
        default="as_is",
    )
    low_stage_holds = frame["air_ratio_low_stage_lowest"].to_numpy() >= frame["minimum_air_ratio"].to_numpy()
    return {
        "decision": decision,
        "margin_m": np.where(above & fitted & ~np.isnan(fitted_limit), fitted_limit, limit) - height,
        "margin_air_ratio": margin,
        "cap_at_low_stage": (decision == "trim_first") & low_stage_holds,
        "heat_short": heat_short(frame, policy),
        "shorten_service": ~fitted & (frame["nights_below_service_air_ratio"].to_numpy() > policy["service_nights"]),
    }


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


def gets_worse(there: pd.DataFrame, here: pd.DataFrame) -> Any:
    """Return where a vehicle is worse off there than here: its state, or it would run there with a lambda too low."""
    worse = ranks_of(_found(there)) > ranks_of(_found(here))
    newly_low = (there["margin_air_ratio"].to_numpy() < 0.0) & (here["margin_air_ratio"].to_numpy() >= 0.0)
    newly_rich = richer_than_air(there) & ~richer_than_air(here)
    return worse | (~stays_off(there) & (newly_low | newly_rich))


def without_trims(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the vehicles as they are told: the safety state first, no trim where the heater stays off."""
    trims = [name for name in frame if "_trim_" in name and name.endswith("_pct") and "limit" not in name]
    shown = frame.assign(**{name: frame[name].where(frame["safety"] != "heater_off") for name in trims})
    return shown[["safety", *shown.columns.drop("safety")]]


def may_burn(frame: pd.DataFrame) -> Any:
    """Return where the heater may burn at its site, so that what needs that may be listed."""
    return ~forbids(_found(frame), ("burning",))


def plan_safety(frame: pd.DataFrame, refused: int) -> Safety:
    """Return the safety state of a whole plan: how many heaters stay off, how many run short of air, refused rows."""
    found = []
    for code, state in (("vehicles_off", "heater_off"), ("vehicles_watch", "outdoors_only")):
        count = int((frame["safety"] == state).sum())
        found += [finding(code, count=count, vehicles=len(frame))] if count else []
    return of_all([calculation(*found)], refused=refused)


# What the sentence depends on: where and how it is fitted gives every number but those of the cab and the battery.
REASON_COLUMNS = [
    "site_id",
    "heater",
    "compensation",
    "compensation_limit_m",
    "heat_short",
    "cab_temp_reached_full_c",
    "cab_target_c",
    "battery",
    "battery_share_of_usable",
]


def reasons(frame: pd.DataFrame) -> list[str]:
    """Return one plain sentence for each vehicle: decision, why, and the margin.

    Worked once for each different set of numbers as they are shown: a large fleet has few of them.
    """
    shown = frame[REASON_COLUMNS].round({"cab_temp_reached_full_c": 1, "battery_share_of_usable": 2})
    codes = shown.groupby(REASON_COLUMNS, sort=False, dropna=False).ngroup().to_numpy()
    first = np.unique(codes, return_index=True)[1]
    texts = [_reason(row) for row in frame.iloc[first].itertuples(index=False)]
    return [texts[code] for code in codes.tolist()]


def _reason(row: Any) -> str:
    limit = row.heater_altitude_limit_m
    place = f"{row.altitude_m:.0f} m at {row.site_id}"
    if np.isnan(limit):
        text = f"{place}; the heater's own altitude limit is not entered"
    elif row.decision in ("as_is", "trim_first"):
        text = f"{place} is {limit - row.altitude_m:.0f} m below the heater's own limit of {limit:.0f} m"
    else:
        text = f"{place} is {row.altitude_m - limit:.0f} m above the heater's own limit of {limit:.0f} m"
    if row.decision in ("compensated", "barred"):
        text += f"; with its {row.compensation} compensation the limit is {row.compensation_limit_m:.0f} m"
    if row.compensation != "none":
        text += f"; lambda held at {row.base_air_ratio:.2f} by its {row.compensation} compensation; without it"
    else:
        text += ";"
    text += (
        f" full lambda {row.air_ratio_full:.2f} on the design night, lowest {row.air_ratio_full_season_lowest:.2f} at "
        f"{row.season_lowest_at_c:.0f} °C, minimum {row.minimum_air_ratio:.2f} (margin {row.margin_air_ratio:+.2f})"
    )
    if row.compensation == "none" and min(getattr(row, name) for name in ACCOUNTS) <= 1.0:
        text += "; lambda is 1 or below on the design night: more fuel than the air can burn"
    if row.cap_at_low_stage:
        text += f"; until it is trimmed only on the low stage (lambda about {row.air_ratio_low_stage_lowest:.2f} there)"
    if row.heat_short:
        text += f"; with lambda kept the cab reaches {row.cab_temp_reached_full_c:.1f} of {row.cab_target_c:.0f} °C"
    if row.battery == "too_small":
        text += f"; a night takes {100 * row.battery_share_of_usable:.0f} % of the charge that is there in the cold"
    if row.fuel_grade in ("below", "marginal"):
        text += f"; fuel {row.fuel_grade} its cold-filter-plugging point of {row.cold_filter_plugging_c:.0f} °C"
    return f"{DECISIONS[row.decision][0].upper()}{DECISIONS[row.decision][1:]}: {text}."
