"""The result of a site effect, as frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.data.told import Rows
from combust.domain.limits import Finding, cautions
from combust.domain.result import Assumed, Result, shown
from combust.domain.safety import Safety, calculation

SOURCES = (
    "ISO 2533:1975, standard atmosphere",
    "fan laws: at fixed speed the volume flow stays, mass flow follows air density (trade journal, read)",
    "Directive 2001/56/EC Annex V: outlet air of an air heater (read)",
    "priors of the hot-gas term: combust/data/heater_priors.toml, stated conventions",
)


@dataclass(frozen=True)
class SiteEffect(Result):
    """What a site does to a heater stage. ``None`` = cannot be told from what was entered.

    The plain names (``air_ratio``, ``fuel_trim_pct``, ``o2_dry_pct``, ``useful_heat_kw``) follow from dry-air density
    alone; ``_with_fuel_density`` and ``_full`` add the two further terms. ``useful_heat_kw`` is the
    heat with the fuel trimmed to keep lambda, ``useful_heat_untrimmed_kw`` the heat without a trim. Where the heater
    must not burn, every trim and what it would give is withheld.
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
    heater_altitude_limit_m: float | None
    site: Mapping[str, Any]
    reference: Mapping[str, Any]
    fuel: Mapping[str, Any]
    stage: str | None
    heater_id: str | None
    assumed: tuple[Assumed, ...]
    findings: tuple[Finding, ...] = ()
    sources: tuple[str, ...] = SOURCES

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions."""
        return tuple(cautions())

    @property
    def safety(self) -> Safety:
        """The safety state; without a reading taken at the site this is a calculation."""
        return calculation(*self.findings) if self.reading is None else Safety(self.findings)

    derived = ("cautions",)

    def lines(self) -> Rows:
        """Return the page for people, what matters most first; what is not known is left out."""
        # A typed lambda without its uncertainty is shown without one, not as exact.
        spread = f" ± {2 * self.base_air_ratio_u:.2f} (95 %)" if self.base_air_ratio_u else ""
        rows = [
            ("dry-air density ratio to the baseline",
             f"{self.dry_air_density_ratio:.3f} (moist {self.density_ratio:.3f})"),
            ("lambda at the baseline", f"{self.base_air_ratio:.2f}{spread}"),
            ("lambda here, dry-air density alone", f"{self.air_ratio:.2f}"),
            ("  with fuel density", f"{self.air_ratio_with_fuel_density:.2f}"),
            ("  in full, with hot gas", shown(self.air_ratio_full, ".2f", u=self.air_ratio_full_u)),
            ("O2 / CO2 to expect", f"{_pair(self.o2_dry_pct, self.co2_dry_pct)}, in full "
                                   f"{_pair(self.o2_dry_full_pct, self.co2_dry_full_pct)}"),
            ("weather ± 30 hPa, full lambda", f"{self.weather['air_ratio_full_low']:.2f} to "
                                              f"{self.weather['air_ratio_full_high']:.2f}"),
            (f"highest site with lambda ≥ {self.minimum_air_ratio:g}",
             f"{_height(self.ceiling_altitude_m)}, in full {_height(self.ceiling_altitude_full_m)}"),
        ]  # fmt: skip
        if self.reading is not None:
            lam = self.reading["air_ratio"]
            rows.insert(0, ("this reading", f"{'' if lam is None else f'lambda {lam:.2f}: '}{self.reading['text']}"))
        if self.heater_id is not None or self.heater_altitude_limit_m is not None:
            rows.append(("the heater's own limit", f"{_height(self.heater_altitude_limit_m)} (it decides)"))
        return [*rows, *_trim_lines(self), *_heat_lines(self)]


def _trim_lines(one: SiteEffect) -> Rows:
    if one.fuel_trim_pct is None:
        return [("trims", "withheld: see the stop condition")]
    left = "" if one.blower_trim_limit_pct is None else f" (the blower has {one.blower_trim_limit_pct:.0f} % left)"
    fuel = _trim(one.fuel_trim_pct, one.fuel_trim_full_pct, one.fuel_trim_full_u_pct)
    blower = _trim(one.blower_trim_pct, one.blower_trim_full_pct, one.blower_trim_full_u_pct)
    return [(f"fuel trim that keeps lambda {one.trim_to_air_ratio:.2f}", fuel), ("or blower trim", blower + left)]


def _trim(by_density: float | None, full: float | None, u: float | None) -> str:
    return f"{by_density:.1f} %, in full {full:.1f} ± {2.0 * (u or 0.0):.1f} % (95 %)"


def _heat_lines(one: SiteEffect) -> Rows:
    rise = f"{one.heating_air_rise_factor:.2f} times the baseline's"
    if one.air_out_temp_c is not None:
        rise += f": {one.air_out_temp_c:.0f} °C at the outlet"
        if one.air_out_temp_trimmed_c is not None:
            rise += f", {one.air_out_temp_trimmed_c:.0f} °C when trimmed"
    rows = [("rise of the heating air, not trimmed", rise)]
    if one.useful_heat_kw is not None:
        rows += [
            ("useful heat, fuel trimmed to keep lambda",
             f"{one.useful_heat_kw:.2f} kW, in full {shown(one.useful_heat_full_kw, '.2f', 'kW')}"),
            ("useful heat, not trimmed", shown(one.useful_heat_untrimmed_kw, ".2f", "kW")),
        ]  # fmt: skip
    return rows


def _height(metres: float | None) -> str:
    return shown(metres, ".0f", "m", untold="unknown")


def _pair(o2: float | None, co2: float | None) -> str:
    return "none: lambda below 1" if o2 is None or co2 is None else f"{o2:.1f} / {co2:.1f} %"
