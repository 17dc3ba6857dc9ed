"""Before any diagnosis: stop conditions, validity, location, and readings brought to what the model takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.stage_reading import Values
from combust.application.reading import judge
from combust.application.reading.columns import Columns, columns_of_reading
from combust.application.reading.interpret import interpret_columns
from combust.data.vocabulary import quantities
from combust.domain.limits import Finding, finding_kinds
from combust.domain.result import Assumed

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine

# Findings that leave nothing to diagnose: the sample or the instrument is at fault, seen and not inferred.
INVALID = (
    "leak_test_failed",
    "sample_wet",
    "ambient_o2_off",
    "span_gas_off",
    "not_steady",
    "too_early",
    "pair_impossible",
    "co2_above_maximum",
    "o2_like_air",
)
# Findings that belong to one reading's record, not to a ranking of causes.
QUIET = ("pair_cannot_be_checked", "no_gas", "leak_test_not_done", "heating_value_estimated", "co2_origin_unknown")


@dataclass(frozen=True, slots=True)
class Gate:
    """What stands before the ranking: stops, findings, validity, location, and the readings as the model takes them."""

    stop: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    invalid: bool
    outdoors: bool
    used: tuple[Values, ...]
    assumed: tuple[Assumed, ...]
    seen_columns: tuple[str, ...]


def look_at(engine: Engine, readings: Sequence[Values]) -> Gate:
    """Return the gate of one visit."""
    return look_at_many(engine, [readings])[0]


def look_at_many(engine: Engine, visits: Sequence[Sequence[Values]]) -> list[Gate]:
    """Return the gates of visits; their readings are interpreted in one go."""
    rows = [reading for readings in visits for reading in readings]
    worked = interpret_columns(_columns_of(rows, engine), engine.instrument)
    details = {name: np.broadcast_to(worked.details[name], len(rows)) for name in DETAILS}
    gates, start = [], 0
    for readings in visits:
        part = slice(start, start + len(readings))
        start += len(readings)
        told = _Worked(
            {key: value[part] for key, value in worked.values.items()},
            worked.mask[part],
            {key: value[part] for key, value in details.items()},
        )
        gates.append(_gate(readings, told))
    return gates


DETAILS = ("o2", "co2", "co", "co2_maximum", "analyser_co2_maximum")


@dataclass(frozen=True, slots=True)
class _Worked:
    """The interpretation of one visit's readings."""

    values: dict[str, Any]
    mask: Any
    details: dict[str, Any]


def _gate(readings: Sequence[Values], worked: _Worked) -> Gate:
    kinds = finding_kinds()
    found: dict[str, Finding] = {}
    codes_by_row = [judge.codes_of(int(mask)) for mask in worked.mask]
    for index, codes in enumerate(codes_by_row):
        for code in codes:
            if code not in QUIET:
                found.setdefault(code, _finding(code, kinds[code].severity, index, readings, worked))
    used, assumed = [], []
    for index, reading in enumerate(readings):
        plain = dict(reading)
        for name in ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm"):
            twin = quantities()[name].wet_twin
            if twin in plain and name not in plain:
                plain[name] = float(worked.details[name.split("_")[0]][index])
        used.append(plain)
        assumed += _assumed(plain)
    stop = tuple(finding for finding in found.values() if finding.severity == "stop")
    rest = tuple(finding for finding in found.values() if finding.severity != "stop")
    outdoors = all(reading.get("location") == "outdoors" for reading in readings)
    seen = dict.fromkeys(column for reading in readings for column, _ in ev.seen_answers(reading, "", 1.0))
    return Gate(
        stop,
        rest,
        any(code in found for code in INVALID),
        outdoors,
        tuple(used),
        tuple(dict.fromkeys(assumed)),
        tuple(seen),
    )


def _assumed(reading: Values) -> list[Assumed]:
    filled = {
        "altitude_m": ("that of the baseline", "pressure_hpa" not in reading and "altitude_m" not in reading),
        "intake_temp_c": ("that of the baseline", "intake_temp_c" not in reading),
        "fuel_temp_c": ("that of the intake air", "fuel_temp_c" not in reading),
        "stage": ("the fullest one", "stage" not in reading),
    }
    return [Assumed(key, value, "", "not entered") for key, (value, empty) in filled.items() if empty]


def _columns_of(readings: Sequence[Values], engine: Engine) -> Columns:
    """Return the readings of a visit as columns of one length."""
    parts = [columns_of_reading(dict(reading), engine.heater.fuel).values for reading in readings]
    values: dict[str, Any] = {}
    for key in {key for part in parts for key in part}:
        is_number = quantities()[key].kind == "number"
        empty = np.array([np.nan]) if is_number else np.array([-1], dtype=np.int8)
        values[key] = np.concatenate([part.get(key, empty) for part in parts])
    return Columns(len(readings), values, (engine.heater.fuel,))


def _finding(code: str, severity: str, index: int, readings: Sequence[Values], worked: _Worked) -> Finding:
    """Return a finding with its sentence filled from the row."""
    numbers: dict[str, Any] = {key: float(value[index]) for key, value in worked.values.items()}
    details = worked.details
    numbers["co2_maximum_pct"] = float(details["co2_maximum"][index])
    numbers["analyser_co2_maximum_pct"] = float(details["analyser_co2_maximum"][index])
    numbers |= {key: value for key, value in readings[index].items() if isinstance(value, float)}
    numbers |= {"analyser_setting": "", "pair_hint": ""}
    numbers.setdefault("o2_dry_pct", float(details["o2"][index]))
    return Finding(code, severity, finding_kinds()[code].text.format(**numbers).replace("  ", " "))
