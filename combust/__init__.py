"""combust: from a flue-gas reading at a small vehicle air heater to lambda, its uncertainty and what it can mean.

The names that notebooks use are loaded when they are first asked for, so that ``import combust`` stays light.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # the same names for editors and type checkers; a test compares the two
    from combust.application.causes.rank import rank_causes as rank_causes
    from combust.application.chemistry.equilibrium import flame_equilibrium as flame_equilibrium
    from combust.application.heater.duct_calculator import duct_check as duct_check
    from combust.application.heater.duct_flow import duct_duty as duct_duty
    from combust.application.lessons.exercises import exercise as exercise
    from combust.application.lessons.exercises import exercise_sheet as exercise_sheet
    from combust.application.lessons.misconceptions import misconception_cards as misconception_cards
    from combust.application.mystery import mystery as mystery
    from combust.application.reading.result import Reading as Reading
    from combust.application.reading.result import interpret as interpret
    from combust.application.site.effect import site_effect as site_effect
    from combust.application.trainer.analyser import SimulatedAnalyser as SimulatedAnalyser
    from combust.application.trainer.heater import SimulatedHeater as SimulatedHeater
    from combust.application.trainer.scenarios import scenario as scenario
    from combust.application.trainer.session import TrainingSession as TrainingSession
    from combust.application.visit.start import start_timeline as start_timeline
    from combust.application.visit.supply import supply_check as supply_check
    from combust.application.visit.visit import Visit as Visit
    from combust.data.errors import CombustError as CombustError
    from combust.domain.catalogue import blend as blend
    from combust.domain.catalogue import get_fuel as get_fuel
    from combust.domain.catalogue import load_fuels as load_fuels
    from combust.domain.fuel import Fuel as Fuel
    from combust.domain.gas import air_ratio_from_balance as air_ratio_from_balance
    from combust.domain.gas import air_ratio_from_co2 as air_ratio_from_co2
    from combust.domain.gas import air_ratio_from_o2 as air_ratio_from_o2
    from combust.domain.gas import flue_gas as flue_gas
    from combust.domain.gas import stoichiometric_air as stoichiometric_air
    from combust.domain.heater import Heater as Heater
    from combust.domain.site import Site as Site
    from combust.edge.logbook.history import drift_history as drift_history
    from combust.edge.tables.fleet import plan_fleet as plan_fleet
    from combust.edge.tables.plan_files import load_plan as load_plan
    from combust.edge.tables.readings import interpret_table as interpret_table
    from combust.kernel.constants import DryAir as DryAir
    from combust.kernel.duct_shape import DuctShape as DuctShape

__version__ = "0.1.0"

# module -> the public names it holds
_MODULES = {
    "application.causes.rank": "rank_causes",
    "application.chemistry.equilibrium": "flame_equilibrium",
    "application.heater.duct_calculator": "duct_check",
    "application.heater.duct_flow": "duct_duty",
    "application.lessons.exercises": "exercise exercise_sheet",
    "application.lessons.misconceptions": "misconception_cards",
    "application.mystery": "mystery",
    "application.reading.result": "Reading interpret",
    "application.site.effect": "site_effect",
    "application.trainer.analyser": "SimulatedAnalyser",
    "application.trainer.heater": "SimulatedHeater",
    "application.trainer.scenarios": "scenario",
    "application.trainer.session": "TrainingSession",
    "application.visit.start": "start_timeline",
    "application.visit.supply": "supply_check",
    "application.visit.visit": "Visit",
    "data.errors": "CombustError",
    "domain.catalogue": "blend get_fuel load_fuels",
    "domain.fuel": "Fuel",
    "domain.gas": "air_ratio_from_balance air_ratio_from_co2 air_ratio_from_o2 flue_gas stoichiometric_air",
    "domain.heater": "Heater",
    "domain.site": "Site",
    "edge.logbook.history": "drift_history",
    "edge.tables.fleet": "plan_fleet",
    "edge.tables.plan_files": "load_plan",
    "edge.tables.readings": "interpret_table",
    "kernel.constants": "DryAir",
    "kernel.duct_shape": "DuctShape",
}
_PUBLIC = {name: f"combust.{module}" for module, names in _MODULES.items() for name in names.split()}

__all__ = ["__version__", *sorted(_PUBLIC)]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"combust has no '{name}'")
    from combust.data.arguments import names_keywords

    value = getattr(importlib.import_module(_PUBLIC[name]), name)
    if not isinstance(value, type):
        value = names_keywords(value)
        value.__module__, value.__qualname__ = "combust", name  # so that it pickles
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, *(name for name in globals() if name.startswith("__"))})
