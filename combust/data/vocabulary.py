"""One record for each quantity: the words of CSV, JSON, options, arguments, docstrings and errors."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, SupportsFloat

from combust.data.arguments import carries_unit, why_no_number
from combust.data.errors import Fault
from combust.data.near import near_matches
from combust.data.tables import load_table


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity of the vocabulary: key, meaning, unit, impossible band, validated band and remedy."""

    key: str
    meaning: str
    role: str
    kind: str = "number"
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    validated_low: float = -math.inf
    validated_high: float = math.inf
    hint: str = ""
    choices: tuple[str, ...] = ()
    wet_twin: str | None = None
    decimals: int = 4

    def for_stops(self, number: float) -> float:
        """Return a refused number as the stop conditions count it: too much CO counts as the most there can be."""
        return self.high if number > self.high and self.key in _TOO_MUCH_STOPS else math.nan

    @property
    def option(self) -> str:
        """Command-line spelling: the key with dashes and without its unit."""
        return "--" + strip_unit(self.key).replace("_", "-")

    @property
    def metavar(self) -> str:
        """What the help shows for the value: the unit."""
        return _METAVARS.get(self.unit, self.unit.upper() or "NUMBER")

    def fault_of(self, value: object) -> Fault | None:
        """Return the fault of one value, or None when it is acceptable.

        Missing (None, NaN, empty text) is acceptable here: whether a quantity is required is another question.
        """
        if is_missing(value):
            return None
        if self.kind == "choice":
            if isinstance(value, str) and value in self.choices:
                return None
            near = near_matches(str(value).lower(), self.choices, n=1)
            hint = f"Did you mean {near[0]}? {self.hint}" if near else self.hint
            why = f"is none of {', '.join(self.choices)}"
            return Fault(self.key, value, "unknown_name", why=why, hint=hint)
        if self.kind == "text":
            told = Fault(self.key, value, "format", why="is not text", hint="Write it as text, in quotes where needed.")
            return None if isinstance(value, str) else told
        return self._number_fault(value)

    def _number_fault(self, value: object) -> Fault | None:
        number = as_number(value)
        if number is None:
            return self.not_a_number(value)
        if math.isinf(number) or not self.low <= number <= self.high:
            return Fault(
                self.key,
                number,
                "out_of_band",
                unit=self.unit,
                low=self.low,
                high=self.high,
                why=self.why_outside(number),
                hint=self.hint,
            )
        return None

    def not_a_number(self, value: object, *, entered_as: str = "") -> Fault:
        """Return the fault of a value that is no number; ``entered_as`` is its key in another unit."""
        band = f"{self.low:g} to {self.high:g}" if math.isfinite(self.low) and math.isfinite(self.high) else ""
        if entered_as:
            allowed = f" ({band} {self.unit})" if band else ""
            hint = f"Give a plain number; it becomes {self.key}{allowed}"
        else:
            hint = f"Give a plain number{' in ' + self.unit if self.unit else ''}{', ' + band if band else ''}"
        comma = isinstance(value, str) and "," in value
        hint += ", with a decimal point and no thousands mark." if comma else "."
        return Fault(entered_as or self.key, value, "not_a_number", why=why_no_number(value), hint=hint)

    def why_outside(self, number: float) -> str:
        """Return in words why a number outside the band cannot be."""
        if number < self.low:
            return "is below zero, which cannot be" if self.low == 0.0 else "is below what can be"
        if self.key in ("o2_dry_pct", "o2_wet_pct", "intake_o2_pct"):
            return "is above fresh air (20.9 %)"
        return "is above what can be"


# A CO beyond its band is refused as a reading, but it must not pass as harmless.
_TOO_MUCH_STOPS = ("co_dry_ppm", "co_wet_ppm", "cab_co_in_ppm")

_METAVARS = {
    "vol %": "PCT",
    "%": "PCT",
    "°C": "C",
    "1/min": "RPM",
    "K/min": "K/MIN",
    "ppm": "PPM",
    "hPa": "HPA",
    "Pa": "PA",
    "mg/kWh": "MG/KWH",
    "mg/m³": "MG/M3",
}

_UNIT_SUFFIXES = ("_k_per_min", "_pct", "_ppm", "_rpm", "_hpa", "_pa", "_hz", "_ml", "_kw", "_c", "_m", "_v")

# Other units enter only at the edge, by suffix: suffix -> (suffix of the vocabulary, conversion). Exact definitions:
# 1 ft = 0.3048 m, 1 inHg = 33.86389 hPa, 1 inH2O = 249.08891 Pa and 1 mmH2O = 9.80665 Pa (conventional water).
FOREIGN_UNITS: dict[str, tuple[str, Callable[[Any], Any]]] = {
    "_f": ("_c", lambda value: (value - 32.0) / 1.8),
    "_ft": ("_m", lambda value: value * 0.3048),
    "_inhg": ("_hpa", lambda value: value * 33.86389),
    "_mbar": ("_pa", lambda value: value * 100.0),
    "_inh2o": ("_pa", lambda value: value * 249.08891),
    "_mmh2o": ("_pa", lambda value: value * 9.80665),
    "_gal_us_per_h": ("_l_per_h", lambda value: value * 3.785411784),
}


def strip_unit(key: str) -> str:
    """Return a key without its unit suffix (``o2_dry_pct`` -> ``o2_dry``)."""
    for suffix in _UNIT_SUFFIXES:
        if key.endswith(suffix):
            return key[: -len(suffix)]
    return key


def foreign_twin(key: str) -> tuple[str, Callable[[Any], Any]] | None:
    """Return (vocabulary key, conversion) for a key in another unit, or None.

    ``altitude_ft`` gives ``altitude_m`` and the factor 0.3048. ``co_dry_pct`` gives ``co_dry_ppm``.
    ``pressure_mbar`` is the station pressure and gives ``pressure_hpa``.
    """
    known = quantities()
    if key in known:
        return None
    if key in ("co_dry_pct", "co_wet_pct"):
        return key.replace("_pct", "_ppm"), lambda value: value * 10_000.0
    if key == "pressure_mbar":
        return "pressure_hpa", lambda value: value
    for suffix, (ours, convert) in FOREIGN_UNITS.items():
        if key.endswith(suffix) and key[: -len(suffix)] + ours in known:
            return key[: -len(suffix)] + ours, convert
    return None


def foreign_keys() -> list[str]:
    """Return every key that :func:`foreign_twin` knows for an input."""
    units = [(ours, suffix) for suffix, (ours, _) in FOREIGN_UNITS.items()] + [("_ppm", "_pct"), ("_hpa", "_mbar")]
    named = [key[: -len(ours)] + suffix for key in input_keys() for ours, suffix in units if key.endswith(ours)]
    return [key for key in named if foreign_twin(key)]


def as_number(value: object) -> float | None:
    """Return a value as a float, or None when it is not one plain number: booleans, arrays and units are none."""
    if isinstance(value, bool) or not isinstance(value, str | SupportsFloat) or carries_unit(value):
        return None
    if getattr(value, "ndim", 0) or getattr(getattr(value, "dtype", None), "kind", "") == "b":
        return None
    if isinstance(value, str):
        text = value.strip()
        if not text or "_" in text or text.lower().strip("+-") in ("inf", "infinity", "nan"):
            return None
        value = text
    try:
        return float(value)
    except (ValueError, OverflowError, TypeError):
        return None


def is_missing(value: object) -> bool:
    """Return True for None, NaN, the marks of numpy and pandas, and empty text: not measured, never 0."""
    if value is None or type(value).__name__ in ("NAType", "NaTType", "MaskedConstant"):
        return True
    if isinstance(value, str):
        return not value.strip()
    return (isinstance(value, float) or getattr(value, "ndim", 1) == 0) and bool(value != value)


@cache
def quantities() -> dict[str, Quantity]:
    """Return the whole vocabulary, key -> Quantity, in the order of the table."""
    found = {}
    for key, row in load_table("quantities").items():
        low, high = row.get("band", (-math.inf, math.inf))
        validated = row.get("validated", (low, high))
        found[key] = Quantity(
            key=key,
            meaning=row["meaning"],
            role=row["role"],
            kind=row.get("kind", "number"),
            unit=row.get("unit", ""),
            low=low,
            high=high,
            validated_low=validated[0],
            validated_high=validated[1],
            hint=row.get("hint", ""),
            choices=tuple(row.get("choices", ())),
            wet_twin=row.get("wet_twin"),
            decimals=row.get("decimals", 4),
        )
    return found


def quantity(key: str) -> Quantity:
    """Return one quantity of the vocabulary."""
    return quantities()[key]


@cache
def input_keys() -> tuple[str, ...]:
    """Return every key that may enter (all but the results)."""
    return tuple(key for key, found in quantities().items() if found.role != "result")
