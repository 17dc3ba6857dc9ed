"""A heater profile from table to checked values: every fault of every part, each with its line, told at once."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from combust.data.errors import CombustError, shorten
from combust.data.fields import PLACEHOLDER
from combust.data.near import did_you_mean, near_matches
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.limits import limit
from combust.domain.profile_keys import PARTS, check_part, profile_keys
from combust.domain.profile_lines import FileFaults, Path
from combust.domain.reading import Reading, check_keys
from combust.kernel.carbon_monoxide import co_air_free
from combust.kernel.constants import DRY_AIR
from combust.kernel.stoichiometry import co2_maximum

DUCTS = ("intake", "exhaust")
MOST_ROWS = 200
LONGEST_NAME = 40


@dataclass(slots=True)
class CheckedProfile:
    """Values of a profile that passed: plain numbers and texts, ready to be frozen into a Heater."""

    fuel: Fuel
    plain: dict[str, Any]
    stages: dict[str, dict[str, Any]]
    baselines: list[tuple[str, str, Reading, Fuel]] = field(default_factory=list)
    limits: dict[str, Any] = field(default_factory=dict)
    start: dict[str, Any] | None = None
    ducts: dict[str, dict[str, Any]] = field(default_factory=dict)


def checked_profile(table: Mapping[str, Any], text: str = "", *, catalogue: Catalogue | None = None) -> CheckedProfile:
    """Return the checked values of a profile; ``text`` is the file it was read from.

    Raises
    ------
    CombustError
        Every fault of the profile at once, in the order of the lines.
    """
    faults = FileFaults(text)
    top = {key: value for key, value in table.items() if key not in PARTS[1:]}
    plain = check_part("profile", top, (), faults, catalogue)
    asked = plain.pop("fuel", None)
    parts = _parts(table, faults)
    stages = _stages(parts["stages"], faults)
    limits = check_part("limits", parts["limits"], ("limits",), faults)
    start = check_part("start", parts["start"], ("start",), faults) if "start" in table else None
    ducts = _ducts(parts["ducts"], faults)
    read = [
        _baseline(("baseline", index), row, asked, stages, plain.get("heater_id"), faults, catalogue)
        for index, row in enumerate(parts["baseline"])
    ]
    _contradictions(plain, stages, start, faults)
    # A band that was given with a fault counts as given.
    banded = any("air_ratio_band" in row for row in parts["stages"].values() if isinstance(row, Mapping))
    if parts["stages"] and not parts["baseline"] and not banded:
        why = "is missing, and no stage has an air_ratio_band"
        hint = "Add a healthy reading under [[baseline]], or air_ratio_band = [1.35, 1.80] under a stage."
        faults.add(("baseline",), None, "missing", why, hint)
    if faults.found or asked is None:
        raise CombustError(sorted(faults.found, key=lambda fault: fault.line or 0))
    baselines = [baseline for baseline in read if baseline]
    return CheckedProfile(get_fuel(asked, catalogue=catalogue), plain, stages, baselines, limits, start, ducts)


_SHAPES = {
    "stages": ("holds no parts with a name", "Write [stages.NAME] and its keys below."),
    "ducts": ("holds no parts with a name", "Write [ducts.intake]."),
    "limits": ("holds no lines of its own", "Write [limits] and its keys below."),
    "start": ("holds no lines of its own", "Write [start] and its keys below."),
    "baseline": ("is no list of readings", f"Write [[baseline]] for each healthy reading, {MOST_ROWS} at most."),
}


def _parts(table: Mapping[str, Any], faults: FileFaults) -> dict[str, Any]:
    """Return each part in the shape it must have; a part of the wrong shape is a fault and comes back empty."""
    found: dict[str, Any] = {}
    for part, (why, hint) in _SHAPES.items():
        rows = table.get(part, [] if part == "baseline" else {})
        good = isinstance(rows, Mapping)
        if part == "baseline":
            good = isinstance(rows, list | tuple) and all(isinstance(row, Mapping) for row in rows)
        if not good or len(rows) > MOST_ROWS:
            faults.add((part,), rows, "format", why, hint)
        found[part] = rows if good and len(rows) <= MOST_ROWS else {}
    return found


def _stages(rows: Mapping[str, Any], faults: FileFaults) -> dict[str, dict[str, Any]]:
    found = {}
    for name, row in rows.items():
        if not isinstance(row, Mapping):
            hint = f"Write [stages.NAME] with {shorten(name, 40)} below it, for example [stages.high]."
            faults.add(("stages", name), row, "format", "holds no lines of a stage", hint)
            continue
        if not 0 < len(name.strip()) <= LONGEST_NAME or not name.isprintable():
            why = f"is no plain name of up to {LONGEST_NAME} characters"
            faults.add(("stages",), name, "format", why, "Name it as people say it, for example [stages.high].")
        found[name] = check_part("stages", row, ("stages", name), faults)
    if not rows and not any(fault.quantity == "stages" for fault in faults.found):
        hint = "Add a stage: [stages.high] and below it fuel_l_per_h, useful_heat_kw or air_ratio_band."
        faults.add(("stages",), None, "missing", "is missing: a profile needs a heat stage", hint)
    return found


def _ducts(rows: Mapping[str, Any], faults: FileFaults) -> dict[str, dict[str, Any]]:
    found = {}
    for name, row in rows.items():
        if name in DUCTS and isinstance(row, Mapping):
            found[name] = check_part("ducts", row, ("ducts", name), faults)
            continue
        near = [f"[ducts.{one}]" for one in near_matches(name.lower(), DUCTS, n=1, cutoff=0.4)]
        hint = did_you_mean(near, "Write [ducts.intake] or [ducts.exhaust].")
        faults.add(("ducts", name), row, "unknown_name", "is neither the intake nor the exhaust duct", hint)
    return found


def _baseline(
    path: Path,
    row: Mapping[str, Any],
    asked: str | None,
    stages: Mapping[str, Any],
    heater_id: str | None,
    faults: FileFaults,
    catalogue: Catalogue | None,
) -> tuple[str, str, Reading, Fuel] | None:
    """Return (origin, stage, reading, fuel) of one healthy reading, or None when it has a fault."""
    before = len(faults.found)
    own = profile_keys("baseline")
    head = check_part("baseline", {key: row[key] for key in row if key in own}, path, faults)
    stage = head.get("stage")
    if stage is not None and stages and stage not in stages:
        near = [shorten(name, 40) for name in near_matches(stage.lower(), stages, n=1, cutoff=0.4)]
        known = f"The stages are {', '.join(shorten(name, 40) for name in stages)}."
        hint = f"{did_you_mean(near, '')} {known}".strip()
        faults.add((*path, "stage"), stage, "unknown_name", "is no stage of this profile", hint)
    given = {key: _plain(value) for key, value in row.items() if key not in own}
    for key in [key for key, value in given.items() if value == PLACEHOLDER]:
        why, hint = (
            "is still the placeholder of the template",
            "Give the value that was read, or put # before the line.",
        )
        faults.add((*path, key), given.pop(key), "placeholder", why, hint)
    checked, refused = check_keys(given if "fuel" in given else {"fuel": asked, **given})
    for key, fault in refused:
        faults.take((*path, key), [fault])
    fuel_then = None
    try:
        fuel_then = get_fuel(checked["fuel"], catalogue=catalogue) if "fuel" in checked else None
    except CombustError as error:
        faults.take((*path, "fuel"), error.faults)
    origin = head.get("origin", "unit")
    for quantity, why, hint in _not_healthy(checked, fuel_then, heater_id if origin == "unit" else None):
        faults.add((*path, quantity), checked[quantity], "not_healthy", why, hint)
    if len(faults.found) > before or fuel_then is None or stage is None:
        return None
    return origin, stage, Reading(**{**checked, "stage": stage}), fuel_then


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime.datetime | datetime.date | datetime.time) else value


_MUST_BE = {
    "probe_leak_test": (("fail",), "Mend the sample line and read again."),
    "sample_line": (("wet",), "Empty the trap, dry the hose and read again."),
    "terminals": (("intake_blocked", "exhaust_blocked", "both"), "Clear the terminals and read again."),
    "fuel_sample": (("other", "gasoline", "waxed", "water"), "Fill the right fuel and read again."),
    "arrangement": (("intake_duct_off", "exhaust_duct_off"), "A baseline is taken as installed."),
}


def _not_healthy(
    values: Mapping[str, Any], fuel_then: Fuel | None, heater_id: str | None
) -> list[tuple[str, str, str]]:
    """Return (quantity, why, remedy) for all that makes a reading no baseline."""
    told = [
        (key, "makes this no healthy reading", hint) for key, (bad, hint) in _MUST_BE.items() if values.get(key) in bad
    ]
    if heater_id and values.get("heater_id", heater_id) != heater_id:
        told.append(("heater_id", f"is not this heater ({heater_id})", 'Take it out, or write origin = "type".'))
    if values.get("strip_down", "nothing_found") != "nothing_found":
        told.append(("strip_down", "is a fault that was found", "Take the baseline after the repair."))
    stop = limit("exhaust_co_stop")
    if values.get("co_dry_ppm", 0.0) >= stop:
        told.append(("co_dry_ppm", f"is {stop:g} ppm or more, a stop condition", "Mend first, then take the baseline."))
    told += _poisonous(values)
    no_lambda = limit("o2_no_lambda")
    if values.get("o2_dry_pct", 0.0) >= no_lambda:
        told.append(("o2_dry_pct", f"is fresh air or nearly ({no_lambda:g} % or more)", "Read while the heater burns."))
    for hot, cold in (("flue_temp_c", "intake_temp_c"), ("air_out_temp_c", "air_in_temp_c")):
        if hot in values and cold in values and values[hot] < values[cold]:
            told.append((hot, f"is colder than {cold} ({values[cold]:g} °C)", "Have the two probes been swapped?"))
    pair = _pair_problem(values, fuel_then) if fuel_then else ""
    return [*told, ("co2_dry_pct", pair, "Zero outdoors, look at trap and hose, then read again.")] if pair else told


def _poisonous(values: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return what CO in the cab, or behind a diluted sample, makes of a baseline: a stop condition."""
    told = []
    inside = values.get("cab_co_in_ppm", 0.0)
    if inside >= limit("cab_co_level_stop") or inside - values.get("cab_co_out_ppm", 0.0) >= limit("cab_co_rise_stop"):
        hint = "People out, ventilate, heater off; find the way in first."
        told.append(("cab_co_in_ppm", "is a stop condition", hint))
    co, oxygen = values.get("co_dry_ppm", 0.0), values.get("o2_dry_pct", 0.0)
    diluted = (
        values.get("probe_leak_test") != "pass" and co < limit("exhaust_co_stop") and oxygen < limit("o2_no_lambda")
    )
    if diluted and float(co_air_free(co, oxygen)) >= limit("exhaust_co_stop"):
        hint = "Test the probe for leaks; mend the heater, then take the baseline."
        told.append(("co_dry_ppm", f"is {co_air_free(co, oxygen):.0f} ppm air-free, a stop condition", hint))
    return told


def _pair_problem(values: Mapping[str, Any], fuel_then: Fuel) -> str:
    """Return why a measured CO2 cannot belong to this fuel and O2 (EPA Method 3B: fuel factor within 10 %), or ""."""
    if values.get("co2_origin") != "measured" or not values.get("co2_dry_pct"):
        return ""
    share = limit("fuel_factor_off")
    highest = float(co2_maximum(fuel_then))
    co2 = values["co2_dry_pct"] + values.get("co_dry_ppm", 0.0) * 1e-4
    if co2 > highest * (1.0 + share):
        return f"is above the most that {fuel_then.name} can give ({highest:.1f} %)"
    if "o2_dry_pct" not in values:
        return ""
    oxygen = 100.0 * DRY_AIR.o2
    of_fuel = oxygen / highest
    factor = (oxygen - values["o2_dry_pct"] + values.get("co_dry_ppm", 0.0) * 0.5e-4) / co2
    if abs(factor / of_fuel - 1.0) <= share:
        return ""
    return f"does not belong to this O2 (fuel factor {factor:.2f}, {fuel_then.name} has about {of_fuel:.2f})"


def _contradictions(
    plain: Mapping[str, Any],
    stages: Mapping[str, Mapping[str, Any]],
    start: Mapping[str, Any] | None,
    faults: FileFaults,
) -> None:
    """Add what two good values of a profile cannot both be."""
    cutout, nominal = plain.get("cutout_v"), plain.get("nominal_v")
    if cutout is not None and nominal is not None and cutout >= nominal:
        why = f"is not below nominal_v ({nominal:g} V)"
        faults.add(("cutout_v",), cutout, "conflict", why, "Check both on the plate.", unit="V")
    highest = plain.get("blower_rpm_max")
    for name, row in stages.items():
        if highest is not None and row.get("blower_rpm", 0.0) > highest:
            why, hint = f"is above blower_rpm_max ({highest:g} 1/min)", "Check both in the unit's own document."
            faults.add(("stages", name, "blower_rpm"), row["blower_rpm"], "conflict", why, hint, unit="1/min")
    if start and "preheat_s" in start and "attempt_s" in start and len(start["preheat_s"]) != len(start["attempt_s"]):
        why = f"has {len(start['preheat_s'])} times, attempt_s has {len(start['attempt_s'])}"
        hint = "Give one for each attempt."
        faults.add(("start", "preheat_s"), list(start["preheat_s"]), "conflict", why, hint)
