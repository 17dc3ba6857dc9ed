"""Which decisions flip when pressure, baseline lambda or the cab's heat loss are a little different."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import ACCOUNTS, kept_heat
from combust.application.fleet.policy import Policy
from combust.kernel.cab import cab_temperature_reached

COLUMNS = ("swing", "decision", "vehicle_id", "air_ratio_by", "from_value", "to_value", "from_answer", "to_answer")


def sensitivity_frame(frame: pd.DataFrame, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return every answer that flips, one row a vehicle, decision and swing.

    Decisions: lambda below its minimum on the design and on the mildest night (by each of the three lambdas), and cab
    cold with lambda kept (by the full one). The unit's own altitude limit does not flip: it is a number of a document.
    """
    parts: list[pd.DataFrame] = []
    pressure = policy["sensitivity_pressure_pct"]
    shift = policy["sensitivity_air_ratio"]
    for sign in (-1.0, 1.0):
        parts += _air_ratio_flips(frame, fleet, f"pressure {sign * pressure:+g} %", 1.0 + sign * pressure / 100.0, 0.0)
        parts += _air_ratio_flips(frame, fleet, f"baseline lambda {sign * shift:+g}", 1.0, sign * shift)
        loss = policy["sensitivity_cab_pct"]
        parts.append(_heat_flips(frame, fleet, policy, f"cab heat loss {sign * loss:+g} %", 1.0 + sign * loss / 100.0))
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True) if kept else pd.DataFrame(columns=list(COLUMNS))


def _air_ratio_flips(
    frame: pd.DataFrame, fleet: Fleet, swing: str, pressure_factor: float, shift: float
) -> list[pd.DataFrame]:
    minimum = frame["minimum_air_ratio"].to_numpy()
    parts = []
    for night, suffix, temp in (("design", "", "design_temp_c"), ("mildest", "_mild", "mildest_use_temp_c")):
        moved = fleet.lambda_at(
            frame["pressure_hpa"].to_numpy() * pressure_factor, frame[temp].to_numpy(), air_ratio_shift=shift
        )
        for account in ACCOUNTS:
            before, after = frame[account + suffix].to_numpy(), getattr(moved, account)
            parts.append(
                _flipped(
                    frame,
                    swing,
                    f"lambda_below_minimum_{night}",
                    account,
                    before,
                    after,
                    before < minimum,
                    after < minimum,
                )
            )
    return parts


def _heat_flips(frame: pd.DataFrame, fleet: Fleet, policy: Policy, swing: str, factor: float) -> pd.DataFrame:
    target, outdoor = frame["cab_target_c"].to_numpy(), frame["design_temp_c"].to_numpy()
    heat = kept_heat(frame, fleet, "air_ratio_full")
    before = frame["cab_temp_reached_full_c"].to_numpy()
    after = cab_temperature_reached(frame["heat_loss_w_per_k"].to_numpy() * factor, outdoor, heat, target)
    edge = target - policy["heat_short_tolerance_k"]
    return _flipped(frame, swing, "cab_cold", "air_ratio_full", before, after, before < edge, after < edge)


def _flipped(
    frame: pd.DataFrame, swing: str, decision: str, account: str, before: Any, after: Any, was: Any, now: Any
) -> pd.DataFrame:
    rows = np.flatnonzero(was != now)
    answer: Callable[[Any], Any] = lambda flags: np.where(flags[rows], "yes", "no")  # noqa: E731
    return pd.DataFrame(
        {
            "swing": swing,
            "decision": decision,
            "vehicle_id": frame["vehicle_id"].to_numpy()[rows],
            "air_ratio_by": account,
            "from_value": before[rows],
            "to_value": after[rows],
            "from_answer": answer(was),
            "to_answer": answer(now),
        }
    )
