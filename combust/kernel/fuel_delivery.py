"""The metering pump: volume per stroke, mass with temperature, delivery test, and another fuel at the same pulses."""

from __future__ import annotations

from typing import Any, Generic, NamedTuple

import numpy as np

from combust.kernel.elementwise import elementwise
from combust.kernel.stoichiometry import stoichiometric_air_mass
from combust.kernel.types import Atoms, Truth, X

DENSITY_TEMP_C = 15.0
SECONDS_PER_HOUR = 3600.0
MICROLITRES_PER_LITRE = 1e6

# Delivery within 10 % of nominal passes: common in workshops, from memory (medium); many aim at 5 %.
PASS_BAND_PCT = 10.0
PASS_BAND_ORIGIN = "±10 % of nominal passes (from memory, medium; many workshops aim at ±5 %)"
# A graduate read to 0.1 ml: rectangular, half width 0.1 ml (JCGM 100:2008, 4.3.7).
GRADUATE_HALF_WIDTH_ML = 0.1
RECTANGULAR_HALF = 3.0**-0.5


@elementwise
def fuel_density(density_15_kg_per_m3: X | float, expansion_per_k: X | float, fuel_temp_c: X | float) -> X:
    """Return the density of a liquid fuel at a temperature, linear in temperature [kg/m³].

    Validity record ``fuel_density`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    density_15_kg_per_m3 : float or array
        At 15 °C [kg/m³], above 0 (unchecked).
    expansion_per_k : float or array
        Volume expansion [1/K], 0 or more (unchecked).
    fuel_temp_c : float or array
        Fuel [°C], -40 to 60, where the neglected curvature is under 0.3 % (unchecked).

    Returns
    -------
    float or array
        Density [kg/m³], in the broadcast shape.

    References
    ----------
    Volume expansion, first order.

    Examples
    --------
    >>> round(fuel_density(832.5, 0.00083, -20.0), 1)
    856.7
    """
    return density_15_kg_per_m3 * (1.0 - expansion_per_k * (fuel_temp_c - DENSITY_TEMP_C))


@elementwise
def fuel_density_ratio(fuel_temp_c: X | float, base_fuel_temp_c: X | float, expansion_per_k: X | float) -> X:
    """Return fuel density at the pump over that at the baseline [-]: rho = rho_15 (1 - beta (T - 15 °C)).

    Parameters
    ----------
    fuel_temp_c, base_fuel_temp_c : float or array
        Fuel at the pump, now and at the baseline [°C], -40 to 60 (unchecked).
    expansion_per_k : float or array
        Volume expansion [1/K], 0 or more (unchecked).

    Returns
    -------
    float or array
        Ratio [-], in the broadcast shape.

    See Also
    --------
    fuel_density : of one temperature.

    References
    ----------
    Volume expansion, first order.

    Examples
    --------
    >>> round(fuel_density_ratio(-20.0, 15.0, 0.00083), 4)  # 1 + 35 x 0.00083
    1.0291
    """
    return fuel_density(1.0, expansion_per_k, fuel_temp_c) / fuel_density(1.0, expansion_per_k, base_fuel_temp_c)


@elementwise
def pump_volume_flow(stroke_ul: X | float, pump_hz: X | float, *, delivery: X | float = 1.0) -> X:
    """Return the volume flow of a metering pump [l/h]: stroke x frequency x delivery.

    Parameters
    ----------
    stroke_ul : float or array
        Volume of a stroke [µl], above 0 (unchecked).
    pump_hz : float or array
        Strokes a second [Hz], 0 or more (unchecked).
    delivery : float or array
        Share of the stroke that arrives [-], 0 to 1.1 (unchecked): 1 = nominal; bubbles and suction lift lower it.

    Returns
    -------
    float or array
        Volume flow [l/h], in the broadcast shape.

    See Also
    --------
    pump_hz_from_volume_flow : the inverse.

    References
    ----------
    Product of stroke and frequency.

    Examples
    --------
    >>> round(pump_volume_flow(36.0, 3.32), 3)
    0.43
    """
    return stroke_ul * pump_hz * delivery * (SECONDS_PER_HOUR / MICROLITRES_PER_LITRE)


@elementwise
def pump_hz_from_volume_flow(fuel_l_per_h: X | float, stroke_ul: X | float, *, delivery: X | float = 1.0) -> X:
    """Return the pulse frequency that gives a volume flow [Hz].

    Parameters
    ----------
    fuel_l_per_h : float or array
        Volume flow [l/h], 0 or more (unchecked).
    stroke_ul : float or array
        Volume of a stroke [µl], above 0 (unchecked).
    delivery : float or array
        Share of the stroke that arrives [-], above 0 to 1.1 (unchecked).

    Returns
    -------
    float or array
        Frequency [Hz], in the broadcast shape.

    See Also
    --------
    pump_volume_flow : the inverse.

    References
    ----------
    Product of stroke and frequency, solved for the frequency.

    Examples
    --------
    >>> round(pump_hz_from_volume_flow(pump_volume_flow(36.0, 3.32), 36.0), 2)
    3.32
    """
    return fuel_l_per_h * MICROLITRES_PER_LITRE / (SECONDS_PER_HOUR * stroke_ul * delivery)


class Delivery(NamedTuple, Generic[X]):
    """A delivery test.

    Attributes
    ----------
    nominal_ml, stroke_ul : float or array
        What the strokes should give [ml], and the stroke that was found [µl].
    deviation_pct, deviation_u_pct : float or array
        Delivered over nominal less 1, and its standard uncertainty [%].
    within_band : bool or array
        Whether the deviation, to the 0.1 % that is told, lies in the pass band, ends included (``PASS_BAND_ORIGIN``).
    clear : bool or array
        Whether the deviation is more than two standard uncertainties away from the edge of the band.
    air_ratio_factor : float or array
        What the deviation alone makes of lambda [-].
    """

    nominal_ml: X
    stroke_ul: X
    deviation_pct: X
    deviation_u_pct: X
    within_band: Truth
    clear: Truth
    air_ratio_factor: X


@elementwise
def delivery_test(strokes: X | float, delivered_ml: X | float, nominal_stroke_ul: X | float) -> Delivery[X]:
    """Return what a delivery test says: strokes counted, volume caught, against the nominal stroke.

    The strokes are counted without error; the volume is read with a rectangular error of 0.1 ml half width.

    Parameters
    ----------
    strokes : float or array
        Strokes counted [-], above 0 (unchecked).
    delivered_ml : float or array
        Volume caught [ml], 0 or more (unchecked).
    nominal_stroke_ul : float or array
        What a stroke should give [µl], above 0 (unchecked).

    Returns
    -------
    Delivery
        Arrays of the broadcast shape, deviation [%]; NaN in, NaN out (and then neither within nor clear).

    References
    ----------
    Pass band: from memory, medium. Rectangular error: JCGM 100:2008, 4.3.7.

    Examples
    --------
    >>> test = delivery_test(200, 5.35, 24.0)
    >>> round(float(test.deviation_pct), 1), bool(test.within_band)
    (11.5, False)
    """
    nominal: Any = np.asarray(strokes, dtype=float) * nominal_stroke_ul * 1e-3
    ratio = delivered_ml / nominal
    deviation = 100.0 * (ratio - 1.0)
    u = 100.0 * RECTANGULAR_HALF * GRADUATE_HALF_WIDTH_ML / nominal
    return Delivery(
        nominal_ml=nominal,
        stroke_ul=nominal_stroke_ul * ratio,
        deviation_pct=deviation,
        deviation_u_pct=u,
        within_band=np.round(np.abs(deviation), 1) <= PASS_BAND_PCT,
        clear=np.abs(np.abs(deviation) - PASS_BAND_PCT) > 2.0 * u,
        air_ratio_factor=1.0 / ratio,
    )


@elementwise
def delivered_while_attempting(stroke_ul: X | float, pump_hz: X | float, seconds: X | float) -> X:
    """Return the fuel that an attempt to light doses into the burner [ml].

    Parameters
    ----------
    stroke_ul : float or array
        Volume of a stroke [µl], above 0 (unchecked).
    pump_hz : float or array
        Strokes a second [Hz], 0 or more (unchecked).
    seconds : float or array
        How long the pump ran [s], 0 or more (unchecked).

    Returns
    -------
    float or array
        Fuel [ml], in the broadcast shape.

    References
    ----------
    Product of stroke, frequency and time.

    Examples
    --------
    >>> round(delivered_while_attempting(28.0, 1.2, 62.0), 2)  # 74.4 strokes
    2.08
    """
    return stroke_ul * pump_hz * seconds * 1e-3


class FuelSwap(NamedTuple, Generic[X]):
    """Another fuel at the same pulses and the same air: factors on lambda, on fuel mass and on net heat [-]."""

    air_ratio: X
    fuel_mass: X
    heat: X


@elementwise
def fuel_swap(
    before: Atoms[X],
    after: Atoms[X],
    *,
    densities: tuple[X | float, X | float],
    net_heating_values: tuple[X | float, X | float],
) -> FuelSwap[X]:
    """Return what another fuel does when pump pulses and air stay: volume is metered, so mass follows density.

    lambda is inverse to (fuel mass x air need), heat follows (fuel mass x net heating value). Incomplete burning and
    what the fuel does to the burner are not in it.

    Parameters
    ----------
    before, after : Atoms
        The two fuels, atoms per carbon atom [mol/mol], any.
    densities : pair of float or array
        Before and after, at the temperature of the pump [kg/m³], above 0 (unchecked).
    net_heating_values : pair of float or array
        Before and after [MJ/kg], above 0 (unchecked).

    Returns
    -------
    FuelSwap
        Factors [-], in the broadcast shape.

    References
    ----------
    Balance of the elements; mass follows density.

    Examples
    --------
    >>> from combust.kernel.types import AtomsTuple
    >>> fuel = AtomsTuple(1.86, 0.0)
    >>> same = fuel_swap(fuel, fuel, densities=(832.0, 416.0), net_heating_values=(43.0, 43.0))
    >>> same.air_ratio, same.fuel_mass, same.heat  # half the mass: twice the lambda, half the heat
    (2.0, 0.5, 0.5)
    """
    mass: Any = densities[1] / densities[0]
    need = stoichiometric_air_mass(after) / stoichiometric_air_mass(before)
    return FuelSwap(1.0 / (mass * need), mass, mass * net_heating_values[1] / net_heating_values[0])
