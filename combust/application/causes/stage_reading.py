"""One reading of a visit as the model sees it: its healthy stage, and its air against the baseline's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.heater.healthy import HealthyStage
from combust.data.tables import load_table
from combust.kernel import air
from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.working_point import SiteAir

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class StageReading:
    """One reading of a visit with its healthy stage (and another one, if it was mistaken) and its air."""

    healthy: HealthyStage
    other: HealthyStage | None
    site: SiteAir[float]
    arrangement: str
    density_u: float
    mistaken: str
    fuel_density: float
    fuel_density_u: float

    @property
    def key(self) -> tuple[str, str, SiteAir[float]]:
        """What two readings share when the model expects the same of both."""
        return self.healthy.name, self.arrangement, self.site

    def healthy_air_ratio(self) -> float:
        """Return lambda of the healthy heater here, mean over the draws that every question shares [-]."""
        return self.expected_air_ratio()[0]

    def expected_air_ratio(self) -> tuple[float, float]:
        """Return lambda of the healthy heater here and its standard uncertainty [-]."""
        drawn = self.healthy.at(self.site, self.fuel_density).air_ratio[0]
        mean = float(drawn.mean())
        return mean, float(np.hypot(drawn.std(), mean * self.healthy.u["air_ratio"]))


def stage_reading(reading: Values, healthy: HealthyStage, other: HealthyStage | None, several: bool) -> StageReading:
    """Return a reading in the model's terms; what the site lacks is as at the baseline, with its uncertainty."""
    unknown, home = healthy.priors["unknown"], healthy.reference
    height, pressure, intake = (reading.get(key) for key in ("altitude_m", "pressure_hpa", "intake_temp_c"))
    warm = 1.0 if intake is not None else float(unknown["temperature_k"])
    if pressure is not None:
        spread = 0.003
    elif height is not None:
        pressure = air.pressure_from_altitude(float(height))
        spread = float(np.hypot(0.003, load_table("altitude")["weather_u_hpa"]["value"] / pressure))
    else:
        pressure, spread = home.pressure, float(unknown["altitude_density"])
    intake = home.intake_temp_c if intake is None else float(intake)
    humidity, air_in = float(reading.get("humidity_pct", 0.0)), reading.get("air_in_temp_c")
    site = healthy.air_at(float(pressure), intake, humidity_pct=humidity, air_in_c=air_in)
    fuel_c = reading.get("fuel_temp_c")
    assumed_u = 0.35 * healthy.expansion_per_k * abs(intake - healthy.fuel_temp_c)
    return StageReading(
        healthy=healthy,
        other=other,
        site=SiteAir(*(float(part) for part in site)),
        arrangement=str(reading.get("arrangement", "as_installed")),
        density_u=float(np.hypot(spread, warm / (intake + ZERO_CELSIUS_K))),
        mistaken="either" if not several else "fullest" if healthy.load > 0.99 else "lower",
        fuel_density=float(healthy.fuel_density(intake if fuel_c is None else float(fuel_c))),
        fuel_density_u=assumed_u if fuel_c is None else 0.0,
    )
