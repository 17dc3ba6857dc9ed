"""Burner, exchanger, blower, pump and supply of one profile, set up from its healthy stages."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import mul
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np

from combust.application.heater.baseline import healthy_stages
from combust.application.heater.healthy import PATH, HealthyStage
from combust.application.heater.structure import STRUCTURE, priors_table
from combust.application.trainer.inputs import USUAL_V, Inputs, input_fields
from combust.data.errors import CombustError, Fault
from combust.data.tables import load_numbers
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.limits import limit
from combust.domain.pump import density_at_pump, same_pulses
from combust.domain.result import Assumed
from combust.domain.site import Site
from combust.kernel.fuel_delivery import pump_hz_from_volume_flow
from combust.kernel.heater_law import Law, StageSet, blower_speed, heater_law, stage_set
from combust.kernel.hot_gas import FuelHeat
from combust.kernel.working_point import HeaterParameters, SiteAir, WorkingPoint, working_point

Blended = TypeVar("Blended", bound=tuple[Any, ...])
CONVERGED = 60  # rounds of the steady model that leave nothing to settle


class Supply(NamedTuple):
    """The electric side: nominal voltage, glow element [ohm], current of the running blower and pump [A]."""

    nominal_v: float
    glow_ohm: float
    run_a: float

    def at_plug(self, battery_v: float, loop_mohm: float, *, glow: bool, load: float) -> float:
        """Return the voltage at the heater's plug [V] while it glows or not, with the blower at a load."""
        loop = loop_mohm * 1e-3
        return max(0.0, (battery_v - loop * self.run_a * load) / (1.0 + (loop / self.glow_ohm if glow else 0.0)))


@dataclass(frozen=True)
class PlantStage:
    """A healthy stage as the plant uses it: pump frequency [Hz], full volume flow [ml/s], fuel carbon [kmol/s]."""

    healthy: HealthyStage
    pump_hz: float
    fuel_ml_per_s: float
    fuel_kmol_per_s: float
    voltage: float


class Plant:
    """A heater profile as a machine: stages, structure, supply, and the laws of motion for the inputs of a moment.

    Parameters
    ----------
    heater : Heater
    structure : mapping, optional
        Structure of the air path and exchanger instead of the medians of the priors (names of ``HeaterParameters``).

    Raises
    ------
    CombustError
        No stroke, no pump frequency and no fuel flow of a stage, or a fuel without density.
    """

    def __init__(self, heater: Heater, structure: Mapping[str, float] | None = None) -> None:
        self.heater = heater
        self.conventions = load_numbers("heater_dynamics", "supply")
        self.assumed: list[Assumed] = []
        healthy = healthy_stages(heater, priors_table())
        first = next(iter(healthy.values()))
        drawn = first.structure(np.zeros((1, len(STRUCTURE))))
        self.structure = {name: float(drawn[name][0]) for name in PATH} | dict(structure or {})
        self.co_gain = float(drawn["co_gain"][0])
        self.heat: FuelHeat = first.heat
        self.density = density_at_pump(heater.fuel)
        self.stages = {name: self._stage(one) for name, one in healthy.items()}
        by_load = sorted(self.stages, key=lambda name: self.stages[name].healthy.load)
        self.lowest, self.fullest = by_load[0], by_load[-1]
        nominal = heater.nominal_v or USUAL_V
        glow = heater.glow_a or self._assume("glow_a", limit("glow_power") / nominal, "A", "usual power of a start")
        run = heater.power_run_w or self._assume("power_run_w", limit("run_on_power"), "W", "usual power of a blower")
        self.supply = Supply(nominal, nominal / glow, run / nominal)
        self._sets = {name: self._set(one) for name, one in self.stages.items()}

    def _assume(self, quantity: str, value: float, unit: str, origin: str) -> float:
        self.assumed.append(Assumed(quantity, value, unit, origin))
        return value

    def _stage(self, healthy: HealthyStage) -> PlantStage:
        stroke, stage = self.heater.stroke_ul, healthy.stage
        flow, hertz = healthy.fuel_l_per_h, stage.pump_hz if stage else None
        if not stroke or not (flow or hertz):
            key = "stroke_ul" if not stroke else f"stages.{healthy.name}.pump_hz"
            hint = "Add it to the profile: the simulated heater is fed by strokes of its pump."
            raise CombustError(Fault(key, None, "missing", why="is not in the profile", hint=hint))
        hertz = hertz or float(pump_hz_from_volume_flow(flow or 0.0, stroke))
        millilitres = stroke * hertz * 1e-3
        grams = millilitres * self._density(healthy, healthy.fuel_temp_c) * 1e-3
        volts = healthy.value.get("voltage", math.log(1.05 * (self.heater.nominal_v or USUAL_V)))
        return PlantStage(healthy, hertz, millilitres, grams * 1e-3 / self.heat.fuel_mass, math.exp(volts))

    def _density(self, healthy: HealthyStage, temp_c: float) -> float:
        """Return the density of the stated fuel [kg/m³], by the expansion that the healthy stage is judged with."""
        return self.density * float(healthy.fuel_density(temp_c)) / float(healthy.fuel_density(15.0))

    def _set(self, stage: PlantStage) -> StageSet[float]:
        structure = HeaterParameters(**self.structure)
        return stage_set(stage.healthy.state, structure, self.heat, stage.fuel_kmol_per_s)

    def first_inputs(self) -> Inputs:
        """Return the inputs of a sound heater at its baseline's place."""
        home = self.stages[self.fullest].healthy.reference
        usual = {key: one.default for key, one in input_fields().items() if one.default is not None}
        return Inputs(
            **usual,
            stage=self.fullest,
            battery_v=self.conventions["battery_v_per_nominal"] * self.supply.nominal_v,
            loop_mohm=self.conventions["loop_mohm"],
            altitude_m=home.altitude_m or 0.0,
            air_temp_c=home.intake_temp_c,
            fuel_kind=self.heater.fuel.name,
        )

    # ---- what the inputs make of it ----------------------------------------------------------------------------------
    def fuel_need(self, inputs: Inputs) -> tuple[float, float, float]:
        """Return density and air need of the fuel in use by mass over the stated fuel's, and its heat per air [-]."""
        if inputs.fuel_kind == self.heater.fuel.name:
            return 1.0, 1.0, 1.0
        swap = same_pulses(self.heater.fuel, get_fuel(inputs.fuel_kind))
        mass = float(swap.fuel_mass)
        return mass, 1.0 / (float(swap.air_ratio) * mass), float(swap.heat * swap.air_ratio)

    def grams_per_ml(self, inputs: Inputs) -> float:
        """Return the fuel in use at the pump [g/ml]."""
        healthy = self.stages[self.fullest].healthy
        return self._density(healthy, inputs.air_temp_c) * self.fuel_need(inputs)[0] * 1e-3

    def site(self, stage: PlantStage, inputs: Inputs) -> SiteAir[float]:
        """Return the air of the place against that of a stage's baseline."""
        site = Site(inputs.altitude_m, None, inputs.air_temp_c)
        return SiteAir(*(float(part) for part in stage.healthy.air_of(site)))

    def parameters(self, inputs: Inputs) -> HeaterParameters[float]:
        """Return what differs from the healthy baseline, speed and fuel aside."""
        return HeaterParameters(
            **self.structure,
            r_in=inputs.intake_resistance,
            r_ex=inputs.exhaust_resistance,
            recirculated=inputs.recirculated,
            unseen_warming=1.0,
            clean=inputs.exchanger,
            heating_air=inputs.heating_air,
            fuel_heat=self.fuel_need(inputs)[2],
        )

    def law(self, weights: Mapping[str, float], inputs: Inputs) -> Law[float]:
        """Return the law of motion for stages blended by their weights."""
        parts = [name for name, weight in weights.items() if weight > 0.0]
        shares = [weights[name] for name in parts]
        stage = blended([self._sets[name] for name in parts], shares)
        site = blended([self.site(self.stages[name], inputs) for name in parts], shares)
        made = heater_law(stage, site, self.parameters(inputs), self.heat, need=self.fuel_need(inputs)[1])
        return as_floats(made)

    def resting(self, inputs: Inputs) -> WorkingPoint[float]:
        """Return the steady model, converged, for the inputs at their stage: where the heater comes to rest."""
        stage = self.stages[inputs.stage]
        hertz = stage.pump_hz * inputs.pump_hz_ratio
        arrives = self.delivered_ml_per_s(hertz, inputs) * (1.0 - inputs.bubbles) * self.grams_per_ml(inputs)
        need = self.fuel_need(inputs)[1]
        fuel = arrives * 1e-3 * need / self.heat.fuel_mass / stage.fuel_kmol_per_s
        asked = self.parameters(inputs)._replace(fuel=fuel, speed=self.speed_at_rest(inputs))
        return working_point(stage.healthy.state, self.site(stage, inputs), asked, self.heat, rounds=CONVERGED)

    def delivered_ml_per_s(self, hertz: float, inputs: Inputs) -> float:
        """Return the volume that reaches the line [ml/s]; wax takes its share of the full stage, less when slow."""
        volume = float(self.heater.stroke_ul or 0.0) * 1e-3 * hertz * inputs.fuel
        held = inputs.wax * min(1.0, volume / self.stages[self.fullest].fuel_ml_per_s)
        return volume * (1.0 - held)

    def speed_limit(self, plug_v: float, load: float, voltage: float) -> float:
        """Return the speed over the stage's that a voltage at the plug allows [-]."""
        kept = self.conventions
        found = blower_speed(
            plug_v / voltage,
            load=load,
            saturation=kept["saturation"],
            regulated=self.heater.speed_regulated,
            gain=kept["motor_gain"],
        )
        return float(found)

    def speed_at_rest(self, inputs: Inputs) -> float:
        """Return the blower's speed over the stage's while it burns at the stage [-]."""
        stage = self.stages[inputs.stage]
        load = stage.healthy.load
        plug = self.supply.at_plug(inputs.battery_v, inputs.loop_mohm, glow=False, load=load)
        return inputs.blower * self.speed_limit(plug, load, stage.voltage)


def blended(parts: Sequence[Blended], shares: Sequence[float]) -> Blended:
    """Return records of numbers averaged by shares, field by field; one part alone is returned as it is."""
    if len(parts) == 1:
        return parts[0]
    columns = (sum(map(mul, column, shares)) for column in zip(*parts, strict=True))
    return type(parts[0])(*columns)


def as_floats(law: Law[float]) -> Law[float]:
    """Return a law whose numbers are plain floats: several times faster in a step."""

    def plain(part: Any) -> Any:
        if isinstance(part, tuple) and hasattr(part, "_fields"):
            return type(part)(*(plain(one) for one in part))
        return part if isinstance(part, tuple) else float(part)

    return cast("Law[float]", plain(law))
