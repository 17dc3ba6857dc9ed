"""Derating of a heater stage over height and temperature, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.site.base import AltitudeBase
from combust.kernel.air import pressure_from_altitude
from combust.kernel.altitude import blower_trim_to_keep, derate, fuel_density_ratio, fuel_trim_to_keep

if TYPE_CHECKING:
    import pandas as pd

HEIGHTS_M = tuple(range(0, 4501, 250))
TEMPS_C = tuple(range(-30, 31, 10))


def derating_columns(base: AltitudeBase, altitude_m: Any, intake_temp_c: Any) -> dict[str, Any]:
    """Return the derating at points (arrays of one length): lambdas, trims and heat with lambda kept by the fuel.

    Heat follows the fuel mass; that the efficiency changes a little with the trim is left out.
    """
    height, temp = np.asarray(altitude_m, dtype=float), np.asarray(intake_temp_c, dtype=float)
    told = derate(base.derating, altitude_m=height, temp_c=temp)
    keep = base.air_ratio
    nominal = np.nan if base.useful_heat_kw is None else base.useful_heat_kw
    mass = fuel_density_ratio(temp, base.fuel_temp_c, base.expansion_per_k)
    pressure = pressure_from_altitude(height)
    trim = fuel_trim_to_keep(told.air_ratio, keep)
    trim_full = 100.0 * (np.minimum(base.trim_factor("fuel", keep, pressure, temp), 1.0) - 1.0)
    speed = base.trim_factor("blower", keep, pressure, temp)
    return {
        "altitude_m": height,
        "intake_temp_c": temp,
        **dict(zip(told._fields, told, strict=True)),
        "fuel_trim_pct": trim,
        "fuel_trim_full_pct": trim_full,
        "blower_trim_pct": blower_trim_to_keep(told.air_ratio, keep),
        "blower_trim_full_pct": 100.0 * (np.maximum(speed, 1.0) - 1.0),
        "useful_heat_kw": nominal * (1.0 + trim / 100.0),
        "useful_heat_full_kw": nominal * mass * (1.0 + trim_full / 100.0),
    }


def derating_table(base: AltitudeBase, *, altitude_m: Any = HEIGHTS_M, intake_temp_c: Any = TEMPS_C) -> pd.DataFrame:
    """Return the derating over every pair of height and temperature as a frame.

    Parameters
    ----------
    base : AltitudeBase
        From :func:`combust.application.site.base.altitude_base`.
    altitude_m, intake_temp_c : sequence of float
        Heights [m] and temperatures [°C].

    Examples
    --------
    >>> from combust.application.site.base import altitude_base
    >>> from combust.domain.site import Site
    >>> base = altitude_base("diesel", air_ratio=1.6, reference=Site(0, None, 20.0))
    >>> table = derating_table(base, altitude_m=[2000], intake_temp_c=[0])
    >>> round(float(table["dry_air_density_ratio"].iloc[0]), 3)
    0.842
    """
    import pandas as pd

    height, temp = np.meshgrid(
        np.asarray(altitude_m, dtype=float), np.asarray(intake_temp_c, dtype=float), indexing="ij"
    )
    return pd.DataFrame(derating_columns(base, height.ravel(), temp.ravel()))
