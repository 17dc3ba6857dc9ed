"""From the headings of a table to keys of the vocabulary, saying what is meant and never guessing in silence."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import zip_longest

from combust.data.errors import Fault, shorten
from combust.data.fields import Field
from combust.data.near import LONGEST_WORD, did_you_mean, near_matches
from combust.data.units import in_our_unit, stem_of
from combust.data.vocabulary import inputs, quantities

RECORD_COLUMNS = ("safety", "revision", "closed_at", "incomplete", "event", "repair")
# Words people write over such columns (common practice, no source). They are proposed, not taken.
USUAL = {
    "o2_dry_pct": "o2 oxygen",
    "co2_dry_pct": "co2",
    "co_dry_ppm": "co coppm",
    "hc_dry_ppm": "hc",
    "no_dry_ppm": "no nox",
    "smoke_number": "smoke soot",
    "flue_temp_c": "tflue fluetemp exhausttemp stacktemp flue",
    "intake_temp_c": "tair airtemp ambienttemp air",
    "altitude_m": "altitude elevation height alt",
    "pressure_hpa": "pressure",
    "humidity_pct": "humidity rh",
    "supply_v": "voltage volts plug",
    "blower_rpm": "rpm",
    "taken_at": "date time",
    "heater_id": "heater unit",
    "visit_id": "visit",
    "cab_co_in_ppm": "cabco cab",
    "cab_co_out_ppm": "outside",
    "instrument": "analyser",
    "probe_leak_test": "leak",
    "sample_line": "trap",
    "ambient_o2_pct": "zeroo2",
    "ambient_co_ppm": "zeroco",
    "co_alarm": "alarm",
    "supply_glow_v": "plugglow underglow",
    "died_after_s": "died",
    "cold_soak_c": "soak",
    "fuel_grade": "grade",
    "failed_starts": "failed",
    "allowed_failed_starts": "allowed",
    "o2_span_over_3min_pct": "o2span",
    "flue_drift_k_per_min": "drift",
    "minutes_since_ignition": "minutes",
    "delivered_ml": "delivered",
    "open_circuit_v": "battery rest",
    "battery_mohm": "batteryresistance",
    "battery_v": "batterynominal",
    "battery_ah": "batterycapacity",
    "area_mm2": "cable area",
    "contacts_mohm": "contacts",
    "glow_a": "glowcurrent",
    "run_a": "runcurrent",
    "cool_down_s": "cooldown",
    "disconnect_delay_s": "disconnectdelay",
    "plate_heat_kw": "kw",
    "nominal_v": "nominal",
}
USUAL_WORDS = {word: key for key, words in USUAL.items() for word in words.split()}
_UNIT_WORDS = re.compile(r"\[.*?\]|\(.*?\)|%|°")
# Units as they stand in headings -> the ending of a key in that unit; "" = a unit that nothing here is converted from.
_UNITS = {
    **{"°c": "_c", "c": "_c", "°f": "_f", "f": "_f", "ft": "_ft", "feet": "_ft", "m": "_m", "%": "_pct"},
    **{"vol %": "_pct", "vol%": "_pct", "vol.-%": "_pct", "pct": "_pct", "ppm": "_ppm", "hpa": "_hpa", "mbar": "_mbar"},
    **{
        "pa": "_pa",
        "hz": "_hz",
        "ml": "_ml",
        "inhg": "_inhg",
        "inh2o": "_inh2o",
        "mmh2o": "_mmh2o",
        "v": "_v",
        "rpm": "_rpm",
        "1/min": "_rpm",
        "kw": "_kw",
        "l/h": "_l_per_h",
        "mm2": "_mm2",
        "mm²": "_mm2",
        "awg": "_awg",
    },
    **dict.fromkeys(("degc", "deg c", "celsius"), "_c"),
    **dict.fromkeys(("degf", "deg f", "fahrenheit"), "_f"),
    "mb": "_mbar",
    **dict.fromkeys(("gal/h", "gal/hr", "gph", "us gal/h"), "_gal_us_per_h"),
    **dict.fromkeys(("imp gal/h", "uk gal/h"), "_gal_uk_per_h"),
    **dict.fromkeys(("btu/h", "btu/hr", "btuh"), "_btu_per_h"),
    **dict.fromkeys(("k/min", "°c/min"), "_k_per_min"),
    **dict.fromkeys(("°f/min", "f/min"), "_f_per_min"),
    **dict.fromkeys(("k", "psi", "kpa", "bar", "g/kwh", "mg/kwh", "km", "mv", "mmhg", "ppb"), ""),
}
# Mass in a volume: at which temperature, pressure and O2, only the analyser's own settings say.
_MASS = re.compile(r"(?<![a-z])[mµ]?g(?:/|_| per )n?m\^?[3³]", re.IGNORECASE)
_IN_BRACKETS = re.compile(r"\[(.*?)\]|\((.*?)\)")
_PASCAL = {"pa": 1.0, "hpa": 100.0, "mbar": 100.0, "kpa": 1000.0, "bar": 100_000.0}
_BARE_UNIT = re.compile(r"\s(%|vol ?%|ppm|°[CF]|hPa|mbar|Pa)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Heading:
    """One column: its heading, the key it holds (None = carried through), and its name before conversion."""

    name: str
    key: str | None
    foreign: str | None = None

    def entered_as(self, key: str) -> Heading:
        """Return the same column entered in the unit of a key."""
        return replace(self, foreign=None if key == self.key else key)


@dataclass(slots=True)
class Matched:
    """What each column holds, what is to be told about it, and what is wrong."""

    headings: list[Heading]
    notes: list[str]
    faults: list[Fault]


def match_headings(
    header: Sequence[str],
    chosen: Mapping[str, str] | None = None,
    fields: Mapping[str, Field] | None = None,
    units: Sequence[str] = (),
) -> Matched:
    """Return what each column holds.

    Parameters
    ----------
    header : sequence of str
    chosen : mapping, optional
        Heading -> key, the user's own choice (``--map O2=o2_dry_pct``); an empty key carries the column through.
    fields : mapping, optional
        The record of each key that the table can hold; default the inputs of the vocabulary.
    units : sequence of str
        What a row of units under the headings says of each, "" of none.

    Returns
    -------
    Matched
        Its faults: a heading that nearly is a key (it is said which), a choice that names no key, a unit in the heading
        that the key is not in, two columns for one quantity in one unit.
    """
    chosen, fields = chosen or {}, inputs() if fields is None else fields
    done = Matched([], [], [])
    unused, held = [], dict[tuple[str | None, str | None], str]()
    for name, unit in zip_longest(header, units, fillvalue=""):
        asked, told = chosen.get(name), f"{name} ({unit})" if unit and unit_of(name)[0] is None else name
        key, foreign = _key_of(name, told, asked, fields, done)
        if key and unit and unit_of(name)[0] not in (None, unit_of(f"({unit})")[0]):
            why = f"says another unit than the {unit} below it"
            done.faults.append(Fault("heading", name, "conflict", why=why, hint="Keep the right one."))
        done.headings.append(Heading(name, key, foreign))
        if key is None and asked is None and name:
            unused.append(name)
        if (key, foreign) in held:
            why, hint = f"holds {key} as {held[key, foreign]} does", f'Leave one out: --map "{name}="'
            done.faults.append(Fault("heading", name, "conflict", why=why, hint=hint))
        elif key:
            held[key, foreign] = name
    if unused:
        done.notes.append(f"Not used: {shorten(', '.join(unused), 200)}.")
    return done


def _key_of(
    name: str, told: str, asked: str | None, fields: Mapping[str, Field], done: Matched
) -> tuple[str | None, str | None]:
    """Return (key, name before conversion) of a heading, ``told`` with its unit; None where it is carried through."""
    if asked == "" or (asked is None and len(name) > LONGEST_WORD):
        return None, None
    if found := _known(name.strip().lower() if asked is None else asked, fields):
        return _in_unit_of(told, *found, fields, done)
    if asked is not None and asked in columns_of_visits():
        return None, None
    if asked is not None:
        hint = did_you_mean(near_matches(asked, tuple(fields), n=3, cutoff=0.5), "All keys: combust word")
        why = "is no key that combust knows"
        done.faults.append(Fault(f"--map {name}", asked, "unknown_name", why=why, hint=hint))
        return None, None
    plain = re.sub(r"[^a-z0-9]+", "_", _IN_BRACKETS.sub("", name.lower())).strip("_")
    unit = unit_of(told)[0]
    if unit and plain and (found := _known(plain + unit, fields)):
        done.notes.append(f"The heading {told} is read as {found[1] or found[0]}.")
        return found
    proposal = _proposed(name, unit, fields)
    if proposal and unit == "":
        done.faults.append(_other_unit(told, in_our_unit(proposal, fields)[0], fields))
    elif proposal:
        ours, convert = in_our_unit(proposal, fields)
        kind = f"becomes {fields[ours].unit}" if convert else fields[ours].unit or "text"
        why = f"is no key; {proposal} is probably meant ({kind})"
        hint = f'Rename it, or add --map "{name}={proposal}" (or --map "{name}=" to leave it out).'
        done.faults.append(Fault("heading", name, "near_miss", why=why, hint=hint))
    return None, None


def _other_unit(name: str, key: str, fields: Mapping[str, Field]) -> Fault:
    """Return the fault of a heading whose unit is not the key's, with the units that are understood."""
    word, stem = unit_of(name)[1], stem_of(key)
    why = f"says {word}, and {key} is not in {word}"
    if _MASS.match(word):
        why += ": a mass per volume needs the reference temperature, pressure and O2 that the analyser used"
    known = {
        ending: unit.upper() if "°" in unit else unit
        for unit, ending in reversed(_UNITS.items())
        if ending and _known(stem + ending, fields)
    }
    understood = f" Understood here: {', '.join(known.values())}." if known else ""
    hint = f"Convert the column to {fields[key].unit or 'plain numbers'}, or map it to a key in its unit.{understood}"
    return Fault("heading", name, "conflict", why=why, hint=hint)


def _in_unit_of(
    name: str, key: str, foreign: str | None, fields: Mapping[str, Field], done: Matched
) -> tuple[str | None, str | None]:
    """Return a key in the unit that its heading says; a unit that does not fit the key is a fault."""
    ending, _ = unit_of(name)
    entered, stem = foreign or key, stem_of(key)
    if ending is None or fields[key].kind != "number" or ending == entered[len(stem) :]:
        return key, foreign
    turned = _known(stem + ending, fields) if ending and foreign is None else None
    if turned and turned[0] == key:
        return turned
    done.faults.append(_other_unit(name, key, fields))
    return None, None


def _known(key: str, fields: Mapping[str, Field]) -> tuple[str, str | None] | None:
    """Return (key, name before conversion) when a key is a field or one in another unit."""
    ours, convert = in_our_unit(key, fields)
    return (ours, key if convert else None) if ours in fields else None


def unit_of(name: str) -> tuple[str | None, str]:
    """Return (ending of keys in the unit that stands in a heading, the unit); None without one, "" for an unknown one.

    Examples
    --------
    >>> unit_of("Flue temperature (F)"), unit_of("O2 %"), unit_of("CO [mg/m3]"), unit_of("O2 (dry)")
    (('_f', 'F'), ('_pct', '%'), ('', 'mg/m3'), (None, ''))
    """
    name = name[-LONGEST_WORD:]
    words = [one or other for one, other in _IN_BRACKETS.findall(name)] + _BARE_UNIT.findall(name)
    for word in (part.strip() for text in words for part in text.split(",")):
        if word.lower() in _UNITS:
            return _UNITS[word.lower()], word
    found = _MASS.search(name)
    return ("", found[0]) if found else (None, "")


def named(word: str, fields: Mapping[str, Field]) -> str | None:
    """Return the key that a short word stands for: a usual one, a key, or a key without its unit; else None."""
    usual = USUAL_WORDS.get(word.lower())
    if usual in fields:
        return usual
    stems = {stem_of(key): key for key, record in fields.items() if record.role != "identity"}
    return word if word in fields else stems.get(word.lower())


def in_unit(key: str, unit: str, fields: Mapping[str, Field]) -> str | None:
    """Return the key in the unit that stands beside a number, its own or one that is converted; None in any other."""
    if unit and _plain(unit) == _plain(fields[key].unit):
        return key
    ending, _ = unit_of(f"({unit})")
    turned = _known(stem_of(key) + ending, fields) if ending else None
    return (turned[1] or key) if turned and turned[0] == key else None


def words_beside(key: str, text: str, fields: Mapping[str, Field]) -> str:
    """Return in words which keys take a word where a number was wanted, and which; "" of a number, or without any.

    Those are meant that share a word with the key: what a person calls smoke is a number, or black.
    """
    shared = set(stem_of(key).split("_")) - {"number"}
    rows = [(name, one.choices) for name, one in fields.items() if one.choices and shared & set(name.split("_"))]
    told = [f"{name.replace('_', ' ')} {' | '.join(choices)}" for name, choices in rows]
    return "; or say " + "; or ".join(told) if told and text[:1].isalpha() else ""


def is_unit(text: str) -> bool:
    """Return whether a text is a unit: one of headings, or of a quantity."""
    return bool(unit_of(f"({text})")[1]) or _plain(text) in _own_units()


@cache
def _own_units() -> frozenset[str]:
    return frozenset(_plain(one.unit) for one in (*inputs().values(), *columns_of_visits().values()) if one.unit)


def _plain(unit: str) -> str:
    return unit.strip().lower().replace("²", "2").replace("³", "3")


def unit_fault(record: Field, text: str, number: float, unit: str, fields: Mapping[str, Field]) -> Fault:
    """Return the fault of a number in a unit that its quantity is not entered in, told in the one that it is."""
    own, lower = record.unit, unit.lower()
    hint, why = f"Give it in {own}." if own else "It has no unit.", f"is in {unit}, not in {own or 'a unit'}"
    if lower in _PASCAL and own.lower() in _PASCAL and not math.isnan(number):
        ours = number * _PASCAL[lower] / _PASCAL[own.lower()]
        hint = f"Give it in {own}: {text} {unit} = {ours:g} {own}."
    elif lower not in {*_PASCAL, *(one.unit.lower() for one in fields.values())} and not unit_of(f"({unit})")[1]:
        why = f"cannot be read: {unit} is no unit"
    return Fault(record.key, f"{text} {unit}", "format", why=why, hint=hint)


@cache
def columns_of_visits() -> dict[str, Field]:
    """Return what a table of visits holds beside readings: words of the visit and its record, the work that was done.

    Where only readings are read, a map may name them all the same: one map serves every command.
    """
    from combust.application.visit.words import EVENT, HEAD, WORK

    record = {key: Field(key, "text", "of the record") for key in RECORD_COLUMNS}
    return {**HEAD, **record, EVENT.key: EVENT, WORK.key: WORK}


def _proposed(name: str, unit: str | None, fields: Mapping[str, Field]) -> str | None:
    """Return the key that a heading probably means, or None for one that has nothing to do with the table."""
    if name in quantities():
        return None
    name = _MASS.sub("", name)
    bare = re.sub(r"[^a-z0-9]", "", _UNIT_WORDS.sub("", name.lower().replace("temperature", "temp")))
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    found = named(bare, fields) or named(plain, fields)
    if found is None:
        near = near_matches(plain, tuple(fields), n=1, cutoff=0.85)
        return near[0] if near else None
    turned = _known(stem_of(found) + unit, fields) if unit else None
    return (turned[1] or found) if turned and turned[0] == found else found
