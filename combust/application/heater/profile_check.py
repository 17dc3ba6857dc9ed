"""Checking a heater profile: what follows from it, and what it should be told although it is accepted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.application.reading.result import ReadingResult, interpret
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.limits import Finding, finding, in_order, limit
from combust.domain.result import Result, Rows
from combust.kernel.fuel_delivery import pump_volume_flow

MJ_PER_KWH = 3.6
WANTED = ("blower", "speed_regulated", "stroke_ul", "nominal_v", "cutout_v", "heating_air_on_same_shaft")


@dataclass(frozen=True)
class ProfileCheck(Result):
    """A profile that was accepted: the heater, the numbers that follow for each stage, and findings, worst first."""

    heater: Heater
    stages: tuple[Mapping[str, Any], ...]
    not_given: tuple[str, ...]
    findings: tuple[Finding, ...]

    unshown = ("heater",)
    calculated = True

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; what is not known is None."""
        heater = self.heater
        return {
            "accepted": True,
            "heater_id": heater.heater_id,
            "fuel": heater.fuel.name,
            "blower": heater.blower,
            "speed_regulated": heater.speed_regulated,
            "ducts": sorted(heater.ducts),
            "has_start_times": heater.start is not None,
            **Result.to_dict(self),
        }

    def lines(self) -> Rows:
        """Return (label, text) rows of the heater; its stages are a table of their own."""
        heater = self.heater
        regulated = {True: "speed regulated", False: "speed not regulated", None: "regulation unknown"}
        return [
            ("heater", heater.heater_id or "no heater_id"),
            ("fuel", str(heater.fuel)),
            ("blower", f"{heater.blower}, {regulated[heater.speed_regulated]}"),
            ("start times", "given" if heater.start else "not given"),
            ("ducts", ", ".join(sorted(heater.ducts)) or "none described"),
        ]


def check_profile(path: str | Path, *, catalogue: Catalogue | None = None) -> ProfileCheck:
    """Return what a heater profile says and what it should be told.

    Parameters
    ----------
    path : str or Path
        Profile in TOML.
    catalogue : mapping, optional
        Fuels beside the shipped ones.

    Raises
    ------
    CombustError
        Every fault at once, each with its line, when the profile is not accepted.
    """
    return check_heater(Heater.load(path, catalogue=catalogue), catalogue=catalogue)


def check_heater(heater: Heater, *, catalogue: Catalogue | None = None) -> ProfileCheck:
    """Return the check of a heater that is already loaded."""
    results = [(baseline, interpret(baseline.reading, catalogue=catalogue)) for baseline in heater.baselines]
    findings = [*_heater_findings(heater), *_missing_findings(heater)]
    for baseline, result in results:
        findings += [*_baseline_findings(heater, baseline, result), *_air_ratio_findings(heater, baseline, result)]
    rows = tuple(_stage_facts(heater, stage, results) for stage in heater.stages.values())
    return ProfileCheck(heater, rows, tuple(_not_given(heater)), in_order(findings))


def _stage_facts(heater: Heater, stage: Stage, results: list[tuple[Baseline, ReadingResult]]) -> dict[str, Any]:
    """Return the numbers of one stage, stated and derived; None where something for it is missing."""
    healthy = heater.baseline_of(stage.name)
    result = next((result for baseline, result in results if baseline is healthy), None)
    heat_in = _heat_input_kw(heater, stage)
    by_pump = _flow_by_pump(heater, stage)
    useful = stage.useful_heat_kw
    return {
        "stage": stage.name,
        "fuel_l_per_h": stage.fuel_l_per_h,
        "fuel_l_per_h_by_pump": by_pump,
        "heat_input_kw": heat_in,
        "useful_heat_kw": useful,
        "efficiency_net_pct": None if heat_in is None or useful is None else 100.0 * useful / heat_in,
        "pump_hz": stage.pump_hz,
        "blower_rpm": stage.blower_rpm,
        "air_ratio_band": None if stage.air_ratio_band is None else list(stage.air_ratio_band),
        "baseline_origin": healthy.origin if healthy else None,
        **{key: getattr(result, key, None) for key in ("air_ratio", "air_ratio_u", "air_ratio_at_reference")},
    }


def _heat_input_kw(heater: Heater, stage: Stage) -> float | None:
    """Return net fuel heat of a stage at 15 °C [kW]."""
    density = heater.fuel.density_kg_per_m3
    if stage.fuel_l_per_h is None or density is None:
        return None
    return stage.fuel_l_per_h * density * 1e-3 * heater.fuel.net_heating_value_mj_per_kg / MJ_PER_KWH


def _flow_by_pump(heater: Heater, stage: Stage) -> float | None:
    if heater.stroke_ul is None or stage.pump_hz is None:
        return None
    return float(pump_volume_flow(heater.stroke_ul, stage.pump_hz))


def _not_given(heater: Heater) -> Iterator[str]:
    """Yield the keys that would sharpen answers and are not known."""
    yield from (key for key in WANTED if getattr(heater, key) in (None, "unknown"))
    for stage in heater.stages.values():
        wanted = ("fuel_l_per_h", "pump_hz", "air_ratio_band")
        yield from (f"stages.{stage.name}.{key}" for key in wanted if getattr(stage, key) is None)


def _missing_findings(heater: Heater) -> Iterator[Finding]:
    if heater.limits.altitude_m is None:
        yield finding("heater_limit_unknown")
    for name in heater.stages:
        if heater.baseline_of(name) is None:
            yield finding("no_baseline", stage=name)
    if len(heater.ducts) == 1:
        given = next(iter(heater.ducts))
        yield finding("duct_without_neighbour", given=given, missing="exhaust" if given == "intake" else "intake")
    if missing := ", ".join(_not_given(heater)):
        yield finding("widened", keys=missing)


def _heater_findings(heater: Heater) -> Iterator[Finding]:
    asked = heater.fuel.asked_as
    if asked and asked != heater.fuel.name:
        yield finding("fuel_alias", asked=asked, name=heater.fuel.name)
    longest = limit("attempt_longest")
    for seconds in sorted(set(heater.start.attempt_s)) if heater.start else ():
        if seconds > longest:
            yield finding("attempt_too_long", seconds=seconds, limit=longest)
    for stage in heater.stages.values():
        yield from _stage_findings(heater, stage)


def _stage_findings(heater: Heater, stage: Stage) -> Iterator[Finding]:
    by_pump, stated = _flow_by_pump(heater, stage), stage.fuel_l_per_h
    if by_pump is not None and stated is not None and abs(by_pump / stated - 1.0) > limit("pump_mismatch"):
        off = 100.0 * (by_pump / stated - 1.0)
        numbers = {"stroke": heater.stroke_ul, "hz": stage.pump_hz, "by_pump": by_pump, "stated": stated, "off": off}
        yield finding("pump_mismatch", stage=stage.name, **numbers)
    heat_in = _heat_input_kw(heater, stage)
    low, high = limit("efficiency_low"), limit("efficiency_high")
    if heat_in and stage.useful_heat_kw is not None and not low <= stage.useful_heat_kw / heat_in <= high:
        numbers = {"heat": stage.useful_heat_kw, "heat_in": heat_in, "low": 100.0 * low, "high": 100.0 * high}
        share = 100.0 * stage.useful_heat_kw / heat_in
        yield finding("efficiency_strange", stage=stage.name, efficiency=share, **numbers)
    minimum = heater.limits.air_ratio_min
    if stage.air_ratio_band and minimum is not None and stage.air_ratio_band[0] < minimum:
        yield finding("band_under_minimum", stage=stage.name, low=stage.air_ratio_band[0], minimum=minimum)


def _baseline_findings(heater: Heater, baseline: Baseline, result: ReadingResult) -> Iterator[Finding]:
    """Yield what a healthy reading lacks, and what in it speaks against its being healthy."""
    reading, stage = baseline.reading, baseline.stage
    yield from result.safety.without_place().stops
    if baseline.origin == "type":
        yield finding("baseline_of_type", stage=stage)
    co, most = reading.get("co_dry_ppm", reading.co_wet_ppm), limit("baseline_co_high")
    if co is None:
        yield finding("baseline_without_co", stage=stage)
    elif co > most:
        yield finding("baseline_co_high", stage=stage, co=co, limit=most)
    missing = [] if reading.altitude_m is not None or reading.pressure_hpa is not None else ["altitude"]
    missing += ["intake temperature"] if reading.intake_temp_c is None else []
    if missing:
        yield finding("baseline_site_assumed", stage=stage, what=" and ".join(missing))
    allowed = heater.limits.altitude_m
    if allowed is not None and (reading.altitude_m or 0.0) > allowed:
        yield finding("baseline_above_limit", stage=stage, altitude=reading.altitude_m, limit=allowed)
    for key, sign in (("intake_static_pa", -1.0), ("exhaust_static_pa", 1.0)):
        if reading.get(key) is not None and reading[key] * sign < 0.0:
            yield finding("baseline_pressure_sign", stage=stage, what=key, value=reading[key])
    stated = heater.stages[stage].pump_hz
    if stated and reading.pump_hz and abs(reading.pump_hz / stated - 1.0) > limit("pump_mismatch"):
        yield finding("baseline_pump_differs", stage=stage, read=reading.pump_hz, stage_hz=stated)
    for unsteady in (one for one in result.findings if one.code in ("not_steady", "too_early")):
        yield finding("baseline_not_steady", stage=stage, what=unsteady.text)


def _air_ratio_findings(heater: Heater, baseline: Baseline, result: ReadingResult) -> Iterator[Finding]:
    """Yield what the lambda of a healthy reading says against band, limit and measured CO2."""
    stage = baseline.stage
    if result.agreement["verdict"] == "disagree":
        yield finding("baseline_pair_disagrees", stage=stage, **result.agreement)
    ratio = result.air_ratio_at_reference
    if result.air_ratio is None or ratio is None:
        if result.agreement["verdict"] != "disagree":
            yield finding("baseline_without_gas", stage=stage)
        return
    band = heater.stages[stage].air_ratio_band
    if band is not None and not band[0] <= ratio <= band[1]:
        yield finding("baseline_outside_band", stage=stage, air_ratio=ratio, low=band[0], high=band[1])
    minimum = heater.limits.air_ratio_min
    if minimum is not None and result.air_ratio < minimum:
        yield finding("baseline_under_minimum", stage=stage, air_ratio=result.air_ratio, minimum=minimum)
