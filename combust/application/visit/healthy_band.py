"""Lambda of a reading beside the band of the healthy heater at its stage, both at the air of the reading."""

from __future__ import annotations

from dataclasses import dataclass

from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit


@dataclass(frozen=True, slots=True)
class HealthyBand:
    """The band of one stage beside a reading.

    Attributes
    ----------
    stage : str
    low, high : float
        Ends of the band [-]; at the air of the reading where that is known (``here``), else at reference air. The
        lower end is never below the heater's own minimum, which holds at any height (``by_minimum``).
    here : bool
    place : str
        Where lambda lies: ``below``, ``inside`` or ``above``.
    sure : bool
        Whether its 95 % interval lies there as a whole.
    """

    stage: str
    low: float
    high: float
    here: bool
    place: str
    sure: bool
    by_minimum: bool = False


def band_beside(visit: Visit, one: Taken) -> HealthyBand | None:
    """Return the band of the profile beside one reading; None without a band for its stage, or without lambda.

    A profile gives the band at reference air. It is brought to the air of the reading by the same density ratio that
    brings lambda to reference air.

    Parameters
    ----------
    visit : Visit
    one : Taken
        A reading of it.
    """
    result, heater, stage = one.result, visit.heater, one.values.get("stage")
    known = heater.stages.get(str(stage)) if heater else None
    if result is None or result.air_ratio is None or known is None or known.air_ratio_band is None:
        return None
    ratio, reference = result.air_ratio, result.air_ratio_at_reference
    factor = ratio / reference if reference else 1.0
    low, high = (end * factor for end in known.air_ratio_band)
    minimum = (heater.limits.air_ratio_min if heater else None) or 0.0
    by_minimum = low < minimum
    low, high = max(low, minimum), max(high, minimum)
    u = 2.0 * (result.air_ratio_u or 0.0)
    place = "below" if ratio < low else "above" if ratio > high else "inside"
    sure = {"below": ratio + u < low, "above": ratio - u > high, "inside": low <= ratio - u and ratio + u <= high}
    return HealthyBand(str(stage), low, high, bool(reference), place, sure[place], by_minimum)
