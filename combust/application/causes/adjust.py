"""What to trim, and mostly why not: a trim only where it is the right answer, never around a restriction."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from combust.application.causes.fault_size import severity_moments
from combust.application.causes.posterior import added_up
from combust.application.causes.stage_reading import StageReading, Values
from combust.application.causes.visit_result import Adjustment
from combust.domain.limits import limit

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine
    from combust.application.causes.posterior import Posterior, Visit

FIRST = (
    "the unit's own document allows it and a licensed person does it",
    "restrictions, supply and blower are repaired first, not trimmed around",
    "every trim is followed by O2, CO and smoke at both stages",
)


def advise_trim(
    engine: Engine, visit: Visit, result: Posterior, readings: Sequence[Values]
) -> tuple[Adjustment | None, str]:
    """Return the trim, or None with the reason in words. The caller has ruled out stops and invalid readings."""
    needed = engine.priors.decide("trim_probability")
    causes = engine.priors.causes
    trims = ((sorted({causes[name].trim for name in names}), share) for names, share in result.explanations().items())
    by_trim = added_up((kinds[0] if len(kinds) == 1 else "repair", share) for kinds, share in trims)
    best, share = next(iter(by_trim.items()))
    if share < needed:
        return None, "what is at fault is not certain enough; do the next checks first."
    if best in ("repair", "none"):
        return None, "the cause is repaired, not trimmed around."
    installed = [row for row in visit.rows if row.arrangement == "as_installed"]
    if not installed:
        return None, "the reading was taken with a duct off."
    row = max(installed, key=lambda one: one.healthy.load)
    if best == "site":
        return _site_trim(engine, row)
    return _fuel_trim(engine, row, result, readings, best)


def _band(engine: Engine, row: StageReading) -> tuple[float, float]:
    """Return the lambda that the profile allows at the row's stage; 0 and infinity where it states none."""
    low, high = engine.heater.stage_of(row.healthy.name).air_ratio_band or (0.0, np.inf)
    return max(low, engine.heater.limits.air_ratio_min or 0.0), high


def _starves(result: Posterior) -> str:
    """Return why a starving line is mended and not trimmed around, or nothing."""
    shares = result.probabilities()
    under = sum(share for key, share in shares.items() if any(one.cause == "fuel_under" for one in key))
    line = sum(share for key, share in shares.items() if any(one.name == "starving" for one in key))
    return "the fuel line seems to starve: strainer, lift and bubbles come first." if line > 0.3 * under else ""


def _site_trim(engine: Engine, row: StageReading) -> tuple[Adjustment | None, str]:
    """A healthy heater whose lambda at this site is below its band: less fuel or more speed; never more fuel."""
    ratio, (lowest, _) = row.healthy_air_ratio(), _band(engine, row)
    if ratio >= lowest:
        return None, "the heater does what it does when healthy, and its lambda is not below its band here."
    why = f"Healthy, but lambda is {ratio:.2f} at this site and its band starts at {lowest:.2f}."
    blower: float | None = 100.0 * (lowest / ratio - 1.0)
    fastest, base = engine.heater.blower_rpm_max, row.healthy.value.get("speed")
    if fastest is not None and base is not None and np.exp(base) * lowest / ratio > fastest:
        blower, why = None, f"{why} The blower cannot reach that speed within its limit."
    u = 100.0 * float(np.hypot(row.healthy.u["air_ratio"], row.density_u))
    return _adjustment(engine, row, 100.0 * (ratio / lowest - 1.0), blower, lowest, u, why), ""


def _fuel_trim(
    engine: Engine, row: StageReading, result: Posterior, readings: Sequence[Values], kind: str
) -> tuple[Adjustment | None, str]:
    """Trim the fuel back to the heater's own healthy lambda at this site, inside the profile's band."""
    cause = "fuel_over" if kind == "leaner" else "fuel_under"
    change, change_u = severity_moments(result, cause)
    u = 100.0 * change_u / (1.0 + change) ** 2
    healthy = row.healthy_air_ratio()
    lowest, highest = _band(engine, row)
    target = min(max(healthy, lowest), highest)
    trim = 100.0 * (healthy / ((1.0 + change) * target) - 1.0)
    if kind == "richer":
        reason = _why_not_richer(engine, readings) or _starves(result)
        if reason:
            return None, reason
        trim = max(trim, 0.0)
    if abs(trim) < limit("smallest_trim") or (kind == "leaner" and trim > 0.0):
        return None, "the trim would be smaller than pump and analyser can repeat."
    what = "more fuel than at its baseline" if kind == "leaner" else "less fuel than at its baseline"
    proven = any("delivered_ml" in reading for reading in readings)
    why = f"The heater gets {what}{'' if proven else '; prove it by the delivery test'}."
    return _adjustment(engine, row, trim, None, target, u, why), ""


def _why_not_richer(engine: Engine, readings: Sequence[Values]) -> str:
    """Return why a richer trim is refused, or nothing."""
    carbon_monoxide = [reading.get("co_dry_ppm") for reading in readings]
    if any(value is None for value in carbon_monoxide):
        return "no richer trim without a CO reading."
    if max(float(value or 0.0) for value in carbon_monoxide) > limit("co_for_richer"):
        return "CO is too high for a richer trim."
    if len({reading.get("stage") for reading in readings}) < min(2, len(engine.heater.stages)):
        return "no richer trim before both stages were read."
    if not any("delivered_ml" in reading for reading in readings):
        return "mend the fuel supply and do the delivery test first; a richer trim comes last."
    return ""


def _adjustment(
    engine: Engine, row: StageReading, fuel_trim: float, blower: float | None, target: float, u: float, why: str
) -> Adjustment:
    """Return the advice with what to aim for on the analyser and at the pump."""
    gas = engine.model.gas
    oxygen, carbon_dioxide = float(gas.o2_pct(target)), float(gas.co2_pct(target))
    pulses = engine.heater.stage_of(row.healthy.name).pump_hz
    to_pulses = None if pulses is None else pulses * (1.0 + fuel_trim / 100.0)
    text = f"{why} Trim the fuel by {fuel_trim:+.0f} % (± {u:.0f} %)"
    text += f", {to_pulses:.2f} Hz at the pump" if to_pulses is not None else ""
    text += f"; aim for lambda {target:.2f}: O2 {oxygen:.1f} %, CO2 {carbon_dioxide:.1f} % here."
    if blower is not None:
        text += f" Or blower speed {blower:+.0f} %, not both."
    text += " Only after: " + "; ".join(FIRST) + "."
    return Adjustment(fuel_trim, blower, target, oxygen, carbon_dioxide, to_pulses, u, FIRST, text)
