"""A heat stage when it is healthy: the one record that every question about a heater starts from, and it at a site."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from combust.application.heater import structure as prior
from combust.domain.fuel import Fuel
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.pump import same_pulses
from combust.domain.result import Assumed, assume
from combust.domain.site import Site
from combust.kernel import air, altitude, hot_gas
from combust.kernel import working_point as model
from combust.kernel.altitude import AltitudeSurface, LambdaAtSite
from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.fuel_delivery import fuel_density_ratio
from combust.kernel.types import Floats

SITES_AT_ONCE = 64  # x draws: what the processor's cache holds
PATH = ("steepness", "intake_share", "exhaust_share", "hot_share", "exponent", "air_side", "shaft", "radiated")


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
    fuel_temp_c : float
        Fuel at the pump at the baseline [°C].
    value, u : mapping
        What is read of a healthy stage and its standard uncertainty: air_ratio, rise, co, voltage, speed,
        intake_static, exhaust_static, frequency (natural logarithms), flue [°C], smoke. A key that is absent cannot be
        judged.
    load : float
        Blower speed over the fullest stage's [-].
    assumed : tuple of Assumed
    """

    fuel: Fuel
    state: model.HealthyState[float]
    reference: Site
    fuel_temp_c: float
    value: Mapping[str, float]
    u: Mapping[str, float]
    load: float = 1.0
    heater: Heater | None = None
    stage: Stage | None = None
    baseline: Baseline | None = None
    air_out_temp_c: float | None = None
    useful_heat_kw: float | None = None
    priors: Mapping[str, Any] = field(default_factory=prior.priors_table)
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
        read = self.baseline.reading.blower_rpm if self.baseline else None
        speed = read or (self.stage.blower_rpm if self.stage else None)
        limit = self.heater.blower_rpm_max if self.heater else None
        return max(100.0 * (limit / speed - 1.0), 0.0) if speed and limit else None

    @property
    def expansion_per_k(self) -> float:
        """Volume expansion of the fuel in use, a usual one where it is not known [1/K]."""
        known = self.fuel.expansion_per_k
        return float(self.priors["unknown"]["expansion_per_k"] if known is None else known)

    def on_fuel(self, fuel: Fuel) -> HealthyStage:
        """Return the stage with another fuel at the same pulses and the same air: a pump meters volume."""
        if fuel == self.fuel:
            return self
        swap = same_pulses(self.fuel, fuel, fuel_temp_c=self.fuel_temp_c)
        asked = model.HeaterParameters(fuel=1.0 / swap.air_ratio, fuel_heat=swap.heat * swap.air_ratio)
        home = model.SiteAir(1.0, 1.0, 1.0, 1.0, self.state.intake_c, self.state.air_in_c)
        point = model.working_point(self.state, home, asked, self.heat)
        ratio, rise = self.state.air_ratio * swap.air_ratio, self.state.rise_k * float(point.rise)
        changed = {"air_ratio": math.log(ratio), "flue": float(point.flue_c), "rise": math.log(rise)}
        by_volume = f"{swap.air_ratio - 1.0:+.1%} lambda: density and air need by volume; viscosity not counted"
        note = assume("fuel other than at the baseline", f"{fuel.name} for {self.fuel.name}", by_volume)
        return replace(
            self,
            fuel=fuel,
            state=self.state._replace(air_ratio=ratio, flue_c=float(point.flue_c), rise_k=rise),
            value={key: changed.get(key, number) for key, number in self.value.items()},
            assumed=(*self.assumed, note),
        )

    @cached_property
    def heat(self) -> hot_gas.FuelHeat:
        """Heat of the fuel in use."""
        return hot_gas.fuel_heat(self.fuel, self.fuel.net_heating_value_mj_per_kg)

    def structure(self, u: Any) -> prior.Parameters:
        """Return what nobody knows of this heater from standard normals, draws x columns."""
        return prior.structure_of(self.priors["structure"], u, **prior.known_structure(self.heater))

    @cached_property
    def draws(self) -> prior.Parameters:
        """The draws that site, causes, adjustment and fleet share."""
        return self.structure(
            prior.stratified_normals(prior.PRIOR_DRAWS, len(prior.STRUCTURE), np.random.default_rng(prior.SEED))
        )

    def assumed_structure(self) -> tuple[Assumed, ...]:
        """Return the middle 90 % of each prior of the air path that was drawn from."""
        rows, known = self.priors["structure"], prior.known_structure(self.heater)
        names = [f"steepness_{known['blower']}", "intake_to_burner", "hot_share", "exponent", "air_side", "radiated"]
        names.append("exhaust_to_burner" if known["port_ratio"] is None else "exhaust_to_intake_given_ports")
        return tuple(assume(name, prior.middle_90(rows[name]), rows[name]["origin"]) for name in names)

    # ---- at a site -------------------------------------------------------------------------------------------------
    def air_at(
        self, pressure_hpa: Any, intake_temp_c: Any, *, humidity_pct: Any = 0.0, air_in_c: Any = None
    ) -> model.SiteAir[Any]:
        """Return the air of a place against the baseline's; heating air is as cold as the intake's unless told."""
        home, cold = self.reference, intake_temp_c if air_in_c is None else air_in_c
        pressure = pressure_hpa / home.pressure
        return model.SiteAir(
            dry_density=air.dry_air_density(pressure_hpa, intake_temp_c, humidity_pct) / home.dry_air_density_kg_m3,
            density=air.air_density(pressure_hpa, intake_temp_c, humidity_pct) / home.air_density_kg_m3,
            pressure=pressure,
            heating_air_density=pressure * (self.state.air_in_c + ZERO_CELSIUS_K) / (cold + ZERO_CELSIUS_K),
            intake_c=intake_temp_c,
            air_in_c=cold,
        )

    def air_of(self, site: Site, *, air_in_c: float | None = None) -> model.SiteAir[Any]:
        """Return the air of a site against the baseline's."""
        return self.air_at(site.pressure, site.intake_temp_c, humidity_pct=site.humidity_pct, air_in_c=air_in_c)

    def fuel_density(self, fuel_temp_c: Any) -> Any:
        """Return the density of the fuel at the pump over that at the baseline [-]."""
        return fuel_density_ratio(fuel_temp_c, self.fuel_temp_c, self.expansion_per_k)

    def parameters(self, fuel_density: Any) -> model.HeaterParameters[Floats]:
        """Return the healthy heater with the shared draws of its structure."""
        return model.HeaterParameters(fuel=fuel_density, **{name: self.draws[name] for name in PATH})

    def at(self, site: model.SiteAir[Any], fuel_density: Any, *, smooth: bool = False) -> model.WorkingPoint[Floats]:
        """Return the working point at sites (numbers or arrays of one length): arrays of sites x draws."""
        parts = [
            model.working_point(self.state, some, self.parameters(density), self.heat, smooth=smooth)
            for some, density in _blocks(site, fuel_density)
        ]
        return model.WorkingPoint(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))

    def lambda_at(
        self, site: model.SiteAir[Any], fuel_temp_c: Any = None, *, point: model.WorkingPoint[Floats] | None = None
    ) -> LambdaAtSite[Floats]:
        """Return the three lambdas of each site; fuel as cold as the air unless told.

        The uncertainty of the full one holds the structure's draws, the baseline, the fuel's expansion, the form of the
        model (a share of what the air changes) and the humidity where none was told.

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
            + (float(self.priors["tolerance"]["site_density"]) * np.log(sigma)) ** 2
            + self._vapour_u(site) ** 2
        )
        lam = self.air_ratio * sigma
        return LambdaAtSite(sigma, lam, lam / density, full, full * relative)

    def _vapour_u(self, site: model.SiteAir[Any]) -> Any:
        """Return the relative standard uncertainty of dry-air density where no humidity was told: 0 to 100 % [-]."""
        home = self.reference
        dry = np.isclose(site.density * home.air_density_kg_m3, site.dry_density * home.dry_air_density_kg_m3)
        untold = altitude.untold_humidity_u(site.intake_c, site.pressure * home.pressure)
        return np.where(dry, untold, 0.0)

    def trim(self, site: model.SiteAir[Any], fuel_density: Any, keep: Any, *, by: str) -> Trimmed:
        """Return the trim of fuel or speed that makes the full lambda ``keep`` at each site."""
        factors, heats = [], []
        for some, density in _blocks(site, fuel_density):
            factor, point = model.trim_to_keep(self.state, some, self.parameters(density), self.heat, keep, by=by)
            factors.append(factor.mean(axis=-1))
            heats.append(point.heat.mean(axis=-1))
        return Trimmed(np.concatenate(factors), np.concatenate(heats))

    @cached_property
    def fitted(self) -> tuple[AltitudeSurface, float]:
        """The stage as a surface over pressure and temperature for points by the million, and its misfit [-]."""
        pressure, temp = altitude.fit_nodes()
        site = self.air_at(pressure, temp)
        point = self.at(site, self.fuel_density(temp), smooth=True)
        lambdas, burns = self.lambda_at(site, point=point), point.air_ratio.min(axis=-1) >= 1.0
        flow = lambdas.air_ratio_full / lambdas.air_ratio_with_fuel_density
        weights, misfit = altitude.fit_surface(flow, pressure, temp, burns)
        square = (lambdas.air_ratio_full_u / lambdas.air_ratio_full) ** 2 - self._vapour_u(site) ** 2
        square, _ = altitude.fit_surface(square, pressure, temp, burns)
        density = self.reference.dry_air_density_kg_m3
        surface = AltitudeSurface(self.air_ratio, density, self.expansion_per_k, self.fuel_temp_c, weights, square)
        return surface, misfit

    @cached_property
    def trims_fitted(self) -> tuple[Floats, Floats, float]:
        """The trims that hold lambda at the baseline's as surfaces: (fuel, speed, the larger misfit [-]).

        Each is the trim's factor over what density alone asks: for fuel times lambda with fuel density over the
        baseline's, for speed divided by it.
        """
        pressure, temp = altitude.fit_nodes()
        site, density = self.air_at(pressure, temp), self.fuel_density(temp)
        less, faster = (self.trim(site, density, self.air_ratio, by=by).factor for by in ("fuel", "speed"))
        by_density = site.dry_density / density
        fuel, misfit = altitude.fit_surface(less / by_density, pressure, temp)
        speed, other = altitude.fit_surface(faster * by_density, pressure, temp)
        return fuel, speed, max(misfit, other)

    @property
    def surface(self) -> AltitudeSurface:
        """The stage as a surface over pressure and temperature."""
        return self.fitted[0]


def _blocks(site: model.SiteAir[Any], fuel_density: Any) -> list[tuple[model.SiteAir[Any], Any]]:
    """Return the sites in blocks, each number a column that draws stand beside."""
    columns = [np.atleast_1d(np.asarray(part, dtype=float)) for part in (*site, fuel_density)]
    size = max(len(column) for column in columns)
    blocks = []
    for start in range(0, max(size, 1), SITES_AT_ONCE):
        *some, density = (
            (column if len(column) == 1 else column[start : start + SITES_AT_ONCE])[:, None] for column in columns
        )
        blocks.append((model.SiteAir(*some), density))
    return blocks
