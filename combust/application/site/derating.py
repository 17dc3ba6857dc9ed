"""Derating of a heater stage over height and temperature, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.heater.healthy import HealthyStage
from combust.kernel.air import pressure_from_altitude
from combust.kernel.altitude import blower_trim_to_keep, fuel_trim_to_keep

if TYPE_CHECKING:
    import pandas as pd

HEIGHTS_M = tuple(range(0, 4501, 250))
TEMPS_C = tuple(range(-30, 31, 10))


def derating_columns(base: HealthyStage, altitude_m: Any, intake_temp_c: Any) -> dict[str, Any]:
    """Return the derating at points (arrays of one length): lambdas, trims and heat with lambda kept by the fuel.

    Heat follows the fuel mass; that the efficiency changes a little with the trim is left out.
    """
    height, temp = np.asarray(altitude_m, dtype=float), np.asarray(intake_temp_c, dtype=float)
    site, density = base.air_at(pressure_from_altitude(height), temp), base.fuel_density(temp)
    told, keep = base.lambda_at(site), base.air_ratio
    nominal = np.nan if base.useful_heat_kw is None else base.useful_heat_kw
    trim = fuel_trim_to_keep(told.air_ratio, keep)
    less = np.minimum(base.trim(site, density, keep, by="fuel").factor, 1.0)
    faster = np.maximum(base.trim(site, density, keep, by="speed").factor, 1.0)
    return {
        "altitude_m": height,
        "intake_temp_c": temp,
        **told._asdict(),
        "fuel_trim_pct": trim,
        "fuel_trim_full_pct": 100.0 * (less - 1.0),
        "blower_trim_pct": blower_trim_to_keep(told.air_ratio, keep),
        "blower_trim_full_pct": 100.0 * (faster - 1.0),
        "useful_heat_kw": nominal * (1.0 + trim / 100.0),
        "useful_heat_full_kw": nominal * density * less,
    }


def derating_table(base: HealthyStage, *, altitude_m: Any = HEIGHTS_M, intake_temp_c: Any = TEMPS_C) -> pd.DataFrame:
    """Return the derating over every pair of height and temperature as a frame.

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

    height, temp = np.meshgrid(
        np.asarray(altitude_m, dtype=float), np.asarray(intake_temp_c, dtype=float), indexing="ij"
    )
    return pd.DataFrame(derating_columns(base, height.ravel(), temp.ravel()))
