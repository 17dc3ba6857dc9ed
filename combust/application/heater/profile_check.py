"""Checking a heater profile: what follows from it, and what it should be told although it is accepted."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.application.reading.result import ReadingResult, interpret, unit_doubts
from combust.data.told import Rows
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.limits import Finding, finding, in_order, limit
from combust.domain.result import Result
from combust.kernel.fuel_delivery import pump_volume_flow

# Whether a rule is broken, the code of its finding, the numbers of the sentence.
Rule = tuple[bool, str, dict[str, Any]]
MJ_PER_KWH = 3.6
PORT_SIGNS = {"intake_static_pa": -1.0, "exhaust_static_pa": 1.0}
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
    findings = [finding(code, **numbers) for broken, code, numbers in _heater_rules(heater) if broken]
    for baseline, result in results:
        findings += result.safety.without_place().stops
        findings += unit_doubts(baseline)
        rules, stage = _baseline_rules(heater, baseline, result), baseline.stage
        findings += [finding(code, stage=stage, **numbers) for broken, code, numbers in rules if broken]
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


def _heater_rules(heater: Heater) -> Iterator[Rule]:
    """Yield what the profile lacks, and what in it is unusual."""
    asked, longest = heater.fuel.asked_as, limit("attempt_longest")
    yield bool(asked) and asked != heater.fuel.name, "fuel_alias", {"asked": asked, "name": heater.fuel.name}
    for seconds in sorted(set(heater.start.attempt_s)) if heater.start else ():
        yield seconds > longest, "attempt_too_long", {"seconds": seconds, "limit": longest}
    for stage in heater.stages.values():
        yield from _stage_rules(heater, stage)
    yield heater.limits.altitude_m is None, "heater_limit_unknown", {}
    for name in heater.stages:
        yield heater.baseline_of(name) is None, "no_baseline", {"stage": name}
    given, missing = "".join(heater.ducts), "exhaust" if "intake" in heater.ducts else "intake"
    yield len(heater.ducts) == 1, "duct_without_neighbour", {"given": given, "missing": missing}
    keys = ", ".join(_not_given(heater))
    yield bool(keys), "widened", {"keys": keys}


def _stage_rules(heater: Heater, stage: Stage) -> Iterator[Rule]:
    by_pump, stated = _or_nan(_flow_by_pump(heater, stage)), _or_nan(stage.fuel_l_per_h)
    off = 100.0 * (by_pump / stated - 1.0)
    pump = {"stroke": heater.stroke_ul, "hz": stage.pump_hz, "by_pump": by_pump, "stated": stated, "off": off}
    yield abs(off) > 100.0 * limit("pump_mismatch"), "pump_mismatch", {"stage": stage.name, **pump}
    heat_in, heat = _or_nan(_heat_input_kw(heater, stage)), _or_nan(stage.useful_heat_kw)
    share, low, high = (100.0 * one for one in (heat / heat_in, limit("efficiency_low"), limit("efficiency_high")))
    heats = {"heat": heat, "heat_in": heat_in, "efficiency": share, "low": low, "high": high}
    yield share < low or share > high, "efficiency_strange", {"stage": stage.name, **heats}
    lowest, minimum = (stage.air_ratio_band or (math.nan,))[0], _or_nan(heater.limits.air_ratio_min)
    yield lowest < minimum, "band_under_minimum", {"stage": stage.name, "low": lowest, "minimum": minimum}


def _baseline_rules(heater: Heater, baseline: Baseline, result: ReadingResult) -> Iterator[Rule]:
    """Yield what a healthy reading lacks, and what in it speaks against its being healthy."""
    reading, stage = baseline.reading, heater.stages[baseline.stage]
    number = {key: _or_nan(getattr(reading, key)) for key in ("altitude_m", "pump_hz", *PORT_SIGNS)}
    yield baseline.origin == "type", "baseline_of_type", {}
    yield baseline.origin == "provisional", "baseline_provisional", {}
    co, most = reading.get("co_dry_ppm", reading.co_wet_ppm), limit("baseline_co_high")
    yield co is None, "baseline_without_co", {}
    yield _or_nan(co) > most, "baseline_co_high", {"co": co, "limit": most}
    missing = {
        "altitude": reading.altitude_m is None and reading.pressure_hpa is None,
        "intake temperature": reading.intake_temp_c is None,
    }
    names = " and ".join(what for what, is_missing in missing.items() if is_missing)
    yield bool(names), "baseline_site_assumed", {"what": names}
    height, allowed = number["altitude_m"], _or_nan(heater.limits.altitude_m)
    yield height > allowed, "baseline_above_limit", {"altitude": height, "limit": allowed}
    for key, sign in PORT_SIGNS.items():
        yield number[key] * sign < 0.0, "baseline_pressure_sign", {"what": key, "value": number[key]}
    read, stated = number["pump_hz"], _or_nan(stage.pump_hz)
    off = abs(read / stated - 1.0) > limit("pump_mismatch")
    yield off, "baseline_pump_differs", {"read": read, "stage_hz": stated}
    for unsteady in (one for one in result.findings if one.code in ("not_steady", "too_early")):
        yield True, "baseline_not_steady", {"what": unsteady.text}
    disagree = result.agreement["verdict"] == "disagree"
    yield disagree, "baseline_pair_disagrees", {**result.agreement}
    ratio, at_reference = result.air_ratio, result.air_ratio_at_reference
    yield ratio is None and not disagree, "baseline_without_gas", {}
    (low, high), minimum = stage.air_ratio_band or (-math.inf, math.inf), _or_nan(heater.limits.air_ratio_min)
    outside = at_reference is not None and not low <= at_reference <= high
    yield outside, "baseline_outside_band", {"air_ratio": at_reference, "low": low, "high": high}
    yield _or_nan(ratio) < minimum, "baseline_under_minimum", {"air_ratio": ratio, "minimum": minimum}


def _or_nan(value: float | None) -> float:
    """Return a number, or NaN: what is not known breaks no rule."""
    return math.nan if value is None else value
