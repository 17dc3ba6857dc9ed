"""What exact instruments would show of a simulated heater that has come to rest: no delay, no noise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from combust.application.causes.clean_gas import CO2_AIR, O2_AIR, CleanGas
from combust.application.causes.forward import MOST_CO, co_bath, rich_ramp
from combust.application.heater.structure import priors_table
from combust.application.trainer.analyser import Sampled, in_the_cells
from combust.application.trainer.heater import SimulatedHeater


class Resting(NamedTuple):
    """The truth at rest: gases as they reach the cells, the rest as it is at the heater.

    Attributes
    ----------
    air_ratio : lambda of the flame [-]
    o2_pct, co_ppm : dry O2 [%] and CO [ppm] as they reach the cells
    flue_c, air_in_c, air_out_c : [°C]
    intake_co2_pct, intake_o2_pct : in the combustion-air intake [%]
    logs : mapping
        ln of supply_v, blower_rpm, pump_hz and of both port pressures [Pa], where the profile has them.
    """

    air_ratio: float
    o2_pct: float
    co_ppm: float
    flue_c: float
    air_in_c: float
    air_out_c: float
    intake_co2_pct: float
    intake_o2_pct: float
    logs: Mapping[str, float]


def co_ppm(heater: SimulatedHeater, ratio: float, usual: float, healthy: float) -> float:
    """Return CO of a hot flame by the weak relation [ppm]; ``healthy`` is ln of that at lambda ``usual``."""
    flame = priors_table()["flame"]
    bath = co_bath(flame, ratio, rich_ramp(flame, ratio)) - co_bath(flame, usual, rich_ramp(flame, usual))
    gained = min(heater.plant.co_gain * float(bath), MOST_CO)
    return float(math.exp(healthy + gained)) * heater.inputs.burner_co


def resting(heater: SimulatedHeater) -> Resting:
    """Return what exact instruments would show once the heater is at rest with the inputs of the moment."""
    inputs, plant = heater.inputs, heater.plant
    stage = plant.stages[inputs.stage]
    base, point = stage.healthy.value, heater.at_rest
    gas, ratio = CleanGas.of(plant.heater.fuel), float(point.air_ratio)
    lit = max(1.0, ratio)
    clean = float(gas.o2_pct(ratio))
    sample = Sampled(
        clean, co_ppm(heater, ratio, math.exp(base["air_ratio"]), base["co"]), ratio, True, float(point.flue_c)
    )
    water = float(gas.water_share(ratio)) * inputs.wet_hose
    o2, co = in_the_cells(sample, leak=inputs.hose_leak, water=water, drift_pct=inputs.cell_drift_pct)
    plug = plant.supply.at_plug(inputs.battery_v, inputs.loop_mohm, glow=False, load=stage.healthy.load)
    logs = {"voltage": math.log(plug), "frequency": math.log(stage.pump_hz * inputs.pump_hz_ratio)}
    if "speed" in base:
        logs["speed"] = base["speed"] + math.log(plant.speed_at_rest(inputs))
    for key, over in (("intake_static", point.intake_static), ("exhaust_static", point.exhaust_static)):
        if key in base:
            logs[key] = base[key] + math.log(max(float(over), 1e-4))
    rise = float(point.rise) * stage.healthy.state.rise_k
    return Resting(
        air_ratio=ratio,
        o2_pct=o2,
        co_ppm=co,
        flue_c=float(point.flue_c),
        air_in_c=inputs.air_temp_c,
        air_out_c=inputs.air_temp_c + rise,
        intake_co2_pct=CO2_AIR + inputs.recirculated * float(gas.co2_pct(lit)),
        intake_o2_pct=O2_AIR - inputs.recirculated * (O2_AIR - clean),
        logs=logs,
    )
