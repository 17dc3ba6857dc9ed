"""Keys end in their unit: ours, and the others that enter only at the edge; numbers in words, in a person's units."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Container
from typing import Any, NamedTuple

_UNIT_SUFFIXES = ("_k_per_min", "_pct", "_ppm", "_rpm", "_hpa", "_pa", "_hz", "_ml", "_kw", "_c", "_m", "_v")
PPM_A_PERCENT = 10_000.0
_MORE_SUFFIXES = ("_l_per_h", "_mm2")  # a quantity of these has no option without its unit: --fuel is another one


# How the unit at the end of a key is written, for keys of any table; the longest ending first.
_MARKS = {
    **{"k_per_min": "K/min", "l_per_h": "l/h", "ml_per_s": "ml/s", "g_per_s": "g/s", "mj_per_kg": "MJ/kg"},
    **{"kg_per_m3": "kg/m³", "kg_m3": "kg/m³", "m3_per_kg": "m³/kg", "mg_per_m3": "mg/m³", "per_k": "1/K"},
    **{"mohm": "mohm", "ohm": "ohm", "pct": "%", "ppm": "ppm", "rpm": "1/min", "hpa": "hPa", "pa": "Pa", "hz": "Hz"},
    **{"mm2": "mm²", "mm": "mm", "ml": "ml", "ul": "µl", "kw": "kW", "kj": "kJ", "wh": "Wh", "ah": "Ah"},
    **{"s": "s", "h": "h", "g": "g", "k": "K", "c": "°C", "m": "m", "v": "V", "w": "W", "a": "A"},
}


class Unit(NamedTuple):
    """Another unit: the suffix of ours, the way to it and back, and how the other one is written."""

    ours: str
    convert: Callable[[Any], Any]
    back: Callable[[Any], Any]
    mark: str


def _by(ours: str, factor: float, mark: str) -> Unit:
    return Unit(ours, lambda value: value * factor, lambda value: value / factor, mark)


# Other units enter only at the edge, by suffix. Exact definitions: 1 ft = 0.3048 m, 1 gal (US) = 231 in³, 1 Btu =
# 1055.05585262 J (International Table); conventional: 1 inHg = 33.86389 hPa, 1 inH2O = 249.08891 Pa, 1 mmH2O = 9.80665
# Pa. A difference of 1 °F is 1/1.8 K and has no zero of its own.
# American Wire Gauge, ASTM B258: 0.127 mm at number 36, a factor 92 in diameter over 39 numbers.
FOREIGN_UNITS: dict[str, Unit] = {
    "_f_per_min": _by("_k_per_min", 1.0 / 1.8, "°F/min"),
    "_f": Unit("_c", lambda value: (value - 32.0) / 1.8, lambda value: value * 1.8 + 32.0, "°F"),
    "_ft": _by("_m", 0.3048, "ft"),
    "_inhg": _by("_hpa", 33.86389, "inHg"),
    "_mbar": _by("_pa", 100.0, "mbar"),
    "_inh2o": _by("_pa", 249.08891, "inH2O"),
    "_mmh2o": _by("_pa", 9.80665, "mmH2O"),
    "_gal_us_per_h": _by("_l_per_h", 3.785411784, "gal/h"),
    "_gal_uk_per_h": _by("_l_per_h", 4.54609, "imp gal/h"),
    "_btu_per_h": _by("_kw", 1055.05585262 / 3.6e6, "BTU/h"),
    "_awg": Unit(
        "_mm2",
        lambda value: math.pi / 4.0 * (0.127 * 92.0 ** ((36.0 - value) / 39.0)) ** 2,
        lambda value: 36.0 - 39.0 * math.log(math.sqrt(4.0 * value / math.pi) / 0.127, 92.0),
        "AWG",
    ),
}
# Systems of units of a person: the suffix of ours -> the unit it is told in.
SYSTEMS: dict[str, dict[str, str]] = {
    "metric": {},
    "us": {
        "_c": "_f",
        "_k_per_min": "_f_per_min",
        "_m": "_ft",
        "_hpa": "_inhg",
        "_pa": "_inh2o",
        "_l_per_h": "_gal_us_per_h",
        "_kw": "_btu_per_h",
        "_mm2": "_awg",
    },
}
_WRITTEN = {
    **{"°C": "_c", "K/min": "_k_per_min", "K": "_k", "m": "_m", "hPa": "_hpa", "Pa": "_pa"},
    **{"l/h": "_l_per_h", "kW": "_kw", "mm²": "_mm2"},
}
_DIFFERENCE = _by("_k", 1.0 / 1.8, "°F")
_RANGES = (" ± ", " to ", "\u2013")
_NUMBER = r"[+\-\u2212]?\d+(?:\.\d+)?"
_SECOND = rf"(?:( ± | to | and | or |\u2013)({_NUMBER}))?"
_IN_WORDS = re.compile(rf"(between )?(?<![\w.,/\-])({_NUMBER}){_SECOND} ?({'|'.join(_WRITTEN)})(?![\w/²³])")


def in_our_unit(key: str, known: Container[str]) -> tuple[str, Callable[[Any], Any] | None]:
    """Return (key of ours, conversion) of a key in another unit; any other key comes back with None.

    ``altitude_ft`` gives ``altitude_m`` and the factor 0.3048. ``co_dry_pct`` gives ``co_dry_ppm``.
    ``pressure_mbar`` is the station pressure and gives ``pressure_hpa``.
    """
    if key in known:
        return key, None
    if key in ("co_dry_pct", "co_wet_pct") and (ours := key.replace("_pct", "_ppm")) in known:
        return ours, lambda value: value * PPM_A_PERCENT
    if key == "pressure_mbar" and "pressure_hpa" in known:
        return "pressure_hpa", lambda value: value
    for suffix, unit in FOREIGN_UNITS.items():
        if key.endswith(suffix) and key[: -len(suffix)] + unit.ours in known:
            return key[: -len(suffix)] + unit.ours, unit.convert
    return key, None


def in_other_units(key: str, known: Container[str]) -> list[str]:
    """Return every key in another unit that :func:`in_our_unit` brings to a key of ours."""
    units = [(unit.ours, suffix) for suffix, unit in FOREIGN_UNITS.items()] + [("_ppm", "_pct"), ("_hpa", "_mbar")]
    named = [key[: -len(ours)] + suffix for ours, suffix in units if key.endswith(ours)]
    return [twin for twin in named if in_our_unit(twin, known)[1]]


def key_of_unit(key: str, value: object) -> str:
    """Return in words which key and option take a number with another unit behind it; "" for any other value.

    Examples
    --------
    >>> key_of_unit("altitude_m", "6230 ft"), key_of_unit("altitude_m", "high")
    ('; one in ft as altitude_ft (option --altitude-ft)', '')
    """
    found = re.fullmatch(rf"\s*{_NUMBER}\s*([^\s\d]+)\s*", value) if isinstance(value, str) else None
    word = found[1].lower().lstrip("°") if found else ""
    twins = [twin for twin in in_other_units(key, (key,)) if word and mark_of(twin).lower().lstrip("°") == word]
    return f"; one in {mark_of(twins[0])} as {twins[0]} (option --{twins[0].replace('_', '-')})" if twins else ""


def strip_unit(key: str, more: tuple[str, ...] = ()) -> str:
    """Return a key without its unit suffix (``o2_dry_pct`` -> ``o2_dry``)."""
    for suffix in (*more, *_UNIT_SUFFIXES):
        if key.endswith(suffix):
            return key[: -len(suffix)]
    return key


def name_and_unit(key: str) -> tuple[str, str]:
    """Return a key without the unit at its end, and that unit as it is written; "" where it has none.

    Examples
    --------
    >>> name_and_unit("blower_rpm_max"), name_and_unit("air_ratio_min"), name_and_unit("h_c")
    (('blower_max', '1/min'), ('air_ratio_min', ''), ('h_c', ''))
    """
    for end in ("_max", "_min"):  # of a range: no minutes
        if key.endswith(end):
            stem, unit = name_and_unit(key.removesuffix(end))
            return stem + end, unit
    for ending, unit in _MARKS.items():
        if key.endswith(f"_{ending}") and len(key) > len(ending) + 2:
            return key[: -len(ending) - 1], unit
    return key, ""


def stem_of(key: str) -> str:
    """Return a key without its unit, whichever unit it is (``plate_fuel_l_per_h`` -> ``plate_fuel``)."""
    return strip_unit(key, _MORE_SUFFIXES)


def key_of_person(key: str, units: str) -> str:
    """Return the key in the unit that a person of a system of units means by a bare number; the key itself in ours.

    Examples
    --------
    >>> key_of_person("flue_temp_c", "us"), key_of_person("flue_temp_c", "metric"), key_of_person("co_dry_ppm", "us")
    ('flue_temp_f', 'flue_temp_c', 'co_dry_ppm')
    """
    stem = stem_of(key)
    return stem + SYSTEMS.get(units, {}).get(key[len(stem) :], key[len(stem) :])


def other_unit_of(key: str) -> Unit | None:
    """Return the unit of a key in another unit; None for one in ours."""
    return next((unit for suffix, unit in FOREIGN_UNITS.items() if key.endswith(suffix)), None)


def mark_of(key: str) -> str:
    """Return how the unit of a key in another unit is written; "" for one in ours."""
    unit = other_unit_of(key)
    return unit.mark if unit else ""


def in_words(text: str, units: str) -> str:
    """Return a text with each number in a metric unit told in the units of a person first, the metric one behind it.

    Only for texts of ours: what a person wrote stays as it was written. The digits are as many as the metric number
    had. A width behind ± and a difference in K have no zero: only their size is converted. Two numbers before one unit
    are told together only where both surely have it: a range, its ends with as many decimals; else they stay metric.

    Parameters
    ----------
    text : str
    units : str
        A name of ``SYSTEMS``.

    Examples
    --------
    >>> in_words("Flue 365 °C at 210 m, CO 54 ppm", "us")
    'Flue 689 °F (365 °C) at 689 ft (210 m), CO 54 ppm'
    >>> in_words("20 ± 10 °C", "us"), in_words("5 K", "us"), in_words("365 °C", "metric")
    ('68 ± 18 °F (20 ± 10 °C)', '9 °F (5 K)', '365 °C')
    """
    system = SYSTEMS.get(units, {})

    def told(found: re.Match[str]) -> str:
        opening, first, between, second, written = found.groups()
        ours = _WRITTEN[written]
        no_size = ours == "_mm2" and float(first.replace("\u2212", "-")) <= 0.0
        alike = between is None or ((between in _RANGES or opening) and _decimals(first) == _decimals(second))
        if not system or (ours != "_k" and ours not in system) or no_size or not alike:
            return found[0]
        unit = _DIFFERENCE if ours == "_k" else FOREIGN_UNITS[system[ours]]
        size = _DIFFERENCE if between == " ± " and ours == "_c" else unit
        numbers = _as_told(first, unit) + (between + _as_told(second, size) if between else "")
        return f"{opening or ''}{numbers} {unit.mark} ({found[0].removeprefix(opening or '')})"

    return _IN_WORDS.sub(told, text)


def chance_in_words(chance: float) -> str:
    """Return a chance in whole per cent, never as all or nothing: no reading makes certain.

    The one way in which a command, a page, a sheet and a figure tell it.

    Examples
    --------
    >>> chance_in_words(0.624), chance_in_words(0.004), chance_in_words(0.998)
    ('62 %', 'under 1 %', 'over 99 %')
    """
    whole = round(100.0 * chance)
    return "over 99 %" if whole >= 100 else "under 1 %" if chance < 0.01 else f"{whole} %"


def _decimals(text: str) -> int:
    return len(text.partition(".")[2])


def _as_told(text: str, unit: Unit) -> str:
    """Return a metric number in another unit, with digits to match: the next finer power of ten below its last one."""
    value = float(text.replace("\u2212", "-"))
    step = 10.0 ** -_decimals(text)
    change = abs(unit.back(value + step) - unit.back(value))
    decimals = max(math.ceil(-math.log10(change) - 1e-9), -6)
    number = round(unit.back(value), decimals) + 0.0
    return f"{number:.{max(decimals, 0)}f}" if unit.mark != "AWG" else f"{number:.1f}".removesuffix(".0")
