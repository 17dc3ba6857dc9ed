"""What a site does to one heater stage: lambda three ways, expected gases, trims with limits, heat, ceiling."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from combust.application.heater.baseline import healthy_stage, read_air_ratio
from combust.application.heater.healthy import HealthyStage
from combust.application.reading.result import safety_of
from combust.application.safety import gasoline_stops
from combust.application.site.derating import stage_columns
from combust.application.site.effect_result import SiteEffect
from combust.application.site.findings import ACCOUNTS, RowLimits, site_findings
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, need_fields
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.domain.limits import Finding, in_order
from combust.domain.reading import Reading
from combust.domain.result import assume
from combust.domain.safety import Safety
from combust.domain.site import Site
from combust.kernel import air, altitude
from combust.kernel.constants import ZERO_CELSIUS_K

CURVE_TEMPS_C = tuple(range(-40, 41, 5))
AIMS = {
    key: Field(key, meaning=meaning, low=0.8, high=5.0, hint="Small heaters run at about 1.3 to 2.")
    for key, meaning in (
        ("minimum_air_ratio", "lowest lambda accepted (default: the profile's, else 1.3)"),
        ("keep_air_ratio", "lambda the trims aim at (default: the baseline's)"),
    )
}
# What a trim would give, and what is said about trims: nothing of it where the heater must not burn.
OF_A_TRIM = ("useful_heat_kw", "useful_heat_full_kw", "air_out_temp_trimmed_c")
ABOUT_A_TRIM = ("no_upward_trim", "blower_limit_unknown", "blower_trim_beyond", "fuel_trim_beyond")
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
    air_ratio, air_ratio_u, useful_heat_kw : float, optional
        lambda [-], its standard uncertainty [-] and heat [kW] of a fuel; what cannot be is refused.
    reference : Site, optional
        Air that they belong to; default the standard's at sea level.
    fuel_temp_c : float, optional
        Fuel at the metering pump [°C], -60 to 80 (others are refused); default the intake temperature, listed in
        ``assumed``.
    air_in_temp_c : float, optional
        Heating air entering [°C], what cannot be is refused; default as cold as the intake air, and for the outlet as
        warm as at the baseline.
    minimum_air_ratio : float, optional
        lambda that must be kept [-], what cannot be is refused; default the profile's, else the watch-point of
        ``limits.toml``.
    keep_air_ratio : float, optional
        lambda the trims aim at [-], what cannot be is refused; default the baseline's.
    reading : Reading or mapping, optional
        A reading taken at the site, to be told whether the site explains it.

    Returns
    -------
    SiteEffect
        lambda [-], gases [vol %], trims [%], heat [kW]; one number each.

    Raises
    ------
    CombustError
        As ``healthy_stage`` of ``combust.application.heater.baseline``; values outside their bands.

    References
    ----------
    ISO 2533:1975 for the air; balances as for :func:`combust.flue_gas`.

    Examples
    --------
    >>> from combust.domain.site import Site
    >>> effect = site_effect("diesel", Site(2000, None, 0.0), air_ratio=1.6, reference=Site(0, None, 20.0))
    >>> round(effect.air_ratio, 2), round(effect.o2_dry_pct, 1)
    (1.35, 5.7)
    """
    base = healthy_stage(
        heater_or_fuel,
        stage=stage,
        air_ratio=air_ratio,
        air_ratio_u=air_ratio_u,
        reference=reference,
        useful_heat_kw=useful_heat_kw,
    )
    assumed = [*base.assumed, *base.assumed_structure()]
    if site.altitude_m is None and site.pressure_hpa == air.STANDARD_PRESSURE_HPA:
        assumed.append(assume("pressure_hpa", site.pressure_hpa, "sea level, if not entered"))
    if fuel_temp_c is None:
        fuel_temp_c = site.intake_temp_c
        assumed.append(assume("fuel_temp_c", fuel_temp_c, "as cold as the intake air"))
    outlet_in_c = air_in_temp_c
    if air_in_temp_c is None:
        air_in_temp_c = site.intake_temp_c
        assumed.append(assume("air_in_temp_c", air_in_temp_c, "as cold as the intake air"))
        # The outlet is told for the warmer of the two: heated air may come from a warm cab.
        outlet_in_c = max(air_in_temp_c, float(base.state.air_in_c))
    minimum, of_document = minimum_air_ratio, base.heater.limits.air_ratio_min if base.heater else None
    if minimum is None:
        minimum = RowLimits.of(base).lowest_air_ratio
        if of_document is None:
            origin = "watch-point of the trade (from memory, medium); the heater's document wins"
            assumed.append(assume("minimum_air_ratio", minimum, origin))
    keep = base.air_ratio if keep_air_ratio is None else keep_air_ratio
    asked = {"fuel_temp_c": fuel_temp_c, "air_in_temp_c": air_in_temp_c}
    need_fields(asked | {"minimum_air_ratio": minimum, "keep_air_ratio": keep}, {**quantities(), **AIMS})
    values = _values(base, site, fuel_temp_c, (air_in_temp_c, outlet_in_c or 0.0), minimum, keep)
    stops: list[Finding] = []
    values["reading"] = None
    if reading is not None:
        values["reading"], stops = _explained(base, site, (fuel_temp_c, air_in_temp_c), Reading(**reading))
    tank = gasoline_stops(base.heater, (reading or {}).get("fuel")) if base.heater else ()
    found = {one.code: one for one in [*tank, *stops]}
    values["findings"] = in_order([*found.values(), *site_findings(base, site, values)])
    if not Safety(values["findings"]).allows(("burning",)):
        values.update({key: None for key in values if "_trim_" in key and not key.endswith("limit_pct")})
        values.update(dict.fromkeys(OF_A_TRIM))
        values["findings"] = tuple(one for one in values["findings"] if one.code not in ABOUT_A_TRIM)
    return SiteEffect(**values, assumed=tuple(assumed))


def _values(
    base: HealthyStage, site: Site, fuel_temp: float, inlets: tuple[float, float], minimum: float, keep: float
) -> dict[str, Any]:
    air_in, outlet_in = inlets
    here, point_fuel = base.air_of(site, air_in_c=air_in), base.fuel_density(fuel_temp)
    point = base.at(here, point_fuel)
    columns = stage_columns(base, here, fuel_temp, keep, point=point)
    shown: dict[str, Any] = {key: _or_none(column[0]) for key, column in columns.items()}
    nominal, trimmed = base.useful_heat_kw, shown.pop("trimmed_heat")
    free, rise_factor = float(point.heat.mean()), float(point.rise.mean())
    kept = trimmed if shown["fuel_trim_full_pct"] < 0.0 else free
    # Heating-air mass flow follows the density at its own inlet (fixed speed), so its rise grows as heat over density.
    thinner = (outlet_in + ZERO_CELSIUS_K) / (here.air_in_c + ZERO_CELSIUS_K)
    rise = None if base.air_out_temp_c is None else base.state.rise_k * thinner
    return {
        "density_ratio": float(here.density),
        "fuel_density_ratio": float(point_fuel),
        **shown,
        "base_air_ratio": base.air_ratio,
        "base_air_ratio_u": base.air_ratio_u,
        "minimum_air_ratio": minimum,
        "trim_to_air_ratio": keep,
        "fuel_trim_limit_pct": _lowest_fuel(base),
        "blower_trim_limit_pct": base.blower_left_pct,
        "useful_heat_kw": None if nominal is None else nominal * min(shown["air_ratio"] / keep, 1.0),
        "useful_heat_full_kw": None if nominal is None else nominal * kept,
        "useful_heat_untrimmed_kw": None if nominal is None else nominal * free,
        "flue_temp_full_c": float(point.flue_c.mean()),
        "heating_air_rise_factor": rise_factor,
        "air_out_temp_c": None if rise is None else outlet_in + rise * rise_factor,
        "air_out_temp_trimmed_c": None if rise is None else outlet_in + rise * kept / here.heating_air_density,
        **_ceilings(base, site.intake_temp_c, minimum),
        "weather": _weather(base, site, fuel_temp, air_in),
        "heater_altitude_limit_m": base.heater.limits.altitude_m if base.heater else None,
        "site": site.to_dict(),
        "reference": base.reference.to_dict(),
        "fuel": base.fuel.to_dict(),
        "stage": base.name or None,
        "heater_id": base.heater.heater_id if base.heater else None,
    }


def _lowest_fuel(base: HealthyStage) -> float | None:
    """Return the lowest fuel the heater's own stages reach [%]; None = not in the profile."""
    flows = [one.fuel_l_per_h for one in base.heater.stages.values() if one.fuel_l_per_h] if base.heater else []
    return 100.0 * (min(flows) / base.fuel_l_per_h - 1.0) if base.fuel_l_per_h and len(flows) > 1 else None


def _ceilings(base: HealthyStage, temp: float, minimum: float) -> dict[str, Any]:
    """Return the highest site that keeps lambda at the minimum, here and as a curve over temperature."""
    temps = (temp, *CURVE_TEMPS_C)
    here, *curve = (
        {"ceiling_altitude_m": _or_none(by_density), "ceiling_altitude_full_m": _or_none(full)}
        for by_density, full in zip(*ceiling_by_temperature(base, temps, minimum), strict=True)
    )
    rows = tuple({"intake_temp_c": float(at), **row} for at, row in zip(CURVE_TEMPS_C, curve, strict=True))
    return {**here, "ceiling_curve": rows}


def ceiling_by_temperature(base: HealthyStage, temp_c: Any, minimum: float) -> tuple[Any, Any]:
    """Return the highest geometric heights that keep lambda at a minimum: (dry-air density alone, full) [m].

    NaN where even the lowest height, -430 m, does not keep it; 9000 m where no height loses it.
    """
    temps = np.asarray(temp_c, dtype=float)
    by_density = altitude.ceiling_altitude(minimum / base.air_ratio, temps, base.reference.dry_air_density_kg_m3)
    by_density = np.where(by_density < altitude.LOWEST_M, np.nan, np.minimum(by_density, altitude.HIGHEST_M))
    heights = np.arange(altitude.LOWEST_M, altitude.HIGHEST_M + 1.0, 10.0)
    lambdas = altitude.lambda_from_surface(base.surface, altitude_m=heights[None, :], temp_c=temps[:, None])
    full = [np.nan if row[0] < minimum else np.interp(-minimum, -row, heights) for row in lambdas.air_ratio_full]
    return by_density, np.array(full)


def _weather(base: HealthyStage, site: Site, fuel_temp: float, air_in: float) -> dict[str, float]:
    """Return the three lambdas at the low and the high end of the weather's pressure band."""
    band = load_table("altitude")["weather_band_hpa"]["value"]
    pressures = np.array([site.pressure - band, site.pressure + band])
    here = base.air_at(pressures, site.intake_temp_c, humidity_pct=site.humidity_pct, air_in_c=air_in)
    ends = base.lambda_at(here, np.full(2, fuel_temp))
    lams = {
        f"{key}_{end}": float(getattr(ends, key)[row]) for row, end in enumerate(("low", "high")) for key in ACCOUNTS
    }
    return {"band_hpa": band, **lams}


def _explained(
    base: HealthyStage, site: Site, temps: tuple[float, float], reading: Reading
) -> tuple[dict[str, Any], list[Finding]]:
    """Return whether the site explains a reading, and the stop conditions in it; ``temps`` of fuel and heating air.

    A reading that names another fuel is held against the heater on that fuel at the same pulses. Its lambda is held
    against the span of the three accounts: the fuel may be warmer than the air and the hot-gas term is uncertain, so
    everything between them counts as explained, widened by two standard uncertainties.
    """
    if reading.fuel not in (None, base.fuel.name, base.fuel.asked_as):
        base = base.on_fuel(get_fuel(reading.fuel))
    stops = list(safety_of({**reading, "fuel": base.fuel.name}).findings)
    lam, lam_u = read_air_ratio(reading, base.fuel)
    if not math.isfinite(lam) and stops:
        nothing = dict.fromkeys(("air_ratio", "air_ratio_u", "u", "z"))
        return {"verdict": "cannot_tell", "text": VERDICT_TEXTS["cannot_tell"], **nothing}, stops
    if not math.isfinite(lam):
        hint = "Give the O2 that was read at the site, in vol % (--o2-dry)."
        raise CombustError(Fault("reading", "O2 and CO2", "missing", why="give no lambda", hint=hint))
    weather = 0.0 if site.altitude_m is None else load_table("altitude")["weather_u_hpa"]["value"] / site.pressure
    fuel_temp, air_in = temps
    _, *expected, full_u = (float(one[0]) for one in base.lambda_at(base.air_of(site, air_in_c=air_in), fuel_temp))
    u = math.sqrt(lam_u**2 + full_u**2 + (weather * expected[-1]) ** 2)
    gap = max(lam - max(expected), 0.0) - max(min(expected) - lam, 0.0)
    verdict = "as_expected_here"
    if abs(gap) > 2.0 * u:
        verdict = "leaner_than_expected" if gap > 0.0 else "richer_than_expected"
    row = {"verdict": verdict, "text": VERDICT_TEXTS[verdict], "air_ratio": lam, "air_ratio_u": lam_u}
    return {**row, "u": u, "z": gap / u}, stops


def _or_none(value: Any) -> float | None:
    return float(value) if math.isfinite(value) else None
