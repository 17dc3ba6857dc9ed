"""A heater profile from table to checked values: every fault of every part, each with its line, told at once."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from typing import Any

from combust.data.errors import CombustError, shorten
from combust.data.fields import MOST_TABLES, PLACEHOLDER, Field, check_fields, fields_of
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.limits import limit
from combust.domain.profile_keys import PARTS, check_part, profile_keys
from combust.domain.profile_lines import FileFaults, Path
from combust.domain.reading import Reading, check_keys
from combust.kernel.carbon_monoxide import co_air_free
from combust.kernel.constants import DRY_AIR
from combust.kernel.stoichiometry import co2_maximum

PART_FIELDS = fields_of(
    {
        "stages": {"kind": "table", "hint": "Write [stages.NAME] and its keys below, for example [stages.high]."},
        "ducts": {"kind": "table", "hint": "Write [ducts.intake] and its keys below."},
        "limits": {"kind": "table", "hint": "Write [limits] and its keys below."},
        "start": {"kind": "table", "hint": "Write [start] and its keys below."},
        "control": {"kind": "table", "hint": "Write [control] and its keys below."},
        "baseline": {"kind": "tables", "hint": f"Write [[baseline]] for each healthy reading, {MOST_TABLES} at most."},
    }
)
DUCT = Field("ducts", "choice", choices=("intake", "exhaust"), hint="Write [ducts.intake] or [ducts.exhaust].")
STAGE_NAME = Field("stages", "text", longest=40, one_line=True, hint="Name it as people say it, like [stages.high].")


def checked_profile(
    table: Mapping[str, Any], text: str = "", *, catalogue: Catalogue | None = None, of_plate: bool = False
) -> dict[str, object]:
    """Return what a profile holds by the fields of a Heater, parts as plain dictionaries.

    Parameters
    ----------
    table : mapping
        The profile in the layout of the file.
    text : str
        The text of its file, for the lines of what is wrong.
    catalogue : mapping, optional
        Fuels beside the shipped ones.
    of_plate : bool
        Known only by its plate, without a healthy reading or band.

    Returns
    -------
    dict
        Field -> value, units in the names.

    Raises
    ------
    CombustError
        Every fault of the profile at once, in the order of the lines.
    """
    faults = FileFaults(text)
    top = {key: value for key, value in table.items() if key not in PARTS[1:]}
    plain = check_part("profile", top, (), faults, catalogue)
    asked, heater_id = _text(plain.pop("fuel", None)), _text(plain.get("heater_id"))
    parts, refused = check_fields({key: table[key] for key in PART_FIELDS if key in table}, PART_FIELDS, gaps=False)
    for key, fault in refused:
        faults.take((key,), [fault])
    stages = _stages(parts.get("stages", {}), faults)
    limits = check_part("limits", parts.get("limits", {}), ("limits",), faults)
    start = check_part("start", parts["start"], ("start",), faults) if "start" in parts else None
    control = check_part("control", parts.get("control", {}), ("control",), faults)
    ducts = {}
    for name, row in parts.get("ducts", {}).items():
        if wrong := DUCT.faults_of(name) or PART_FIELDS["ducts"].faults_of(row):
            faults.take(("ducts", name), wrong)
        else:
            ducts[name] = check_part("ducts", row, ("ducts", name), faults)
    read = [
        _baseline(("baseline", index), row, asked, stages, heater_id, faults, catalogue)
        for index, row in enumerate(parts.get("baseline", ()))
    ]
    _contradictions(plain, stages, start, control, faults)
    # A band that was given with a fault counts as given.
    banded = any("air_ratio_band" in row for row in parts.get("stages", {}).values() if isinstance(row, Mapping))
    if stages and not parts.get("baseline") and not banded and not of_plate:
        why = "is missing, and no stage has an air_ratio_band"
        hint = "Add a healthy reading under [[baseline]], or air_ratio_band = [1.35, 1.80] under a stage."
        faults.add(("baseline",), None, "missing", why, hint)
    if faults.found or asked is None:
        raise CombustError(sorted(faults.found, key=lambda fault: fault.line or 0))
    fuel, baselines = get_fuel(asked, catalogue=catalogue), [baseline for baseline in read if baseline]
    parts = {"stages": stages, "baselines": baselines, "limits": limits, "start": start, "control": control}
    parts["ducts"] = ducts
    return {**plain, "fuel": fuel, **parts}


def _stages(rows: Mapping[str, Any], faults: FileFaults) -> dict[str, dict[str, Any]]:
    found = {}
    for name, row in rows.items():
        faults.take(("stages",), STAGE_NAME.faults_of(name))
        if wrong := PART_FIELDS["stages"].faults_of(row):
            faults.take(("stages", name), wrong)
        else:
            found[name] = check_part("stages", row, ("stages", name), faults)
    if not rows and not any(fault.quantity == "stages" for fault in faults.found):
        hint = "Add a stage: [stages.high] and below it fuel_l_per_h, useful_heat_kw or air_ratio_band."
        faults.add(("stages",), None, "missing", "is missing: a profile needs a heat stage", hint)
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
    head_keys = profile_keys("baseline")
    head = check_part("baseline", {key: row[key] for key in row if key in head_keys}, path, faults)
    stage, origin = _text(head.get("stage")), _text(head.get("origin")) or "unit"
    if stages:
        known = Field("stage", "choice", choices=tuple(shorten(name, 40) for name in stages))
        faults.take((*path, "stage"), filter(None, [known.fault_of(stage)]))
    given = {key: _plain(value) for key, value in row.items() if key not in head_keys}
    for key in [key for key, value in given.items() if value == PLACEHOLDER]:
        why, hint = "is still the placeholder of the template", "Give what was read, or put # before the line."
        faults.add((*path, key), given.pop(key), "placeholder", why, hint)
    checked, refused = check_keys(given if "fuel" in given else {"fuel": asked, **given})
    for key, fault in refused:
        faults.take((*path, key), [fault])
    fuel_then = None
    try:
        fuel_then = get_fuel(str(checked["fuel"]), catalogue=catalogue) if "fuel" in checked else None
    except CombustError as error:
        faults.take((*path, "fuel"), error.faults)
    for quantity, why, hint in _not_healthy(checked, fuel_then, None if origin == "type" else heater_id):
        faults.add((*path, quantity), checked[quantity], "not_healthy", why, hint)
    if len(faults.found) > before or fuel_then is None or stage is None:
        return None
    return origin, stage, Reading(**{**checked, "stage": stage}), fuel_then


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime.datetime | datetime.date | datetime.time) else value


_MUST_BE = {
    "simulated": (("yes",), "A baseline is read at the real heater."),
    "probe_leak_test": (("fail",), "Mend the sample line and read again."),
    "sample_line": (("wet",), "Empty the trap, dry the hose and read again."),
    "terminals": (("intake_blocked", "exhaust_blocked", "both"), "Clear the terminals and read again."),
    "fuel_sample": (("other", "gasoline", "waxed", "water"), "Fill the right fuel and read again."),
    "arrangement": (("intake_duct_off", "exhaust_duct_off"), "A baseline is taken as installed."),
}


_ANOTHER = 'Take it out, or write origin = "type".'
_LEAK_TEST = "Test the probe for leaks; mend the heater, then take the baseline."
_BURNING = "Read while the heater burns."
_SWAPPED = "Have the two probes been swapped?"


def _not_healthy(
    values: Mapping[str, Any], fuel_then: Fuel | None, heater_id: str | None
) -> list[tuple[str, str, str]]:
    """Return (quantity, why, remedy) for all that makes a reading no baseline: a fault, a stop, no flame, no pair."""
    stop, no_lambda = limit("exhaust_co_stop"), limit("o2_no_lambda")
    co, oxygen = values.get("co_dry_ppm", 0.0), values.get("o2_dry_pct", 0.0)
    inside, outside = values.get("cab_co_in_ppm", 0.0), values.get("cab_co_out_ppm", 0.0)
    in_cab = inside >= limit("cab_co_level_stop") or inside - outside >= limit("cab_co_rise_stop")
    maybe_diluted = values.get("probe_leak_test") != "pass" and co < stop and oxygen < no_lambda
    air_free = float(co_air_free(co, oxygen)) if maybe_diluted else 0.0
    another, found = values.get("heater_id", heater_id), values.get("strip_down", "nothing_found")
    pair = _pair_problem(values, fuel_then) if fuel_then else ""
    rows = [
        *(
            (key, values.get(key) in bad, "makes this no healthy reading", hint)
            for key, (bad, hint) in _MUST_BE.items()
        ),
        ("heater_id", bool(heater_id) and another != heater_id, f"is not this heater ({heater_id})", _ANOTHER),
        ("strip_down", found != "nothing_found", "is a fault that was found", "Take the baseline after the repair."),
        ("co_dry_ppm", co >= stop, f"is {stop:g} ppm or more, a stop condition", "Mend first, then take the baseline."),
        ("cab_co_in_ppm", in_cab, "is a stop condition", "People out, ventilate, heater off; find the way in first."),
        ("co_dry_ppm", air_free >= stop, f"is {air_free:.0f} ppm air-free, a stop condition", _LEAK_TEST),
        ("o2_dry_pct", oxygen >= no_lambda, f"is fresh air or nearly ({no_lambda:g} % or more)", _BURNING),
        *(
            (hot, values.get(hot, math.inf) < values.get(cold, -math.inf), f"is colder than {cold}", _SWAPPED)
            for hot, cold in (("flue_temp_c", "intake_temp_c"), ("air_out_temp_c", "air_in_temp_c"))
        ),
        ("co2_dry_pct", bool(pair), pair, "Zero outdoors, look at trap and hose, then read again."),
    ]
    return [(quantity, why, hint) for quantity, wrong, why, hint in rows if wrong]


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
    control: Mapping[str, Any],
    faults: FileFaults,
) -> None:
    """Add what two good values of a profile cannot both be."""
    cutout, nominal, highest = (plain.get(key) for key in ("cutout_v", "nominal_v", "blower_rpm_max"))
    if cutout is not None and nominal is not None and cutout >= nominal:
        why = f"is not below nominal_v ({nominal:g} V)"
        faults.add(("cutout_v",), cutout, "conflict", why, "Check both on the plate.", unit="V")
    for name, row in stages.items():
        if row.get("blower_rpm", 0.0) > (math.inf if highest is None else highest):
            why, hint = f"is above blower_rpm_max ({highest:g} 1/min)", "Check both in the heater's own document."
            faults.add(("stages", name, "blower_rpm"), row["blower_rpm"], "conflict", why, hint, unit="1/min")
    seen, lost = control.get("flame_seen_c", math.inf), control.get("flame_lost_c", -math.inf)
    if lost >= seen:
        why, hint = f"is not below flame_seen_c ({seen:g} °C)", "Check both in the heater's own document."
        faults.add(("control", "flame_lost_c"), lost, "conflict", why, hint, unit="°C")
    preheats, attempts = ((start or {}).get(key, ()) for key in ("preheat_s", "attempt_s"))
    if preheats and attempts and len(preheats) != len(attempts):
        why = f"has {len(preheats)}, attempt_s has {len(attempts)}"
        faults.add(("start", "preheat_s"), list(preheats), "conflict", why, "Give one for each attempt.")
