"""What a site does to a volume-metering heater: density ratios, three lambdas, trims, ceilings, and fitted surfaces."""

from __future__ import annotations

from functools import partial
from typing import Any, Generic, NamedTuple

import numpy as np

from combust.kernel import air
from combust.kernel.blocks import in_blocks
from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.elementwise import elementwise
from combust.kernel.fuel_delivery import fuel_density_ratio
from combust.kernel.types import Floats, Truth, X
from combust.kernel.uncertainty import RECTANGULAR

BLOCK = 24_576
DEGREE = 4
BESIDE = 0.01  # weight of what a surface only runs on to: rich of lambda 1
LOWEST_M, HIGHEST_M = -430.0, 9000.0
COLDEST_C, HOTTEST_C = -60.0, 60.0


@elementwise
def fuel_trim_to_keep(air_ratio: X | float, wanted_air_ratio: X | float) -> X:
    """Return the change of fuel that brings lambda to a wanted value [%]; never upward.

    Parameters
    ----------
    air_ratio, wanted_air_ratio : float or array
        lambda, as it is and as it is wanted [-], above 0 (unchecked).

    Returns
    -------
    float or array
        Change [%], -100 to 0, in the broadcast shape; 0 where lambda is higher than wanted.

    See Also
    --------
    blower_trim_to_keep : the same by air.

    References
    ----------
    Definition of lambda: at one air it is inverse to the fuel.

    Examples
    --------
    >>> round(float(fuel_trim_to_keep(1.2, 1.6)), 3)  # 1.2/1.6 - 1
    -25.0
    """
    return 100.0 * (np.minimum(air_ratio / wanted_air_ratio, 1.0) - 1.0)


@elementwise
def blower_trim_to_keep(air_ratio: X | float, wanted_air_ratio: X | float) -> X:
    """Return the change of blower speed that brings lambda up to a wanted value [%]; never below 0.

    Parameters
    ----------
    air_ratio, wanted_air_ratio : float or array
        lambda, as it is and as it is wanted [-], above 0 (unchecked).

    Returns
    -------
    float or array
        Change [%], 0 or more, in the broadcast shape.

    See Also
    --------
    fuel_trim_to_keep : the same by fuel.

    References
    ----------
    A fan moves a volume in proportion to its speed (affinity law).

    Examples
    --------
    >>> round(float(blower_trim_to_keep(1.2, 1.5)), 3)  # 1.5/1.2 - 1
    25.0
    """
    return 100.0 * (np.maximum(wanted_air_ratio / air_ratio, 1.0) - 1.0)


@elementwise
def ceiling_altitude(dry_air_density_ratio: X | float, temp_c: X | float, base_dry_density: X | float) -> X:
    """Return the geometric height at which dry air of a temperature has a density ratio to the baseline's [m].

    Standard atmosphere for the pressure, dry air of ``temp_c`` at the intake.

    Parameters
    ----------
    dry_air_density_ratio : float or array
        Density over the baseline's [-], above 0 (unchecked).
    temp_c : float or array
        Intake air [°C], above -273.15 (unchecked).
    base_dry_density : float or array
        Dry-air density at the baseline [kg/m³], above 0 (unchecked).

    Returns
    -------
    float or array
        Height [m], -5000 to 11 019 (NaN outside), in the broadcast shape.

    See Also
    --------
    combust.kernel.air.dry_air_density : the inverse, with the pressure of the height.

    References
    ----------
    ISO 2533:1975.

    Examples
    --------
    >>> round(float(ceiling_altitude(1.0, 15.0, 1.225)))  # the standard's sea level
    0
    """
    kelvin = temp_c + ZERO_CELSIUS_K
    pressure = dry_air_density_ratio * base_dry_density * air.GAS_CONSTANT_DRY_AIR * kelvin / 100.0
    return air.altitude_from_pressure(pressure)


class AltitudeSurface(NamedTuple):
    """One heater stage as a surface over pressure and temperature, for points by the million.

    Attributes
    ----------
    air_ratio, base_dry_density : float
        lambda of the baseline [-], and the density of dry air at its intake [kg/m³].
    expansion_per_k, base_fuel_temp_c : float
        Of the fuel.
    flow_weights, spread_weights : square array
        Power weights of the mean hot-gas factor, and of the squared relative standard uncertainty of the full lambda
        but for the humidity that nobody told, over ln(pressure) (rows) and 1000/T (columns), both scaled to -1 … 1.
    """

    air_ratio: float
    base_dry_density: float
    expansion_per_k: float
    base_fuel_temp_c: float
    flow_weights: Floats
    spread_weights: Floats


@elementwise
def untold_humidity_u(temp_c: X | float, pressure_hpa: X | float) -> X:
    """Return the relative standard uncertainty of dry-air density where no humidity was told: 0 to 100 % [-].

    Parameters
    ----------
    temp_c : float or array
        Intake air [°C], -100 to 200 (NaN outside).
    pressure_hpa : float or array
        Station pressure [hPa], above 0 (unchecked).

    Returns
    -------
    float or array
        Relative standard uncertainty [-], in the broadcast shape.

    References
    ----------
    Rectangular distribution: JCGM 100:2008, 4.3.7.

    Examples
    --------
    >>> bool(untold_humidity_u(20.0, 1013.25) < 0.01)  # 23.4 hPa/1013 hPa/sqrt(12)
    True
    """
    return RECTANGULAR * air.saturation_pressure(temp_c) / pressure_hpa


class LambdaAtSite(NamedTuple, Generic[X]):
    """lambda at sites by dry-air density alone, with fuel density, in full with hot gas: arrays of one length [-]."""

    dry_air_density_ratio: X
    air_ratio: X
    air_ratio_with_fuel_density: X
    air_ratio_full: X
    air_ratio_full_u: X


def _scale(low: float, high: float) -> tuple[float, float]:
    """Return (slope, offset) that bring low to high to -1 … 1."""
    return 2.0 / (high - low), (high + low) / (high - low)


SLOPE_X, OFFSET_X = _scale(
    *(float(np.log(air.pressure_from_altitude(end) / air.STANDARD_PRESSURE_HPA)) for end in (HIGHEST_M, LOWEST_M))
)
SLOPE_Y, OFFSET_Y = _scale(*(1000.0 / (end + ZERO_CELSIUS_K) for end in (HOTTEST_C, COLDEST_C)))


def fit_nodes() -> tuple[Floats, Floats]:
    """Return the Chebyshev nodes a hot-gas surface is fitted at.

    Returns
    -------
    pair of array
        Pressures [hPa] and temperatures [°C], one-dimensional, of one length.

    References
    ----------
    Any textbook of numerical analysis.

    Examples
    --------
    >>> pressure, temp = fit_nodes()
    >>> pressure.shape == temp.shape
    True
    """
    count = DEGREE + 5
    nodes = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    x, y = (grid.ravel() for grid in np.meshgrid(nodes, nodes))
    pressure = air.STANDARD_PRESSURE_HPA * np.exp((x + OFFSET_X) / SLOPE_X)
    return pressure, 1000.0 * SLOPE_Y / (y + OFFSET_Y) - ZERO_CELSIUS_K


def fit_surface(values: Floats, pressure_hpa: Floats, temp_c: Floats, counts: Truth = True) -> tuple[Floats, float]:
    """Return the least-squares polynomial of total degree DEGREE through values.

    Parameters
    ----------
    values : array
        What is fitted [one unit], any, one-dimensional.
    pressure_hpa, temp_c : array
        Where [hPa, °C], inside the bands of :func:`lambda_from_surface` (unchecked), as long as ``values``.
    counts : bool or array of bool
        Where False the surface only goes on smoothly, and no misfit is told.

    Returns
    -------
    tuple of (array, float)
        Power weights of shape (DEGREE + 1, DEGREE + 1), and the largest misfit [the unit of the values].

    See Also
    --------
    value_from_surface : the inverse, from weights to values.

    References
    ----------
    Linear least squares.

    Examples
    --------
    >>> pressure, temp = fit_nodes()
    >>> fit_surface(np.ones(len(pressure)), pressure, temp)[1] < 1e-12  # a constant is fitted exactly
    True
    """
    x = SLOPE_X * np.log(pressure_hpa / air.STANDARD_PRESSURE_HPA) - OFFSET_X
    y = SLOPE_Y * 1000.0 / (temp_c + ZERO_CELSIUS_K) - OFFSET_Y
    terms = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
    matrix = np.stack([x**i * y**j for i, j in terms], axis=1)
    asked = np.broadcast_to(counts, values.shape)
    trust = np.where(asked, 1.0, BESIDE)
    solved, *_ = np.linalg.lstsq(matrix * trust[:, None], values * trust, rcond=None)
    weights = np.zeros((DEGREE + 1, DEGREE + 1))
    for (i, j), weight in zip(terms, solved, strict=True):
        weights[i, j] = weight
    return weights, float(np.max(np.abs(matrix @ solved - values)[asked]))


@elementwise
def lambda_from_surface(
    surface: AltitudeSurface,
    *,
    temp_c: X | float,
    altitude_m: X | float | None = None,
    pressure_hpa: X | float | None = None,
    humidity_pct: X | float | None = None,
) -> LambdaAtSite[X]:
    """Return density ratio and the three lambdas at sites or route points, fuel as cold as the air.

    Below lambda 1 the surface goes on smoothly, where a heater burns only the fuel that finds air. Validity records
    ``altitude_surface`` and ``altitude_surface_humid`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    surface : AltitudeSurface
        The heater stage.
    temp_c : float or array
        Intake air [°C], -60 to 60 (NaN outside).
    altitude_m, pressure_hpa : float or array
        Height [m], -430 to 9000 (NaN outside), or station pressure [hPa] of the same band, which wins where it is
        not NaN.
    humidity_pct : float or array, optional
        Relative humidity [%], 0 to 100 (unchecked); where it is not told (NaN) the air is dry, and the uncertainty
        holds any humidity.

    Returns
    -------
    LambdaAtSite
        Ratios [-] of the broadcast shape; NaN in gives NaN out, and so does a value outside the bands.

    Notes
    -----
    Worked in blocks that stay in the processor's cache. ``air_ratio_full`` follows the polynomial fitted to the
    working points; :func:`fit_surface` reports the misfit.

    References
    ----------
    ISO 2533:1975 for the pressure; :func:`combust.kernel.working_point.working_point` for the hot gas.

    Examples
    --------
    >>> flat = np.zeros((DEGREE + 1, DEGREE + 1))
    >>> flat[0, 0] = 1.0
    >>> base = AltitudeSurface(1.6, 1.225, 0.00083, 15.0, flat, flat * 0.0)
    >>> round(float(lambda_from_surface(base, temp_c=15.0, altitude_m=0.0).air_ratio), 2)  # the standard's sea level
    1.6
    """
    given = [np.nan if one is None else one for one in (altitude_m, temp_c, pressure_hpa, humidity_pct)]
    found: list[Any] = in_blocks(partial(_block, surface), given, BLOCK, len(LambdaAtSite._fields))
    return LambdaAtSite(*found)


def _block(
    surface: AltitudeSurface, altitude: Floats, temp: Floats, station: Floats, humidity: Floats
) -> LambdaAtSite[Any]:
    # ln(p/p0) of the standard atmosphere, or of the station pressure where there is one.
    fall = air.LAPSE_K_PER_M * air.EARTH_RADIUS_M / air.STANDARD_TEMP_K
    x = air.EXPONENT * np.log(1.0 - fall * (altitude / (altitude + air.EARTH_RADIUS_M)))
    x = np.where(np.isnan(station), x, np.log(station / air.STANDARD_PRESSURE_HPA))
    y = 1000.0 / (temp + ZERO_CELSIUS_K)
    humid = untold_humidity_u(temp, air.STANDARD_PRESSURE_HPA * np.exp(x))
    scale = 0.1 * air.STANDARD_PRESSURE_HPA / (air.GAS_CONSTANT_DRY_AIR * surface.base_dry_density)
    sigma = np.exp(x) * y * scale
    if humidity.ndim or not np.isnan(humidity):  # vapour takes the place of dry air, by its share of the pressure
        told = ~np.isnan(humidity)
        sigma = sigma * np.where(told, 1.0 - humid / RECTANGULAR * humidity / 100.0, 1.0)
        humid = np.where(told, 0.0, humid)
    lam = sigma * surface.air_ratio
    with_fuel = lam / fuel_density_ratio(temp, surface.base_fuel_temp_c, surface.expansion_per_k)
    x, y = SLOPE_X * x - OFFSET_X, SLOPE_Y * y - OFFSET_Y
    full = with_fuel * _polynomial(surface.flow_weights, x, y)
    spread = full * np.sqrt(np.maximum(_polynomial(surface.spread_weights, x, y), 0.0) + humid * humid)
    lambdas = LambdaAtSite(sigma, lam, with_fuel, full, spread)
    inside = _inside(x, y)
    return lambdas if inside.all() else LambdaAtSite(*(np.where(inside, column, np.nan) for column in lambdas))


@elementwise
def value_from_surface(weights: Floats, pressure_hpa: X | float, temp_c: X | float) -> X:
    """Return the value of one fitted surface at pressures and temperatures.

    Validity record ``trim_surface`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    weights : array
        From :func:`fit_surface` [one unit], any.
    pressure_hpa : float or array
        Station pressure [hPa], of -430 to 9000 m (NaN outside).
    temp_c : float or array
        Intake air [°C], -60 to 60 (NaN outside).

    Returns
    -------
    float or array
        Value [the unit of the fit], in the broadcast shape.

    See Also
    --------
    fit_surface : the inverse, from values to weights.

    References
    ----------
    Horner's rule.

    Examples
    --------
    >>> pressure, temp = fit_nodes()
    >>> weights, _ = fit_surface(temp, pressure, temp)
    >>> abs(float(value_from_surface(weights, 800.0, -20.0)) + 20.0) < 0.1
    True
    """

    def block(pressure: Floats, temp: Floats) -> tuple[Floats]:
        x = SLOPE_X * np.log(pressure / air.STANDARD_PRESSURE_HPA) - OFFSET_X
        y = SLOPE_Y * 1000.0 / (temp + ZERO_CELSIUS_K) - OFFSET_Y
        return (np.where(_inside(x, y), _polynomial(weights, x, y), np.nan),)

    return in_blocks(block, [pressure_hpa, temp_c], BLOCK, 1)[0]


def _inside(x: Floats, y: Floats) -> Any:
    return (np.abs(x) <= 1.0 + 1e-9) & (np.abs(y) <= 1.0 + 1e-9)  # NaN is not


def _polynomial(weights: Floats, x: Floats, y: Floats) -> Floats:
    """Return sum w_ij x^i y^j: Horner in both directions, total degree one less than the rows."""
    degree, total = len(weights) - 1, np.zeros_like(x)
    for i in range(degree, -1, -1):
        inner = weights[i, degree - i]
        for j in range(degree - i - 1, -1, -1):
            inner = inner * y + weights[i, j]
        total = total * x + inner
    return total
