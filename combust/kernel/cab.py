"""The cab around the heater: heat demand, temperature reached, fuel and battery of a night."""

from __future__ import annotations

import numpy as np

from combust.kernel.elementwise import elementwise
from combust.kernel.types import X

AIR_HEAT_CAPACITY = 1006.0  # dry air near 0 °C [J/(kg K)], textbook value


@elementwise
def heat_loss_coefficient(cab_ua_w_per_k: X | float, ventilation_m3_per_h: X | float, air_density: X | float) -> X:
    """Return what the cab loses per kelvin [W/K]: UA plus the heat of the air that is exchanged.

    Parameters
    ----------
    cab_ua_w_per_k : float or array
        Loss through walls and windows [W/K], 0 or more (unchecked).
    ventilation_m3_per_h : float or array
        Air exchanged [m³/h], 0 or more (unchecked).
    air_density : float or array
        Density of the air that comes in [kg/m³], above 0 (unchecked).

    Returns
    -------
    float or array
        Loss [W/K], in the broadcast shape.

    References
    ----------
    Heat balance of a ventilated room; dry air 1006 J/(kg K), textbook value.

    Examples
    --------
    >>> round(float(heat_loss_coefficient(0.0, 20.0, 1.2)), 1)  # 20 x 1.2 x 1006/3600
    6.7
    """
    return cab_ua_w_per_k + air_density * AIR_HEAT_CAPACITY * ventilation_m3_per_h / 3600.0


@elementwise
def heat_demand(loss_w_per_k: X | float, cab_temp_c: X | float, outdoor_temp_c: X | float) -> X:
    """Return the heat that keeps the cab at a temperature [kW]; none when it is warm enough outside.

    Parameters
    ----------
    loss_w_per_k : float or array
        What the cab loses [W/K], 0 or more (unchecked).
    cab_temp_c, outdoor_temp_c : float or array
        Wanted in the cab, and outside [°C], any.

    Returns
    -------
    float or array
        Heat [kW], 0 or more, in the broadcast shape.

    See Also
    --------
    heat_loss_covered : the inverse in the loss.
    cab_temperature_reached : the inverse in the temperature.

    References
    ----------
    Definition of the loss: demand = loss x temperature difference.

    Examples
    --------
    >>> float(heat_demand(50.0, 20.0, -20.0))  # 50 W/K x 40 K
    2.0
    """
    return loss_w_per_k * np.maximum(cab_temp_c - outdoor_temp_c, 0.0) / 1000.0


@elementwise
def heat_loss_covered(heat_kw: X | float, cab_temp_c: X | float, outdoor_temp_c: X | float) -> X:
    """Return the most a cab may lose at which a heat holds its temperature [W/K]; infinite when it is warm outside.

    Parameters
    ----------
    heat_kw : float or array
        Heat of the heater [kW], 0 or more (unchecked).
    cab_temp_c, outdoor_temp_c : float or array
        Wanted in the cab, and outside [°C], any.

    Returns
    -------
    float or array
        Loss [W/K], in the broadcast shape.

    See Also
    --------
    heat_demand : the inverse.

    References
    ----------
    Definition of the loss: loss = heat / temperature difference.

    Examples
    --------
    >>> float(heat_loss_covered(2.0, 20.0, -20.0))  # 2000 W / 40 K
    50.0
    """
    colder = np.maximum(cab_temp_c - outdoor_temp_c, 0.0)
    return np.where(colder > 0.0, 1000.0 * heat_kw / colder, np.inf)


@elementwise
def cab_temperature_reached(
    loss_w_per_k: X | float, outdoor_temp_c: X | float, heat_kw: X | float, cab_target_c: X | float
) -> X:
    """Return the steady cab temperature [°C]: outdoors + heat/loss, held at the target by the thermostat.

    Parameters
    ----------
    loss_w_per_k : float or array
        What the cab loses [W/K], above 0 (unchecked).
    outdoor_temp_c : float or array
        Outside [°C], any.
    heat_kw : float or array
        Heat of the heater [kW], 0 or more (unchecked).
    cab_target_c : float or array
        Where the thermostat holds it [°C], any.

    Returns
    -------
    float or array
        Temperature [°C], in the broadcast shape.

    See Also
    --------
    heat_demand : the inverse.

    References
    ----------
    Steady heat balance of the cab.

    Examples
    --------
    >>> float(cab_temperature_reached(50.0, -30.0, 2.0, 20.0))  # -30 + 2000/50
    10.0
    """
    return np.minimum(outdoor_temp_c + 1000.0 * heat_kw / loss_w_per_k, np.maximum(cab_target_c, outdoor_temp_c))


@elementwise
def fuel_volume(heat_kw: X | float, hours: X | float, efficiency: X | float, heating_value_kwh_per_l: X | float) -> X:
    """Return the fuel for a heat over some hours [l]: heat x hours / (efficiency x net heating value).

    Parameters
    ----------
    heat_kw : float or array
        Useful heat [kW], 0 or more (unchecked).
    hours : float or array
        How long [h], 0 or more (unchecked).
    efficiency : float or array
        Useful heat over net heat of the fuel [-], above 0 to 1 (unchecked).
    heating_value_kwh_per_l : float or array
        Net heating value [kWh/l], above 0 (unchecked).

    Returns
    -------
    float or array
        Fuel [l], in the broadcast shape.

    References
    ----------
    Energy balance.

    Examples
    --------
    >>> round(float(fuel_volume(2.0, 10.0, 0.8, 10.0)), 2)  # 20 kWh / 8 kWh a litre
    2.5
    """
    return heat_kw * hours / (efficiency * heating_value_kwh_per_l)


@elementwise
def battery_usable_share(temp_c: X | float, share_at_minus_20: X | float) -> X:
    """Return the share of a battery's nominal charge that is there at a temperature [-].

    Straight from 1 at +20 °C through ``share_at_minus_20`` at -20 °C and on below it, down to 0; never above 1.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the battery [°C], any.
    share_at_minus_20 : float or array
        Share at -20 °C [-], 0 to 1 (unchecked).

    Returns
    -------
    float or array
        Share [-], 0 to 1, in the broadcast shape.

    References
    ----------
    The value at -20 °C is from memory, the straight line a convention of this project.

    Examples
    --------
    >>> float(battery_usable_share(0.0, 0.5))
    0.75
    """
    return np.clip(share_at_minus_20 + (1.0 - share_at_minus_20) * (temp_c + 20.0) / 40.0, 0.0, 1.0)
