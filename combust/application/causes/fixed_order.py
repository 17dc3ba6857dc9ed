"""Without a healthy baseline nothing can be ranked: a fixed order of checks by symptom and by class of heater."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from combust.application.causes.checks import checks_done, is_allowed
from combust.application.causes.evidence import lambda_of
from combust.application.causes.stage_reading import Values
from combust.application.causes.visit_result import NextCheck
from combust.domain.safety import Safety

if TYPE_CHECKING:
    from combust.application.causes.catalogue import Priors
    from combust.application.causes.engine import Engine


def symptom_of(engine: Engine, readings: Sequence[Values]) -> str:
    """Return what stands out in readings: rich, sooty, lean, hot_flue, weak_heat, or nothing, the gravest first."""
    limits = engine.priors.table["fixed_order"]["limits"]
    ratios = [lambda_of(reading["o2_dry_pct"], engine.model) for reading in readings if "o2_dry_pct" in reading]
    rises = [
        reading["air_out_temp_c"] - reading["air_in_temp_c"]
        for reading in readings
        if {"air_out_temp_c", "air_in_temp_c"} <= set(reading)
    ]

    def most(column: str) -> float:
        return max((float(reading[column]) for reading in readings if column in reading), default=0.0)

    shown = {
        "rich": min(ratios, default=limits["rich"]) < limits["rich"],
        "sooty": most("co_dry_ppm") > limits["co_ppm"] or most("smoke_number") > limits["smoke_number"],
        "lean": max(ratios, default=0.0) > limits["lean"],
        "hot_flue": most("flue_temp_c") > limits["flue_c"],
        "weak_heat": min(rises, default=limits["rise_k"]) < limits["rise_k"],
    }
    return next((name for name, there in shown.items() if there), "nothing")


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
    burn = safety.allows(("burning",))
    return tuple(
        NextCheck(one.name, 0.0, one.minutes, one.risk, one.tier, one.left(have, may_burn=burn))
        for one in (priors.checks[name] for name in dict.fromkeys(names))
        if one.name not in done and is_allowed(one, readings, safety)
    )
