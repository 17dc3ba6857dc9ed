"""combust: from a flue-gas reading at a small vehicle air heater to lambda, its uncertainty and what it can mean.

The names that notebooks use are loaded when they are first asked for, so that ``import combust`` stays light.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# public name -> (module, name there)
_PUBLIC = {
    "CombustError": ("combust.data.errors", "CombustError"),
    "DryAir": ("combust.kernel.constants", "DryAir"),
    "Fuel": ("combust.domain.fuel", "Fuel"),
    "Heater": ("combust.domain.heater", "Heater"),
    "Reading": ("combust.domain.reading", "Reading"),
    "Site": ("combust.domain.site", "Site"),
    "air_ratio_from_balance": ("combust.domain.gas", "air_ratio_from_balance"),
    "air_ratio_from_co2": ("combust.domain.gas", "air_ratio_from_co2"),
    "air_ratio_from_o2": ("combust.domain.gas", "air_ratio_from_o2"),
    "blend": ("combust.domain.catalogue", "blend"),
    "exercise": ("combust.application.lessons.exercises", "exercise"),
    "exercise_sheet": ("combust.application.lessons.exercises", "exercise_sheet"),
    "flame_equilibrium": ("combust.application.chemistry.equilibrium", "flame_equilibrium"),
    "flue_gas": ("combust.domain.gas", "flue_gas_of"),
    "get_fuel": ("combust.domain.catalogue", "get_fuel"),
    "drift_history": ("combust.edge.logbook.history", "drift_history"),
    "interpret": ("combust.application.reading.result", "interpret"),
    "interpret_table": ("combust.edge.tables.readings", "interpret_table"),
    "load_fuels": ("combust.domain.catalogue", "load_fuels"),
    "misconception_cards": ("combust.application.lessons.misconceptions", "misconception_cards"),
    "mystery": ("combust.application.mystery", "mystery"),
    "plan_fleet": ("combust.application.fleet.plan", "plan_fleet"),
    "rank_causes": ("combust.application.causes.rank", "rank_causes"),
    "site_effect": ("combust.application.site.effect", "site_effect"),
    "start_timeline": ("combust.application.visit.start", "start_timeline"),
    "stoichiometric_air": ("combust.domain.gas", "stoichiometric_air"),
    "supply_check": ("combust.application.visit.supply", "supply_check"),
}

__all__ = ["__version__", *sorted(_PUBLIC)]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"combust has no '{name}'")
    module, attribute = _PUBLIC[name]
    value = getattr(importlib.import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_PUBLIC])
