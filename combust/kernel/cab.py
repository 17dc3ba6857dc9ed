"""The cab around the heater: heat demand, temperature reached, fuel and battery of a night."""

from __future__ import annotations

from typing import Any

import numpy as np

AIR_HEAT_CAPACITY = 1006.0  # dry air near 0 °C [J/(kg K)], textbook value


def heat_loss_coefficient(cab_ua_w_per_k: Any, ventilation_m3_per_h: Any, air_density: Any) -> Any:
    """Return what the cab loses per kelvin [W/K]: UA plus the heat of the air that is exchanged.

    20 m³/h at 1.2 kg/m³ is 7 W/K.
    """
    return cab_ua_w_per_k + air_density * AIR_HEAT_CAPACITY * ventilation_m3_per_h / 3600.0


def heat_demand(loss_w_per_k: Any, cab_temp_c: Any, outdoor_temp_c: Any) -> Any:
    """Return the heat that keeps the cab at a temperature [kW]; none when it is warm enough outside."""
    return loss_w_per_k * np.maximum(cab_temp_c - outdoor_temp_c, 0.0) / 1000.0


def heat_loss_covered(heat_kw: Any, cab_temp_c: Any, outdoor_temp_c: Any) -> Any:
    """Return the most a cab may lose at which a heat holds its temperature [W/K]; infinite when it is warm outside.

    The inverse of :func:`heat_demand`.
    """
    colder = np.maximum(cab_temp_c - outdoor_temp_c, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(colder > 0.0, 1000.0 * heat_kw / colder, np.inf)


def cab_temperature_reached(loss_w_per_k: Any, outdoor_temp_c: Any, heat_kw: Any, cab_target_c: Any) -> Any:
    """Return the steady cab temperature [°C]: outdoors + heat/loss, held at the target by the thermostat."""
    return np.minimum(outdoor_temp_c + 1000.0 * heat_kw / loss_w_per_k, np.maximum(cab_target_c, outdoor_temp_c))


def fuel_volume(heat_kw: Any, hours: Any, efficiency: Any, heating_value_kwh_per_l: Any) -> Any:
    """Return the fuel for a heat over some hours [l]: heat x hours / (efficiency x net heating value)."""
    return heat_kw * hours / (efficiency * heating_value_kwh_per_l)


def battery_usable_share(temp_c: Any, share_at_minus_20: Any) -> Any:
    """Return the share of a battery's nominal charge that is there at a temperature [-].

    Straight from 1 at +20 °C through ``share_at_minus_20`` at -20 °C and on below it, down to 0; never above 1 (the
    value at -20 °C is from memory, the straight line a convention).
    """
    return np.clip(share_at_minus_20 + (1.0 - share_at_minus_20) * (temp_c + 20.0) / 40.0, 0.0, 1.0)
