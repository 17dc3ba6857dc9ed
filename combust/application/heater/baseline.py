"""A healthy stage from a profile or a bare fuel: the one place that decides what stands in for a missing channel."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from combust.application.heater.healthy import HealthyStage
from combust.application.heater.structure import priors_table
from combust.application.reading.columns import columns_of_reading
from combust.application.reading.interpret import interpret_columns
from combust.application.reading.judge import OF_PORTS
from combust.data.errors import Code, CombustError, Fault
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.instrument import instrument_class
from combust.domain.result import Assumed, assume
from combust.domain.site import Site
from combust.kernel import air
from combust.kernel.constants import DRY_AIR
from combust.kernel.fuel_delivery import pump_hz_from_volume_flow
from combust.kernel.working_point import HealthyState

# What is read at the machine, as ln of its size: channel -> the column it stands in.
MACHINE = {"voltage": "supply_v", "speed": "blower_rpm", "frequency": "pump_hz"}
PORTS = {column.removesuffix("_pa"): column for column in OF_PORTS}


class _Builder:
    """Collects what a stage reads when healthy; the one place that decides what stands in for a missing channel."""

    def __init__(self, reading: Mapping[str, Any], priors: Mapping[str, Any], origin: str = "unit") -> None:
        self.reading, self.priors = reading, priors
        self.spread: Mapping[str, float] = {} if origin == "unit" else priors[f"{origin}_spread"]
        self.value: dict[str, float] = {}
        self.u: dict[str, float] = {}
        self.assumed: list[Assumed] = []

    def put(self, key: str, number: float, spread: float, type_key: str = "") -> None:
        """Keep a channel; a reading of the type, or a provisional one, adds its spread."""
        more = self.spread.get(type_key or key, 0.0)
        self.value[key], self.u[key] = number, float(np.hypot(spread, more))

    def take(self, key: str, stand_in: float, origin: str) -> float:
        """Return a number of the reading, or what stands in for it."""
        given = self.reading.get(key)
        if given is not None:
            return float(given)
        self.assume(f"{key} at the baseline", stand_in, origin)
        return stand_in

    def assume(self, quantity: str, value: Any, origin: str) -> None:
        """Note what was filled in."""
        self.assumed.append(assume(quantity, value, origin))

    def stage(self, state: HealthyState[float], reference: Site, burnt: Fuel, fuel: Fuel, **known: Any) -> HealthyStage:
        """Return the stage as it was read on the fuel burnt then, brought to the fuel in use."""
        cold = self.take("fuel_temp_c", reference.intake_temp_c, "as cold as the intake air")
        if fuel.expansion_per_k is None:
            usual = float(self.priors["unknown"]["expansion_per_k"])
            self.assume("expansion_per_k", usual, "textbook value of diesel, from memory")
        known |= {"value": self.value, "u": self.u, "priors": self.priors, "assumed": tuple(self.assumed)}
        return HealthyStage(burnt, state, reference, cold, **known).on_fuel(fuel)

    def home(self) -> Site:
        """Return the baseline's own air."""
        pressure = self.reading.get("pressure_hpa")
        height = self.reading.get("altitude_m")
        if pressure is None:
            height = self.take("altitude_m", 0.0, "sea level")
        intake = self.take("intake_temp_c", air.STANDARD_TEMP_C, "standard air")
        return Site(height, pressure, intake, self.reading.get("humidity_pct") or 0.0)

    def flue(self, stage: Stage | None, fuel: Fuel, ratio: float, intake: float) -> float:
        """Return the flue temperature and keep it as a channel."""
        given, unknown = self.reading.get("flue_temp_c"), self.priors["unknown"]
        if given is None:
            flue, u = usual_flue_temp(stage, fuel, ratio, intake, unknown["efficiency"]), float(unknown["flue_k"])
            self.assume("flue_temp_c at the baseline", round(flue, 1), f"a usual efficiency, ± {u:g} K")
        else:
            flue, u = float(given), float(np.hypot(2.0 + 0.006 * given, self.priors["reading"]["flue_scatter_k"]))
        self.put("flue", flue, u, "flue_k")
        return flue

    def rise(self, air_in: float) -> float:
        """Return the rise of the heating air; a channel only where it was read."""
        out, unknown = self.reading.get("air_out_temp_c"), self.priors["unknown"]
        if out is None:
            usual = float(unknown["rise_k"])
            self.assume("air_out_temp_c at the baseline", air_in + usual, f"a usual rise, {unknown['origin']}")
            return usual
        rise = max(5.0, float(out) - air_in)
        self.put("rise", float(np.log(rise)), 1.4 * self.priors["reading"]["air_temp_u_k"] / rise)
        return rise

    def combustion(self) -> None:
        """Keep CO and smoke, usual ones where they were not read."""
        flame, scatter = self.priors["flame"], self.priors["reading"]
        co, smoke = self.reading.get("co_dry_ppm"), self.reading.get("smoke_number")
        if co is None:
            self.put("co", float(np.log(flame["co_usual_ppm"])), float(np.log(flame["co_usual_factor"])))
        else:
            self.put("co", float(np.log(max(float(co), 5.0))), float(co_u(float(co), scatter)))
        self.put("smoke", float(flame["smoke_usual"] if smoke is None else smoke), 0.7 if smoke is None else 0.4)

    def machine(self, heater: Heater, stage: Stage) -> None:
        """Keep port pressures, voltage, speed and pump frequency: as read, as stated, or not at all."""
        reading, scatter = self.reading, self.priors["reading"]
        for key, column in PORTS.items():
            pascal = abs(float(reading.get(column) or 0.0))
            if pascal >= 2.0:
                self.put(key, float(np.log(pascal)), static_u(pascal, scatter), "static")
        stated = stage.pump_hz
        if stated is None and stage.fuel_l_per_h and heater.stroke_ul:
            stated = pump_hz_from_volume_flow(stage.fuel_l_per_h, heater.stroke_ul)
        for key, other, other_u in (
            ("voltage", 1.05 * (heater.nominal_v or 0.0), 0.04),
            ("speed", stage.blower_rpm, 0.04),
            ("frequency", stated, 0.03),
        ):
            given = reading.get(MACHINE[key])
            number = float(given or other or 0.0)
            if number:
                self.put(key, float(np.log(number)), scatter[f"{key}_u"] if given else other_u)


def co_u(ppm: Any, scatter: Mapping[str, float]) -> Any:
    """Return the standard uncertainty of ln of a CO in ppm: a share of it, and 10 ppm where there is little."""
    return np.hypot(scatter["co_u"], 10.0 / np.maximum(ppm, 10.0))


def static_u(pascal: float, scatter: Mapping[str, float]) -> float:
    """Return the relative uncertainty of a port pressure."""
    return float(np.hypot(scatter["static_u"], scatter["static_floor_pa"] / max(pascal, 2.0)))


def usual_flue_temp(
    stage: Stage | None, fuel: Fuel, air_ratio: float, intake_temp_c: float, efficiency: float
) -> float:
    """Return a flue temperature from useful heat and fuel, or a usual efficiency (Siegert's slope for oil) [°C]."""
    density, net = fuel.density_kg_per_m3, fuel.net_heating_value_mj_per_kg
    if stage and stage.useful_heat_kw and stage.fuel_l_per_h and density:
        # l/h x kg/m³ = g/h; g/h x MJ/kg = kJ/h; 3600 kJ/h = 1 kW
        efficiency = stage.useful_heat_kw / (stage.fuel_l_per_h * density * net / 3600.0)
    loss = 100.0 * min(max(1.0 - efficiency, 0.06), 0.40)
    o2 = 100.0 * DRY_AIR.o2 * (1.0 - 1.0 / (1.0 + 1.07 * (air_ratio - 1.0)))
    return intake_temp_c + loss / (0.68 / (21.0 - o2) + 0.007)


def healthy_stage(
    heater_or_fuel: Heater | Fuel | str,
    *,
    stage: str | None = None,
    air_ratio: float | None = None,
    air_ratio_u: float = 0.0,
    reference: Site | None = None,
    useful_heat_kw: float | None = None,
    priors: Mapping[str, Any] | None = None,
) -> HealthyStage:
    """Return a healthy stage: of a profile, or of a bare fuel with lambda at a reference air.

    Parameters
    ----------
    heater_or_fuel : Heater, Fuel or str
        A heater profile, or a fuel with ``air_ratio`` at a stated ``reference`` air.
    stage : str, optional
        Heat stage; default the one with the most fuel or heat.
    air_ratio, air_ratio_u : float
        lambda and its standard uncertainty, only with a bare fuel [-].
    reference : Site, optional
        Air the lambda belongs to, only with a bare fuel; default 1013.25 hPa, 15 °C, dry, listed in ``assumed``.
    useful_heat_kw : float, optional
        Useful heat at the baseline [kW], only with a bare fuel.
    priors : mapping, optional
        Table of priors; default the shipped one.

    Raises
    ------
    CombustError
        Missing lambda, unknown stage, or a profile that gives no lambda.
    """
    table = priors_table() if priors is None else priors
    if not isinstance(heater_or_fuel, Heater):
        return _of_fuel(get_fuel(heater_or_fuel), air_ratio, air_ratio_u, reference, useful_heat_kw, table)
    assumed: tuple[Assumed, ...] = ()
    if stage is None:
        stage = max(
            heater_or_fuel.stages.values(), key=lambda one: (one.fuel_l_per_h or 0.0, one.useful_heat_kw or 0.0)
        ).name
        assumed = (assume("stage", stage, "the stage with the most fuel or heat"),)
    found = _of_heater(heater_or_fuel, heater_or_fuel.stage_of(stage), table, assumed)
    if any(one.quantity == "air_ratio" for one in found.assumed):
        hint = "Enter a healthy reading with O2, or the healthy band of lambda from the heater's document."
        raise CombustError(Fault(f"baseline of stage {stage}", None, "missing", why="gives no lambda", hint=hint))
    return found


def healthy_stages(heater: Heater, priors: Mapping[str, Any]) -> dict[str, HealthyStage]:
    """Return the healthy state of every stage of a heater: measured where it was, stated or usual where not."""
    return {name: _of_heater(heater, stage, priors, ()) for name, stage in heater.stages.items()}


def _of_fuel(
    fuel: Fuel,
    air_ratio: float | None,
    air_ratio_u: float,
    reference: Site | None,
    useful_heat_kw: float | None,
    priors: Mapping[str, Any],
) -> HealthyStage:
    if air_ratio is None or not math.isfinite(air_ratio) or not 0.5 <= air_ratio <= 10.0:
        hint = "Give lambda at the reference air, for example air_ratio=1.6, or a heater profile."
        code: Code = "missing" if air_ratio is None else "out_of_band"
        raise CombustError(Fault("air_ratio", air_ratio, code, low=0.5, high=10.0, why="cannot be used", hint=hint))
    build = _Builder({}, priors)
    if reference is None:
        reference = Site()
        build.assume("reference", "1013.25 hPa, 15 °C, dry", "ISO 2533 sea level; no reference air was given")
    build.put("air_ratio", math.log(air_ratio), air_ratio_u / air_ratio)
    state = _state(build, None, fuel, air_ratio, reference.intake_temp_c)
    return build.stage(state, reference, fuel, fuel, useful_heat_kw=useful_heat_kw)


def _of_heater(heater: Heater, stage: Stage, priors: Mapping[str, Any], assumed: tuple[Assumed, ...]) -> HealthyStage:
    baseline = heater.baseline_of(stage.name)
    reading: Mapping[str, Any] = baseline.reading if baseline else {}
    build = _Builder(reading, priors, baseline.origin if baseline else "unit")
    build.assumed += assumed
    home = build.home()
    intake = home.intake_temp_c
    burnt_then = baseline.fuel if baseline else heater.fuel
    ratio = _air_ratio(build, stage, baseline, burnt_then)
    state = _state(build, stage, heater.fuel, ratio, intake)  # heat and fuel flow stand in the document together
    build.combustion()
    build.machine(heater, stage)
    return build.stage(
        state,
        home,
        burnt_then,
        heater.fuel,
        load=_load(heater, stage),
        heater=heater,
        stage=stage,
        baseline=baseline,
        air_out_temp_c=reading.get("air_out_temp_c"),
        useful_heat_kw=stage.useful_heat_kw,
    )


def _state(build: _Builder, stage: Stage | None, fuel: Fuel, ratio: float, intake: float) -> HealthyState[float]:
    flue = build.flue(stage, fuel, ratio, intake)
    air_in = build.take("air_in_temp_c", intake, "as cold as the intake air")
    return HealthyState(ratio, flue, intake, air_in, build.rise(air_in))


def _air_ratio(build: _Builder, stage: Stage, baseline: Baseline | None, fuel: Fuel) -> float:
    """Return lambda of the baseline and keep it: the reading's, the middle of the healthy band, or a usual one."""
    if baseline is not None:
        ratio, u = read_air_ratio(baseline.reading, fuel)
        if math.isfinite(ratio):
            oxygen, scatter = baseline.reading.get("o2_dry_pct"), build.priors["reading"]["o2_scatter_pct"]
            again = ratio
            if oxygen is not None:
                again, _ = read_air_ratio({**baseline.reading, "o2_dry_pct": oxygen + scatter}, fuel)
            build.put("air_ratio", math.log(ratio), math.hypot(u / ratio, math.log(again / ratio)))
            return ratio
    unknown = build.priors["unknown"]
    if stage.air_ratio_band is not None:
        low, high = stage.air_ratio_band
        ratio, u = (low + high) / 2.0, (high - low) / (math.sqrt(3.0) * (low + high))
        origin = "middle of the profile's healthy band, rectangular"
        build.assume("air_ratio at the baseline", ratio, origin)
    else:
        ratio, u = float(unknown["air_ratio"]), float(unknown["air_ratio_u"])
        build.assume("air_ratio", ratio, f"no baseline and no band of this stage: usual, {unknown['origin']}")
    build.put("air_ratio", math.log(ratio), u)
    return ratio


def read_air_ratio(reading: Mapping[str, Any], fuel: Fuel) -> tuple[float, float]:
    """Return lambda of a reading and its standard uncertainty."""
    values = interpret_columns(columns_of_reading(reading, fuel), instrument_class()).values
    return float(values["air_ratio"][0]), float(values["air_ratio_u"][0])


def _load(heater: Heater, stage: Stage) -> float:
    """Return blower speed of a stage over the fullest stage's; without speeds, by fuel."""

    def speed(one: Stage) -> float | None:
        baseline = heater.baseline_of(one.name)
        return (baseline.reading.blower_rpm if baseline else None) or one.blower_rpm

    for number, power in ((speed, 1.0), (lambda one: one.fuel_l_per_h, 0.8)):
        known = [float(number(one) or 0.0) for one in heater.stages.values()]
        if all(known):
            return float(min(1.0, (float(number(stage) or 0.0) / max(known)) ** power))
    return 0.5 if stage.name in ("low", "small", "min") else 1.0
