"""Which decisions flip when pressure, baseline lambda or the cab's heat loss are a little different."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.fleet.nights import NIGHTS, kept_heat
from combust.application.fleet.policy import Policy
from combust.application.site.findings import ACCOUNTS
from combust.kernel.cab import cab_temperature_reached


def sensitivity_frame(frame: pd.DataFrame, fleet: Fleet, policy: Policy) -> pd.DataFrame:
    """Return every answer that flips, one row a vehicle, decision and swing.

    Decisions: lambda below its minimum on the design and on the mildest night (by each of the three lambdas), and cab
    cold with lambda kept (by the full one). The heater's own altitude limit never flips: it is a number of a document.
    """
    parts: list[pd.DataFrame] = []

    def compare(swing: str, decision: str, account: str, before: Any, after: Any, edge: Any) -> None:
        rows = np.flatnonzero((before < edge) != (after < edge))
        flip = {
            "swing": swing,
            "decision": decision,
            "vehicle_id": frame["vehicle_id"].to_numpy()[rows],
            "air_ratio_by": account,
            "from_value": before[rows],
            "to_value": after[rows],
            "from_answer": np.where((before < edge)[rows], "yes", "no"),
            "to_answer": np.where((after < edge)[rows], "yes", "no"),
        }
        parts.append(pd.DataFrame(flip))

    column = {name: frame[name].to_numpy() for name in frame}
    target, kept = column["cab_target_c"], kept_heat(frame, fleet, "_full")
    for sign in (-1.0, 1.0):
        part, shift, loss = (sign * policy[f"sensitivity_{key}"] for key in ("pressure_pct", "air_ratio", "cab_pct"))
        thinner = column["pressure_hpa"] * (1.0 + part / 100.0)
        swings = (
            (f"pressure {part:+g} %", thinner, 0.0),
            (f"baseline lambda {shift:+g}", column["pressure_hpa"], shift),
        )
        for swing, pressure, by in swings:
            for night, suffix, temp in NIGHTS:
                moved = fleet.lambda_at(pressure, column[temp], air_ratio_shift=by)
                decision = f"lambda_below_minimum_{night.removesuffix('_night')}"
                for account in ACCOUNTS:
                    before, after = column[account + suffix], getattr(moved, account)
                    compare(swing, decision, account, before, after, column["minimum_air_ratio"])
        losses, outdoor = column["heat_loss_w_per_k"] * (1.0 + loss / 100.0), column["design_temp_c"]
        after = cab_temperature_reached(losses, outdoor, kept, target)
        before, edge = column["cab_temp_reached_full_c"], target - policy["heat_short_tolerance_k"]
        compare(f"cab heat loss {loss:+g} %", "cab_cold", "air_ratio_full", before, after, edge)
    return pd.concat(parts, ignore_index=True)
