"""The working point of the heater relative to its healthy baseline: air path, blower, flame, exchanger and hot gas.

Shares w of intake, burner and exhaust in the total resistance (sum 1), multipliers r, steepness s of the blower curve:
Q/Q0 = n (h/R)^(1/(2+s)), R = w_in r_in + w_b r_b tau_b + w_ex r_ex tau_ex, m/m0 = sigma Q/Q0, with
tau = (T_gas/T_in)/(T_gas0/T_in0): gas hotter against its inlet air than at the baseline costs flow.

All temperatures are kelvin above 25 °C unless the name ends in ``_c``; enthalpies are J per kmol of fuel carbon.
"""

from __future__ import annotations

from typing import Any, Generic, NamedTuple

import numpy as np

from combust.data.told import tells
from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.elementwise import elementwise
from combust.kernel.hot_gas import (
    REFERENCE_C,
    REFERENCE_K,
    FuelHeat,
    enthalpy,
    flame_temperature,
    gas_coefficients,
    gas_mass,
    heat_supplied,
)
from combust.kernel.types import X

ROUNDS = TRIM_ROUNDS = 5  # of the secant: lambda of a heater is settled to 1e-9 (tests sweep it)
STEEPEST, FLATTEST = -1.5, 0.6  # slope of the fixed point that a secant is believed


class HealthyState(NamedTuple, Generic[X]):
    """The healthy heater, numbers or arrays: lambda [-], temperatures [°C], rise of the heating air [K]."""

    air_ratio: X
    flue_c: X
    intake_c: X
    air_in_c: X
    rise_k: X


class SiteAir(NamedTuple, Generic[X]):
    """Air of a place against the baseline's: dry density, moist density, pressure, heating-air density (ratios), °C."""

    dry_density: X
    density: X
    pressure: X
    heating_air_density: X
    intake_c: X
    air_in_c: X


class HeaterParameters(NamedTuple, Generic[X]):
    """What may differ from the healthy baseline, and the structure that nobody knows; numbers or arrays of one shape.

    Attributes
    ----------
    speed, head : blower speed and head at speed, ratios [-]
    r_in, r_burner, r_ex : resistance multipliers [-]
    recirculated : share of flue gas in the intake (mole) [-]
    unseen_warming : share of the recirculation's warming that the intake thermometer does not see [-]
    recirculated_heat : how hot the gas comes back, 1 = flue temperature, 0 = intake temperature [-]
    fuel : fuel mass flow ratio times the stoichiometric air of the fuel in use, ratio [-]
    fuel_heat : heat of the fuel in use per stoichiometric air, ratio to the stated fuel [-]
    released, clean, heating_air : heat over heat supplied; transfer units at one flow; duct factor, ratios [-]
    steepness, intake_share, exhaust_share, hot_share, exponent, air_side, shaft, radiated : structure
        s; shares of intake and exhaust; hot share of the burner's resistance; exchanger exponent a; exponent of the
        heating air in the exchanger; 1 when heating air turns with the blower; share of the exchanged heat that the
        flame radiates at the baseline, with the fourth power of its temperature.
    """

    speed: X | float = 1.0
    head: X | float = 1.0
    r_in: X | float = 1.0
    r_burner: X | float = 1.0
    r_ex: X | float = 1.0
    recirculated: X | float = 0.0
    unseen_warming: X | float = 0.0
    recirculated_heat: X | float = 1.0
    fuel: X | float = 1.0
    fuel_heat: X | float = 1.0
    released: X | float = 1.0
    clean: X | float = 1.0
    heating_air: X | float = 1.0
    steepness: X | float = 0.5
    intake_share: X | float = 0.2
    exhaust_share: X | float = 0.3
    hot_share: X | float = 0.55
    exponent: X | float = 0.7
    air_side: X | float = 0.1
    shaft: X | float = 1.0
    radiated: X | float = 0.0


@tells()
class WorkingPoint(NamedTuple, Generic[X]):
    """What the heater does: lambda, °C, and ratios to its baseline."""

    air_ratio: X
    flue_c: X
    heat: X
    rise: X
    air: X
    intake_static: X
    exhaust_static: X
    intake_true_c: X


class AirPath(NamedTuple, Generic[X]):
    """The resistance of the air path over the baseline's, as a sum of what its gases add."""

    cold: X
    hot: X
    by_flame: X
    by_flue: X
    flatness: X

    @classmethod
    @elementwise
    def of(cls, p: HeaterParameters[X], intake_0: X | float, flame_0: X | float, flue_0: X | float) -> AirPath[X]:
        """Return the path of a heater whose baseline had these temperatures.

        Parameters
        ----------
        p : HeaterParameters
            Shares and multipliers [-].
        intake_0, flame_0, flue_0 : float or array
            Temperatures of the baseline [K above 25 °C], above -298 (unchecked).

        Returns
        -------
        AirPath
            Resistances over the baseline's [-, K], in the broadcast shape.

        References
        ----------
        Loss goes with density at one mass flow (Darcy-Weisbach).

        Examples
        --------
        >>> path = AirPath.of(HeaterParameters(), -10.0, 1400.0, 305.0)
        >>> round(float(path.flow(1400.0, 305.0, REFERENCE_K - 10.0)), 9)  # the baseline itself
        1.0
        """
        burner, inlet_0 = (1.0 - p.intake_share - p.exhaust_share) * p.r_burner, REFERENCE_K + intake_0
        by_flame = 0.5 * burner * p.hot_share * (inlet_0 / (REFERENCE_K + 0.5 * (flame_0 + flue_0)))
        by_flue = by_flame + p.exhaust_share * p.r_ex * (inlet_0 / (REFERENCE_K + flue_0))
        cold = p.intake_share * p.r_in + burner * (1.0 - p.hot_share)
        found: list[Any] = [cold, (by_flame + by_flue) * REFERENCE_K, by_flame, by_flue, -1.0 / (2.0 + p.steepness)]
        return cls(*found)

    @elementwise
    def flow(self: Any, flame: X | float, flue: X | float, inlet_k: X | float) -> X:
        """Return the volume flow over the baseline's at full head and speed [-].

        Parameters
        ----------
        flame, flue : float or array
            Temperatures now [K above 25 °C], above -298 (unchecked).
        inlet_k : float or array
            Air at the inlet [K], above 0 (unchecked).

        Returns
        -------
        float or array
            Ratio [-], in the broadcast shape.

        References
        ----------
        A blower curve as a power law.

        Examples
        --------
        >>> path = AirPath.of(HeaterParameters(), -10.0, 1400.0, 305.0)
        >>> bool(path.flow(1600.0, 400.0, REFERENCE_K - 10.0) < 1.0)  # hotter gas costs flow
        True
        """
        resistance = self.cold + (self.hot + self.by_flame * flame + self.by_flue * flue) / inlet_k
        return np.exp(np.log(resistance) * self.flatness)


def _secant(guess: Any, image: Any, last: Any) -> tuple[Any, Any]:
    """Return the next guess of the number that is its own image, and what the round after this needs."""
    slope: Any = 0.0
    if last is not None:
        moved = guess - last[0]
        slope = (image - last[1]) / np.where(moved == 0.0, 1.0, moved)
        slope = np.minimum(np.maximum(slope, STEEPEST), FLATTEST)
    return guess + (image - guess) / (1.0 - slope), (guess, image)


@elementwise
def baseline_heat(healthy: HealthyState[X], p: HeaterParameters[X], fuel: FuelHeat) -> tuple[X, X, X, X]:
    """Return useful heat, what the flame radiates of it, flame temperature and exchanger units of the baseline.

    Parameters
    ----------
    healthy : HealthyState
        The baseline [-, °C, K].
    p : HeaterParameters
        Structure of the heater [-].
    fuel : FuelHeat
        Heat of the stated fuel [J/kmol].

    Returns
    -------
    tuple of float or array
        Heat and radiation [J per kmol of fuel carbon], flame [K above 25 °C], units [-], in the broadcast shape.

    References
    ----------
    Energy balance; effectiveness of an exchanger whose other side hardly changes (1 - exp(-NTU)).

    Examples
    --------
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> heat = fuel_heat(AtomsTuple(1.86, 0.007), 42.6)
    >>> useful, *_ = baseline_heat(HealthyState(1.6, 330.0, 25.0, 15.0, 73.0), HeaterParameters(), heat)
    >>> round(float(useful / heat.net_heat), 2)  # 1 less the stack loss of 330 °C
    0.82
    """
    intake, flue = healthy.intake_c - REFERENCE_C, healthy.flue_c - REFERENCE_C
    sink = healthy.air_in_c + 0.5 * healthy.rise_k - REFERENCE_C
    useful = heat_supplied(fuel, healthy.air_ratio, intake) - enthalpy(fuel, healthy.air_ratio, flue)
    radiated = p.radiated * useful
    flame = flame_temperature(fuel, healthy.air_ratio, intake, radiated)
    return useful, radiated, flame, np.log((flame - sink) / np.maximum(flue - sink, 1.0))


def _flame_step(flame: Any, total: Any, gas: tuple[Any, Any, Any], glow: Any, flame_0_k: Any) -> tuple[Any, Any]:
    """Return the flame after one Newton step to the heat it has, and the slope of its heat.

    The flame radiates with the fourth power of its absolute temperature; the gas, of three coefficients, keeps the
    rest.
    """
    a, b, c = gas
    hotter = (REFERENCE_K + flame) / flame_0_k
    by_degree = glow * (hotter * hotter * hotter)
    slope = a + flame * (2.0 * b + 3.0 * c * flame) + 4.0 * by_degree
    gained = flame * (a + flame * (b + flame * c)) + by_degree * (REFERENCE_K + flame)
    return flame - (gained - total) / slope, slope


@elementwise
def working_point(
    healthy: HealthyState[X],
    site: SiteAir[X],
    p: HeaterParameters[X],
    fuel: FuelHeat,
    *,
    smooth: bool = False,
    rounds: int = ROUNDS,
) -> WorkingPoint[X]:
    """Return the working point: the fixed point of air flow, flame, exchanger and flue temperature.

    lambda is the one unknown: air gives flame and flue temperature, these give resistance and so air. A secant closes
    it; flame and flue follow by one Newton step each round. Every element takes the same steps whatever stands beside
    it, so a row alone and a row in a table give the same digits. Below lambda 1 only the fuel that finds air is burnt.
    Validity records ``working_point_rounds`` and ``cubic_enthalpy`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    healthy : HealthyState
        The baseline [-, °C, K].
    site : SiteAir
        Air of the place over the baseline's [-, °C].
    p : HeaterParameters
        What differs from the baseline [-]; arrays of one shape.
    fuel : FuelHeat
        Heat of the stated fuel [J/kmol].
    smooth : bool
        Count all the fuel as burnt down to lambda 0.625: too hot there, but no kink at lambda 1, for a surface.
    rounds : int
        Rounds of the secant [-], 1 or more (unchecked).

    Returns
    -------
    WorkingPoint
        lambda [-], temperatures [°C] and ratios [-] of the broadcast shape. lambda may fall below 1.

    References
    ----------
    Energy and mass balance; loss goes with the square of the flow. Hot-gas terms rest on stated priors.

    Examples
    --------
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> base, site = HealthyState(1.6, 330.0, 15.0, 15.0, 73.0), SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
    >>> point = working_point(base, site, HeaterParameters(), fuel_heat(AtomsTuple(1.86, 0.007), 42.6))
    >>> round(float(point.air_ratio), 4), round(float(point.flue_c), 3)  # the baseline itself
    (1.6, 330.0)
    """
    intake_0, intake = healthy.intake_c - REFERENCE_C, site.intake_c - REFERENCE_C
    flue_0 = healthy.flue_c - REFERENCE_C
    useful_0, radiated_0, flame_0, units_0 = baseline_heat(healthy, p, fuel)

    path = AirPath.of(p, intake_0, flame_0, flue_0)
    fresh, inlet = 1.0 - p.recirculated, REFERENCE_K + intake
    heating = site.heating_air_density * p.heating_air * (1.0 + p.shaft * (p.speed - 1.0))
    warming = p.recirculated * p.recirculated_heat * p.unseen_warming
    # What does not change from round to round: lambda over volume, heat at lambda 1, gas over mass, rise over heat.
    lambda_of_volume = healthy.air_ratio * site.dry_density * fresh / p.fuel
    at_no_resistance = inlet * lambda_of_volume * p.speed * np.exp(-path.flatness * np.log(p.head))
    supplied = p.released * p.fuel_heat * fuel.net_heat * fresh
    gas_of_mass = p.fuel / (fresh * gas_mass(fuel, healthy.air_ratio))
    rise_of_heat = p.fuel / (fresh * useful_0 * heating)
    less_units = -units_0 * heating**p.air_side * p.clean
    softer, finds_air = p.exponent - 1.0, 1.6 if smooth else 1.0
    flame_0_k = REFERENCE_K + flame_0
    glow = radiated_0 * fresh / p.fuel / flame_0_k
    sink_cold, sink_rise = site.air_in_c - REFERENCE_C, 0.5 * healthy.rise_k
    sink_of_heat = sink_rise * rise_of_heat

    flue, flame, last = flue_0, flame_0, None
    ratio = at_no_resistance / inlet * path.flow(flame_0, flue_0, inlet)
    for _ in range(rounds):
        a, b, c = gas_coefficients(fuel, ratio)
        b_2, c_3 = 2.0 * b, 3.0 * c
        carried = ratio * fuel.intake_air
        by_warming = carried * warming
        total = supplied * np.minimum(1.0, finds_air * ratio) + carried * intake + by_warming * (flue - intake)
        flame, flame_slope = _flame_step(flame, total, (a, b, c), glow, flame_0_k)
        # Gas through the exchanger: all of the fuel's products and what goes round.
        gas = gas_of_mass * gas_mass(fuel, ratio)
        left = np.exp(less_units * np.exp(np.log(gas) * softer))
        passed = 1.0 - left
        rise = rise_of_heat * (total - flue * (a + flue * (b + flue * c)))
        kept = by_warming - (a + flue * (b_2 + c_3 * flue))
        follows = by_warming / flame_slope
        behind = passed * (sink_cold + sink_rise * rise) + left * flame
        step = (behind - flue) / (1.0 - passed * sink_of_heat * kept - left * follows)
        flue = flue + step
        flame = flame + follows * step
        true_inlet = inlet + warming * (flue - intake)
        ratio, last = _secant(ratio, at_no_resistance / true_inlet * path.flow(flame, flue, true_inlet), last)
    rise, thinner = rise + rise_of_heat * kept * step, inlet / true_inlet
    volume = ratio / (lambda_of_volume * thinner)
    return WorkingPoint(
        air_ratio=ratio,
        flue_c=flue + REFERENCE_C,
        heat=rise * heating,
        rise=rise,
        air=site.dry_density * thinner * volume,
        intake_static=p.r_in * volume * volume * (site.density * thinner),
        exhaust_static=p.r_ex * gas * gas * (REFERENCE_K + flue) / ((REFERENCE_K + flue_0) * site.pressure),
        intake_true_c=true_inlet - ZERO_CELSIUS_K,
    )


@elementwise
def trim_to_keep(
    healthy: HealthyState[X], site: SiteAir[X], p: HeaterParameters[X], fuel: FuelHeat, air_ratio: X | float, *, by: str
) -> tuple[X, WorkingPoint[X]]:
    """Return the change of fuel or of blower speed that brings lambda to a wanted value, and the working point then.

    Parameters
    ----------
    healthy, site, p, fuel : HealthyState, SiteAir, HeaterParameters, FuelHeat
        As for :func:`working_point`.
    air_ratio : float or array
        The wanted lambda [-], above 0 (unchecked).
    by : {"fuel", "speed"}
        What is trimmed.

    Returns
    -------
    tuple of (float or array, WorkingPoint)
        Factor on what is trimmed [-], in the broadcast shape, and where the heater then works.

    See Also
    --------
    working_point : the inverse, from the trim to lambda.

    References
    ----------
    As for :func:`working_point`.

    Examples
    --------
    >>> from combust.kernel.hot_gas import fuel_heat
    >>> from combust.kernel.types import AtomsTuple
    >>> base, home = HealthyState(1.6, 330.0, 15.0, 15.0, 73.0), SiteAir(1.0, 1.0, 1.0, 1.0, 15.0, 15.0)
    >>> heat = fuel_heat(AtomsTuple(1.86, 0.007), 42.6)
    >>> round(float(trim_to_keep(base, home, HeaterParameters(), heat, 1.6, by="fuel")[0]), 6)  # nothing to change
    1.0
    """
    sign, start = -1.0 if by == "fuel" else 1.0, getattr(p, by)
    trim: Any = 0.0
    last: Any = None
    for _ in range(TRIM_ROUNDS):
        point = working_point(healthy, site, p._replace(**{by: start * np.exp(trim)}), fuel)
        trim, last = _secant(trim, trim + sign * np.log(air_ratio / point.air_ratio), last)
    return np.exp(trim), point
