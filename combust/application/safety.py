"""From everything that was entered to the findings that stop: gas, cab, what was seen, supply, the heater's own limits.

One function for one reading and for ten million. A missing number never stops, and a measurement never clears a stop
except where it is the missing one (the place, the passed leak test, the CO outside). What a finding then forbids, and
which safety state it brings, stands beside it in ``findings.toml``; see :mod:`combust.domain.safety`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from combust.data.errors import CombustError
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.domain.limits import Finding, finding, limit
from combust.domain.safety import Safety, of_all
from combust.kernel.air import altitude_from_pressure
from combust.kernel.carbon_monoxide import co_air_free


@contextmanager
def told_first(safety: Safety | Callable[[], Safety]) -> Iterator[None]:
    """Give a refusal inside the block the safety that is known by then: it is told before it."""
    try:
        yield
    except CombustError as error:
        error.safety = of_all([safety() if callable(safety) else safety, error.safety or Safety(())])
        raise


def air_free_at_least(co: Any, o2: Any) -> Any:
    """Return the air-free CO that can be stood for [ppm]: O2 nearer to air than 20.5 % counts as 20.5 %."""
    return co_air_free(co, np.minimum(o2, limit("o2_no_lambda")))


def height_at_least(altitude_m: Any, pressure_hpa: Any) -> Any:
    """Return the height that counts against a heater's limit [m]: as entered, else by the pressure less a deep low."""
    by_pressure = altitude_from_pressure(pressure_hpa) - limit("weather_height")
    return np.where(np.isnan(altitude_m), by_pressure, altitude_m)


def gas_stops(co_ppm: Any, o2_pct: Any, leak_test_passed: Any) -> dict[str, Any]:
    """Return code -> where the CO of the exhaust stops the heater (dry, as measured; O2 dry)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        air_free = air_free_at_least(co_ppm, o2_pct)
    highest = limit("exhaust_co_stop")
    return {
        "exhaust_co_high": np.asarray(co_ppm) > highest,
        "exhaust_co_air_free_high": ~np.asarray(leak_test_passed, dtype=bool) & (air_free > highest),
    }


def not_for_gasoline(fuel: Fuel) -> bool:
    """Return whether a heater of this fuel is not known to be for gasoline: a formula or a blend is not."""
    return fuel.family != "gasoline"


def gasoline_stops(heater: Heater, *stated: object) -> tuple[Finding, ...]:
    """Return the stop of a heater that is not for gasoline and has gasoline, or a blend that holds it, in its tank.

    ``stated`` are names of fuels that were said to be in it, else that of the heater counts; what is no name of a
    shipped fuel, formula or blend says nothing here.
    """
    tank = [heater.fuel]
    for name in stated:
        try:
            tank.append(get_fuel(str(name), near=False) if name else heater.fuel)
        except CombustError:
            continue
    other = [fuel for fuel in tank if fuel.name != heater.made_for.name and "gasoline" in fuel.families]
    return (finding("gasoline_in_diesel_heater"),) if other and not_for_gasoline(heater.made_for) else ()


def cab_co_rise(inside_ppm: Any, outside_ppm: Any) -> Any:
    """Return how much CO the cab has above outside [ppm]; outside not measured counts as 0."""
    return np.asarray(inside_ppm, dtype=float) - np.nan_to_num(outside_ppm)


def cab_stops(inside_ppm: Any, outside_ppm: Any) -> dict[str, Any]:
    """Return code -> where the CO of the cab sends people out."""
    inside = np.asarray(inside_ppm, dtype=float)
    return {
        "cab_co_everyone_out": inside >= limit("cab_co_everyone_out"),
        "cab_co_level": inside >= limit("cab_co_level_stop"),
        "cab_co_rise": cab_co_rise(inside, outside_ppm) >= limit("cab_co_rise_stop"),
    }


def place_stops(indoors: Any, not_stated: Any, anything: Any) -> dict[str, Any]:
    """Return code -> where the place stops, and where nothing was entered that could show a danger: not judged yet."""
    nothing = ~np.asarray(anything, dtype=bool)
    return {
        "indoors": indoors,
        "location_unknown": not_stated & ~nothing,
        "not_judged": nothing & ~np.asarray(not_stated, dtype=bool),
        "nothing_entered": nothing & not_stated,
    }


def own_limits(
    *,
    height_m: Any = np.nan,
    height_limit_m: Any = np.nan,
    air_ratio: Any = np.nan,
    lowest_air_ratio: Any = np.nan,
    supply_v: Any = np.nan,
    cutout_v: Any = np.nan,
    glow_v: Any = np.nan,
    system_v: Any = np.nan,
    nominal_v: Any = np.nan,
    failed_starts: Any = np.nan,
    allowed_starts: Any = np.nan,
    height_judged: bool = False,
) -> dict[str, Any]:
    """Return code -> where a limit of the heater's own document is exceeded; a limit that is not known never is.

    ``system_v``, of the battery or at the plug, tells 12 V from 24 V. Failed starts without a number in the document:
    one is allowed. Where the height is judged, an altitude limit that is not known leaves it open, and stops well up.
    """
    unknown = np.isnan(height_limit_m) & height_judged
    high = np.asarray(height_m) > limit("altitude_limit_to_look_up")
    of_plate = np.asarray(system_v) / nominal_v
    allowed = np.where(np.isnan(allowed_starts), 1.0, np.maximum(allowed_starts, 1.0))
    return {
        "above_heater_limit": np.asarray(height_m) > height_limit_m,
        "heater_limit_missing_high": unknown & high,
        "heater_limit_unknown": unknown & ~high,
        "air_ratio_below_minimum": np.asarray(air_ratio) < lowest_air_ratio,
        "below_cutout_run": np.asarray(supply_v) < cutout_v,
        "below_cutout_glow": np.asarray(glow_v) < cutout_v,
        "system_voltage": (of_plate > limit("system_voltage_high")) | (of_plate < limit("system_voltage_low")),
        "starts_used_up": np.asarray(failed_starts) >= allowed,
    }
