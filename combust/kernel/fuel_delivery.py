"""The metering pump: volume per stroke, mass with temperature, delivery test, and another fuel at the same pulses."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.kernel.stoichiometry import stoichiometric_air_mass
from combust.kernel.types import Atoms

DENSITY_TEMP_C = 15.0
SECONDS_PER_HOUR = 3600.0
MICROLITRES_PER_LITRE = 1e6

# Delivery within 10 % of nominal passes: common in workshops, from memory (medium); many aim at 5 %.
PASS_BAND_PCT = 10.0
PASS_BAND_ORIGIN = "±10 % of nominal passes (from memory, medium; many workshops aim at ±5 %)"
# A graduate read to 0.1 ml: rectangular, half width 0.1 ml (JCGM 100:2008, 4.3.7).
GRADUATE_HALF_WIDTH_ML = 0.1
RECTANGULAR_HALF = 3.0**-0.5


def fuel_density(density_15_kg_per_m3: Any, expansion_per_k: Any, fuel_temp_c: Any) -> Any:
    """Return the density of a liquid fuel at a temperature, linear in temperature [kg/m³].

    Validated from -40 to 60 °C, where the neglected curvature is under 0.3 %.

    Validity record ``fuel_density`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    density_15_kg_per_m3 : float or array
        At 15 °C.
    expansion_per_k : float or array
        Volume expansion [1/K].
    fuel_temp_c : float or array

    Examples
    --------
    >>> round(fuel_density(832.5, 0.00083, -20.0), 1)
    856.7
    """
    return density_15_kg_per_m3 * (1.0 - expansion_per_k * (fuel_temp_c - DENSITY_TEMP_C))


def pump_volume_flow(stroke_ul: Any, pump_hz: Any, *, delivery: Any = 1.0) -> Any:
    """Return the volume flow of a metering pump [l/h]: stroke x frequency x delivery.

    ``delivery`` is the share of the stroke that arrives (1 = nominal; bubbles and suction lift lower it).

    Examples
    --------
    >>> round(pump_volume_flow(36.0, 3.32), 3)
    0.43
    """
    return stroke_ul * pump_hz * delivery * (SECONDS_PER_HOUR / MICROLITRES_PER_LITRE)


def pump_hz_from_volume_flow(fuel_l_per_h: Any, stroke_ul: Any, *, delivery: Any = 1.0) -> Any:
    """Return the pulse frequency that gives a volume flow [Hz]; the inverse of :func:`pump_volume_flow`."""
    return fuel_l_per_h * MICROLITRES_PER_LITRE / (SECONDS_PER_HOUR * stroke_ul * delivery)


class Delivery(NamedTuple):
    """A delivery test.

    Attributes
    ----------
    nominal_ml, stroke_ul : float or array
        What the strokes should give [ml], and the stroke that was found [µl].
    deviation_pct, deviation_u_pct : float or array
        Delivered over nominal less 1, and its standard uncertainty [%].
    within_band : bool or array
        Whether the deviation lies in the pass band (``PASS_BAND_ORIGIN``).
    clear : bool or array
        Whether the deviation is more than two standard uncertainties away from the edge of the band.
    air_ratio_factor : float or array
        What the deviation alone makes of lambda [-].
    """

    nominal_ml: Any
    stroke_ul: Any
    deviation_pct: Any
    deviation_u_pct: Any
    within_band: Any
    clear: Any
    air_ratio_factor: Any


def delivery_test(strokes: Any, delivered_ml: Any, nominal_stroke_ul: Any) -> Delivery:
    """Return what a delivery test says: strokes counted, volume caught, against the nominal stroke.

    The strokes are counted without error; the volume is read with a rectangular error of 0.1 ml half width. NaN in,
    NaN out (and then neither within nor clear).

    Parameters
    ----------
    strokes, delivered_ml, nominal_stroke_ul : float or array
        Strokes [-], volume [ml], nominal stroke [µl].

    Examples
    --------
    >>> test = delivery_test(200, 5.35, 24.0)
    >>> round(float(test.deviation_pct), 1), bool(test.within_band)
    (11.5, False)
    """
    nominal = np.asarray(strokes, dtype=float) * nominal_stroke_ul * 1e-3
    ratio = delivered_ml / nominal
    deviation = 100.0 * (ratio - 1.0)
    u = 100.0 * RECTANGULAR_HALF * GRADUATE_HALF_WIDTH_ML / nominal
    return Delivery(
        nominal_ml=nominal[()],
        stroke_ul=(nominal_stroke_ul * ratio)[()],
        deviation_pct=deviation[()],
        deviation_u_pct=u[()],
        within_band=np.abs(deviation) <= PASS_BAND_PCT,
        clear=np.abs(np.abs(deviation) - PASS_BAND_PCT) > 2.0 * u,
        air_ratio_factor=(1.0 / ratio)[()],
    )


def delivered_while_attempting(stroke_ul: Any, pump_hz: Any, seconds: Any) -> Any:
    """Return the fuel that an attempt to light doses into the burner [ml]."""
    return stroke_ul * pump_hz * seconds * 1e-3


class FuelSwap(NamedTuple):
    """Another fuel at the same pulses and the same air: factors on lambda, on fuel mass and on net heat [-]."""

    air_ratio: Any
    fuel_mass: Any
    heat: Any


def fuel_swap(
    before: Atoms, after: Atoms, *, densities: tuple[Any, Any], net_heating_values: tuple[Any, Any]
) -> FuelSwap:
    """Return what another fuel does when pump pulses and air stay: volume is metered, so mass follows density.

    lambda is inverse to (fuel mass x air need), heat follows (fuel mass x net heating value). Incomplete burning and
    what the fuel does to the burner are not in it.

    Parameters
    ----------
    before, after : Atoms
        The two fuels, atoms per carbon.
    densities : pair of float or array
        Before and after, at the temperature of the pump [kg/m³].
    net_heating_values : pair of float or array
        Before and after [MJ/kg].
    """
    mass = densities[1] / densities[0]
    need = stoichiometric_air_mass(after) / stoichiometric_air_mass(before)
    return FuelSwap(1.0 / (mass * need), mass, mass * net_heating_values[1] / net_heating_values[0])
