"""What sites do to a heater stage, as columns, and over height and temperature as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.heater.healthy import HealthyStage
from combust.application.site.findings import RowLimits
from combust.domain.safety import STATES
from combust.kernel.air import pressure_from_altitude
from combust.kernel.altitude import LambdaAtSite, blower_trim_to_keep, fuel_trim_to_keep
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.types import Floats
from combust.kernel.working_point import SiteAir, WorkingPoint

if TYPE_CHECKING:
    import pandas as pd

HEIGHTS_M = tuple(range(0, 4501, 250))
TEMPS_C = tuple(range(-30, 31, 10))


def stage_columns(
    base: HealthyStage, here: SiteAir[Any], fuel_temp_c: Any, keep: float, *, point: WorkingPoint[Floats] | None = None
) -> dict[str, Any]:
    """Return what sites do to a stage: lambda three ways, gases to expect, trims that hold lambda at ``keep``.

    A plain name follows dry-air density alone, ``_with_fuel_density`` adds the fuel's, ``_full`` is the working point.
    Gases [vol %] are NaN below lambda 1. The fuel is never trimmed upward, the blower never down [%]. ``trimmed_heat``
    is heat over the baseline's with the fuel trimmed [-]. ``point`` spares the working point where the caller has it.
    """
    lambdas, density = base.lambda_at(here, fuel_temp_c, point=point), base.fuel_density(fuel_temp_c)
    columns = lambdas._asdict()
    for suffix, lam in (("", lambdas.air_ratio), ("_full", lambdas.air_ratio_full)):
        gas = flue_gas_moles(base.fuel, np.where(lam >= 1.0, lam, np.nan))
        columns |= {f"o2_dry{suffix}_pct": gas.o2_dry_pct, f"co2_dry{suffix}_pct": gas.co2_dry_pct}
    for suffix, lam in (("", lambdas.air_ratio), ("_with_fuel_density", lambdas.air_ratio_with_fuel_density)):
        columns[f"fuel_trim{suffix}_pct"] = fuel_trim_to_keep(lam, keep)
        columns[f"blower_trim{suffix}_pct"] = blower_trim_to_keep(lam, keep)
    less, faster = (base.trim(here, density, keep, by=by) for by in ("fuel", "speed"))
    relative = lambdas.air_ratio_full_u / lambdas.air_ratio_full
    return columns | {
        "fuel_trim_full_pct": 100.0 * (np.minimum(less.factor, 1.0) - 1.0),
        "fuel_trim_full_u_pct": 100.0 * less.factor * relative,
        "blower_trim_full_pct": 100.0 * (np.maximum(faster.factor, 1.0) - 1.0),
        "blower_trim_full_u_pct": 100.0 * faster.factor * relative,
        "trimmed_heat": less.heat,
    }


def derating_columns(base: HealthyStage, altitude_m: Any, intake_temp_c: Any) -> dict[str, Any]:
    """Return the derating at points (arrays of one length): lambdas, trims and heat with lambda kept by the fuel.

    Heat follows the fuel mass; that the efficiency changes a little with the trim is left out.
    """
    height, temp = np.asarray(altitude_m, dtype=float), np.asarray(intake_temp_c, dtype=float)
    columns = stage_columns(base, base.air_at(pressure_from_altitude(height), temp), temp, base.air_ratio)
    nominal = np.nan if base.useful_heat_kw is None else base.useful_heat_kw
    shown = (*LambdaAtSite._fields, "fuel_trim_pct", "fuel_trim_full_pct", "blower_trim_pct", "blower_trim_full_pct")
    return {
        "altitude_m": height,
        "intake_temp_c": temp,
        **{name: columns[name] for name in shown},
        "useful_heat_kw": nominal * (1.0 + columns["fuel_trim_pct"] / 100.0),
        "useful_heat_full_kw": nominal * base.fuel_density(temp) * (1.0 + columns["fuel_trim_full_pct"] / 100.0),
    }


def derating_table(base: HealthyStage, *, altitude_m: Any = HEIGHTS_M, intake_temp_c: Any = TEMPS_C) -> pd.DataFrame:
    """Return the derating over every pair of height and temperature as a frame: safety first, no trim where it is off.

    Parameters
    ----------
    base : HealthyStage
        From :func:`combust.application.heater.baseline.healthy_stage`.
    altitude_m, intake_temp_c : sequence of float
        Heights [m] and temperatures [°C].

    Examples
    --------
    >>> from combust.application.heater.baseline import healthy_stage
    >>> from combust.domain.site import Site
    >>> base = healthy_stage("diesel", air_ratio=1.6, reference=Site(0, None, 20.0))
    >>> table = derating_table(base, altitude_m=[2000], intake_temp_c=[0])
    >>> round(float(table["dry_air_density_ratio"].iloc[0]), 3)
    0.842
    """
    import pandas as pd

    height, temp = np.meshgrid(altitude_m, intake_temp_c, indexing="ij")
    table = pd.DataFrame(derating_columns(base, height.ravel(), temp.ravel()))
    states = np.array(STATES)[RowLimits.of(base).ranks(table["altitude_m"], table["air_ratio_full"])]
    trims = [name for name in table if "_trim_" in name]
    table.loc[states == "heater_off", trims] = np.nan
    table.insert(0, "safety", states)
    return table
