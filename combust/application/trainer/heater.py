"""The simulated heater: plant and controller in steps of a quarter second, with balances of fuel and heat."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from combust.application.trainer.control import BurnerControl, Event, Phase, Seen, rules_of
from combust.application.trainer.inputs import Inputs
from combust.application.trainer.plant import Plant, PlantStage
from combust.data.arguments import names_keywords
from combust.data.fields import Field
from combust.data.told import Rows, Told, tells
from combust.domain.heater import Heater
from combust.domain.result import Assumed
from combust.kernel import heater_dynamics as motion
from combust.kernel.heater_dynamics import HeaterMotion, StepFlows, StepInputs
from combust.kernel.heater_law import Law, body_conventions
from combust.kernel.hot_gas import REFERENCE_C
from combust.kernel.sampling_line import TransportDelay, first_order_step
from combust.kernel.working_point import WorkingPoint

STEP_S = 0.25
SECONDS = Field("seconds", unit="s", low=0.0, high=864_000.0, hint="Give 0 to 864000 (ten days).")
POWERED_SHARE = 0.5  # of the nominal voltage, below which there is no power: convention, no heater's


@tells()
class Asked(NamedTuple):
    """What the controller asks for at a moment: pump [Hz], glow, blower and heating-air fan over the stage's speed."""

    pump_hz: float
    glow: bool
    blower: float
    fan: float


@tells()
class Balance(NamedTuple):
    """Sums since the beginning: fuel [g] and heat [J]; ``fuel_error`` and ``heat_error`` are relative and near 0."""

    pumped_g: float
    burnt_g: float
    vented_g: float
    held_g: float
    heat_in_j: float
    heat_out_j: float
    stored_j: float
    fuel_error: float
    heat_error: float


@names_keywords
class SimulatedHeater(Told):
    """A heater of a profile that can be driven: its resting state is the steady model of this library, converged.

    Simulated: times, trips and flame limits are conventions, no heater's. Fuel and heat are conserved in every step.

    Parameters
    ----------
    heater : Heater
        A profile with [start], stroke and pump frequencies.
    structure : mapping, optional
        Structure of the air path and exchanger instead of the medians of the priors.

    Raises
    ------
    CombustError
        What the profile lacks.

    Examples
    --------
    >>> from combust.edge.demo_data import demo_data
    >>> simulated = SimulatedHeater(Heater.load(demo_data() / "heaters" / "heater-0312.toml"))
    >>> simulated.request_heat()
    >>> simulated.advance(600.0)
    2400
    >>> simulated.phase.name
    'running'
    """

    def __init__(self, heater: Heater, *, structure: Mapping[str, float] | None = None) -> None:
        rules, start, assumed = rules_of(heater)
        self.plant = Plant(heater, structure)
        self.assumed: tuple[Assumed, ...] = (*assumed, *self.plant.assumed)
        self.control = BurnerControl(rules, start)
        self.inputs: Inputs = self.plant.first_inputs()
        self.time_s = 0.0
        self._steps, self._owed = 0, 0.0
        self.weights = {name: float(name == self.plant.lowest) for name in self.plant.stages}
        self._law: Law[float] | None = None
        self._stand_cold()
        self.dosed_ml = 0.0
        self._pumped = self._burnt = self._vented = self._heat_in = self._heat_out = 0.0
        self.asked = Asked(0.0, False, 0.0, 0.0)
        self.flows: StepFlows[float] | None = None
        self.plug_v = self.inputs.battery_v

    def _stand_cold(self) -> None:
        """Let it have stood for long where it is: as cold as the air, its line full of the fuel of the place."""
        body = body_conventions()
        self.state: HeaterMotion[float] = motion.cold_motion(self.inputs.air_temp_c)
        self.sensor = self.state.chamber
        self.line = TransportDelay(body.line_ml, self.plant.grams_per_ml(self.inputs))
        self._line_g = self.line.content
        self._stored = motion.stored_heat(self.state, body)

    def lines(self) -> Rows:
        """Return its time, what the controller does and the inputs of the moment."""
        return [("time", f"{self.time_s:g} s"), ("controller", self.phase.name), *self.inputs.lines()]

    # ---- what people do ----------------------------------------------------------------------------------------------
    def set_inputs(self, changes: Mapping[str, Any]) -> None:
        """Move inputs; they act from the next step on. Before any time has passed, the heater has always stood so.

        Raises
        ------
        CombustError
            Every input that cannot be moved so, at once; then none is moved.
        """
        self.inputs = self.inputs.moved(self.plant.heater, changes)
        self._law = None
        if not self._steps:
            self._stand_cold()

    def request_heat(self, on: bool = True) -> None:
        """Ask for heat at the control, or no longer."""
        self.control.request_heat(self.time_s, self._seen(), on)

    def release_lockout(self) -> None:
        """Release a lock-out."""
        self.control.release_lockout(self.time_s)

    @property
    def phase(self) -> Phase:
        """What the controller is doing."""
        return self.control.phase

    @property
    def events(self) -> list[Event]:
        """What happened, in order of time."""
        return self.control.events

    # ---- time passes -------------------------------------------------------------------------------------------------
    def advance(self, seconds: float) -> int:
        """Let time pass in whole steps and return their number; what is left over is kept for the next call.

        The steps stand on a fixed grid: the same inputs at the same moments give the same heater, however the time is
        cut into calls.

        Raises
        ------
        CombustError
            Less than 0, more than ten days, or no number.
        """
        count = self.owe(SECONDS.checked(seconds))
        for _ in range(count):
            self.step()
        return count

    def owe(self, seconds: float) -> int:
        """Return how many whole steps are due after some more seconds; the rest is kept."""
        self._owed += seconds
        count = int(self._owed / STEP_S + 1e-9)
        self._owed -= count * STEP_S
        return count

    def step(self) -> None:
        """Let one step pass; where a phase ends inside, the pump and the glow stop there and not later."""
        self._steps += 1
        end = self._steps * STEP_S
        while end - self.time_s > 1e-9:
            self.control.update(self.time_s, self._seen())
            until = min(end, max(self.control.phase.end_s, self.time_s + 1e-6))
            self._pass(until - self.time_s)
            self.time_s = until
        self.time_s = end

    def _pass(self, dt: float) -> None:
        self._blend(dt)
        law = self._law or self.plant.law(self.weights, self.inputs)
        self._law = law
        asked = self.asked = self._asks()
        inputs, plant = self.inputs, self.plant
        load, voltage = self._of_stages(lambda one: one.healthy.load), self._of_stages(lambda one: one.voltage)
        powered = self.powered()
        self.plug_v = (
            plant.supply.at_plug(inputs.battery_v, inputs.loop_mohm, glow=asked.glow, load=load * asked.blower)
            if powered
            else 0.0
        )
        limit = plant.speed_limit(self.plug_v, load, voltage) if powered else 0.0
        hertz = asked.pump_hz * inputs.pump_hz_ratio
        volume = plant.delivered_ml_per_s(hertz, inputs) * dt
        solid = 1.0 - inputs.bubbles
        grams = volume * plant.grams_per_ml(inputs) * solid if volume else 0.0
        arrived = self.line.push(volume, grams / volume) * volume if volume else 0.0
        self.dosed_ml += volume * solid
        self._pumped += grams
        glow = inputs.glow * self.plug_v**2 / plant.supply.glow_ohm if asked.glow else 0.0
        shaft = plant.structure["shaft"]
        blower = min(asked.blower, limit) * inputs.blower
        fan = asked.fan + shaft * (blower - asked.fan) if powered else 0.0  # what of it turns with the blower
        self.state, flows = motion.motion_step(self.state, law, StepInputs(arrived / dt, glow, blower, fan), dt)
        self.flows = flows
        self._burnt += flows.burnt_g_per_s * dt
        self._vented += flows.vented_g_per_s * dt
        self._heat_in += (flows.released + flows.carried + flows.glow) * dt
        self._heat_out += (flows.flue + flows.heating) * dt
        lag = self.control.rules.sensor_lag_s
        self.sensor = float(first_order_step(self.sensor, self.state.chamber, dt, lag))

    def _blend(self, dt: float) -> None:
        """Move the weights towards the stage that is burnt at, in the time of the conventions."""
        target = self.inputs.stage if self.phase.name == "running" else self.plant.lowest
        if self.weights[target] >= 1.0:
            return
        gained = min(1.0, self.weights[target] + dt / body_conventions().stage_blend_s)
        left = 1.0 - self.weights[target]
        for name in self.weights:
            if name != target:
                self.weights[name] *= (1.0 - gained) / left
        self.weights[target] = gained
        self._law = None

    def _of_stages(self, number: Callable[[PlantStage], float]) -> float:
        """Return a number of the stages, blended as they are burnt at."""
        return sum(weight * number(self.plant.stages[name]) for name, weight in self.weights.items())

    def _asks(self) -> Asked:
        name, rules = self.phase.name, self.control.rules
        start_hz = float(self.control.start.attempt_pump_hz or 0.0)
        if name in ("self_check", "preheat"):
            return Asked(0.0, name == "preheat", rules.preheat_speed, rules.preheat_speed)
        if name == "attempt":
            return Asked(start_hz, True, rules.attempt_speed, rules.attempt_speed)
        if name in ("settle", "running"):
            stage_hz = self._of_stages(lambda one: one.pump_hz)
            if name == "running":
                return Asked(stage_hz, False, 1.0, 1.0)
            done = self._settled()
            speed = rules.attempt_speed + done * (1.0 - rules.attempt_speed)
            return Asked(start_hz + done * (stage_hz - start_hz), False, speed, speed)
        if name in ("run_on", "cool_down"):
            return Asked(0.0, False, rules.run_on_speed, rules.run_on_speed)
        return Asked(0.0, False, 0.0, 0.0)

    def _settled(self) -> float:
        length = self.phase.end_s - self.phase.begin_s
        return min(1.0, (self.time_s - self.phase.begin_s) / length) if length > 0.0 else 1.0

    def powered(self) -> bool:
        """Whether there is power: more than half of the nominal voltage at the battery."""
        return self.inputs.battery_v > POWERED_SHARE * self.plant.supply.nominal_v

    def _seen(self) -> Seen:
        inputs = self.inputs
        sensor_c, outlet_c = self.sensor + REFERENCE_C, self.state.port + REFERENCE_C
        return Seen(sensor_c, outlet_c, self.plug_v, inputs.warm_enough, self.powered())

    # ---- what can be asked -------------------------------------------------------------------------------------------
    @property
    def at_rest(self) -> WorkingPoint[float]:
        """The steady model, converged, for the inputs of the moment: where this heater comes to rest while it burns."""
        return self.plant.resting(self.inputs)

    def port_pressures(self) -> tuple[float, float]:
        """Return suction at the intake port and pressure at the exhaust port over the baseline's [-]."""
        if self.flows is None or self._law is None:
            return 0.0, 0.0
        suction, back = motion.port_pressures(self.state, self._law, self.flows)
        return float(suction), float(back)

    @property
    def balance(self) -> Balance:
        """Fuel and heat since the beginning: what came in is what went out and what is still there."""
        held = self.line.content - self._line_g + self.state.film_g + self.state.pool_g
        stored = motion.stored_heat(self.state, body_conventions()) - self._stored
        lost_g = self._pumped - self._burnt - self._vented - held
        lost_j = self._heat_in - self._heat_out - stored
        scale_j = abs(self._heat_in) + abs(self._heat_out) + abs(stored)
        return Balance(
            self._pumped,
            self._burnt,
            self._vented,
            held,
            self._heat_in,
            self._heat_out,
            stored,
            lost_g / max(self._pumped, 1e-9),
            lost_j / max(scale_j, 1e-9),
        )
