"""What a site effect must be told beside its numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.heater.healthy import HealthyStage
from combust.application.reading.result import unit_doubts
from combust.application.safety import gasoline_stops, height_at_least, own_limits
from combust.domain.limits import Finding, finding, in_order, limit
from combust.domain.safety import ranks_of
from combust.domain.site import Site
from combust.kernel import altitude

ACCOUNTS = ("air_ratio", "air_ratio_with_fuel_density", "air_ratio_full")  # of lambda, by how much is counted


@dataclass(frozen=True, slots=True)
class RowLimits:
    """What rows of heights are judged by: the heater's own limit [m] (NaN = not known), whether there is a heater."""

    height_limit_m: float
    lowest_air_ratio: float
    height_judged: bool
    gasoline: bool = False  # in a heater that is not for it

    @classmethod
    def of(cls, base: HealthyStage) -> RowLimits:
        """Return the limits of a stage; without a minimum of its own the watch-point of the trade counts."""
        stated = base.heater.limits if base.heater else None
        height, lowest = (None, None) if stated is None else (stated.altitude_m, stated.air_ratio_min)
        lowest = limit("air_ratio_soot") if lowest is None else lowest
        gasoline = base.heater is not None and bool(gasoline_stops(base.heater))
        return cls(math.nan if height is None else height, lowest, stated is not None, gasoline)

    def ranks(self, height_m: Any, air_ratio: Any) -> Any:
        """Return the rank of the safety state of each row; a calculation is never more than not judged."""
        beyond = own_limits(
            height_m=height_m,
            height_limit_m=self.height_limit_m,
            air_ratio=air_ratio,
            lowest_air_ratio=self.lowest_air_ratio,
            height_judged=self.height_judged,
        )
        return ranks_of({**beyond, "gasoline_in_diesel_heater": self.gasoline, "calculation_only": True})


def site_findings(base: HealthyStage, site: Site, values: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return the findings of a site effect, warnings first."""
    found = [*_limit_findings(base, site, values), *_air_ratio_findings(values), *_trim_findings(base, values)]
    outlet = limit("outlet_temp")
    if values["air_out_temp_c"] is not None and values["air_out_temp_c"] > outlet:
        found.append(finding("outlet_hot", air_out_temp_c=values["air_out_temp_c"], limit_c=outlet))
    if base.baseline is not None and base.baseline.reading.get("co_dry_ppm") is None:
        found.append(finding("baseline_on_trust"))
    found += [] if base.baseline is None else unit_doubts(base.baseline)
    if not altitude.COLDEST_C <= site.intake_temp_c <= altitude.HOTTEST_C:
        found.append(finding("outside_validated", what=f"An intake of {site.intake_temp_c:g} °C"))
    found.append(finding("flame_not_covered"))
    return in_order(found)


def _limit_findings(base: HealthyStage, site: Site, values: Mapping[str, Any]) -> list[Finding]:
    if base.heater is None:
        return []
    known, entered = values["heater_altitude_limit_m"], site.altitude_m
    limit_m = math.nan if known is None else known
    height = float(height_at_least(math.nan if entered is None else entered, site.pressure))
    beyond = own_limits(height_m=height, height_limit_m=limit_m, height_judged=True)
    source = base.heater.limits.source or "source not stated"
    return [finding(code, altitude_m=height, limit_m=limit_m, source=source) for code, at in beyond.items() if at]


def _air_ratio_findings(values: Mapping[str, Any]) -> list[Finding]:
    lams = {key: values[key] for key in ACCOUNTS}
    full, u, minimum = values["air_ratio_full"], values["air_ratio_full_u"], values["minimum_air_ratio"]
    found = []
    if own_limits(air_ratio=full, lowest_air_ratio=minimum)["air_ratio_below_minimum"]:
        found.append(finding("air_ratio_below_minimum", air_ratio=full, u95=2.0 * u, minimum=minimum))
    elif full - 2.0 * u < minimum:
        found.append(finding("air_ratio_borderline", air_ratio_full=full, u95=2.0 * u, minimum=minimum))
    if min(lams.values()) < minimum <= max(lams.values()):
        found.append(finding("rules_disagree", minimum=minimum, **lams))
    if min(lams.values()) <= 1.0:
        found.append(finding("rich_mixture"))
    low, high = values["weather"]["air_ratio_full_low"], values["weather"]["air_ratio_full_high"]
    if low < minimum <= high:
        band = values["weather"]["band_hpa"]
        found.append(finding("weather_flips", band=band, low=low, high=high, minimum=minimum))
    return found


def _trim_findings(base: HealthyStage, values: Mapping[str, Any]) -> list[Finding]:
    found = []
    if values["air_ratio_full"] > values["trim_to_air_ratio"] * (1.0 + 1e-9):
        found.append(finding("no_upward_trim"))
    needed, available = values["blower_trim_full_pct"], values["blower_trim_limit_pct"]
    if base.heater is not None and needed > 0.0:
        if available is None:
            found.append(finding("blower_limit_unknown"))
        elif needed > available:
            found.append(finding("blower_trim_beyond", needed=needed, available=available))
    lowest = values["fuel_trim_limit_pct"]
    if lowest is not None and values["fuel_trim_full_pct"] < lowest:
        found.append(finding("fuel_trim_beyond", needed=values["fuel_trim_full_pct"], available=lowest))
    return found
