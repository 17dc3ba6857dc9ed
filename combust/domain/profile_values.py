"""A heater profile from table to checked values: every fault of every part, each with its line, told at once."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import PLACEHOLDER
from combust.data.near import near_matches
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.limits import limit
from combust.domain.profile_keys import PARTS, check_part, full_name, profile_keys
from combust.domain.profile_lines import Lines, Path
from combust.domain.reading import Reading, check_values
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


def checked_profile(table: Mapping[str, Any], lines: Lines, *, catalogue: Catalogue | None = None) -> CheckedProfile:
    """Return the checked values of a profile.

    Raises
    ------
    CombustError
        Every fault of the profile at once, in the order of the lines.
    """
    faults: list[Fault] = []
    top = {key: value for key, value in table.items() if key not in PARTS[1:]}
    plain = check_part("profile", top, (), lines, faults, catalogue)
    asked = plain.pop("fuel", None)
    parts = _parts(table, lines, faults)
    stages = _stages(parts["stages"], lines, faults)
    limits = check_part("limits", parts["limits"], ("limits",), lines, faults)
    start = check_part("start", parts["start"], ("start",), lines, faults) if "start" in table else None
    ducts = _ducts(parts["ducts"], lines, faults)
    baselines = []
    for index, row in enumerate(parts["baseline"]):
        checked = _baseline(index, row, asked, stages, plain.get("heater_id"), lines, faults, catalogue)
        if checked:
            baselines.append(checked)
    _contradictions(plain, stages, start, lines, faults)
    _comparison(parts, faults)
    if faults or asked is None:
        raise CombustError(sorted(faults, key=lambda fault: fault.line or 0))
    return CheckedProfile(get_fuel(asked, catalogue=catalogue), plain, stages, baselines, limits, start, ducts)


def _comparison(parts: Mapping[str, Any], faults: list[Fault]) -> None:
    """Add a fault when there is neither a healthy reading nor a band (given with a fault counts as given)."""
    banded = any("air_ratio_band" in row for row in parts["stages"].values() if isinstance(row, Mapping))
    if parts["stages"] and not parts["baseline"] and not banded:
        why = "is missing, and no stage has an air_ratio_band"
        hint = "Add a healthy reading under [[baseline]], or air_ratio_band = [1.35, 1.80] under a stage."
        faults.append(Fault("baseline", None, "missing", why=why, hint=hint))


def _parts(table: Mapping[str, Any], lines: Lines, faults: list[Fault]) -> dict[str, Any]:
    """Return each part in the shape it must have; a part of the wrong shape is a fault and comes back empty."""
    found: dict[str, Any] = {}
    for part in ("stages", "ducts"):
        rows = table.get(part, {})
        good = isinstance(rows, Mapping) and len(rows) <= MOST_ROWS
        if not good:
            hint = f"Write [{part}.NAME] and its keys below." if part == "stages" else "Write [ducts.intake]."
            faults.append(_shape((part,), rows, "holds no parts with a name", hint, lines))
        found[part] = rows if good else {}
    for part in ("limits", "start"):
        rows = table.get(part, {})
        if not isinstance(rows, Mapping):
            faults.append(
                _shape((part,), rows, "holds no lines of its own", f"Write [{part}] and its keys below.", lines)
            )
        found[part] = rows if isinstance(rows, Mapping) else {}
    rows = table.get("baseline", [])
    good = isinstance(rows, list | tuple) and len(rows) <= MOST_ROWS and all(isinstance(row, Mapping) for row in rows)
    if not good:
        hint = f"Write [[baseline]] with two brackets for each healthy reading, {MOST_ROWS} at most."
        faults.append(_shape(("baseline",), rows, "is no list of readings", hint, lines))
    found["baseline"] = rows if good else []
    return found


def _shape(path: Path, value: object, why: str, hint: str, lines: Lines) -> Fault:
    return Fault(full_name(path), value, "format", why=why, hint=hint).at(full_name(path), lines.of(*path))


def _stages(rows: Mapping[str, Any], lines: Lines, faults: list[Fault]) -> dict[str, dict[str, Any]]:
    found = {}
    for name, row in rows.items():
        if not isinstance(row, Mapping):
            hint = f"Write [stages.NAME] with {shorten(name, 40)} below it, for example [stages.high]."
            faults.append(_shape(("stages", name), row, "holds no lines of a stage", hint, lines))
            continue
        if not 0 < len(name.strip()) <= LONGEST_NAME or not name.isprintable():
            why = f"is no plain name of up to {LONGEST_NAME} characters"
            faults.append(_shape(("stages",), name, why, "Name it as people say it, for example [stages.high].", lines))
        found[name] = check_part("stages", row, ("stages", name), lines, faults)
    if not rows and not any(fault.quantity == "stages" for fault in faults):
        hint = "Add a stage: [stages.high] and below it fuel_l_per_h, useful_heat_kw or air_ratio_band."
        why = "is missing: a profile needs a heat stage"
        faults.append(Fault("stages", None, "missing", why=why, hint=hint))
    return found


def _ducts(rows: Mapping[str, Any], lines: Lines, faults: list[Fault]) -> dict[str, dict[str, Any]]:
    found = {}
    for name, row in rows.items():
        if name not in DUCTS or not isinstance(row, Mapping):
            near = near_matches(name.lower(), DUCTS, n=1, cutoff=0.4)
            hint = f"Did you mean [ducts.{near[0]}]?" if near else "Write [ducts.intake] or [ducts.exhaust]."
            fault = Fault(name, row, "unknown_name", why="is neither the intake nor the exhaust duct", hint=hint)
            faults.append(fault.at(full_name(("ducts", name)), lines.of("ducts", name)))
            continue
        found[name] = check_part("ducts", row, ("ducts", name), lines, faults)
    return found


def _baseline(
    index: int,
    row: Mapping[str, Any],
    asked: str | None,
    stages: Mapping[str, Any],
    heater_id: str | None,
    lines: Lines,
    faults: list[Fault],
    catalogue: Catalogue | None,
) -> tuple[str, str, Reading, Fuel] | None:
    """Return (origin, stage, reading) of one healthy reading, or None when it has a fault."""
    path: Path = ("baseline", index)
    before = len(faults)
    own = profile_keys("baseline")
    head = check_part("baseline", {key: row[key] for key in row if key in own}, path, lines, faults)
    stage = head.get("stage")
    if stage is not None and stages and stage not in stages:
        known = ", ".join(shorten(name, 40) for name in stages)
        near = near_matches(stage.lower(), stages, n=1, cutoff=0.4)
        hint = f"Did you mean {shorten(near[0], 40)}? The stages are {known}." if near else f"The stages are {known}."
        fault = Fault("stage", stage, "unknown_name", why="is no stage of this profile", hint=hint)
        faults.append(fault.at(full_name(path, "stage"), lines.of(*path, "stage")))
    checked = _reading_values(row, asked, path, lines, faults)
    fuel_then = _fuel_of(checked, path, lines, faults, catalogue)
    origin = head.get("origin", "unit")
    for quantity, why, hint in _not_healthy(checked, fuel_then, heater_id if origin == "unit" else None):
        fault = Fault(quantity, checked[quantity], "not_healthy", why=why, hint=hint)
        faults.append(_reading_fault(fault, path, quantity, lines))
    if len(faults) > before or fuel_then is None or stage is None:
        return None
    return origin, stage, Reading(**{**checked, "stage": stage}), fuel_then


def _reading_values(
    row: Mapping[str, Any], asked: str | None, path: Path, lines: Lines, faults: list[Fault]
) -> dict[str, Any]:
    """Return the good values of a healthy reading by vocabulary key, the profile's fuel filled in."""
    values: dict[str, Any] = {}
    for key, value in ((key, _plain(value)) for key, value in row.items() if key not in profile_keys("baseline")):
        _, wrong = check_values({key: value})
        for fault in wrong:
            fault.value = value if fault.code == "unknown_name" else fault.value
        if value == PLACEHOLDER:
            hint = "Give the value that was read, or put # before the line."
            wrong = [Fault(key, value, "placeholder", why="is still the placeholder of the template", hint=hint)]
        faults.extend(_reading_fault(fault, path, key, lines) for fault in wrong)
        if not wrong:
            values[key] = value
    checked, wrong = check_values({"fuel": asked, **values} if asked and "fuel" not in values else values)
    faults.extend(_reading_fault(fault, path, "", lines) for fault in wrong)
    return checked


def _fuel_of(
    checked: Mapping[str, Any], path: Path, lines: Lines, faults: list[Fault], catalogue: Catalogue | None
) -> Fuel | None:
    try:
        return get_fuel(checked["fuel"], catalogue=catalogue) if "fuel" in checked else None
    except CombustError as error:
        faults.extend(_reading_fault(fault, path, "fuel", lines) for fault in error.faults)
        return None


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime.datetime | datetime.date | datetime.time) else value


def _reading_fault(fault: Fault, path: Path, key: str, lines: Lines) -> Fault:
    if not fault.hint:
        fault.hint = "Write it as the reading showed it, in the unit of its key."
    told = full_name(path, fault.quantity)
    return fault.at(told, lines.of(*path, key or fault.quantity))


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
    own = oxygen / highest
    factor = (oxygen - values["o2_dry_pct"] + values.get("co_dry_ppm", 0.0) * 0.5e-4) / co2
    if abs(factor / own - 1.0) <= share:
        return ""
    return f"does not belong to this O2 (fuel factor {factor:.2f}, {fuel_then.name} has about {own:.2f})"


def _contradictions(
    plain: Mapping[str, Any],
    stages: Mapping[str, Mapping[str, Any]],
    start: Mapping[str, Any] | None,
    lines: Lines,
    faults: list[Fault],
) -> None:
    """Add what two good values of a profile cannot both be."""
    cutout, nominal = plain.get("cutout_v"), plain.get("nominal_v")
    if cutout is not None and nominal is not None and cutout >= nominal:
        why, hint = f"is not below nominal_v ({nominal:g} V)", "Check both on the plate."
        fault = Fault("cutout_v", cutout, "conflict", unit="V", why=why, hint=hint)
        faults.append(fault.at("cutout_v", lines.of("cutout_v")))
    highest = plain.get("blower_rpm_max")
    for name, row in stages.items():
        if highest is not None and row.get("blower_rpm", 0.0) > highest:
            why, hint = f"is above blower_rpm_max ({highest:g} 1/min)", "Check both in the unit's own document."
            path = ("stages", name, "blower_rpm")
            fault = Fault(full_name(path), row["blower_rpm"], "conflict", unit="1/min", why=why, hint=hint)
            faults.append(fault.at(full_name(path), lines.of(*path)))
    if start and "preheat_s" in start and "attempt_s" in start and len(start["preheat_s"]) != len(start["attempt_s"]):
        why = f"has {len(start['preheat_s'])} times, attempt_s has {len(start['attempt_s'])}"
        fault = Fault(
            "start.preheat_s", list(start["preheat_s"]), "conflict", why=why, hint="Give one for each attempt."
        )
        faults.append(fault.at("start.preheat_s", lines.of("start", "preheat_s")))
