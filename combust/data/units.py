"""Keys end in their unit: ours, and the others that enter only at the edge."""

from __future__ import annotations

from collections.abc import Callable, Container
from math import pi
from typing import Any

_UNIT_SUFFIXES = ("_k_per_min", "_pct", "_ppm", "_rpm", "_hpa", "_pa", "_hz", "_ml", "_kw", "_c", "_m", "_v")

# Other units enter only at the edge, by suffix: suffix -> (suffix of the vocabulary, conversion). Exact definitions:
# 1 ft = 0.3048 m, 1 inHg = 33.86389 hPa, 1 inH2O = 249.08891 Pa and 1 mmH2O = 9.80665 Pa (conventional water).
# American Wire Gauge, ASTM B258: 0.127 mm at number 36, a factor 92 in diameter over 39 numbers.
FOREIGN_UNITS: dict[str, tuple[str, Callable[[Any], Any]]] = {
    "_f": ("_c", lambda value: (value - 32.0) / 1.8),
    "_ft": ("_m", lambda value: value * 0.3048),
    "_inhg": ("_hpa", lambda value: value * 33.86389),
    "_mbar": ("_pa", lambda value: value * 100.0),
    "_inh2o": ("_pa", lambda value: value * 249.08891),
    "_mmh2o": ("_pa", lambda value: value * 9.80665),
    "_gal_us_per_h": ("_l_per_h", lambda value: value * 3.785411784),
    "_gal_uk_per_h": ("_l_per_h", lambda value: value * 4.54609),
    "_awg": ("_mm2", lambda value: pi / 4.0 * (0.127 * 92.0 ** ((36.0 - value) / 39.0)) ** 2),
}


def in_our_unit(key: str, known: Container[str]) -> tuple[str, Callable[[Any], Any] | None]:
    """Return (key of ours, conversion) of a key in another unit; any other key comes back with None.

    ``altitude_ft`` gives ``altitude_m`` and the factor 0.3048. ``co_dry_pct`` gives ``co_dry_ppm``.
    ``pressure_mbar`` is the station pressure and gives ``pressure_hpa``.
    """
    if key in known:
        return key, None
    if key in ("co_dry_pct", "co_wet_pct") and (ours := key.replace("_pct", "_ppm")) in known:
        return ours, lambda value: value * 10_000.0
    if key == "pressure_mbar" and "pressure_hpa" in known:
        return "pressure_hpa", lambda value: value
    for suffix, (ours, convert) in FOREIGN_UNITS.items():
        if key.endswith(suffix) and key[: -len(suffix)] + ours in known:
            return key[: -len(suffix)] + ours, convert
    return key, None


def in_other_units(key: str, known: Container[str]) -> list[str]:
    """Return every key in another unit that :func:`in_our_unit` brings to a key of ours."""
    units = [(ours, suffix) for suffix, (ours, _) in FOREIGN_UNITS.items()] + [("_ppm", "_pct"), ("_hpa", "_mbar")]
    named = [key[: -len(ours)] + suffix for ours, suffix in units if key.endswith(ours)]
    return [twin for twin in named if in_our_unit(twin, known)[1]]


def strip_unit(key: str) -> str:
    """Return a key without its unit suffix (``o2_dry_pct`` -> ``o2_dry``)."""
    for suffix in _UNIT_SUFFIXES:
        if key.endswith(suffix):
            return key[: -len(suffix)]
    return key
