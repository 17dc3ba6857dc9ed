"""A program of somebody else: it stands outside the package and passes ``mypy --strict`` (its test runs it).

``assert_type`` says what the type checker must see; where a name returned Any, each of these lines would fail.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import assert_type

import numpy as np
from numpy.typing import NDArray

import combust
from combust.domain.reading import check_values
from combust.kernel.air import air_density
from combust.kernel.flue_gas import flue_gas_moles


def lambda_of(o2_dry_pct: float) -> str:
    """Return lambda in words."""
    ratio = combust.air_ratio_from_o2(o2_dry_pct, "diesel_b7", co_dry_ppm=150)
    assert_type(ratio, float)
    return f"{ratio:.2f}"


def lambdas_of(o2_dry_pct: NDArray[np.float64]) -> float:
    """Return the highest lambda of many readings."""
    ratios = combust.air_ratio_from_o2(o2_dry_pct, combust.get_fuel("diesel"))
    assert_type(ratios, NDArray[np.float64])
    return float(ratios.max())


def judged(o2_dry_pct: float) -> tuple[str, float | None]:
    """Return the safety state of a reading, and lambda."""
    reading = combust.Reading(fuel="diesel_b7", o2_dry_pct=o2_dry_pct, location="outdoors")
    assert_type(reading["o2_dry_pct"], float | str)
    result = combust.interpret(reading)
    assert_type(result.safety.state, str)
    return result.safety.state, result.air_ratio


def at_height(altitude_m: float) -> float:
    """Return lambda of a heater set at sea level, at a height."""
    effect = combust.site_effect("diesel_b7", combust.Site(altitude_m=altitude_m), air_ratio=1.6)
    assert_type(effect.air_ratio, float)
    return effect.air_ratio


def cause_of(profile: Path, o2_dry_pct: float) -> str:
    """Return the most probable cause of a reading of one heater."""
    heater = combust.Heater.load(profile)
    visit = combust.rank_causes(heater, {"o2_dry_pct": o2_dry_pct, "location": "outdoors"}, next_checks=False)[0]
    assert_type(visit.top.cause, str)
    return visit.top.cause


def set_before(visit: combust.Visit) -> list[str]:
    """Return what was set for a visit, and what its readings hold."""
    assert_type(visit.settings, dict[str, object])
    assert_type(visit.readings, list[dict[str, float | str]])
    return [*visit.settings, *(key for values in visit.readings for key in values)]


def done_at(visit: combust.Visit) -> list[str]:
    """Return what was done at a visit, the stages of its heater, and which entries the history takes."""
    assert_type(visit.of_kind("adjustment"), list[Mapping[str, object]])
    assert_type(visit.profile, Mapping[str, object])
    done = [str(body["text"]) for body in visit.of_kind("adjustment")]
    return [*done, *visit.stages, *(kind for kind, _ in visit.history())]


def checked(values: Mapping[str, object]) -> tuple[dict[str, float], int]:
    """Return the good numbers of a reading, and how many of its values cannot be."""
    good, faults = check_values(values)
    assert_type(good, dict[str, float | str])
    return {key: value for key, value in good.items() if isinstance(value, float)}, len(faults)


def density(pressure_hpa: float, temps_c: NDArray[np.float64]) -> float:
    """Return the density of air at a temperature, and the least of several, by the kernel."""
    assert_type(air_density(pressure_hpa, 15.0), float)
    densities = air_density(pressure_hpa, temps_c, humidity_pct=50.0)
    assert_type(densities, NDArray[np.float64])
    gas = flue_gas_moles(combust.get_fuel("diesel"), 1.6)
    assert_type(gas.o2_dry_pct, float)
    assert_type(flue_gas_moles(combust.get_fuel("diesel"), temps_c).wet, NDArray[np.float64])
    return float(densities.min())


def refused(o2_dry_pct: float) -> list[str]:
    """Return what is wrong with a reading, in words."""
    try:
        combust.Reading(o2_dry_pct=o2_dry_pct)
    except combust.CombustError as error:
        return [fault.quantity for fault in error.faults]
    return []


def air_need(name: str) -> float:
    """Return the air that a kilogram of fuel needs."""
    need = combust.stoichiometric_air(name)
    assert_type(need, float)
    return need
