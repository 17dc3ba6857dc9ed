"""The structure of a heater that nobody knows: one table of priors, and the draws that every question shares."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from statistics import NormalDist
from typing import Any

import numpy as np

from combust.data.tables import load_table
from combust.domain.heater import Heater
from combust.kernel.types import Floats

STRUCTURE = (
    *("steepness", "intake_share", "exhaust_share", "hot_share", "exponent", "air_side", "radiated"),
    *("co_gain", "shaft", "motor", "duct_off_left"),
)
PRIOR_DRAWS = 112
SEED = 1
LOGISTIC = 1.702  # logistic(1.702 u) follows the normal distribution function within 0.01
MIDDLE_90 = 1.645

Parameters = dict[str, Any]


@cache
def priors_table() -> dict[str, Any]:
    """Return the shipped table of causes and of what is believed of a heater before a reading (do not change it)."""
    return {**load_table("causes"), **load_table("heater_priors")}


def stratified_normals(count: int, dimensions: int, generator: np.random.Generator) -> Floats:
    """Return count x dimensions standard normals, one in each of ``count`` equal layers of every dimension."""
    layers = np.array([NormalDist().inv_cdf((index + 0.5) / count) for index in range(count)])
    return np.stack([generator.permutation(layers) for _ in range(dimensions)], axis=1)


def share_of(u: Any) -> Any:
    """Return a nearly flat number between 0 and 1 from a standard normal."""
    return 1.0 / (1.0 + np.exp(-LOGISTIC * u))


def bent(raw: Any, largest: float) -> Any:
    """Return a positive number with its upper end bent smoothly below the largest."""
    return raw / (1.0 + (raw / largest) ** 4) ** 0.25


def scaled(row: Mapping[str, Any], u: Any) -> Any:
    """Return a structural number of the table from a standard normal, moved and narrowed by what was learnt, if so."""
    if "learnt" in row:
        shift, spread = row["learnt"]
        u = shift + spread * u
    if row["kind"] == "lognormal":
        raw = row["median"] * np.exp(np.log(row["factor"]) * u)
        return bent(raw, row["largest"]) if "largest" in row else raw
    if row["kind"] == "normal":
        return row["median"] + row["sd"] * u
    return row["low"] + (row["high"] - row["low"]) * share_of(u)


def middle_90(row: Mapping[str, Any]) -> str:
    """Return the middle 90 % of a structural number in words."""
    low, high = scaled(row, np.array([-MIDDLE_90, MIDDLE_90]))
    return f"{low:.2g} to {high:.2g}"


def structure_of(
    rows: Mapping[str, Any], u: Floats, *, blower: str, shaft: bool | None, port_ratio: float | None
) -> Parameters:
    """Return what nobody knows of a heater, one number a draw, from the first columns of standard normals.

    Parameters
    ----------
    rows : mapping
        ``structure`` of the table of priors.
    u : array, draws x columns in the order of ``STRUCTURE``
    blower : {"centrifugal", "side_channel", "unknown"}
    shaft : bool or None
        Whether the heating air turns with the blower.
    port_ratio : float or None
        Exhaust over intake port pressure of the healthy baseline [-].
    """
    column = {name: u[:, index] for index, name in enumerate(STRUCTURE)}
    intake = scaled(rows["intake_to_burner"], column["intake_share"])
    if port_ratio is None:
        exhaust = scaled(rows["exhaust_to_burner"], column["exhaust_share"])
    else:
        exhaust = intake * port_ratio * scaled(rows["exhaust_to_intake_given_ports"], column["exhaust_share"])
    total = 1.0 + intake + exhaust
    return {
        "steepness": scaled(rows[f"steepness_{blower}"], column["steepness"]),
        "intake_share": intake / total,
        "exhaust_share": exhaust / total,
        **{
            name: scaled(rows[name], column[name])
            for name in ("hot_share", "exponent", "air_side", "radiated", "co_gain")
        },
        "shaft": scaled(rows["shaft_unknown"], column["shaft"]) if shaft is None else np.full(len(u), float(shaft)),
        "duct_off_left": scaled(rows["duct_off_left"], column["duct_off_left"]),
        "motor": column["motor"],
    }


def known_structure(heater: Heater | None) -> dict[str, Any]:
    """Return what a profile tells of the structure, as :func:`structure_of` takes it; of no profile, nothing."""
    if heater is None:
        return {"blower": "unknown", "shaft": None, "port_ratio": None}
    ratio = None
    for baseline in heater.baselines:
        suction, back = baseline.reading.intake_static_pa, baseline.reading.exhaust_static_pa
        if ratio is None and suction and back and abs(suction) > 1.0 and back > 1.0:
            ratio = float(back) / abs(float(suction))
    return {"blower": heater.blower, "shaft": heater.heating_air_on_same_shaft, "port_ratio": ratio}
