"""What is decided for each vehicle, how sure that is, and what else is wrong: one function on columns.

The heater's own altitude limit decides. Lambda shows how much margin there is and why; it never permits anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import heat_short, kept_heat
from combust.application.fleet.policy import Policy
from combust.application.safety import own_limits
from combust.kernel.air import pressure_from_altitude
from combust.kernel.cab import cab_temperature_reached

DECISIONS = {
    "as_is": "runs as it is: height, lambda, cab, fuel and battery in order",
    "compensated": "compensation fitted, within the limit of its document, the rest in order",
    "runs_but": "runs, but cab, fuel or battery is not in order: see the reason",
    "not_all_known": "runs, nothing found against it, but not all was entered: see the reason",
    "trim_first": "within the limit of its document, but lambda falls below the minimum: not to be run untrimmed here",
    "look_up": "the heater's own altitude limit is not entered: look it up in its document before the heater runs here",
    "compensate": "needs a compensation kit that its own document allows; heater off here until then",
    "no_kit_left": "needs a compensation kit and gets none within the number or the budget: heater off here all season",
    "check_document": "limit with compensation is not entered: read the heater's document; heater off here until then",
    "limit_missing": "the heater's own altitude limit is not entered: read its document; heater off here until then",
    "wrong_voltage": "battery and heater differ in voltage: heater off until the entry or the vehicle is corrected",
    "stopped": "a stop condition stands in its history: heater off until it is mended and read again",
    "barred": "above the limit of the heater even with a compensation of its document: heater off here",
}
RUNS = ("as_is", "compensated", "runs_but", "not_all_known")
KEEP_OFF = ("compensate", "no_kit_left", "check_document", "limit_missing", "wrong_voltage", "barred", "stopped")
NOT_ENTERED = ("look_up", "check_document", "limit_missing")
SURENESS = {
    "sure": "holds for every swing that was tried",
    "likely": "weather or another baseline could turn it",
    "open": "within its own uncertainty: measure before money is spent",
    "unknown": "a limit was not entered",
}
FUEL_WHEN = {  # when the litres of a vehicle are burnt
    "now": "fuel in a season, heaters that may run now [l]",
    "with_kit": "more fuel once the kits are fitted [l]",
    "look_up": "more fuel of heaters whose limit must be looked up first [l]",
    "off": "fuel of heaters that stay off [l]",
}
SUPPLIES = {  # what else is not in order, by column and value
    ("cab", "cold"): "the cab stays cold",
    ("fuel_grade", "below"): "the fuel waxes",
    ("fuel_grade", "marginal"): "the fuel only just stands the cold",
    ("battery", "too_small"): "the battery is too small",
}
UNKNOWN = {
    ("fuel_grade", "unknown"): "the plugging point of the fuel",
    ("battery", "unknown"): "battery charge or voltage",
    ("air_ratio_held", "unknown"): "how far the blower reaches",
}
BY_LAMBDA, BY_HEIGHT = "lambda less its minimum", "metres to the limit"


def decision_columns(frame: pd.DataFrame, policy: Policy) -> dict[str, Any]:
    """Return decision, margins, and what else is wrong, for each vehicle."""
    held, lowest, width = _lowest(frame)
    margin = lowest - frame["minimum_air_ratio"].to_numpy()
    height, limit = frame["altitude_m"].to_numpy(), frame["heater_altitude_limit_m"].to_numpy()
    verdict = _verdict(frame, height, margin)
    off, looked_up = np.isin(verdict, KEEP_OFF), verdict != "look_up"
    cab = np.where(heat_short(frame, policy), "cold", "warm")
    cab = np.where(off, "off", np.where(looked_up, cab, "unknown"))
    columns = {"cab": cab, "air_ratio_held": held, "battery": frame["battery"], "fuel_grade": frame["fuel_grade"]}
    wrong, unknown = (
        np.any([np.asarray(columns[name]) == value for name, value in table], axis=0) for table in (SUPPLIES, UNKNOWN)
    )
    runs = np.select([wrong, unknown, verdict == "compensated"], ["runs_but", "not_all_known", "compensated"], "as_is")
    decision = np.where(np.isin(verdict, RUNS), runs, verdict)
    kit_limit = frame["compensation_limit_m"].to_numpy(dtype=float)
    by_kit = (height > limit) & ~np.isnan(kit_limit) & ((_fitted(frame)) | (decision == "barred"))
    low_holds = frame["air_ratio_low_stage_lowest"].to_numpy() >= frame["minimum_air_ratio"].to_numpy()
    when = np.select([decision == "compensate", off, ~looked_up], ["with_kit", "off", "look_up"], "now")
    nights = frame["nights_below_service_air_ratio"].to_numpy()
    litres = ("fuel_l_per_night", "fuel_l_per_season", "fuel_l_per_season_all_design")
    return {
        "decision": decision,
        "margin_m": np.where(by_kit, np.fmax(kit_limit, limit), limit) - height,
        "margin_air_ratio": margin,
        "margin_air_ratio_u": width,
        "air_ratio_held": held,
        "cab": cab,
        "heat_short": cab == "cold",
        "cap_at_low_stage": (decision == "trim_first") & low_holds,
        "fuel_when": when,
        **{key: np.where(when == "off", 0.0, frame[key].to_numpy()) for key in litres},
        "shorten_service": ~_fitted(frame) & np.isin(decision, RUNS) & (nights > policy["service_nights"]),
    }


def _fitted(frame: pd.DataFrame) -> Any:
    return frame["compensation"].to_numpy() != "none"


def _lowest(frame: pd.DataFrame, **swung: Any) -> tuple[Any, Any, Any]:
    """Return (who holds lambda, the lowest full lambda of the season as fitted, its standard uncertainty).

    A trim of the fuel and an automatic compensation hold lambda at the baseline's. A blower holds it as far as its
    speed reaches, air following speed; of a blower whose reach is not known nothing is claimed where it is needed.
    """
    free, width = lowest_untrimmed(frame)
    free, base = swung.get("free", free), swung.get("base", frame["base_air_ratio"].to_numpy())
    fitted, reach = frame["compensation"].to_numpy(), frame["blower_trim_limit_pct"].to_numpy(dtype=float)
    lowest = air_ratio_as_fitted(free, base, frame["minimum_air_ratio"].to_numpy(), fitted, reach)
    relative = np.where(np.isin(fitted, ("fuel", "automatic")), frame["base_air_ratio_u"] / base, width / free)
    reached = np.minimum(free * (1.0 + reach / 100.0), base)
    held = np.select(
        [fitted == "none", np.isnan(lowest), (fitted == "blower") & (reached < base - 1e-9)],
        ["not_fitted", "unknown", "in_part"],
        default="held",
    )
    return held, lowest, lowest * relative


def air_ratio_as_fitted(free: Any, base: Any, minimum: Any, fitted: Any, reach_pct: Any) -> Any:
    """Return lambda as fitted from lambda with nothing fitted [-]; NaN where a blower of unknown reach is needed.

    See :func:`_lowest` for what each compensation holds.
    """
    reached = np.minimum(free * (1.0 + reach_pct / 100.0), base)
    unknown = (fitted == "blower") & np.isnan(reach_pct)
    return np.select(
        [np.isin(fitted, ("fuel", "automatic")), unknown & ~(free >= minimum), unknown, fitted == "blower"],
        [np.broadcast_to(base, np.shape(free)), np.nan, free, reached],
        default=free,
    )


def lowest_untrimmed(frame: pd.DataFrame) -> tuple[Any, Any]:
    """Return (lowest full lambda of design night and season with nothing fitted, its standard uncertainty)."""
    season, design = frame["air_ratio_full_season_lowest"].to_numpy(), frame["air_ratio_full"].to_numpy()
    widths = frame["air_ratio_full_season_lowest_u"].to_numpy(), frame["air_ratio_full_u"].to_numpy()
    return np.minimum(season, design), np.where(season <= design, *widths)


def _verdict(frame: pd.DataFrame, height: Any, margin: Any) -> Any:
    """Return the decision by voltage, height and lambda alone; cab, fuel and battery do not count yet."""
    limit, kit_limit = frame["heater_altitude_limit_m"].to_numpy(), frame["compensation_limit_m"].to_numpy(dtype=float)
    fitted = _fitted(frame)
    beyond = own_limits(height_m=height, height_limit_m=limit, height_judged=True)
    above = beyond["above_heater_limit"]
    return np.select(
        [
            frame["stopped"].to_numpy(dtype=bool),
            frame["battery"].to_numpy() == "wrong_voltage",
            beyond["heater_limit_missing_high"],
            above & np.isnan(kit_limit),
            above & (height > kit_limit),
            above & ~fitted,
            margin < 0.0,
            beyond["heater_limit_unknown"],
            above,
        ],
        ["stopped", "wrong_voltage", "limit_missing", "check_document", "barred", "compensate", "trim_first", "look_up",
         "compensated"],
        default="as_is",
    )  # fmt: skip


def sensitivity_frame(frame: pd.DataFrame, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return every answer that flips when one input is a little different, one row a vehicle and swing.

    What is asked: may it run here (by the rule that decides: the heater's own limit in metres, or the lowest lambda of
    the season as fitted), and does the cab stay cold with lambda kept. The weather moves no limit in metres.
    """
    parts: list[pd.DataFrame] = []
    _, lowest, _ = _lowest(frame)
    height, minimum = frame["altitude_m"].to_numpy(), frame["minimum_air_ratio"].to_numpy()
    verdict = _verdict(frame, height, lowest - minimum)
    season, design = frame["air_ratio_full_season_lowest"].to_numpy(), frame["air_ratio_full"].to_numpy()
    coldest = np.where(season <= design, frame["season_lowest_at_c"].to_numpy(), frame["design_temp_c"].to_numpy())
    pressure, base = frame["pressure_hpa"].to_numpy(), frame["base_air_ratio"].to_numpy()
    metres = np.where(
        np.isin(verdict, ("compensated", "barred")), frame["compensation_limit_m"], frame["heater_altitude_limit_m"]
    )

    def tell(swing: str, asked: str, by: Any, values: tuple[Any, Any], answers: tuple[Any, Any]) -> None:
        rows = np.flatnonzero(answers[0] != answers[1])
        told = {"swing": swing, "decision": asked, "vehicle_id": frame["vehicle_id"].to_numpy()[rows]}
        told["by"] = np.broadcast_to(by, len(frame))[rows]
        for way, value, answer in zip(("from", "to"), values, answers, strict=True):
            told |= {f"{way}_value": value[rows], f"{way}_answer": answer[rows]}
        parts.append(pd.DataFrame(told))

    for sign in (-1.0, 1.0):
        part, shift, by = (sign * policy[f"sensitivity_{key}"] for key in ("pressure_pct", "air_ratio", "height_m"))
        thinner = pressure_from_altitude(height + by) / pressure_from_altitude(height)
        for swing, factor, more, moved in (
            (f"pressure {part:+g} %", 1.0 + part / 100.0, 0.0, 0.0),
            (f"baseline lambda {shift:+g}", 1.0, shift, 0.0),
            (f"height of the site {by:+g} m", thinner, 0.0, by),
        ):
            free = fleet.lambda_at(pressure * factor, coldest, air_ratio_shift=more).air_ratio_full
            _, there, _ = _lowest(frame, free=free, base=base + more)
            after = _verdict(frame, height + moved, there - minimum)
            by_lambda = np.isin(verdict, ("trim_first", *RUNS, "look_up")) & np.isin(
                after, ("trim_first", *RUNS, "look_up")
            )
            values = (np.where(by_lambda, lowest - minimum, metres - height),
                      np.where(by_lambda, there - minimum, metres - height - moved))  # fmt: skip
            tell(swing, "may run", np.where(by_lambda, BY_LAMBDA, BY_HEIGHT), values, (verdict, after))
        _cab_flips(frame, fleet, policy, sign, verdict, tell)
    return pd.concat(parts, ignore_index=True)


def _cab_flips(frame: pd.DataFrame, fleet: Fleet, policy: Policy, sign: float, verdict: Any, tell: Any) -> None:
    """Tell whose cab is cold or warm only by the heat loss that was entered; a heater that is off counts in neither."""
    part, target = sign * policy["sensitivity_cab_pct"], frame["cab_target_c"].to_numpy()
    losses, edge = frame["heat_loss_w_per_k"].to_numpy() * (1.0 + part / 100.0), policy["heat_short_tolerance_k"]
    before = frame["cab_temp_reached_full_c"].to_numpy()
    after = cab_temperature_reached(losses, frame["design_temp_c"].to_numpy(), kept_heat(frame, fleet, "_full"), target)
    counts = np.isin(verdict, (*RUNS, "trim_first"))
    answers = (np.where(counts, np.where(one < target - edge, "cold", "warm"), "off") for one in (before, after))
    tell(f"cab heat loss {part:+g} %", "cab", "cab temperature in °C", (before, after), tuple(answers))


def sureness(frame: pd.DataFrame, flips: pd.DataFrame, policy: Policy) -> Any:
    """Return how sure each decision is (a key of ``SURENESS``), by its own 95 % and by the swings of its inputs."""
    by_lambda = frame["decision"].isin(("trim_first", *RUNS)).to_numpy()
    narrow = np.abs(frame["margin_air_ratio"].to_numpy()) <= 2.0 * frame["margin_air_ratio_u"].to_numpy()
    close = np.abs(frame["margin_m"].to_numpy()) <= policy["sensitivity_height_m"]
    to_kit = np.abs(frame["compensation_limit_m"] - frame["altitude_m"]).to_numpy() <= policy["sensitivity_height_m"]
    asked = flips[flips["decision"] == "may run"] if len(flips) else pd.DataFrame({"vehicle_id": []})
    turned = frame["vehicle_id"].isin(set(asked["vehicle_id"])).to_numpy()
    return np.select(
        [
            frame["decision"].isin(NOT_ENTERED).to_numpy() | (frame["air_ratio_held"] == "unknown").to_numpy(),
            frame["decision"].isin(("wrong_voltage", "stopped")).to_numpy(),
            (by_lambda & narrow) | close | (to_kit & (frame["decision"] == "compensate").to_numpy()),
            turned,
        ],
        ["unknown", "sure", "open", "likely"],
        default="sure",
    )
