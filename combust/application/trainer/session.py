"""A training session: one simulated heater with an analyser in its flue, driven by hand, by a clock or by a story."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from combust.application.causes.clean_gas import O2_AIR
from combust.application.causes.first_look import first_look
from combust.application.trainer.analyser import Sampled, SimulatedAnalyser
from combust.application.trainer.control import Event, phase_label
from combust.application.trainer.display import FULL_C, SimulatedDisplay
from combust.application.trainer.heater import STEP_S, SimulatedHeater
from combust.application.trainer.resting import co_ppm
from combust.data.arguments import names_keywords
from combust.data.fields import fields_of, need_fields
from combust.data.tables import load_table
from combust.data.told import Rows, Told
from combust.domain.heater import Heater
from combust.domain.limits import cautions, limit
from combust.domain.reading import Reading
from combust.domain.safety import Safety
from combust.kernel.hot_gas import REFERENCE_C

TRACE_S = 1.0
LONGEST_TRACE = 86_400  # rows, a day
TRACE = (
    *("time_s", "phase", "pump_hz", "blower_share", "glow", "supply_v", "air_out_temp_c", "o2_dry_pct"),
    *("co_dry_ppm", "flue_temp_c", "dosed_ml", "stage"),
)
# What everybody in front of the heater sees; a stop of the rest stands where the rest was looked at.
IN_FRONT = ("o2_dry_pct", "co_dry_ppm")
STOPPED_BY = (*IN_FRONT, "altitude_m", "supply_v")
HIDDEN = ("burns", "air_ratio", "chamber_c", "wall_c", "glow_c", "film_g", "pool_g")


@names_keywords
class TrainingSession(Told):
    """A simulated heater of a profile to drive: inputs moved live, a request for heat, time that passes, what one sees.

    Simulated: resting values follow this project's model; times, trips and flame limits are conventions, no heater's.
    Its readings are marked ``simulated``; logbook and history refuse them.

    Parameters
    ----------
    heater : Heater
        A profile with [start], stroke and pump frequencies.
    time_factor : float, default 1
        How many seconds of the heater pass in one of ``advance``, 1 to 60.
    instrument : str, optional
        Class of the analyser.
    structure : mapping, optional
        Structure of the air path and exchanger instead of the medians of the priors.
    traced : bool, default True
        Whether a row is kept of every second; a day of them takes 50 MB.

    Raises
    ------
    CombustError
        What the profile lacks; a time factor out of its band.

    Examples
    --------
    >>> from combust.edge.demo_data import demo_data
    >>> session = TrainingSession(Heater.load(demo_data() / "heaters" / "heater-0312.toml"))
    >>> session.request_heat()
    >>> session.advance(900.0)
    >>> session.display().phase, round(session.display().o2_dry_pct, 1)
    ('running', 8.2)
    """

    def __init__(
        self,
        heater: Heater,
        *,
        time_factor: float = 1.0,
        instrument: str | None = None,
        structure: Mapping[str, float] | None = None,
        traced: bool = True,
    ) -> None:
        self.heater = SimulatedHeater(heater, structure=structure)
        self.analyser = SimulatedAnalyser(heater.fuel, instrument=instrument)
        self._time_factor = 1.0
        self.time_factor = time_factor
        self._say = load_table("trainer_scenarios")["say"]
        self._trace: list[tuple[Any, ...]] = []
        self._rows_at_most = LONGEST_TRACE if traced else 0
        self.never_on_a_real_heater = False
        self._judged: dict[tuple[str, ...], tuple[dict[str, float], Safety]] = {}

    def opening(self) -> tuple[str, ...]:
        """Return how the display begins: that it is simulated, and what would stop a real heater."""
        return self.display().opening()

    def lines(self) -> Rows:
        """Return what one sees, hears and reads now."""
        return self.display().lines()

    @property
    def time_factor(self) -> float:
        """How many seconds of the heater pass in one of the trainer."""
        return self._time_factor

    @time_factor.setter
    def time_factor(self, value: float) -> None:
        """Set it, from 1 to 60."""
        self._time_factor = need_fields({"time_factor": value}, _session_fields(), what="a session")["time_factor"]

    @property
    def time_s(self) -> float:
        """Time of the heater since the beginning [s]."""
        return self.heater.time_s

    # ---- what people do ----------------------------------------------------------------------------------------------
    def set_inputs(self, changes: Mapping[str, Any] | None = None) -> None:
        """Move inputs of the running heater (``trainer_scenarios.toml``: fuel, exhaust_resistance, battery_v, ...).

        Raises
        ------
        CombustError
            Every input that cannot be moved so, at once; then none is moved.
        """
        self.heater.set_inputs(changes or {})
        if not self.heater.powered():
            self.never_on_a_real_heater = True

    def request_heat(self, on: bool = True) -> None:
        """Ask for heat at the control, or no longer."""
        if on and self.heater.control.failed_starts:
            self.never_on_a_real_heater = True
        self.heater.request_heat(on)

    def release_lockout(self) -> None:
        """Release a lock-out, as nobody should before the cause is found."""
        self.never_on_a_real_heater = True
        self.heater.release_lockout()

    def empty_trap(self) -> None:
        """Empty the water trap of the analyser."""
        self.analyser.empty_trap()

    # ---- time passes -------------------------------------------------------------------------------------------------
    def advance(self, seconds: float) -> None:
        """Let seconds of the trainer pass: ``time_factor`` times as many of the heater.

        Raises
        ------
        CombustError
            Less than 0 or more than an hour at a time.
        """
        given = need_fields({"seconds": seconds}, _session_fields(), what="a session")["seconds"]
        steps = self.heater.owe(given * self._time_factor)
        for _ in range(steps):
            self.heater.step()
            inputs = self.heater.inputs
            self.analyser.step(
                self.sample(),
                STEP_S,
                leak=inputs.hose_leak,
                wet=inputs.wet_hose,
                drift_pct=inputs.cell_drift_pct,
            )
            if (
                self.heater.time_s >= len(self._trace) * TRACE_S + TRACE_S - 1e-9
                and len(self._trace) < self._rows_at_most
            ):
                self._trace.append(self._row())

    def sample(self) -> Sampled:
        """Return the gas at the probe: that of the moment's lambda, or air with unburnt vapour where nothing burns."""
        state, flows, gas = self.heater.state, self.heater.flows, self.analyser.gas
        flue = state.flue + REFERENCE_C
        if flows is None or not state.lit:
            return Sampled(O2_AIR, 0.0, math.inf, False, flue)
        ratio = flows.air_ratio
        return Sampled(float(gas.o2_pct(ratio)), self._co(ratio, state.chamber + REFERENCE_C), ratio, True, flue)

    def _known(self, name: str) -> float | None:
        """Return a value of the healthy stages, blended as they are burnt at; None where one of them lacks it."""
        stages = self.heater.plant.stages
        burnt = {one: weight for one, weight in self.heater.weights.items() if weight}
        values = {one: stages[one].healthy.value.get(name) for one in burnt}
        found = [weight * value for one, weight in burnt.items() if (value := values[one]) is not None]
        return sum(found) if len(found) == len(burnt) else None

    def _healthy(self, name: str) -> float:
        return self._known(name) or 0.0

    def _co(self, ratio: float, chamber_c: float) -> float:
        """Return CO by the weak relation of the causes, and more in a cold chamber [ppm]."""
        band = load_table("trainer_scenarios")["co_band"]
        usual, healthy = math.exp(self._healthy("air_ratio")), self._healthy("co")
        cold = max(0.0, 1.0 - chamber_c / band["cold_chamber_c"])
        return co_ppm(self.heater, ratio, usual, healthy) * float(band["cold_chamber_factor"] ** cold)

    # ---- what one sees -----------------------------------------------------------------------------------------------
    def display(self) -> SimulatedDisplay:
        """Return what one sees, hears and reads at this moment."""
        heater, seen = self.heater, self.analyser.shown
        phase, state = heater.phase, heater.state
        statics = self._statics()
        return SimulatedDisplay(
            note=self._say["simulated"],
            time_s=heater.time_s,
            time_factor=self._time_factor,
            phase=phase.name,
            phase_label=phase_label(phase.name, phase.number),
            locked=heater.control.locked,
            stage=heater.inputs.stage,
            o2_dry_pct=seen.o2_dry_pct,
            co_band=self.co_band(),
            co_relation=self._say["weak"],
            flue_temp_c=seen.flue_temp_c,
            air_out_temp_c=float(round(state.port + REFERENCE_C)),
            supply_v=round(heater.plug_v, 2),
            pump_hz=round(heater.asked.pump_hz * heater.inputs.pump_hz_ratio, 3),
            blower_rpm=self._rpm(),
            intake_static_pa=statics[0],
            exhaust_static_pa=statics[1],
            dosed_ml=round(heater.dosed_ml, 3),
            trap_full=self.analyser.trap_full,
            bars={name: _bar(getattr(state, name), full) for name, full in FULL_C.items()},
            findings=self.safety().stops,
            cautions=(*((self._say["never"],) if self.never_on_a_real_heater else ()), *cautions()),
        )

    def safety(self, seen: Iterable[str] = STOPPED_BY) -> Safety:
        """Return the safety state that a real heater would be in, judged as that of a visit is.

        Parameters
        ----------
        seen : iterable of str
            What was looked at, keys of a reading; the analyser always is, and a start that failed.
        """
        heater, shown, control = self.heater, self.analyser.shown, self.heater.control
        values = {"o2_dry_pct": shown.o2_dry_pct, "co_dry_ppm": shown.co_dry_ppm}
        values |= {"altitude_m": heater.inputs.altitude_m, "supply_v": round(heater.plug_v, 2) or math.nan}
        looked, at_glow = {*seen, *IN_FRONT}, {"supply_v": "supply_glow_v"} if heater.asked.glow else {}
        row = {at_glow.get(name, name): value for name, value in values.items() if name in looked and value == value}
        failed = {"failed_starts": control.failed_starts, "allowed_failed_starts": control.rules.failed_starts_allowed}
        row |= {name: float(count) for name, count in failed.items()}
        names = tuple(row)
        if self._judged.get(names, (None,))[0] != row:  # several pages ask in the same second
            taken = {**row, "location": "outdoors"}
            look = first_look(heater.plant.heater, self.analyser.instrument, [[taken]])[0]
            self._judged[names] = (row, look.safety)
        return self._judged[names][1]

    def co_band(self) -> str:
        """Return the CO shown in words, against that of the healthy stage."""
        band, seen = load_table("trainer_scenarios")["co_band"], self.analyser.shown
        if seen.o2_dry_pct >= limit("o2_no_lambda") and not seen.over_range:
            return str(band["no_gas"])
        over = seen.co_dry_ppm / math.exp(self._healthy("co"))
        words: Sequence[str] = band["words"]
        return words[-1] if seen.over_range else words[sum(over > edge for edge in band["over_healthy"])]

    def reading(self) -> Reading:
        """Return what the instruments show as a reading that is marked ``simulated``: no logbook takes it."""
        seen, inputs, now = self.analyser.shown, self.heater.inputs, self.display()
        values = {
            "simulated": "yes",
            "stage": inputs.stage,
            "o2_dry_pct": seen.o2_dry_pct,
            "co_dry_ppm": seen.co_dry_ppm,
            "flue_temp_c": seen.flue_temp_c,
            "air_in_temp_c": inputs.air_temp_c,
            "air_out_temp_c": now.air_out_temp_c,
            "intake_temp_c": inputs.air_temp_c,
            "altitude_m": inputs.altitude_m,
            "supply_v": now.supply_v or None,
            "blower_rpm": now.blower_rpm,
            "pump_hz": now.pump_hz or None,
            "intake_static_pa": now.intake_static_pa,
            "exhaust_static_pa": now.exhaust_static_pa,
            "location": "outdoors",
        }
        return Reading(**{key: value for key, value in values.items() if value is not None})

    def events(self, since: int = 0) -> tuple[Event, ...]:
        """Return what happened, in order; ``since`` leaves out as many as were seen already."""
        return tuple(self.heater.events[since:])

    def trace(self, *, hidden: bool = False) -> dict[str, list[float | str | None]]:
        """Return one value a second of what was shown, column by column; ``hidden`` adds what nobody can see."""
        names = TRACE + (HIDDEN if hidden else ())
        return {name: [row[index] for row in self._trace] for index, name in enumerate(names)}

    def _row(self) -> tuple[Any, ...]:
        heater, seen, state = self.heater, self.analyser.shown, self.heater.state
        ratio = heater.flows.air_ratio if heater.flows is not None and state.lit else None
        name = heater.phase.name
        visible = (
            *(heater.time_s, name if not heater.phase.number else f"{name} {heater.phase.number}"),
            *(heater.asked.pump_hz * heater.inputs.pump_hz_ratio, state.blower, heater.asked.glow, heater.plug_v),
            *(state.port + REFERENCE_C, seen.o2_dry_pct, seen.co_dry_ppm, seen.flue_temp_c, heater.dosed_ml),
            heater.inputs.stage,
        )
        unseen = (*(state.lit, ratio), *(one + REFERENCE_C for one in (state.chamber, state.wall, state.glow)))
        return (*visible, *unseen, state.film_g, state.pool_g)

    def _rpm(self) -> float | None:
        full = self._known("speed")
        return None if full is None else float(round(math.exp(full) * self.heater.state.blower, -1))

    def _statics(self) -> tuple[float | None, float | None]:
        """Return suction at the intake port and pressure at the exhaust port [Pa], where the stages have them."""
        suction, back = self.heater.port_pressures()
        before, behind = self._known("intake_static"), self._known("exhaust_static")
        return (
            None if before is None else float(-round(math.exp(before) * suction)),
            None if behind is None else float(round(math.exp(behind) * back)),
        )


def _bar(above_k: float, full_c: float) -> float:
    return round(min(max((above_k + REFERENCE_C) / full_c, 0.0), 1.0), 2)


def _session_fields() -> Mapping[str, Any]:
    return fields_of(load_table("trainer_scenarios")["session"])
