"""What a site does to one heater stage: lambda three ways, expected gases, trims with limits, heat, ceiling."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from combust.application.reading.columns import columns_of_reading
from combust.application.reading.interpret import interpret_columns
from combust.application.reading.result import safety_of
from combust.application.site.base import AltitudeBase, altitude_base
from combust.application.site.effect_result import SiteEffect
from combust.application.site.findings import site_findings
from combust.data.errors import CombustError, Fault
from combust.data.tables import load_table
from combust.data.vocabulary import quantity
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.domain.limits import Finding, in_order, limit
from combust.domain.reading import Reading
from combust.domain.result import Assumed, assume
from combust.domain.safety import Safety
from combust.domain.site import Site
from combust.kernel import air, altitude, hot_gas
from combust.kernel.flue_gas import flue_gas_moles

CURVE_TEMPS_C = tuple(range(-40, 41, 5))
VERDICT_TEXTS = {
    "as_expected_here": "The site explains this reading; it gives no reason of its own to look for a fault.",
    "richer_than_expected": "Richer than the site explains: look for a cause (combust cause).",
    "cannot_tell": "The reading gives no lambda; see the stop condition first.",
    "leaner_than_expected": "Leaner than the site explains: look for a cause (combust cause).",
}


def site_effect(
    heater_or_fuel: Heater | Fuel | str,
    site: Site,
    *,
    stage: str | None = None,
    air_ratio: float | None = None,
    air_ratio_u: float = 0.0,
    reference: Site | None = None,
    fuel_temp_c: float | None = None,
    air_in_temp_c: float | None = None,
    minimum_air_ratio: float | None = None,
    keep_air_ratio: float | None = None,
    useful_heat_kw: float | None = None,
    reading: Mapping[str, Any] | None = None,
) -> SiteEffect:
    """Return what the air at a site does to lambda, expected gases, trims and heat.

    Parameters
    ----------
    heater_or_fuel : Heater, Fuel or str
        A profile, or a fuel with ``air_ratio`` (and ``air_ratio_u``, ``useful_heat_kw``) at ``reference`` air.
    site : Site
        Height or station pressure, intake temperature, humidity.
    stage : str, optional
        Heat stage; default the one with the most fuel or heat.
    fuel_temp_c : float, optional
        Fuel at the metering pump [°C]; default the intake temperature, listed in ``assumed``.
    air_in_temp_c : float, optional
        Heating air entering [°C]; default as at the baseline.
    minimum_air_ratio : float, optional
        lambda that must be kept [-]; default the profile's, else the watch-point of ``limits.toml``.
    keep_air_ratio : float, optional
        lambda the trims aim at [-]; default the baseline's.
    reading : Reading or mapping, optional
        A reading taken at the site, to be told whether the site explains it.

    Returns
    -------
    SiteEffect

    Raises
    ------
    CombustError
        See :func:`combust.application.site.base.altitude_base`; values outside their bands.

    Examples
    --------
    >>> from combust.domain.site import Site
    >>> effect = site_effect("diesel", Site(2000, None, 0.0), air_ratio=1.6, reference=Site(0, None, 20.0))
    >>> round(effect.air_ratio, 2), round(effect.o2_dry_pct, 1)
    (1.35, 5.7)
    """
    base = altitude_base(
        heater_or_fuel,
        stage=stage,
        air_ratio=air_ratio,
        air_ratio_u=air_ratio_u,
        reference=reference,
        useful_heat_kw=useful_heat_kw,
    )
    assumed = dict(base.assumed)
    if site.altitude_m is None and site.pressure_hpa == air.STANDARD_PRESSURE_HPA:
        assumed["pressure_hpa"] = assume("pressure_hpa", site.pressure_hpa, "sea level, if not entered")
    if fuel_temp_c is None:
        fuel_temp_c = site.intake_temp_c
        assumed["fuel_temp_c"] = assume("fuel_temp_c", fuel_temp_c, "as cold as the intake air")
    if air_in_temp_c is None:
        air_in_temp_c = base.air_in_temp_c
        assumed["air_in_temp_c"] = assume("air_in_temp_c", air_in_temp_c, "as at the baseline")
    minimum = _minimum(base, minimum_air_ratio, assumed)
    keep = base.air_ratio if keep_air_ratio is None else keep_air_ratio
    faults = [
        fault
        for key, value in (("fuel_temp_c", fuel_temp_c), ("air_in_temp_c", air_in_temp_c))
        if (fault := quantity(key).fault_of(value))
    ]
    for key, value in (("minimum_air_ratio", minimum), ("keep_air_ratio", keep)):
        if not 0.8 <= value <= 5.0:
            faults.append(
                Fault(
                    key,
                    value,
                    "out_of_band",
                    low=0.8,
                    high=5.0,
                    why="is no lambda to run a heater at",
                    hint="Small heaters run at about 1.3 to 2.",
                )
            )
    if faults:
        raise CombustError(faults)
    values = _values(base, site, fuel_temp_c, air_in_temp_c, minimum, keep)
    values["reading"], stops = (None, []) if reading is None else _explained(base, site, values, Reading(**reading))
    values["findings"] = in_order([*stops, *site_findings(base, site, values)])
    if not Safety(values["findings"]).allows(("burning",)):
        values.update({key: None for key in values if "_trim_" in key and not key.endswith("limit_pct")})
    return SiteEffect(**values, assumed=tuple(assumed.values()))


def _minimum(base: AltitudeBase, given: float | None, assumed: dict[str, Assumed]) -> float:
    if given is not None:
        return given
    own = base.heater.limits.air_ratio_min if base.heater else None
    if own is not None:
        return own
    value = limit("air_ratio_soot")
    origin = "watch-point of the trade (from memory, medium); the unit's document wins"
    assumed["minimum_air_ratio"] = assume("minimum_air_ratio", value, origin)
    return value


def _values(
    base: AltitudeBase, site: Site, fuel_temp: float, air_in: float, minimum: float, keep: float
) -> dict[str, Any]:
    sigma = site.dry_air_density_kg_m3 / base.reference.dry_air_density_kg_m3
    ratio = float(altitude.fuel_density_ratio(fuel_temp, base.fuel_temp_c, base.expansion_per_k))
    free = _state(base, sigma, ratio, site.intake_temp_c, air_in)
    by_fuel = _state(base, sigma, ratio, site.intake_temp_c, air_in, "fuel", keep)
    by_blower = _state(base, sigma, ratio, site.intake_temp_c, air_in, "blower", keep)
    lam, lam_fuel = base.air_ratio * sigma, base.air_ratio * sigma / ratio
    lam_full = float(free.air_ratio.mean())
    lam_u = lam_full * float(base.relative_u(free.flow_factor, fuel_temp))
    u_share = lam_u / lam_full
    fuel_full, blower_full = float(by_fuel.fuel_factor.mean()), float(by_blower.speed_factor.mean())
    o2, co2 = expected_gases(base.fuel, lam)
    o2_full, co2_full = expected_gases(base.fuel, lam_full)
    lowest, fastest = _trim_limits(base)
    return {
        "density_ratio": site.air_density_kg_m3 / base.reference.air_density_kg_m3,
        "dry_air_density_ratio": sigma,
        "fuel_density_ratio": ratio,
        "air_ratio": lam,
        "air_ratio_with_fuel_density": lam_fuel,
        "air_ratio_full": lam_full,
        "air_ratio_full_u": lam_u,
        "base_air_ratio": base.air_ratio,
        "base_air_ratio_u": base.air_ratio_u,
        "minimum_air_ratio": minimum,
        "o2_dry_pct": o2,
        "co2_dry_pct": co2,
        "o2_dry_full_pct": o2_full,
        "co2_dry_full_pct": co2_full,
        "trim_to_air_ratio": keep,
        "fuel_trim_pct": float(altitude.fuel_trim_to_keep(lam, keep)),
        "fuel_trim_with_fuel_density_pct": float(altitude.fuel_trim_to_keep(lam_fuel, keep)),
        "fuel_trim_full_pct": 100.0 * (min(fuel_full, 1.0) - 1.0),
        "fuel_trim_full_u_pct": 100.0 * fuel_full * u_share,
        "fuel_trim_limit_pct": lowest,
        "blower_trim_pct": float(altitude.blower_trim_to_keep(lam, keep)),
        "blower_trim_with_fuel_density_pct": float(altitude.blower_trim_to_keep(lam_fuel, keep)),
        "blower_trim_full_pct": 100.0 * (max(blower_full, 1.0) - 1.0),
        "blower_trim_full_u_pct": 100.0 * blower_full * u_share,
        "blower_trim_limit_pct": fastest,
        **_heat(base, site, air_in, sigma, keep, free, by_fuel),
        **_ceilings(base, site.intake_temp_c, minimum),
        "weather": _weather(base, site, ratio, air_in),
        "unit_altitude_limit_m": base.heater.limits.altitude_m if base.heater else None,
        "site": site.to_dict(),
        "reference": base.reference.to_dict(),
        "fuel": base.fuel.to_dict(),
        "stage": base.stage.name if base.stage else None,
        "heater_id": base.heater.heater_id if base.heater else None,
    }


def _state(
    base: AltitudeBase,
    sigma: Any,
    ratio: Any,
    intake: Any,
    air_in: Any,
    hold: str = "nothing",
    keep: float | None = None,
) -> hot_gas.HotGasState:
    return hot_gas.hot_gas_state(
        base.hot,
        base.draws,
        dry_air_density_ratio=sigma,
        fuel_density_ratio=ratio,
        intake_temp_c=intake,
        air_in_temp_c=air_in,
        hold=hold,
        hold_air_ratio=keep,
    )


def expected_gases(fuel: Fuel, air_ratio: float) -> tuple[float | None, float | None]:
    """Return dry O2 and CO2 of complete combustion at a lambda [vol %]; None at lambda below 1."""
    if not air_ratio >= 1.0:
        return None, None
    moles = flue_gas_moles(fuel, air_ratio)
    return float(moles.o2_dry_pct), float(moles.co2_dry_pct)


def _trim_limits(base: AltitudeBase) -> tuple[float | None, float | None]:
    """Return (lowest fuel the unit's own stages reach, speed the blower has left) [%]; None = not in the profile."""
    lowest = fastest = None
    if base.heater is not None and base.stage is not None:
        flows = [one.fuel_l_per_h for one in base.heater.stages.values() if one.fuel_l_per_h]
        if base.fuel_l_per_h and len(flows) > 1:
            lowest = 100.0 * (min(flows) / base.fuel_l_per_h - 1.0)
        measured = base.baseline.reading.get("blower_rpm") if base.baseline else None
        speed = base.stage.blower_rpm if measured is None else measured
        if speed and base.heater.blower_rpm_max:
            fastest = max(100.0 * (base.heater.blower_rpm_max / speed - 1.0), 0.0)
    return lowest, fastest


def _heat(
    base: AltitudeBase,
    site: Site,
    air_in: float,
    sigma: float,
    keep: float,
    free: hot_gas.HotGasState,
    by_fuel: hot_gas.HotGasState,
) -> dict[str, Any]:
    """Return heat with and without trim, flue temperature, and the rise and outlet temperature of the heating air.

    Heating-air mass flow follows the density at its own inlet (fixed speed), so its rise grows as heat over density.
    """
    kelvin = 273.15
    heating_density = site.pressure / base.reference.pressure * (base.air_in_temp_c + kelvin) / (air_in + kelvin)
    heat_free, heat_trim = float(free.heat_factor.mean()), float(by_fuel.heat_factor.mean())
    trim_wanted = float(by_fuel.fuel_factor.mean()) < 1.0
    heat_trim = heat_trim if trim_wanted else heat_free
    nominal, simple = base.useful_heat_kw, min(base.air_ratio * sigma / keep, 1.0)
    rise = None if base.air_out_temp_c is None else base.air_out_temp_c - base.air_in_temp_c
    return {
        "useful_heat_kw": None if nominal is None else nominal * simple,
        "useful_heat_full_kw": None if nominal is None else nominal * heat_trim,
        "useful_heat_untrimmed_kw": None if nominal is None else nominal * heat_free,
        "flue_temp_full_c": float(free.flue_temp.mean()),
        "heating_air_rise_factor": heat_free / heating_density,
        "air_out_temp_c": None if rise is None else air_in + rise * heat_free / heating_density,
        "air_out_temp_trimmed_c": None if rise is None else air_in + rise * heat_trim / heating_density,
    }


def _ceilings(base: AltitudeBase, temp: float, minimum: float) -> dict[str, Any]:
    """Return the highest site that keeps lambda at the minimum, here and as a curve over temperature."""
    temps = np.array([temp, *CURVE_TEMPS_C], dtype=float)
    simple, full = ceiling_by_temperature(base, temps, minimum)
    curve = tuple(
        {
            "intake_temp_c": float(temps[row]),
            "ceiling_altitude_m": _or_none(simple[row]),
            "ceiling_altitude_full_m": _or_none(full[row]),
        }
        for row in range(1, len(temps))
    )
    return {
        "ceiling_altitude_m": _or_none(simple[0]),
        "ceiling_altitude_full_m": _or_none(full[0]),
        "ceiling_curve": curve,
    }


def ceiling_by_temperature(base: AltitudeBase, temp_c: Any, minimum: float) -> tuple[Any, Any]:
    """Return the highest geometric heights that keep lambda at a minimum: (dry-air density alone, full) [m].

    NaN where even the lowest height, -430 m, does not keep it; 9000 m where no height loses it.
    """
    temps = np.asarray(temp_c, dtype=float)
    simple = altitude.ceiling_altitude(minimum / base.air_ratio, temps, base.reference.dry_air_density_kg_m3)
    simple = np.where(simple < altitude.LOWEST_M, np.nan, np.minimum(simple, altitude.HIGHEST_M))
    heights = np.arange(altitude.LOWEST_M, altitude.HIGHEST_M + 1.0, 10.0)
    lam = altitude.derate(base.derating, altitude_m=heights[None, :], temp_c=temps[:, None]).air_ratio_full
    full = [np.nan if row[0] < minimum else np.interp(-minimum, -row, heights) for row in lam]
    return simple, np.array(full)


def _weather(base: AltitudeBase, site: Site, ratio: float, air_in: float) -> dict[str, float]:
    """Return the three lambdas at the low and the high end of the weather's pressure band."""
    band = load_table("altitude")["weather_band_hpa"]["value"]
    row: dict[str, float] = {"band_hpa": band}
    for name, shift in (("low", -band), ("high", band)):
        dry = air.dry_air_density(site.pressure + shift, site.intake_temp_c, site.humidity_pct)
        sigma = float(dry) / base.reference.dry_air_density_kg_m3
        row[f"air_ratio_{name}"] = base.air_ratio * sigma
        row[f"air_ratio_with_fuel_density_{name}"] = base.air_ratio * sigma / ratio
        row[f"air_ratio_full_{name}"] = float(_state(base, sigma, ratio, site.intake_temp_c, air_in).air_ratio.mean())
    return row


def _explained(
    base: AltitudeBase, site: Site, values: Mapping[str, Any], reading: Mapping[str, Any]
) -> tuple[dict[str, Any], list[Finding]]:
    """Return whether the site explains a reading, and the stop conditions in it.

    Its lambda is held against the span of the three accounts: the fuel may be warmer than the air and the hot-gas term
    is uncertain, so everything between them counts as explained, widened by two standard uncertainties.
    """
    columns = columns_of_reading({key: value for key, value in reading.items() if key != "fuel"}, base.fuel)
    told = interpret_columns(columns, instrument_class())
    stops = list(safety_of({**reading, "fuel": base.fuel.name}).findings)
    lam, lam_u = float(told.values["air_ratio"][0]), float(told.values["air_ratio_u"][0])
    if not math.isfinite(lam) and stops:
        nothing = dict.fromkeys(("air_ratio", "air_ratio_u", "u", "z"))
        return {"verdict": "cannot_tell", "text": VERDICT_TEXTS["cannot_tell"], **nothing}, stops
    if not math.isfinite(lam):
        hint = "Give the O2 that was read at the site, in vol % (--o2-dry)."
        raise CombustError(Fault("reading", "O2 and CO2", "missing", why="give no lambda", hint=hint))
    weather = 0.0 if site.altitude_m is None else load_table("altitude")["weather_u_hpa"]["value"] / site.pressure
    u = math.sqrt(lam_u**2 + values["air_ratio_full_u"] ** 2 + (weather * values["air_ratio_full"]) ** 2)
    expected = (values["air_ratio"], values["air_ratio_with_fuel_density"], values["air_ratio_full"])
    gap = max(lam - max(expected), 0.0) - max(min(expected) - lam, 0.0)
    verdict = "as_expected_here"
    if abs(gap) > 2.0 * u:
        verdict = "leaner_than_expected" if gap > 0.0 else "richer_than_expected"
    row = {"verdict": verdict, "text": VERDICT_TEXTS[verdict], "air_ratio": lam, "air_ratio_u": lam_u}
    return {**row, "u": u, "z": gap / u}, stops


def _or_none(value: Any) -> float | None:
    return float(value) if math.isfinite(value) else None
