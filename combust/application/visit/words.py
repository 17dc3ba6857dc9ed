"""What can be said at a visit beside what is read: of the visit itself, of the supply, of the heater's plate."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from combust.application.visit.supply import FIELDS
from combust.data.fields import Field, fields_of
from combust.data.tables import load_table
from combust.data.units import SYSTEMS
from combust.domain.profile_keys import profile_keys

# The causes as they are printed, and what a person says of a heater that has none -> name of a cause.
CAUSE_WORDS: dict[str, str] = {
    str(row[label]).lower().replace(" ", "_"): str(name)
    for name, row in load_table("causes")["cause"].items()
    for label in ("label", "label_without_baseline")
    if label in row
} | dict.fromkeys(("nothing_wrong", "nothing_found", "nothing", "ok"), "healthy")
SYMPTOMS = ("does_not_start", "dies", "smokes", "smells", "weak_heat", "noisy", "battery_empty")
# Words about the visit itself; everything that is measured is a reading's key of the vocabulary.
HEAD = fields_of(
    {
        "who": {"meaning": "who did it"},
        "place": {"meaning": "where the vehicle stood"},
        "vehicle": {"meaning": "which vehicle"},
        "serial": {"meaning": "serial number on the heater's plate"},
        "hours_run": {"meaning": "hours on the heater's counter"},
        "weather": {"meaning": "wind, temperature, precipitation"},
        "probe_position": {"meaning": "where the probe was and how deep"},
        "complaint": {"meaning": "what the customer said"},
        "symptom": {"meaning": "what is wrong with it, in a word", "kind": "choice", "choices": SYMPTOMS},
        "found": {"meaning": "which cause it was", "kind": "choice", "choices": tuple(load_table("causes")["cause"])},
        "next_visit": {"meaning": "when it is due again"},
        "condition": {"meaning": "under which condition it may be used"},
        "units": {"meaning": "units of the person", "kind": "choice", "choices": tuple(SYSTEMS)},
        "co_alarm": {"meaning": "CO alarm in the cab", "kind": "choice", "choices": ("works", "fails", "missing")},
        "handed_back": {"meaning": "handed back (no = kept off)", "kind": "choice", "choices": ("yes", "no")},
    },
    kind="text",
    longest=4000,
)
EVENT = Field(
    "event", "choice", "for the history", choices=("repair", "rezero", "swap"), hint="Use repair, rezero or swap."
)
# What was done, in a row of a table: the entry of a visit that ``repair TEXT`` makes at the keyboard.
WORK = Field("repair", "text", "what was repaired or adjusted, in words", longest=4000)
NOT_ALONE = ("found",)  # its choices are no words of their own: they are said behind it
# A setting of the visit that is a quantity holds for each of its readings: typed once, not with every reading.
SETTINGS = (
    *("fuel", "instrument", "location", "altitude_m", "pressure_hpa", "intake_temp_c", "humidity_pct"),
    *("ambient_o2_pct", "ambient_co_ppm", "probe_leak_test", "sample_line", "analyser_fuel", "co2_origin"),
)
# Beside the values of a reading: what was over the range of the instrument, and what was typed in another unit.
BESIDE = ("over", "typed")
# The supply holds for the whole visit. The voltage at the plug under glow is a quantity of its own (supply_glow_v).
SUPPLY = {key: replace(field, required=False) for key, field in FIELDS.items() if key != "plug_glow_v"}


def cause_said(text: str) -> str:
    """Return the cause that is meant by its name or as it is printed, whatever joins the words; else the text.

    Examples
    --------
    >>> cause_said("too much fuel"), cause_said("Nothing wrong"), cause_said("gremlins")
    ('fuel_over', 'healthy', 'gremlins')
    """
    joined = "_".join(re.split(r"[\s_-]+", text.strip().lower()))
    return CAUSE_WORDS.get(joined, joined if joined in HEAD["found"].choices else text)


def _of_plate(part: str, key: str, name: str = "", meaning: str = "") -> Field:
    record = profile_keys(part)[key]
    return replace(record, key=name or key, meaning=meaning or record.meaning, required=False)


# What plate and document of a heater say that has no profile: word -> where it stands in a profile.
_PLATE = {
    "nominal_v": ("profile", "nominal_v"),
    "blower_type": ("profile", "blower"),
    "power_run_w": ("profile", "power_run_w"),
    "stroke_ul": ("profile", "stroke_ul"),
    "plate_heat_kw": ("stages.high", "useful_heat_kw"),
    "plate_fuel_l_per_h": ("stages.high", "fuel_l_per_h"),
    "band_high": ("stages.high", "air_ratio_band"),
    "band_low": ("stages.low", "air_ratio_band"),
    "height_limit_m": ("limits", "altitude_m"),
    "air_ratio_min": ("limits", "air_ratio_min"),
    "glow_a": ("profile", "glow_a"),
    "cutout_v": ("profile", "cutout_v"),
    "cool_down_s": ("start", "cool_down_s"),
}
_MEANINGS = {
    "plate_heat_kw": "heat on the plate",
    "plate_fuel_l_per_h": "fuel on the plate",
    "band_high": "lambda of a healthy heater at high stage, low and high (1.35-1.80), by its document",
    "band_low": "lambda of a healthy heater at low stage, low and high (1.8-2.5), by its document",
}
PLATE = {
    word: _of_plate(part.partition(".")[0], key, word, _MEANINGS.get(word, ""))
    for word, (part, key) in _PLATE.items()
    if word not in SUPPLY
}
# What a logbook taught, as the text of its file: it stays with the visit, as the heater's profile does.
TAUGHT = {"learnt": Field("learnt", "text", "what a logbook taught (a file of combust learn)", longest=20_000)}
# What is said and not read: everything else is a reading's.
SAID = {**HEAD, **SUPPLY, **PLATE, **TAUGHT}
# Every word that holds from then on, however often something is read.
HOLDS = (*SETTINGS, *SUPPLY, *PLATE, *TAUGHT)


def with_plate(profile: Mapping[str, Any], heater_id: str | None, said: Mapping[str, Any]) -> dict[str, Any]:
    """Return a profile with what was said of the plate where it lacks that; of the plate alone without one.

    Empty when nothing was said of the plate, or the fuel is not known: then there is no heater to speak of.
    """
    told = {word: said[word] for word in _PLATE if word in said}
    if not profile and (not said.get("fuel") or not set(told) & set(PLATE)):
        return {}
    start: dict[str, Any] = {"heater_id": heater_id, "fuel": said.get("fuel"), "stages": {"high": {}, "low": {}}}
    whole: dict[str, Any] = {key: value for key, value in start.items() if value} if not profile else dict(profile)
    for word, value in told.items():
        part, key = _PLATE[word]
        names = [] if part == "profile" else part.split(".")
        if part == "start" and "start" not in whole:
            continue  # a cool-down alone is no start programme
        if names[:1] == ["stages"] and names[1] not in whole["stages"]:
            continue
        whole = _put(whole, names, key, value)
    return whole


def _put(table: Mapping[str, Any], path: list[str], key: str, value: Any) -> dict[str, Any]:
    """Return a table with one value more, deep in it; what stands there already stays."""
    if not path:
        return {key: value, **table}
    return {**table, path[0]: _put(table.get(path[0], {}), path[1:], key, value)}
