"""The result of a site effect, as frozen data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from combust import __version__
from combust.domain.limits import Finding, cautions, no_stop_text

SOURCES = (
    "ISO 2533:1975, standard atmosphere",
    "fan laws: at fixed speed the volume flow stays, mass flow follows air density (trade journal, read)",
    "Directive 2001/56/EC Annex V: outlet air of an air heater (read)",
    "priors of the hot-gas term: combust/data/altitude.toml, stated conventions",
)


@dataclass(frozen=True)
class SiteEffect:
    """What a site does to a heater stage. ``None`` = cannot be told from what was entered.

    The plain names (``air_ratio``, ``fuel_trim_pct``, ``o2_dry_pct``, ``useful_heat_kw``) follow from dry-air density
    alone, the trade's table; ``_with_fuel_density`` and ``_full`` add the two further terms. ``useful_heat_kw`` is the
    heat with the fuel trimmed to keep lambda, ``useful_heat_untrimmed_kw`` the heat without a trim. A stop condition in
    the reading that was given withholds every trim.
    """

    density_ratio: float
    dry_air_density_ratio: float
    fuel_density_ratio: float
    air_ratio: float
    air_ratio_with_fuel_density: float
    air_ratio_full: float
    air_ratio_full_u: float
    base_air_ratio: float
    base_air_ratio_u: float
    minimum_air_ratio: float
    o2_dry_pct: float | None
    co2_dry_pct: float | None
    o2_dry_full_pct: float | None
    co2_dry_full_pct: float | None
    trim_to_air_ratio: float
    fuel_trim_pct: float | None
    fuel_trim_with_fuel_density_pct: float | None
    fuel_trim_full_pct: float | None
    fuel_trim_full_u_pct: float | None
    fuel_trim_limit_pct: float | None
    blower_trim_pct: float | None
    blower_trim_with_fuel_density_pct: float | None
    blower_trim_full_pct: float | None
    blower_trim_full_u_pct: float | None
    blower_trim_limit_pct: float | None
    useful_heat_kw: float | None
    useful_heat_full_kw: float | None
    useful_heat_untrimmed_kw: float | None
    flue_temp_full_c: float
    air_out_temp_c: float | None
    air_out_temp_trimmed_c: float | None
    heating_air_rise_factor: float
    ceiling_altitude_m: float | None
    ceiling_altitude_full_m: float | None
    ceiling_curve: tuple[Mapping[str, float | None], ...]
    weather: Mapping[str, float]
    reading: Mapping[str, Any] | None
    unit_altitude_limit_m: float | None
    site: Mapping[str, Any]
    reference: Mapping[str, Any]
    fuel: Mapping[str, Any]
    stage: str | None
    heater_id: str | None
    assumed: Mapping[str, Mapping[str, Any]]
    findings: tuple[Finding, ...] = ()
    sources: tuple[str, ...] = SOURCES
    version: str = __version__

    def to_dict(self) -> dict[str, Any]:
        """Return every field as plain values for JSON, with the cautions; no NaN."""
        table = {key: plain(value) for key, value in asdict(self).items() if key != "findings"}
        table["findings"] = [finding.to_dict() for finding in self.findings]
        stopped = any(finding.severity == "stop" for finding in self.findings)
        table["cautions"] = cautions() if stopped else [*cautions(), no_stop_text()]
        return table

    def __str__(self) -> str:
        return (
            f"lambda {self.air_ratio:.2f} by dry-air density alone, {self.air_ratio_with_fuel_density:.2f} with fuel "
            f"density, {self.air_ratio_full:.2f} ± {self.air_ratio_full_u:.2f} in full "
            f"(baseline {self.base_air_ratio:.2f}, density ratio {self.dry_air_density_ratio:.3f})"
        )


def plain(value: Any) -> Any:
    """Return a value without NaN, tuples as lists, for JSON."""
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
