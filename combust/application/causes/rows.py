"""One row of a visit as the model sees it: its stage's healthy baseline and its site against the baseline's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import Convictions
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.result import Assumed, assume
from combust.kernel import air, stoichiometry
from combust.kernel.constants import DRY_AIR
from combust.kernel.heater_air import HealthyState, SiteState
from combust.kernel.types import Floats

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Healthy:
    """What a stage does when healthy, in channel words, and how well that is known (standard deviations).

    ``value`` and ``u`` share their keys: air_ratio, rise, co, voltage, speed, intake_static, exhaust_static, frequency
    (natural logarithms), flue [°C], smoke. A key that is absent cannot be judged.
    """

    stage: str
    state: HealthyState
    pressure_hpa: float
    humidity_pct: float
    fuel_c: float
    value: Mapping[str, float]
    u: Mapping[str, float]
    load: float
    assumed: tuple[Assumed, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One reading of a visit with its healthy stage and its site."""

    healthy: Healthy
    other: Healthy | None
    site: SiteState
    arrangement: str
    density_u: float
    mistaken: str
    fuel_density: float
    fuel_density_u: float


def air_ratio_of_o2(o2_pct: Any, nu: float, inert: float) -> Any:
    """Return lambda from dry O2 without CO, at least 1 [-]."""
    o2 = np.maximum(o2_pct, 0.0) * 0.01
    return 1.0 + o2 * inert / (nu - o2 * nu / DRY_AIR.o2)


def air_ratio_of_co2(co2_pct: Any, nu: float, inert: float) -> Any:
    """Return lambda from dry CO2 without CO [-]."""
    c, moles = np.maximum(co2_pct, 0.3) * 0.01, nu / DRY_AIR.o2
    return (1.0 + c * (moles - inert)) / (moles * (c - DRY_AIR.co2))


def healthy_stages(heater: Heater, held: Convictions) -> dict[str, Healthy]:
    """Return the healthy state of every stage of a heater: measured where it was, stated or usual where not."""
    loads = _loads(heater)
    return {name: _healthy(heater, stage, loads[name], held) for name, stage in heater.stages.items()}


def _loads(heater: Heater) -> dict[str, float]:
    """Return blower speed of each stage over the fullest stage's; without speeds, by fuel."""

    def speed(stage: Stage) -> float | None:
        baseline = heater.baseline_of(stage.name)
        return (baseline.reading.blower_rpm if baseline else None) or stage.blower_rpm

    speeds = {name: speed(stage) for name, stage in heater.stages.items()}
    if all(speeds.values()):
        top = max(float(value or 0.0) for value in speeds.values())
        return {name: float(value or top) / top for name, value in speeds.items()}
    fuels = {name: stage.fuel_l_per_h for name, stage in heater.stages.items()}
    if all(fuels.values()):
        top = max(float(value or 0.0) for value in fuels.values())
        return {name: min(1.0, (float(value or top) / top) ** 0.8) for name, value in fuels.items()}
    names = list(heater.stages)
    guess = {name: 0.5 if name in ("low", "small", "min") else 1.0 for name in names}
    return guess


def _healthy(heater: Heater, stage: Stage, load: float, held: Convictions) -> Healthy:
    baseline = heater.baseline_of(stage.name)
    reading: Values = baseline.reading if baseline else {}
    table = held.table
    unknown, types = table["unknown"], table["type_spread"]
    of_type = baseline is not None and baseline.origin != "unit"
    assumed: list[Assumed] = []
    value: dict[str, float] = {}
    u: dict[str, float] = {}

    def put(key: str, number: float, spread: float, type_key: str) -> None:
        value[key] = number
        u[key] = float(np.hypot(spread, types[type_key] if of_type else 0.0))

    ratio, ratio_u = _base_air_ratio(heater, stage, baseline)
    if baseline is None or reading.get("o2_dry_pct") is None:
        assumed.append(assume(f"air_ratio of stage {stage.name}", float(ratio), "healthy band of the profile"))
    put("air_ratio", float(np.log(ratio)), ratio_u, "air_ratio")
    scatter = table["reading"]
    intake = float(reading.get("intake_temp_c", air.STANDARD_TEMP_C))
    air_in = float(reading.get("air_in_temp_c", intake))
    out = reading.get("air_out_temp_c")
    rise = max(5.0, float(out) - air_in) if out is not None else float(unknown["rise_k"])
    flue = reading.get("flue_temp_c")
    if flue is None:
        flue, flue_u = _usual_flue(heater, stage, ratio, intake, unknown), float(unknown["flue_k"])
        assumed.append(assume(f"flue_temp_c of stage {stage.name}", float(flue), "from a usual efficiency"))
    else:
        flue_u = float(np.hypot(2.0 + 0.006 * float(flue), scatter["flue_scatter_k"]))
    put("flue", float(flue), flue_u, "flue_k")
    if out is not None:
        put("rise", float(np.log(rise)), 1.4 * scatter["air_temp_u_k"] / rise, "rise")
    co = reading.get("co_dry_ppm")
    flame = table["flame"]
    if co is None:
        put("co", float(np.log(flame["co_usual_ppm"])), float(np.log(flame["co_usual_factor"])), "co")
    else:
        put(
            "co",
            float(np.log(max(float(co), 5.0))),
            float(np.hypot(scatter["co_u"], 10.0 / max(float(co), 10.0))),
            "co",
        )
    smoke = reading.get("smoke_number")
    put("smoke", float(flame["smoke_usual"] if smoke is None else smoke), 0.7 if smoke is None else 0.4, "smoke")
    _put_electrical(heater, stage, reading, put, scatter)
    for key, column in (("intake_static", "intake_static_pa"), ("exhaust_static", "exhaust_static_pa")):
        pascal = reading.get(column)
        if pascal and abs(pascal) >= 2.0:
            put(key, float(np.log(abs(pascal))), static_u(abs(float(pascal)), scatter), "static")
    pressure = pressure_of(reading)
    return Healthy(
        stage.name,
        HealthyState(ratio, float(flue), intake, air_in, rise),
        pressure,
        float(reading.get("humidity_pct", 0.0)),
        float(reading.get("fuel_temp_c", intake)),
        value,
        u,
        load,
        tuple(assumed),
    )


def _put_electrical(heater: Heater, stage: Stage, reading: Values, put: Any, scatter: Mapping[str, float]) -> None:
    volts = reading.get("supply_v")
    if volts:
        put("voltage", float(np.log(volts)), scatter["voltage_u"], "voltage")
    elif heater.nominal_v:
        put("voltage", float(np.log(1.05 * heater.nominal_v)), 0.04, "voltage")
    turns = reading.get("blower_rpm")
    told = float(turns or stage.blower_rpm or 0.0)
    if told:
        put("speed", float(np.log(told)), scatter["speed_u"] if turns else 0.04, "speed")
    pulses = reading.get("pump_hz")
    stated = stage.pump_hz
    if stated is None and stage.fuel_l_per_h and heater.stroke_ul:
        stated = stage.fuel_l_per_h / 3.6e-3 / heater.stroke_ul
    beat = float(pulses or stated or 0.0)
    if beat:
        put("frequency", float(np.log(beat)), scatter["frequency_u"] if pulses else 0.03, "frequency")


def static_u(pascal: float, scatter: Mapping[str, float]) -> float:
    """Return the relative uncertainty of a port pressure."""
    return float(np.hypot(scatter["static_u"], scatter["static_floor_pa"] / max(pascal, 2.0)))


def _base_air_ratio(heater: Heater, stage: Stage, baseline: Baseline | None) -> tuple[float, float]:
    """Return healthy lambda and the standard uncertainty of its logarithm."""
    nu, inert = oxygen_need(heater)
    if baseline is not None:
        o2, co2 = baseline.reading.o2_dry_pct, baseline.reading.co2_dry_pct
        if o2 is not None:
            ratio = float(air_ratio_of_o2(o2, nu, inert))
            return ratio, 0.16 * float(
                air_ratio_of_o2(o2 + 0.5, nu, inert) - air_ratio_of_o2(o2 - 0.5, nu, inert)
            ) / ratio
        if co2 is not None and baseline.reading.co2_origin == "measured":
            return float(air_ratio_of_co2(co2, nu, inert)), 0.27 / float(co2)
    if stage.air_ratio_band:
        low, high = stage.air_ratio_band
        return float(np.sqrt(low * high)), float(np.log(high / low)) / 3.3
    return 1.75, 0.20


def oxygen_need(heater: Heater) -> tuple[float, float]:
    """Return the oxygen need and the dry stoichiometric gas of the stated fuel [mol per mol C]."""
    return float(stoichiometry.stoichiometric_oxygen(heater.fuel)), float(stoichiometry.dry_flue_gas_moles(heater.fuel))


def _usual_flue(heater: Heater, stage: Stage, ratio: float, intake: float, unknown: Mapping[str, float]) -> float:
    """Return a flue temperature from useful heat and fuel, or from a usual efficiency (Siegert's slope for oil)."""
    efficiency = float(unknown["efficiency"])
    density, net = heater.fuel.density_kg_per_m3, heater.fuel.net_heating_value_mj_per_kg
    if stage.useful_heat_kw and stage.fuel_l_per_h and density:
        efficiency = stage.useful_heat_kw / (stage.fuel_l_per_h * density * net / 3.6e6 * 1.0)
    loss = 100.0 * min(max(1.0 - efficiency, 0.06), 0.40)
    o2 = 20.946 * (1.0 - 1.0 / (1.0 + 1.07 * (ratio - 1.0)))
    return intake + loss / (0.68 / (21.0 - o2) + 0.007)


def pressure_of(reading: Values, default_altitude: float = 0.0) -> float:
    """Return the station pressure of a reading [hPa]."""
    pressure = reading.get("pressure_hpa")
    if pressure is not None:
        return float(pressure)
    return float(air.pressure_from_altitude(float(reading.get("altitude_m", default_altitude))))


def row_of(
    reading: Values, healthy: Healthy, other: Healthy | None, several: bool, expansion: float, held: Convictions
) -> Row:
    """Return a row; what the site lacks is taken from the baseline, with its uncertainty."""
    unknown = held.table["unknown"]
    base = healthy.state
    known_pressure = reading.get("pressure_hpa") is not None or reading.get("altitude_m") is not None
    pressure = pressure_of(reading) if known_pressure else healthy.pressure_hpa
    intake = reading.get("intake_temp_c")
    known_temp = intake is not None
    intake = float(base.intake_c if intake is None else intake)
    humidity = float(reading.get("humidity_pct", 0.0))
    known_fuel = reading.get("fuel_temp_c") is not None
    fuel_c = float(reading.get("fuel_temp_c", intake))
    air_in = float(reading.get("air_in_temp_c", intake if known_temp else base.air_in_c))
    moist = air.air_density(pressure, intake, humidity) / air.air_density(
        healthy.pressure_hpa, base.intake_c, healthy.humidity_pct
    )
    dry = air.dry_air_density(pressure, intake, humidity) / air.dry_air_density(
        healthy.pressure_hpa, base.intake_c, healthy.humidity_pct
    )
    heating = pressure / healthy.pressure_hpa * (base.air_in_c + 273.15) / (air_in + 273.15)
    site = SiteState(float(dry), float(moist), pressure / healthy.pressure_hpa, float(heating), intake, air_in)
    spread = 0.003 if known_pressure else float(unknown["altitude_density"])
    warm = 1.0 if known_temp else float(unknown["temperature_k"])
    return Row(
        healthy=healthy,
        other=other,
        site=site,
        arrangement=str(reading.get("arrangement", "as_installed")),
        density_u=float(np.hypot(spread, warm / (intake + 273.15))),
        mistaken="either" if not several else "fullest" if healthy.load > 0.99 else "lower",
        fuel_density=(1.0 - expansion * (fuel_c - 15.0)) / (1.0 - expansion * (healthy.fuel_c - 15.0)),
        fuel_density_u=0.0 if known_fuel else 0.35 * expansion * abs(fuel_c - healthy.fuel_c),
    )


def dry_o2_of_air_ratio(air_ratio: Floats, nu: float, inert: float) -> Floats:
    """Return dry O2 [%] of a lambda without CO; 0 below lambda 1."""
    excess = np.maximum(air_ratio - 1.0, 0.0)
    oxygen: Floats = 100.0 * excess * nu / (inert + excess * nu / DRY_AIR.o2)
    return oxygen
