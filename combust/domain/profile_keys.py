"""The keys of a heater profile as records, and the check of one value and of one part of the file."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from combust.data.errors import CombustError, Fault, shorten
from combust.data.near import near_matches
from combust.data.tables import load_table
from combust.data.vocabulary import FOREIGN_UNITS, as_number, is_missing, strip_unit
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.profile_lines import LineFault, Lines, Path

PLACEHOLDER = "?"
PARTS = ("profile", "stages", "baseline", "limits", "start", "ducts")
HEADERS = {
    "stages": "[stages.NAME]",
    "baseline": "[[baseline]]",
    "limits": "[limits]",
    "start": "[start]",
    "ducts": "[ducts.intake] or [ducts.exhaust]",
}
LONGEST_TEXT = 200
MOST_NUMBERS = 10


@dataclass(frozen=True, slots=True)
class ProfileKey:
    """One key of a profile: kind, meaning, unit, band, where the user finds it, an invented example."""

    key: str
    kind: str
    meaning: str
    source: str
    example: Any
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    required: bool = False

    @property
    def remedy(self) -> str:
        """What to do about a value that is refused."""
        return f"Write it like {self.key} = {toml_value(self.example)}: {self.meaning}."

    def checked(self, value: object, *, catalogue: Catalogue | None = None) -> Any:
        """Return the value in its own type; raises CombustError with its fault.

        Raises
        ------
        CombustError
            The value is of another kind or outside its band.
        """
        if value == PLACEHOLDER:
            why = "is still the placeholder of the template"
            hint = self.remedy + ("" if self.required else " Or put # before the line.")
            raise CombustError(Fault(self.key, value, "placeholder", why=why, hint=hint))
        if self.kind in ("text", "name"):
            return self._text(value)
        if self.kind == "fuel":
            get_fuel(self._text(value), catalogue=catalogue)
            return self._text(value)
        if self.kind == "number":
            return self._number(value)
        if self.kind == "flag_or_unknown":
            return self._flag(value)
        if self.kind == "choice":
            return self._choice(value)
        if self.kind == "choices":
            return self._choices(value)
        return self._numbers(value)

    def _text(self, value: object) -> str:
        if isinstance(value, str) and 0 < len(value.strip()) <= LONGEST_TEXT and value.isprintable():
            return value.strip()
        why = f"is longer than {LONGEST_TEXT} characters" if isinstance(value, str) and value.isprintable() else ""
        raise CombustError(Fault(self.key, value, "format", why=why or "is no line of plain text", hint=self.remedy))

    def _number(self, value: object) -> float:
        number = as_number(value)
        if number is None:
            raise CombustError(
                Fault(
                    self.key,
                    value,
                    "not_a_number",
                    low=self.low,
                    high=self.high,
                    why="is not a plain number" + (f" in {self.unit}" if self.unit else ""),
                    hint=self.remedy,
                )
            )
        if not self.low <= number <= self.high:
            why = "is below what can be" if number < self.low else "is above what can be"
            raise CombustError(self._outside(number, why))
        return number

    def _outside(self, value: object, why: str) -> Fault:
        return Fault(
            self.key,
            value,
            "out_of_band",
            unit=self.unit,
            low=self.low,
            high=self.high,
            why=why,
            hint=f"Check the unit and {self.source}.",
        )

    def _flag(self, value: object) -> bool | None:
        if isinstance(value, bool):
            return value
        if value == "unknown":
            return None
        hint = f'Write {self.key} = true, false or "unknown".'
        raise CombustError(Fault(self.key, value, "format", why='is none of true, false, "unknown"', hint=hint))

    def _choice(self, value: object) -> str:
        if isinstance(value, str) and value in self.choices:
            return value
        near = near_matches(str(value).lower(), self.choices, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]}?" if near else self.remedy
        why = f"is none of {', '.join(self.choices)}"
        raise CombustError(Fault(self.key, value, "unknown_name", why=why, hint=hint))

    def _choices(self, value: object) -> tuple[str, ...]:
        if not isinstance(value, list | tuple) or len(value) > MOST_NUMBERS:
            why = f"is no list of up to {MOST_NUMBERS} words"
            raise CombustError(Fault(self.key, value, "format", why=why, hint=self.remedy))
        return tuple(self._choice(one) for one in value)

    def _numbers(self, value: object) -> tuple[float, ...]:
        many = value if isinstance(value, list | tuple) else [value]
        right = len(many) == 2 if self.kind == "band" else 1 <= len(many) <= MOST_NUMBERS
        if not right:
            why = "is not a pair of low and high" if self.kind == "band" else f"is not one to {MOST_NUMBERS} numbers"
            raise CombustError(Fault(self.key, value, "format", unit=self.unit, why=why, hint=self.remedy))
        numbers = tuple(self._number(one) for one in many)
        if self.kind == "band" and numbers[0] >= numbers[1]:
            raise CombustError(self._outside(list(numbers), "has its low end not below its high end"))
        return numbers


@cache
def profile_keys(part: str) -> Mapping[str, ProfileKey]:
    """Return the keys of one part (profile, stages, baseline, limits, start, ducts), in the order of the table."""
    found = {}
    for key, row in load_table("profile_keys")[part].items():
        rest = {name: row[name] for name in ("kind", "meaning", "source", "example")}
        low, high = row.get("band", (-math.inf, math.inf))
        found[key] = ProfileKey(
            key=key,
            **rest,
            unit=row.get("unit", ""),
            low=low,
            high=high,
            choices=tuple(row.get("choices", ())),
            required=row.get("required", False),
        )
    return found


def toml_value(value: object) -> str:
    """Return a value as TOML text."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(one) for one in value)}]"
    return f"{value:g}" if isinstance(value, int | float) else json.dumps(str(value), ensure_ascii=False)


def check_part(
    part: str,
    table: Mapping[str, Any],
    path: Path,
    lines: Lines,
    faults: list[Fault],
    catalogue: Catalogue | None = None,
) -> dict[str, Any]:
    """Return the good values of one part of a profile; every fault is added to ``faults`` with its line."""
    known = profile_keys(part)
    found: dict[str, Any] = {}
    came_from: dict[str, str] = {}
    for key, value in table.items():
        line, name = lines.of(*path, key), full_name(path, key)
        if is_missing(value):
            continue
        try:
            ours, converted = _in_our_unit(key, value, known)
            if ours not in known:
                raise CombustError(unknown_profile_key(key, part, value))
            if ours in came_from:
                why = f"gives {ours} a second time ({shorten(came_from[ours], 40)})"
                raise CombustError(Fault(key, value, "conflict", why=why, hint="Keep one of them."))
            came_from[ours] = key
            found[ours] = known[ours].checked(converted, catalogue=catalogue)
        except CombustError as error:
            faults.extend(LineFault(line, fault, quantity=name) for fault in error.faults)
    for key, record in known.items():
        if record.required and key not in came_from:
            missing = Fault(key, None, "missing", unit=record.unit, why="is missing", hint=record.remedy)
            faults.append(LineFault(lines.of(*path), missing, quantity=full_name(path, key)))
    return found


def full_name(path: Path, key: str | None = None) -> str:
    """Return the dotted name of a key, entries of a list counted from 1: ``baseline[1].o2_dry_pct``."""
    text = ""
    for piece in (*path, *(() if key is None else (key,))):
        word = "" if isinstance(piece, int) else shorten(piece, 40).strip() or '""'
        text += f"[{piece + 1}]" if isinstance(piece, int) else f".{word}" if text else word
    return text


def _in_our_unit(key: str, value: object, known: Mapping[str, ProfileKey]) -> tuple[str, object]:
    """Return (key, value) with a key in another unit brought to ours (``altitude_ft`` to ``altitude_m``)."""
    if key in known or value == PLACEHOLDER:
        return next((ours for ours, _ in _foreign(key, known)), key), value
    for ours, convert in _foreign(key, known):
        number = as_number(value)
        if number is None:
            raise CombustError(Fault(key, value, "not_a_number", why="is not a number", hint=known[ours].remedy))
        return ours, convert(number)
    return key, value


def _foreign(key: str, known: Mapping[str, ProfileKey]) -> list[tuple[str, Any]]:
    pairs = (
        (key[: -len(suffix)] + ours, convert)
        for suffix, (ours, convert) in FOREIGN_UNITS.items()
        if key.endswith(suffix)
    )
    return [] if key in known else [(ours, convert) for ours, convert in pairs if ours in known]


def unknown_profile_key(key: str, part: str, value: object) -> Fault:
    """Return the fault of a key that the part does not know: another place, another unit, or near matches."""
    for other in PARTS:
        if other != part and key in profile_keys(other):
            where = (
                "at the top, before the first [table]" if other == "profile" else f"under {HEADERS.get(other, other)}"
            )
            return Fault(key, value, "unknown_name", why="stands in the wrong place", hint=f"It belongs {where}.")
    known = profile_keys(part)
    same = [ours for ours in known if stem(ours) == stem(key)]
    if same:
        unit = known[same[0]].unit
        return Fault(key, value, "unknown_name", why="is in no unit that is known", hint=f"Give {same[0]} in {unit}.")
    names = [*known, *(PARTS[1:] if part == "profile" else ())]
    near = near_matches(key.lower(), names, n=2, cutoff=0.5)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"Known here: {', '.join(names)}."
    return Fault(key, value, "unknown_name", why="is no key of a heater profile", hint=hint)


_UNIT_SUFFIXES = tuple(
    "_" + unit
    for unit in (
        *("l_per_h", "ml_per_h", "kg_per_h", "gal_us_per_h", "btu_per_h", "per_min", "rpm", "hz", "ul", "ml"),
        *("km", "mm", "cm", "in", "ft", "min", "ms", "s", "h", "kw", "w", "ma", "a", "mv"),
    )
)


def stem(key: str) -> str:
    """Return a key without its unit, whatever the unit (``bore_cm`` and ``bore_mm`` give ``bore``)."""
    ending = next((suffix for suffix in _UNIT_SUFFIXES if key.endswith(suffix)), "")
    return key[: -len(ending)] if ending else strip_unit(key)
