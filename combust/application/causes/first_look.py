"""The first look at a visit, before any diagnosis: safety, validity, and readings brought to what the model takes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.seen_answers import seen_answers
from combust.application.causes.stage_reading import Values
from combust.application.reading import judge
from combust.application.reading.columns import columns_of_readings
from combust.application.reading.interpret import interpret_columns
from combust.application.safety import cab_co_rise, gasoline_stops, height_at_least, own_limits
from combust.data.vocabulary import quantities
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.domain.limits import finding, in_order
from combust.domain.result import Assumed
from combust.domain.safety import Safety

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
# What the heater's own document limits -> its name in the sentences.
OF_DOCUMENT = {"height_m": "altitude_m", "height_limit_m": "limit_m", "air_ratio": "air_ratio"}
OF_DOCUMENT |= {"lowest_air_ratio": "minimum", "supply_v": "heater_v", "cutout_v": "cutout_v"}
OF_DOCUMENT |= {"failed_starts": "failed", "allowed_starts": "allowed"}
OF_DOCUMENT |= {"glow_v": "glow_v", "system_v": "seen_v", "nominal_v": "nominal_v"}
# Findings that belong to one reading's record, not to a ranking of causes.
QUIET = ("pair_cannot_be_checked", "no_gas", "leak_test_not_done", "heating_value_estimated", "co2_origin_unknown")


DETAILS = ("o2", "co2", "co", "co2_maximum", "analyser_co2_maximum")


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What stands before the ranking: safety with every finding, validity, and the readings as the model takes them."""

    safety: Safety
    invalid: bool
    used: tuple[Values, ...]
    assumed: tuple[Assumed, ...]
    seen_columns: tuple[str, ...]


def first_look(heater: Heater, instrument: InstrumentClass, visits: Sequence[Sequence[Values]]) -> list[FirstLook]:
    """Return the first look at each visit; their readings are interpreted in one go."""
    rows = [reading for readings in visits for reading in readings]
    entered = columns_of_readings(rows, [heater.fuel])
    worked = interpret_columns(entered, instrument)
    columns = {**worked.values, **{name: np.broadcast_to(worked.details[name], len(rows)) for name in DETAILS}}
    looks, start = [], 0
    for readings in visits:
        numbers = [{key: float(column[start + row]) for key, column in columns.items()} for row in range(len(readings))]
        codes = [judge.codes_of(int(mask)) for mask in worked.mask[start : start + len(readings)]]
        unsure = ["unit_doubtful" in told for told in codes]
        doubts = [judge.doubts_in_words(entered, start + row) if where else "" for row, where in enumerate(unsure)]
        looks.append(_look(heater, readings, numbers, codes, doubts))
        start += len(readings)
    return looks


def _look(
    heater: Heater,
    readings: Sequence[Values],
    numbers: Sequence[dict[str, float]],
    codes: Sequence[list[str]],
    doubts: Sequence[str],
) -> FirstLook:
    stated = dict.fromkeys(reading.get("fuel") for reading in readings)
    found = {one.code: one for one in gasoline_stops(heater, *stated)}
    invalid = False
    used: list[Values] = []
    assumed: list[Assumed] = []
    for reading, number, told, unsure in zip(readings, numbers, codes, doubts, strict=True):
        fields = _fields(reading, number, heater) | {"doubts": unsure}
        beyond = own_limits(**{key: fields[name] for key, name in OF_DOCUMENT.items()}, height_judged=True)
        for code in (*told, *(code for code, where in beyond.items() if where)):
            if code not in QUIET and code not in found:
                told_v = fields["glow_v"] if code == "below_cutout_glow" else fields["heater_v"]
                one = finding(code, fields | {"heater_v": told_v, "allowed": _allowed(fields)})
                found[code] = replace(one, text=one.text.replace("  ", " "))
        # Of a flame without enough air O2 and CO2 need not agree: it speaks for the heater, not for the sample.
        invalid |= any(code in INVALID and not (code == "pair_impossible" and ev.burns_rich(reading)) for code in told)
        plain = dict(reading)
        for name in ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm"):
            twin, dry = quantities()[name].wet_twin, number[name.split("_")[0]]
            if twin in plain and name not in plain and not math.isnan(dry):  # CO alone, wet: nobody knows its water
                plain[name] = dry
        used.append(plain)
        assumed += _assumed(plain)
    priors = shipped_priors()
    seen = dict.fromkeys(column for reading in readings for column, _ in seen_answers(reading, heater, priors))
    safety = Safety(in_order(found.values()))
    return FirstLook(safety, invalid, tuple(used), tuple(dict.fromkeys(assumed)), tuple(seen))


def _fields(reading: Values, number: Mapping[str, float], heater: Heater) -> dict[str, Any]:
    """Return the numbers that the sentences, and the limits of the heater's own document, take."""
    fields: dict[str, Any] = {**number, "analyser_setting": "", "pair_hint": "", "o2_dry_pct": number["o2"]}
    fields |= {"co2_maximum_pct": number["co2_maximum"], "analyser_co2_maximum_pct": number["analyser_co2_maximum"]}
    fields |= {"co_dry_ppm": np.fmax(number["co"], float(reading.get("co_wet_ppm") or math.nan))}
    fields |= {key: value for key, value in reading.items() if isinstance(value, float)}
    inside, outside = (float(reading.get(key, math.nan)) for key in ("cab_co_in_ppm", "cab_co_out_ppm"))
    fields["cab_co_rise_ppm"] = cab_co_rise(inside, outside)
    height, pressure = (float(reading.get(key, math.nan)) for key in ("altitude_m", "pressure_hpa"))
    limits = heater.limits
    nominal = math.nan if heater.nominal_v is None else heater.nominal_v
    at_plug = [float(reading[key]) for key in ("supply_v", "supply_glow_v") if key in reading]
    return fields | {
        "altitude_m": float(height_at_least(height, pressure)),
        "limit_m": math.nan if limits.altitude_m is None else limits.altitude_m,
        "source": limits.source or "source not stated",
        "u95": 2.0 * number["air_ratio_u"],
        "minimum": math.nan if limits.air_ratio_min is None else limits.air_ratio_min,
        "heater_v": reading.get("supply_v", math.nan),
        "glow_v": reading.get("supply_glow_v", math.nan),
        "seen_v": max([nominal, *at_plug]),  # what falls at the plug is a drop; what rises there is another system
        "nominal_v": nominal,
        "failed": reading.get("failed_starts", math.nan),
        "allowed": reading.get("allowed_failed_starts", math.nan),
        "cutout_v": math.nan if heater.cutout_v is None else heater.cutout_v,
    }


def _allowed(fields: Mapping[str, Any]) -> str:
    """Return how many failed starts are allowed, as the sentence takes it."""
    unknown = "1 (the document's number was not entered)"
    return unknown if math.isnan(fields["allowed"]) else f"{fields['allowed']:.0f}"


def _assumed(reading: Values) -> list[Assumed]:
    filled = {
        "altitude_m": ("that of the baseline", "pressure_hpa" not in reading and "altitude_m" not in reading),
        "intake_temp_c": ("that of the baseline", "intake_temp_c" not in reading),
        "fuel_temp_c": ("that of the intake air", "fuel_temp_c" not in reading),
        "stage": ("the fullest one", "stage" not in reading),
    }
    return [Assumed(key, value, "", "not entered") for key, (value, empty) in filled.items() if empty]
