"""Lambda of a reading over what the same heater would show at reference air, on its own fuel: the full site model."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import numpy as np

from combust.application.heater.baseline import healthy_stage
from combust.application.heater.healthy import HealthyStage
from combust.application.reading.columns import Columns
from combust.data.errors import CombustError
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.domain.pump import same_pulses
from combust.domain.site import Site


def home_fuel(heater: Heater | None, columns: Columns) -> Fuel:
    """Return the fuel that lambda is told on: the profile's, or the one most readings name."""
    return heater.fuel if heater else columns.fuels[int(np.argmax(np.bincount(columns.fuel_index)))]


def over_reference(
    heater: Heater | None, stage: str | None, columns: Columns, values: Mapping[str, Any]
) -> tuple[Any, Any]:
    """Return lambda of the healthy heater at each reading over that at reference air, and its relative uncertainty.

    Air density, fuel density, hot gas and the fuel of the reading (same pulses of the pump) count; fuel is as cold as
    the intake air unless it was read. Without a profile that tells lambda a usual heater stands in. NaN where the
    density of a reading's fuel is unknown.

    Parameters
    ----------
    heater, stage
        Profile and stage, None where they are unknown.
    columns : Columns
        Readings, with ``fuel_index``.
    values : mapping
        Their interpretation: ``pressure_hpa_used``, ``air_ratio_at_reference`` (by density of dry air alone).
    """
    home, normal = home_fuel(heater, columns), Site()
    own = _healthy(heater, stage, home, values["air_ratio_at_reference"])

    def number(key: str, stand_in: Any) -> Any:
        given = np.broadcast_to(columns.number(key), columns.size)
        return np.where(np.isnan(given), stand_in, given)

    intake = number("intake_temp_c", normal.intake_temp_c)
    fuel_temp = number("fuel_temp_c", intake)
    site = own.air_at(values["pressure_hpa_used"], intake, humidity_pct=number("humidity_pct", normal.humidity_pct))
    leaner = np.array([_leaner(home, fuel) for fuel in columns.fuels])[columns.fuel_index]
    density = own.fuel_density(fuel_temp) / np.nan_to_num(leaner, nan=1.0)
    at_home = own.at(own.air_of(normal), own.fuel_density(normal.intake_temp_c)).air_ratio
    draws = own.at(site, density).air_ratio / at_home
    ratio = draws.mean(axis=-1)
    colder = own.expansion_per_k * (fuel_temp - normal.intake_temp_c)
    u = np.hypot(draws.std(axis=-1) / ratio, own.priors["unknown"]["expansion_share"] * colder)
    return np.where(np.isnan(leaner), np.nan, ratio), u


def _healthy(heater: Heater | None, stage: str | None, home: Fuel, seen: Any) -> HealthyStage:
    """Return the stage of the profile; where there is none, a usual heater with the middle lambda that was seen."""
    if heater and stage:
        with suppress(CombustError):  # a profile without any lambda of this stage
            return healthy_stage(heater, stage=stage)
    middle = float(np.nanmedian(seen)) if np.any(np.isfinite(seen)) else 1.75
    return healthy_stage(home, air_ratio=min(max(middle, 1.05), 10.0), reference=Site())


def _leaner(home: Fuel, fuel: Fuel) -> float:
    """Return lambda on a fuel over that on the home fuel at the same pulses, NaN where a density is unknown."""
    if fuel == home:
        return 1.0
    with suppress(CombustError):
        return float(same_pulses(home, fuel).air_ratio)
    return float("nan")
