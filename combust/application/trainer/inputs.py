"""What can be moved while the simulated heater runs: one record for each input, and their values of the moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from combust.data.errors import CombustError
from combust.data.fields import Field, fields_of, need_fields
from combust.data.tables import load_table
from combust.data.told import Told
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater

USUAL_V = 12.0  # where a profile tells no nominal voltage
MOST_OF_NOMINAL = 1.5


@cache
def input_fields() -> Mapping[str, Field]:
    """Return every input that can be moved, key -> Field with unit, band and meaning."""
    return fields_of(load_table("trainer_scenarios")["input"])


@dataclass(frozen=True, slots=True)
class Inputs(Told):
    """Values of the inputs at a moment; meanings, units and bands in ``trainer_scenarios.toml``."""

    stage: str
    battery_v: float
    loop_mohm: float
    altitude_m: float
    air_temp_c: float
    fuel_kind: str
    warm_enough: bool
    fuel: float
    pump_hz_ratio: float
    intake_resistance: float
    exhaust_resistance: float
    recirculated: float
    heating_air: float
    blower: float
    exchanger: float
    burner_co: float
    bubbles: float
    wax: float
    glow: float
    hose_leak: float
    wet_hose: float
    cell_drift_pct: float

    def moved(self, heater: Heater, changes: Mapping[str, Any]) -> Inputs:
        """Return the inputs with some of them moved.

        Raises
        ------
        CombustError
            Unknown inputs, values outside their bands, an unknown stage or fuel: every fault at once.
        """
        good: dict[str, Any] = {}
        faults = []
        try:
            good = need_fields(changes, input_fields(), what="the simulated heater")
        except CombustError as error:
            faults += list(error.faults)
        stages = Field("stage", "choice", choices=tuple(heater.stages))
        most = MOST_OF_NOMINAL * (heater.nominal_v or USUAL_V)
        volts = Field("battery_v", "number", unit="V", low=0.0, high=most, above="is too much for this heater")
        faults += list(volts.faults_of(good["battery_v"])) if "battery_v" in good else []
        faults += list(stages.faults_of(good["stage"])) if "stage" in good else []
        if "fuel_kind" in good:
            try:
                get_fuel(good["fuel_kind"])
            except CombustError as error:
                faults += list(error.faults)
        if faults:
            raise CombustError(faults)
        return replace(self, **good)
