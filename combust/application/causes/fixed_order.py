"""Without a healthy baseline nothing can be ranked: a fixed order of checks by symptom and by class of heater."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from combust.application.causes.checks import checks_done, is_allowed, is_off
from combust.application.causes.stage_reading import Values
from combust.application.causes.visit_result import NextCheck
from combust.application.reading.columns import columns_of_readings
from combust.application.reading.interpret import interpret_columns
from combust.domain.safety import Safety

if TYPE_CHECKING:
    from combust.application.causes.catalogue import Priors
    from combust.application.causes.engine import Engine


def stands_out(engine: Engine, readings: Sequence[Values]) -> dict[str, str]:
    """Return what stands out in readings (rich, sooty, lean, hot_flue, weak_heat) with its numbers, the gravest first.

    Lambda is held against the band of the heater's own document where its stage has one, at reference air as the band
    is, and with its 95 % interval; else against usual values.
    """
    limits = engine.priors.table["fixed_order"]["limits"]
    rises = [
        reading["air_out_temp_c"] - reading["air_in_temp_c"]
        for reading in readings
        if {"air_out_temp_c", "air_in_temp_c"} <= set(reading)
    ]

    def most(column: str) -> float:
        return max((float(reading[column]) for reading in readings if column in reading), default=0.0)

    found = dict.fromkeys(("rich", "sooty", "lean", "hot_flue", "weak_heat"), "")
    found |= _lambda_out(engine, readings)
    co, smoke = most("co_dry_ppm"), most("smoke_number")
    sooty = [f"CO {co:.0f} ppm"] if co > limits["co_ppm"] else []
    sooty += [f"smoke number {smoke:.0f}"] if smoke > limits["smoke_number"] else []
    found["sooty"] = " and ".join(sooty)
    if (flue := most("flue_temp_c")) > limits["flue_c"]:
        found["hot_flue"] = f"hot flue ({flue:.0f} °C)"
    if (rise := min(rises, default=limits["rise_k"])) < limits["rise_k"]:
        found["weak_heat"] = f"weak heat (the heating air is warmed by {rise:.0f} K)"
    return {name: text for name, text in found.items() if text}


def _lambda_out(engine: Engine, readings: Sequence[Values]) -> dict[str, str]:
    """Return ``rich`` and ``lean`` of the readings that lie farthest below and above what is held against them."""
    limits, stages = engine.priors.table["fixed_order"]["limits"], engine.heater.stages
    only = next(iter(stages)) if len(stages) == 1 else ""
    done = interpret_columns(columns_of_readings(readings, [engine.heater.fuel]), engine.instrument).values
    farthest = {"rich": 1.0, "lean": 1.0}
    found: dict[str, str] = {}
    for number, reading in enumerate(readings):
        known = stages.get(str(reading.get("stage") or only))
        band = known.air_ratio_band if known else None
        low, high = band or (limits["rich"], limits["lean"])
        ratio = float(done["air_ratio_at_reference" if band else "air_ratio"][number])
        u95 = 2.0 * float(done["air_ratio_u"][number]) if band else 0.0
        where, than = (" at reference air", "its band") if band else ("", "usual")
        below, above = (
            ("rich", low / (ratio + u95), f"below {low:.2f}"),
            ("lean", (ratio - u95) / high, f"above {high:.2f}"),
        )
        for name, off, word in (below, above):
            if off > farthest[name]:
                farthest[name] = off
                found[name] = f"{name}er than {than} (lambda {ratio:.2f}{where}, {word})"
    return found


def symptom_of(engine: Engine, readings: Sequence[Values]) -> str:
    """Return the gravest of what stands out in readings, or nothing."""
    return next(iter(stands_out(engine, readings)), "nothing")


def fixed_checks(engine: Engine, readings: Sequence[Values], *, safety: Safety, valid: bool) -> tuple[NextCheck, ...]:
    """Return the checks of the fixed order that are left and allowed; of an invalid reading only its own."""
    table = engine.priors.table["fixed_order"]
    symptom = symptom_of(engine, readings)
    of_class = table["side_channel"] if engine.heater.blower == "side_channel" else {}
    names = [*table["validity"], *(of_class.get(symptom, table[symptom]) if valid else [])]
    return in_fixed_order(engine.priors, names, readings, safety=safety)


def in_fixed_order(
    priors: Priors, names: Iterable[str], readings: Sequence[Values], *, safety: Safety
) -> tuple[NextCheck, ...]:
    """Return the named checks that are left and allowed, in their order, each once."""
    done, have = checks_done(readings), {key for reading in readings for key in reading}
    burn, off = safety.allows(("burning",)), is_off(readings, safety)
    return tuple(
        NextCheck(one.name, 0.0, priors.minutes_of(one, off=off), one.risk, one.tier, one.left(have, may_burn=burn))
        for one in (priors.checks[name] for name in dict.fromkeys(names))
        if one.name not in done and is_allowed(one, readings, safety)
    )
