"""A heat stage when it is healthy: the one record that every question about a heater starts from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from combust.application.heater.structure import (
    PRIOR_DRAWS,
    SEED,
    STRUCTURE,
    Parameters,
    known_structure,
    middle_90,
    priors_table,
    stratified_normals,
    structure_of,
)
from combust.application.reading.columns import columns_of_reading
from combust.application.reading.interpret import interpret_columns
from combust.data.errors import CombustError, Fault
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.instrument import instrument_class
from combust.domain.pump import same_pulses
from combust.domain.result import Assumed, assume
from combust.domain.site import Site
from combust.kernel import air, altitude
from combust.kernel.altitude import AltitudeSurface, LambdaAtSite
from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.working_point import (
    FuelHeat,
    HealthyState,
    HeaterParameters,
    SiteAir,
    WorkingPoint,
    fuel_heat,
    trim_to_keep,
    working_point,
)

SITES_AT_ONCE = 64  # x draws: what the processor's cache holds
PATH = ("steepness", "intake_share", "exhaust_share", "hot_share", "exponent", "air_side", "shaft")


class Trimmed(NamedTuple):
    """A trim that holds lambda, mean over the draws: its factor [-], and heat over the baseline's with it [-]."""

    factor: Any
    heat: Any


@dataclass(frozen=True)
class HealthyStage:
    """What a stage does when healthy, how well that is known, and what stood in for what was not entered.

    Attributes
    ----------
    fuel : Fuel
        The fuel in use.
    state : HealthyState
        The healthy working point on that fuel.
    reference : Site
        The baseline's own air.
    fuel_temp_c, expansion_per_k : float
        Fuel at the pump at the baseline [°C]; its volume expansion [1/K].
    value, u : mapping
        What is read of a healthy stage and its standard uncertainty: air_ratio, rise, co, voltage, speed,
        intake_static, exhaust_static, frequency (natural logarithms), flue [°C], smoke. A key that is absent cannot be
        judged.
    load : float
        Blower speed over the fullest stage's [-].
    assumed : tuple of Assumed
    """

    fuel: Fuel
    state: HealthyState
    reference: Site
    fuel_temp_c: float
    expansion_per_k: float
    value: Mapping[str, float]
    u: Mapping[str, float]
    load: float = 1.0
    heater: Heater | None = None
    stage: Stage | None = None
    baseline: Baseline | None = None
    air_out_temp_c: float | None = None
    useful_heat_kw: float | None = None
    priors: Mapping[str, Any] = field(default_factory=priors_table)
    assumed: tuple[Assumed, ...] = ()

    @property
    def name(self) -> str:
        """Name of the stage; empty for a bare fuel."""
        return self.stage.name if self.stage else ""

    @property
    def air_ratio(self) -> float:
        """Return lambda of the healthy stage at its baseline, on the fuel in use [-]."""
        return float(self.state.air_ratio)

    @property
    def air_ratio_u(self) -> float:
        """Standard uncertainty of that lambda [-]."""
        return self.air_ratio * self.u["air_ratio"]

    @property
    def fuel_l_per_h(self) -> float | None:
        """Fuel flow of the stage [l/h]."""
        return self.stage.fuel_l_per_h if self.stage else None

    @property
    def blower_left_pct(self) -> float | None:
        """What the blower's speed has left up to its limit [%]; None = not in the profile."""
        read = self.baseline.reading.get("blower_rpm") if self.baseline else None
        speed = read or (self.stage.blower_rpm if self.stage else None)
        limit = self.heater.blower_rpm_max if self.heater else None
        return max(100.0 * (limit / speed - 1.0), 0.0) if speed and limit else None

    @cached_property
    def heat(self) -> FuelHeat:
        """Heat of the fuel in use."""
        return fuel_heat(self.fuel, self.fuel.net_heating_value_mj_per_kg)

    def structure(self, u: Any) -> Parameters:
        """Return what nobody knows of this heater from standard normals, draws x columns."""
        return structure_of(self.priors["structure"], u, **known_structure(self.heater))

    @cached_property
    def draws(self) -> Parameters:
        """The draws that site, causes, adjustment and fleet share."""
        return self.structure(stratified_normals(PRIOR_DRAWS, len(STRUCTURE), np.random.default_rng(SEED)))

    def assumed_structure(self) -> tuple[Assumed, ...]:
        """Return the middle 90 % of each prior of the air path that was drawn from."""
        rows, known = self.priors["structure"], known_structure(self.heater)
        names = [f"steepness_{known['blower']}", "intake_to_burner", "hot_share", "exponent", "air_side"]
        names.append("exhaust_to_burner" if known["port_ratio"] is None else "exhaust_to_intake_given_ports")
        return tuple(assume(name, middle_90(rows[name]), rows[name]["origin"]) for name in names)

    # ---- at a site -------------------------------------------------------------------------------------------------
    def air_at(
        self, pressure_hpa: Any, intake_temp_c: Any, *, humidity_pct: Any = 0.0, air_in_c: Any = None
    ) -> SiteAir:
        """Return the air of a place against the baseline's; heating air is as cold as the intake's unless told."""
        home, cold = self.reference, intake_temp_c if air_in_c is None else air_in_c
        pressure = pressure_hpa / home.pressure
        return SiteAir(
            dry_density=air.dry_air_density(pressure_hpa, intake_temp_c, humidity_pct) / home.dry_air_density_kg_m3,
            density=air.air_density(pressure_hpa, intake_temp_c, humidity_pct) / home.air_density_kg_m3,
            pressure=pressure,
            heating_air_density=pressure * (self.state.air_in_c + ZERO_CELSIUS_K) / (cold + ZERO_CELSIUS_K),
            intake_c=intake_temp_c,
            air_in_c=cold,
        )

    def air_of(self, site: Site, *, air_in_c: float | None = None) -> SiteAir:
        """Return the air of a site against the baseline's."""
        return self.air_at(site.pressure, site.intake_temp_c, humidity_pct=site.humidity_pct, air_in_c=air_in_c)

    def fuel_density(self, fuel_temp_c: Any) -> Any:
        """Return the density of the fuel at the pump over that at the baseline [-]."""
        return altitude.fuel_density_ratio(fuel_temp_c, self.fuel_temp_c, self.expansion_per_k)

    def parameters(self, fuel_density: Any) -> HeaterParameters:
        """Return the healthy heater with the shared draws of its structure."""
        return HeaterParameters(fuel=fuel_density, **{name: self.draws[name] for name in PATH})

    def at(self, site: SiteAir, fuel_density: Any, *, smooth: bool = False) -> WorkingPoint:
        """Return the working point at sites (numbers or arrays of one length): arrays of sites x draws."""
        parts = [
            working_point(self.state, some, self.parameters(density), self.heat, smooth=smooth)
            for some, density in _blocks(site, fuel_density)
        ]
        return WorkingPoint(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))

    def air_ratio_full(self, site: SiteAir, fuel_density: Any) -> Any:
        """Return lambda with fuel density and hot gas, mean over the draws, of each site."""
        return self.at(site, fuel_density).air_ratio.mean(axis=-1)

    def lambda_at(self, site: SiteAir, fuel_temp_c: Any = None, *, point: WorkingPoint | None = None) -> LambdaAtSite:
        """Return the three lambdas of each site; fuel as cold as the air unless told.

        ``point`` spares the working point where the caller has it.
        """
        temp = np.atleast_1d(np.asarray(site.intake_c if fuel_temp_c is None else fuel_temp_c, dtype=float))
        density = self.fuel_density(temp)
        point = self.at(site, density) if point is None else point
        sigma = np.atleast_1d(site.dry_density)
        full = point.air_ratio.mean(axis=-1)
        relative = np.sqrt(
            (point.air_ratio.std(axis=-1) / full) ** 2
            + (self.priors["unknown"]["expansion_share"] * self.expansion_per_k * (temp - self.fuel_temp_c)) ** 2
            + self.u["air_ratio"] ** 2
        )
        lam = self.air_ratio * sigma
        return LambdaAtSite(sigma, lam, lam / density, full, full * relative)

    def trim(self, site: SiteAir, fuel_density: Any, keep: Any, *, by: str) -> Trimmed:
        """Return the trim of fuel or speed that makes the full lambda ``keep`` at each site."""
        factors, heats = [], []
        for some, density in _blocks(site, fuel_density):
            factor, point = trim_to_keep(self.state, some, self.parameters(density), self.heat, keep, by=by)
            factors.append(factor.mean(axis=-1))
            heats.append(point.heat.mean(axis=-1))
        return Trimmed(np.concatenate(factors), np.concatenate(heats))

    @cached_property
    def fitted(self) -> tuple[AltitudeSurface, float]:
        """The stage as a surface over pressure and temperature for points by the million, and its misfit [-]."""
        pressure, temp = altitude.fit_nodes()
        site = self.air_at(pressure, temp)
        point = self.at(site, self.fuel_density(temp), smooth=True)
        told, burns = self.lambda_at(site, point=point), point.air_ratio.min(axis=-1) >= 1.0
        flow = told.air_ratio_full / told.air_ratio_with_fuel_density
        weights, misfit = altitude.fit_surface(flow, pressure, temp, burns)
        square, _ = altitude.fit_surface((told.air_ratio_full_u / told.air_ratio_full) ** 2, pressure, temp, burns)
        density = self.reference.dry_air_density_kg_m3
        surface = AltitudeSurface(self.air_ratio, density, self.expansion_per_k, self.fuel_temp_c, weights, square)
        return surface, misfit

    @property
    def surface(self) -> AltitudeSurface:
        """The stage as a surface over pressure and temperature."""
        return self.fitted[0]


def _blocks(site: SiteAir, fuel_density: Any) -> list[tuple[SiteAir, Any]]:
    """Return the sites in blocks, each number a column that draws stand beside."""
    columns = [np.atleast_1d(np.asarray(part, dtype=float)) for part in (*site, fuel_density)]
    size = max(len(column) for column in columns)
    blocks = []
    for start in range(0, max(size, 1), SITES_AT_ONCE):
        *some, density = (
            (column if len(column) == 1 else column[start : start + SITES_AT_ONCE])[:, None] for column in columns
        )
        blocks.append((SiteAir(*some), density))
    return blocks


# ---- building it ---------------------------------------------------------------------------------------------------
class _Builder:
    """Collects what a stage reads when healthy; the one place that decides what stands in for a missing channel."""

    def __init__(self, reading: Mapping[str, Any], priors: Mapping[str, Any], of_type: bool) -> None:
        self.reading, self.priors, self.of_type = reading, priors, of_type
        self.value: dict[str, float] = {}
        self.u: dict[str, float] = {}
        self.assumed: list[Assumed] = []

    def put(self, key: str, number: float, spread: float, type_key: str = "") -> None:
        """Keep a channel; a reading of the type adds its spread."""
        more = self.priors["type_spread"][type_key or key] if self.of_type else 0.0
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
            u = float(np.hypot(scatter["co_u"], 10.0 / max(float(co), 10.0)))
            self.put("co", float(np.log(max(float(co), 5.0))), u)
        self.put("smoke", float(flame["smoke_usual"] if smoke is None else smoke), 0.7 if smoke is None else 0.4)

    def machine(self, heater: Heater, stage: Stage) -> None:
        """Keep port pressures, voltage, speed and pump frequency: as read, as stated, or not at all."""
        reading, scatter = self.reading, self.priors["reading"]
        for key in ("intake_static", "exhaust_static"):
            pascal = abs(float(reading.get(f"{key}_pa") or 0.0))
            if pascal >= 2.0:
                self.put(key, float(np.log(pascal)), static_u(pascal, scatter), "static")
        stated = stage.pump_hz
        if stated is None and stage.fuel_l_per_h and heater.stroke_ul:
            stated = stage.fuel_l_per_h / 3.6e-3 / heater.stroke_ul
        for key, read, other, other_u in (
            ("voltage", "supply_v", 1.05 * (heater.nominal_v or 0.0), 0.04),
            ("speed", "blower_rpm", stage.blower_rpm, 0.04),
            ("frequency", "pump_hz", stated, 0.03),
        ):
            given = reading.get(read)
            number = float(given or other or 0.0)
            if number:
                self.put(key, float(np.log(number)), scatter[f"{key}_u"] if given else other_u)


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
    o2 = 20.946 * (1.0 - 1.0 / (1.0 + 1.07 * (air_ratio - 1.0)))
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
    told: tuple[Assumed, ...] = ()
    if stage is None:
        stage = max(
            heater_or_fuel.stages.values(), key=lambda one: (one.fuel_l_per_h or 0.0, one.useful_heat_kw or 0.0)
        ).name
        told = (assume("stage", stage, "the stage with the most fuel or heat"),)
    found = _of_heater(heater_or_fuel, heater_or_fuel.stage_of(stage), table, told)
    if any(one.quantity == "air_ratio" for one in found.assumed):
        hint = "Enter a healthy reading with O2, or the healthy band of lambda from the unit's document."
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
        code = "missing" if air_ratio is None else "out_of_band"
        raise CombustError(Fault("air_ratio", air_ratio, code, low=0.5, high=10.0, why="cannot be used", hint=hint))
    build = _Builder({}, priors, of_type=False)
    if reference is None:
        reference = Site()
        build.assume("reference", "1013.25 hPa, 15 °C, dry", "ISO 2533 sea level; no reference air was given")
    build.put("air_ratio", math.log(air_ratio), air_ratio_u / air_ratio)
    intake = reference.intake_temp_c
    return HealthyStage(
        fuel=fuel,
        state=_state(build, None, fuel, air_ratio, intake),
        reference=reference,
        fuel_temp_c=build.take("fuel_temp_c", intake, "as cold as the reference air"),
        expansion_per_k=_expansion(build, fuel),
        value=build.value,
        u=build.u,
        useful_heat_kw=useful_heat_kw,
        priors=priors,
        assumed=tuple(build.assumed),
    )


def _of_heater(heater: Heater, stage: Stage, priors: Mapping[str, Any], told: tuple[Assumed, ...]) -> HealthyStage:
    baseline = heater.baseline_of(stage.name)
    reading: Mapping[str, Any] = baseline.reading if baseline else {}
    build = _Builder(reading, priors, of_type=baseline is not None and baseline.origin != "unit")
    build.assumed += told
    home = build.home()
    intake = home.intake_temp_c
    burnt_then = baseline.fuel if baseline else heater.fuel
    ratio = _air_ratio(build, stage, baseline, burnt_then)
    state = _state(build, stage, burnt_then, ratio, intake)
    build.combustion()
    build.machine(heater, stage)
    fuel_temp = build.take("fuel_temp_c", intake, "as cold as the intake air")
    if burnt_then != heater.fuel:
        state = _on_fuel(build, state, burnt_then, heater.fuel, fuel_temp)
    return HealthyStage(
        fuel=heater.fuel,
        state=state,
        reference=home,
        fuel_temp_c=fuel_temp,
        expansion_per_k=_expansion(build, heater.fuel),
        value=build.value,
        u=build.u,
        load=_load(heater, stage),
        heater=heater,
        stage=stage,
        baseline=baseline,
        air_out_temp_c=reading.get("air_out_temp_c"),
        useful_heat_kw=stage.useful_heat_kw,
        priors=priors,
        assumed=tuple(build.assumed),
    )


def _state(build: _Builder, stage: Stage | None, fuel: Fuel, ratio: float, intake: float) -> HealthyState:
    flue = build.flue(stage, fuel, ratio, intake)
    air_in = build.take("air_in_temp_c", intake, "as cold as the intake air")
    return HealthyState(ratio, flue, intake, air_in, build.rise(air_in))


def _air_ratio(build: _Builder, stage: Stage, baseline: Baseline | None, fuel: Fuel) -> float:
    """Return lambda of the baseline and keep it: the reading's, the middle of the healthy band, or a usual one."""
    if baseline is not None:
        ratio, u = _read_air_ratio(baseline.reading, fuel)
        if math.isfinite(ratio):
            oxygen, scatter = baseline.reading.get("o2_dry_pct"), build.priors["reading"]["o2_scatter_pct"]
            again = ratio
            if oxygen is not None:
                again, _ = _read_air_ratio({**baseline.reading, "o2_dry_pct": oxygen + scatter}, fuel)
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


def _read_air_ratio(reading: Mapping[str, Any], fuel: Fuel) -> tuple[float, float]:
    """Return lambda of a reading and its standard uncertainty."""
    values = interpret_columns(columns_of_reading(reading, fuel), instrument_class()).values
    return float(values["air_ratio"][0]), float(values["air_ratio_u"][0])


def _on_fuel(build: _Builder, state: HealthyState, before: Fuel, after: Fuel, fuel_temp: float) -> HealthyState:
    """Return the healthy state with another fuel at the same pulses and the same air: a pump meters volume."""
    swap = same_pulses(before, after, fuel_temp_c=fuel_temp)
    told = f"{swap.air_ratio - 1.0:+.1%} lambda: density and air need by volume; viscosity not counted"
    build.assume("fuel other than at the baseline", f"{after.name} for {before.name}", told)
    asked = HeaterParameters(fuel=1.0 / swap.air_ratio, fuel_heat=swap.heat * swap.air_ratio)
    home = SiteAir(1.0, 1.0, 1.0, 1.0, state.intake_c, state.air_in_c)
    point = working_point(state, home, asked, fuel_heat(before, before.net_heating_value_mj_per_kg))
    ratio, flue, rise = state.air_ratio * swap.air_ratio, float(point.flue_c), state.rise_k * float(point.rise)
    build.value["air_ratio"] = math.log(ratio)
    build.value["flue"] = flue
    if "rise" in build.value:
        build.value["rise"] = math.log(rise)
    return state._replace(air_ratio=ratio, flue_c=flue, rise_k=rise)


def _expansion(build: _Builder, fuel: Fuel) -> float:
    if fuel.expansion_per_k is not None:
        return fuel.expansion_per_k
    usual = float(build.priors["unknown"]["expansion_per_k"])
    build.assume("expansion_per_k", usual, "textbook value of diesel, from memory")
    return usual


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
