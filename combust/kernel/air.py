"""Combustion air at a site: standard atmosphere, humidity, density and the two density ratios."""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.elementwise import elementwise
from combust.kernel.types import X

# ISO 2533:1975 / US Standard Atmosphere 1976 (read through two open implementations).
STANDARD_PRESSURE_HPA = 1013.25
STANDARD_TEMP_C, STANDARD_TEMP_K = 15.0, 288.15
LAPSE_K_PER_M = 0.0065
GRAVITY = 9.80665
GAS_CONSTANT_DRY_AIR = 287.05287  # [J/(kg K)]
EARTH_RADIUS_M = 6_356_766.0
EXPONENT = GRAVITY / (GAS_CONSTANT_DRY_AIR * LAPSE_K_PER_M)
WATER_TO_AIR_MOLAR_MASS = 18.015268 / 28.966  # psychrometric convention: 0.62195 (ASHRAE Fundamentals 2017)

# The lowest layer of the standard atmosphere, geometric height; its pressures; where the saturation formula holds.
LOWEST_M, HIGHEST_M = -5000.0, 11_019.0
PRESSURES_HPA = (226.32, 1777.62)
COLDEST_C, HOTTEST_C = -100.0, 200.0


def _within(value: Any, low: float, high: float) -> Any:
    """Return a value where it lies in a band, NaN where not."""
    inside = np.greater_equal(value, low) & np.less_equal(value, high)
    return value if np.all(inside) else np.where(inside, value, np.nan)[()]


@elementwise
def geopotential_height(altitude_m: X | float) -> X:
    """Return the geopotential height of a geometric height, H = r z/(r + z) [m].

    Parameters
    ----------
    altitude_m : float or array
        Geometric height [m], above -6 356 766 (unchecked).

    Returns
    -------
    float or array
        Geopotential height [m], in the shape given.

    See Also
    --------
    altitude_from_pressure : undoes it on the way back to a geometric height.

    References
    ----------
    US Standard Atmosphere 1976, eq. 18, with r of its table 2 (from memory).

    Examples
    --------
    >>> round(float(geopotential_height(2000.0)))  # table of ISO 2533: 1999
    1999
    """
    return EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)


@elementwise
def pressure_from_altitude(altitude_m: X | float) -> X:
    """Return the standard atmosphere's pressure at a geometric height [hPa].

    Parameters
    ----------
    altitude_m : float or array
        Geometric height [m], -5000 to 11 019: the lowest layer (NaN outside).

    Returns
    -------
    float or array
        Pressure [hPa], in the shape given.

    See Also
    --------
    altitude_from_pressure : the inverse.

    References
    ----------
    ISO 2533:1975; US Standard Atmosphere 1976, eq. 33b with the lapse of the lowest layer.

    Examples
    --------
    >>> round(float(pressure_from_altitude(3000.0)), 1)  # table of ISO 2533: 701.2
    701.2
    >>> pressure_from_altitude(12_000.0)
    np.float64(nan)
    """
    height = geopotential_height(_within(altitude_m, LOWEST_M, HIGHEST_M))
    return STANDARD_PRESSURE_HPA * (1.0 - LAPSE_K_PER_M * height / STANDARD_TEMP_K) ** EXPONENT


@elementwise
def altitude_from_pressure(pressure_hpa: X | float) -> X:
    """Return the geometric height at which the standard atmosphere has a pressure [m].

    Parameters
    ----------
    pressure_hpa : float or array
        Station pressure [hPa], 226.32 to 1777.62 (NaN outside).

    Returns
    -------
    float or array
        Geometric height [m], in the shape given.

    See Also
    --------
    pressure_from_altitude : the inverse.

    References
    ----------
    ISO 2533:1975, solved for the height.

    Examples
    --------
    >>> round(float(altitude_from_pressure(701.2)), -1)
    3000.0
    """
    ratio = _within(pressure_hpa, *PRESSURES_HPA) / STANDARD_PRESSURE_HPA
    height = STANDARD_TEMP_K / LAPSE_K_PER_M * (1.0 - ratio ** (1.0 / EXPONENT))
    return EARTH_RADIUS_M * height / (EARTH_RADIUS_M - height)


@elementwise
def standard_temperature(altitude_m: X | float) -> X:
    """Return the standard atmosphere's temperature at a geometric height [°C].

    Parameters
    ----------
    altitude_m : float or array
        Geometric height [m], -5000 to 11 019: the lowest layer (NaN outside).

    Returns
    -------
    float or array
        Temperature [°C], in the shape given.

    References
    ----------
    ISO 2533:1975, lapse 6.5 K per geopotential kilometre from 15 °C.

    Examples
    --------
    >>> round(float(standard_temperature(2000.0)), 1)  # table of ISO 2533: 275.15 K
    2.0
    """
    return STANDARD_TEMP_C - LAPSE_K_PER_M * geopotential_height(_within(altitude_m, LOWEST_M, HIGHEST_M))


@elementwise
def station_pressure_from_sea_level(sea_level_hpa: X | float, temp_c: X | float, altitude_m: X | float) -> X:
    """Return the station pressure of a pressure that was reduced to sea level [hPa].

    Hypsometric equation: the air below the station has the station's temperature and the lapse of the standard
    atmosphere, so that with its own temperature and 1013.25 hPa the standard atmosphere comes out. Services reduce with
    a mean temperature and humidity of their own: some hPa at a high site in the cold.

    Parameters
    ----------
    sea_level_hpa : float or array
        Pressure reduced to sea level [hPa], above 0 (unchecked).
    temp_c : float or array
        Air at the station [°C], above -273.15 (unchecked).
    altitude_m : float or array
        Geometric height of the station [m], above -6 356 766 (unchecked).

    Returns
    -------
    float or array
        Station pressure [hPa], in the broadcast shape.

    References
    ----------
    ISO 2533:1975, eq. of a layer with a lapse; WMO-No. 8, part I, reduction to sea level (from memory).

    Examples
    --------
    >>> round(float(station_pressure_from_sea_level(1013.25, 15.0 - 12.996, 2000.0)), 1)  # the standard: 795.0
    795.0
    """
    kelvin = temp_c + ZERO_CELSIUS_K
    return sea_level_hpa * (kelvin / (kelvin + LAPSE_K_PER_M * geopotential_height(altitude_m))) ** EXPONENT


@elementwise
def saturation_pressure(temp_c: X | float) -> X:
    """Return the saturation pressure of water, over ice below 0 °C [hPa].

    Validity record ``saturation_pressure`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    temp_c : float or array
        Temperature [°C], -100 to 200 (NaN outside).

    Returns
    -------
    float or array
        Pressure [hPa], in the shape given.

    References
    ----------
    Hyland and Wexler (1983) as printed in ASHRAE Fundamentals 2017, ch. 1, eqs. 5 and 6 (from memory; the tests
    compare with an independent library).

    See Also
    --------
    water_dew_point : the inverse, by another formula.

    Examples
    --------
    >>> round(float(saturation_pressure(100.0)))  # water boils at 1013 to 1014 hPa
    1014
    """
    return _saturation(_within(temp_c, COLDEST_C, HOTTEST_C))


def _saturation(temp_c: Any) -> Any:
    """Return the saturation pressure [hPa] wherever the formulas give a number."""
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


@elementwise
def vapour_pressure(temp_c: X | float, humidity_pct: X | float) -> X:
    """Return the partial pressure of water in the air [hPa].

    Parameters
    ----------
    temp_c : float or array
        Temperature [°C], -100 to 200 where there is vapour (unchecked).
    humidity_pct : float or array
        Relative humidity [%], 0 to 100 (unchecked).

    Returns
    -------
    float or array
        Partial pressure [hPa], in the broadcast shape.

    References
    ----------
    Definition of relative humidity.

    Examples
    --------
    >>> round(float(vapour_pressure(20.0, 50.0)), 1)
    11.7
    """
    return _saturation(temp_c) * humidity_pct / 100.0


@elementwise
def humidity_ratio_moles(pressure_hpa: X | float, temp_c: X | float, humidity_pct: X | float) -> X:
    """Return water in the combustion air [mol per mol dry air].

    Parameters
    ----------
    pressure_hpa : float or array
        Station pressure [hPa], above the vapour's (unchecked).
    temp_c : float or array
        Temperature [°C], -100 to 200 where there is vapour (unchecked).
    humidity_pct : float or array
        Relative humidity [%], 0 to 100 (unchecked).

    Returns
    -------
    float or array
        Water [mol per mol dry air], in the broadcast shape.

    References
    ----------
    Dalton's law: shares of the pressure are shares of the moles.

    Examples
    --------
    >>> round(float(humidity_ratio_moles(1013.25, 20.0, 50.0)), 4)
    0.0117
    """
    vapour = vapour_pressure(temp_c, humidity_pct)
    return vapour / (pressure_hpa - vapour)


@elementwise
def air_density(pressure_hpa: X | float, temp_c: X | float, humidity_pct: X | float = 0.0) -> X:
    """Return the density of moist air, ideal gas [kg/m³].

    Validity record ``air_density`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    pressure_hpa : float or array
        Station pressure [hPa], above 0 (unchecked).
    temp_c : float or array
        Temperature [°C], -100 to 200 where there is vapour (unchecked).
    humidity_pct : float or array
        Relative humidity [%], 0 to 100 (unchecked); dry air where it is left out.

    Returns
    -------
    float or array
        Density [kg/m³], in the broadcast shape.

    References
    ----------
    Ideal gas with the constants of ISO 2533:1975; water over air 0.62195 (ASHRAE Fundamentals 2017).

    Examples
    --------
    >>> round(float(air_density(1013.25, 15.0)), 3)  # the standard's 1.225
    1.225
    """
    vapour = vapour_pressure(temp_c, humidity_pct)
    dry = pressure_hpa - vapour
    return 100.0 * (dry + WATER_TO_AIR_MOLAR_MASS * vapour) / (GAS_CONSTANT_DRY_AIR * (temp_c + ZERO_CELSIUS_K))


@elementwise
def dry_air_density(pressure_hpa: X | float, temp_c: X | float, humidity_pct: X | float = 0.0) -> X:
    """Return the mass of dry air in a cubic metre of moist air [kg/m³]: what carries the oxygen.

    Parameters
    ----------
    pressure_hpa : float or array
        Station pressure [hPa], above 0 (unchecked).
    temp_c : float or array
        Temperature [°C], -100 to 200 where there is vapour (unchecked).
    humidity_pct : float or array
        Relative humidity [%], 0 to 100 (unchecked); dry air where it is left out.

    Returns
    -------
    float or array
        Dry air [kg/m³], in the broadcast shape.

    References
    ----------
    Dalton's law and the gas constant of ISO 2533:1975.

    Examples
    --------
    >>> round(float(dry_air_density(1013.25, 15.0)), 3), round(float(dry_air_density(1013.25, 30.0, 100.0)), 3)
    (1.225, 1.116)
    """
    dry = pressure_hpa - vapour_pressure(temp_c, humidity_pct)
    return 100.0 * dry / (GAS_CONSTANT_DRY_AIR * (temp_c + ZERO_CELSIUS_K))


@elementwise
def water_dew_point(vapour_pa: X | float) -> X:
    """Return the dew point of a water partial pressure in pascal [°C].

    Validity record ``dew_point`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    vapour_pa : float or array
        Partial pressure of water [Pa], 657 to 47 400, dew points of 1 to 80 °C (unchecked).

    Returns
    -------
    float or array
        Dew point [°C], in the shape given.

    References
    ----------
    40 CFR 1065.645, dew point equation (read): 925.717 Pa gives 279.001023 K.

    See Also
    --------
    saturation_pressure : the inverse, by another formula.

    Examples
    --------
    >>> round(float(water_dew_point(925.717)) + 273.15, 3)
    279.001
    """
    x = np.log(vapour_pa)
    above = 207.98233 + x * (-20.156028 + x * (0.46778925 - 9.2288067e-6 * x))
    below = 1.0 + x * (-0.13319669 + x * (5.6577518e-3 - 7.5172865e-5 * x))
    return above / below - ZERO_CELSIUS_K
