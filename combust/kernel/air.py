"""Combustion air at a site: standard atmosphere, humidity, density and the two density ratios."""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.kernel.constants import ZERO_CELSIUS_K

# ISO 2533:1975 / US Standard Atmosphere 1976 (read through two open implementations).
STANDARD_PRESSURE_HPA = 1013.25
STANDARD_TEMP_C = 15.0
STANDARD_TEMP_K = 288.15
LAPSE_K_PER_M = 0.0065
GRAVITY = 9.80665
GAS_CONSTANT_DRY_AIR = 287.05287  # [J/(kg K)]
EARTH_RADIUS_M = 6_356_766.0
EXPONENT = GRAVITY / (GAS_CONSTANT_DRY_AIR * LAPSE_K_PER_M)
WATER_TO_AIR_MOLAR_MASS = 18.015268 / 28.966  # psychrometric convention: 0.62195 (ASHRAE Fundamentals 2017)


def geopotential_height(altitude_m: Any) -> Any:
    """Return the geopotential height of a geometric height, H = r z/(r + z) [m]."""
    return EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)


def pressure_from_altitude(altitude_m: Any) -> Any:
    """Return the standard atmosphere's pressure at a geometric height [hPa], valid to 11 km.

    References
    ----------
    ISO 2533:1975; US Standard Atmosphere 1976, eq. 33b with the lapse of the lowest layer.
    """
    ratio = 1.0 - LAPSE_K_PER_M * geopotential_height(altitude_m) / STANDARD_TEMP_K
    return STANDARD_PRESSURE_HPA * ratio**EXPONENT


def altitude_from_pressure(pressure_hpa: Any) -> Any:
    """Return the geometric height at which the standard atmosphere has a pressure [m]; the inverse."""
    height = STANDARD_TEMP_K / LAPSE_K_PER_M * (1.0 - (pressure_hpa / STANDARD_PRESSURE_HPA) ** (1.0 / EXPONENT))
    return EARTH_RADIUS_M * height / (EARTH_RADIUS_M - height)


def standard_temperature(altitude_m: Any) -> Any:
    """Return the standard atmosphere's temperature at a geometric height [°C]."""
    return STANDARD_TEMP_C - LAPSE_K_PER_M * geopotential_height(altitude_m)


def station_pressure_from_sea_level(sea_level_hpa: Any, temp_c: Any, altitude_m: Any) -> Any:
    """Return the station pressure of a pressure that was reduced to sea level [hPa].

    Hypsometric equation: the air below the station has the station's temperature [°C] and the lapse of the standard
    atmosphere, so that with its own temperature and 1013.25 hPa the standard atmosphere comes out. Services reduce with
    a mean temperature and humidity of their own: some hPa at a high site in the cold.

    References
    ----------
    ISO 2533:1975, eq. of a layer with a lapse; WMO-No. 8, part I, reduction to sea level (from memory).
    """
    kelvin = temp_c + ZERO_CELSIUS_K
    return sea_level_hpa * (kelvin / (kelvin + LAPSE_K_PER_M * geopotential_height(altitude_m))) ** EXPONENT


def saturation_pressure(temp_c: Any) -> Any:
    """Return the saturation pressure of water, over ice below 0 °C [hPa], -100 to 200 °C.

    Validity record ``saturation_pressure`` (``combust/data/approximate_forms.toml``).

    References
    ----------
    Hyland and Wexler (1983) as printed in ASHRAE Fundamentals 2017, ch. 1, eqs. 5 and 6 (from memory; the tests
    compare with an independent library).
    """
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_CELSIUS_K
    log = np.log(kelvin)
    ice = (
        -5.6745359e3 / kelvin
        + 6.3925247
        + kelvin * (-9.677843e-3 + kelvin * (6.2215701e-7 + kelvin * (2.0747825e-9 - 9.484024e-13 * kelvin)))
        + 4.1635019 * log
    )
    water = (
        -5.8002206e3 / kelvin
        + 1.3914993
        + kelvin * (-4.8640239e-2 + kelvin * (4.1764768e-5 - 1.4452093e-8 * kelvin))
        + 6.5459673 * log
    )
    return (np.exp(np.where(np.asarray(temp_c) < 0.01, ice, water)) / 100.0)[()]


def vapour_pressure(temp_c: Any, humidity_pct: Any) -> Any:
    """Return the partial pressure of water in the air [hPa]."""
    return saturation_pressure(temp_c) * humidity_pct / 100.0


def humidity_ratio_moles(pressure_hpa: Any, temp_c: Any, humidity_pct: Any) -> Any:
    """Return water in the combustion air [mol per mol dry air]."""
    vapour = vapour_pressure(temp_c, humidity_pct)
    return vapour / (pressure_hpa - vapour)


def air_density(pressure_hpa: Any, temp_c: Any, humidity_pct: Any = 0.0) -> Any:
    """Return the density of moist air, ideal gas [kg/m³].

    Validity record ``air_density`` (``combust/data/approximate_forms.toml``).
    """
    vapour = vapour_pressure(temp_c, humidity_pct)
    dry = pressure_hpa - vapour
    return 100.0 * (dry + WATER_TO_AIR_MOLAR_MASS * vapour) / (GAS_CONSTANT_DRY_AIR * (temp_c + ZERO_CELSIUS_K))


def dry_air_density(pressure_hpa: Any, temp_c: Any, humidity_pct: Any = 0.0) -> Any:
    """Return the mass of dry air in a cubic metre of moist air [kg/m³]: what carries the oxygen."""
    dry = pressure_hpa - vapour_pressure(temp_c, humidity_pct)
    return 100.0 * dry / (GAS_CONSTANT_DRY_AIR * (temp_c + ZERO_CELSIUS_K))


def water_dew_point(vapour_pa: Any) -> Any:
    """Return the dew point of a water partial pressure in pascal [°C].

    Validity record ``dew_point`` (``combust/data/approximate_forms.toml``).

    References
    ----------
    40 CFR 1065.645, dew point equation (read): 925.717 Pa gives 279.001023 K.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log(vapour_pa)
        above = 207.98233 + x * (-20.156028 + x * (0.46778925 - 9.2288067e-6 * x))
        below = 1.0 + x * (-0.13319669 + x * (5.6577518e-3 - 7.5172865e-5 * x))
        return above / below - ZERO_CELSIUS_K
