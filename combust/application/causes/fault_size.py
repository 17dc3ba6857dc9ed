"""Sizes of faults: from weighted draws to numbers and words."""

from __future__ import annotations

import numpy as np

from combust.application.causes.catalogue import Cause
from combust.application.causes.posterior import Posterior
from combust.application.causes.visit_result import Severity
from combust.kernel.types import Floats

_TEMPLATES = {
    "air_change_pct": "It takes {median:.0f} % of the combustion air ({low:.0f} to {high:.0f} %).",
    "fuel_change_pct": "The fuel is off by {median:+.0f} % ({low:+.0f} to {high:+.0f} %).",
    "recirculated_pct": "About {median:.0f} % of what it breathes is exhaust ({low:.0f} to {high:.0f} %).",
    "co_factor": "CO is about {median:.0f} times its usual ({low:.0f} to {high:.0f} times).",
    "exchange_change_pct": "The exchanger has lost {median:.0f} % of its size in effect ({low:.0f} to {high:.0f} %).",
    "heating_air_change_pct": "{median:.0f} % of the heating air is missing ({low:.0f} to {high:.0f} %).",
    "sample_air_pct": "About {median:.0f} % of the sample is outside air ({low:.0f} to {high:.0f} %).",
    "water_left_pct": "About {median:.0f} % of the flue water is still in the sample ({low:.0f} to {high:.0f} %).",
    "o2_error_pct": "The cell reads {median:+.1f} % O2 off ({low:+.1f} to {high:+.1f} %).",
    "co2_maximum_change_pct": "Its CO2 maximum is {median:+.0f} % off the fuel's.",
    "air_ratio_change_pct": "The fuel makes lambda {median:+.0f} % higher ({low:+.0f} to {high:+.0f} %).",
    "baseline_off_pct": "Air, fuel or exchange was off by {median:.0f} % then ({low:.0f} to {high:.0f} %).",
    "water_pct": "About {median:.0f} % of what the pump moves is water ({low:.0f} to {high:.0f} %).",
    "stage_shift_pct": "It ran {median:.0f} % of the way to the other stage ({low:.0f} to {high:.0f} %).",
}
_LOSSES = ("air_change_pct", "exchange_change_pct", "heating_air_change_pct")


def severity_of(result: Posterior, cause: Cause, level: float) -> Severity | None:
    """Return median and interval of the size of a cause with its sentence; None where it has none, or no draw of it."""
    size, weight = severity_draws(result, cause.name)
    quantity = cause.quantity
    if quantity not in _TEMPLATES or len(size) == 0:
        return None
    tails = [0.5, (1.0 - level) / 2.0, (1.0 + level) / 2.0]
    values: Floats = np.quantile(size, tails, weights=weight, method="inverted_cdf")
    if quantity == "co_factor":
        values = np.exp(values)
    elif quantity != "o2_error_pct":  # sizes come as shares
        values = 100.0 * values
    told = np.abs(values) if quantity in _LOSSES else values
    text = _TEMPLATES[quantity].format(median=told[0], low=min(told[1:]), high=max(told[1:]))
    return Severity(quantity, float(values[0]), float(min(values[1:])), float(max(values[1:])), level, text)


def severity_draws(result: Posterior, cause: str) -> tuple[Floats, Floats]:
    """Return the sizes of a cause and their weights over all hypotheses that hold it (empty when none is left)."""
    sizes, weights = [], []
    for key, share in result.probabilities().items():
        if share < 1e-4 or key not in result.blocks or all(variant.cause != cause for variant in key):
            continue
        sizes.append(result.blocks[key].sizes[cause])
        weights.append(share * result.blocks[key].weights)
    if not sizes:
        return np.zeros(0), np.zeros(0)
    weight = np.concatenate(weights)
    return np.concatenate(sizes), weight / weight.sum()


def severity_moments(result: Posterior, cause: str) -> tuple[float, float]:
    """Return mean and standard deviation of the size of a cause."""
    size, weight = severity_draws(result, cause)
    mean = float(weight @ size)
    return mean, float(np.sqrt(weight @ (size - mean) ** 2))
