"""One kind of record for whatever is entered: a quantity, a key of a profile, a column, a number of a policy."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, SupportsFloat

from combust.data.arguments import TWO_WAYS, as_thousands, carries_unit, magnitude_in, two_ways, why_no_number
from combust.data.errors import Code, CombustError, Fault, shorten
from combust.data.near import did_you_mean, known_word, near_matches
from combust.data.tables import toml_value
from combust.data.units import PPM_A_PERCENT, in_our_unit, key_of_unit, strip_unit

MOST_ITEMS, MOST_TEXTS = 10, 100
MOST_TABLES = 200
_PERCENT = re.compile(r"^\s*[>≥]?=?\s*([+]?[\d.,]+)\s*(?:vol\.?)?\s*-?%\s*$", re.IGNORECASE)
PLACEHOLDER = "?"  # stands in a template where a person writes


@dataclass(frozen=True, slots=True)
class Field:
    """What can be entered under one key, in which unit, within which band, and what to do about a value that is not.

    Attributes
    ----------
    key, meaning, unit : str
    kind : str
        number, choice, text, texts, flag_or_unknown, choices (a list of words), numbers (one or more), band, table,
        tables (a list of them), raw (checked by whoever asks for it). ``fuel`` and ``name`` are texts that mean
        something to the domain.
    low, high, validated_low, validated_high : float
        Impossible outside; range in which the computation was checked.
    usual, usual_origin, doubt
        A size (without sign, 0 apart) outside this band is probably one in another unit; whence; what is said of it.
    hint, above : str
        What to do about a value that is refused; why a number above the band cannot be.
    choices : tuple of str
    required, unique : bool
    longest : int, optional
        Most characters of a text.
    one_line : bool
        Whether a text is one line of what can be printed.
    role, wet_twin, decimals, stops_above
        Of the vocabulary: what it is for, the same gas wet, digits in a table, whether too much of it is a stop.
    source, example, default, origin
        Where a person finds the value; an invented one; what stands for it where it is not given, and whence.
    test : str
        How it is told whether a record holds it.
    """

    key: str
    kind: str = "number"
    meaning: str = ""
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    validated_low: float = -math.inf
    validated_high: float = math.inf
    usual: tuple[float, float] = (0.0, math.inf)
    usual_origin: str = ""
    doubt: str = ""
    hint: str = ""
    above: str = "is above what can be"
    choices: tuple[str, ...] = ()
    required: bool = False
    unique: bool = False
    longest: int | None = None
    one_line: bool = False
    role: str = ""
    wet_twin: str | None = None
    decimals: int = 4
    stops_above: bool = False
    source: str = ""
    example: Any = None
    default: Any = None
    origin: str = ""
    test: str = ""

    @property
    def option(self) -> str:
        """Command-line spelling: the key with dashes and without its unit."""
        return "--" + strip_unit(self.key).replace("_", "-")

    @property
    def metavar(self) -> str:
        """What the help shows for the value: the unit."""
        return _METAVARS.get(self.unit, self.unit.upper() or "NUMBER")

    @property
    def band(self) -> str:
        """The allowed range, or the words, in words: ``0 to 21.5``; "" where anything goes."""
        if self.kind == "flag_or_unknown":
            return 'true | false | "unknown"'
        return " | ".join(self.choices) or span(self.low, self.high)

    @property
    def remedy(self) -> str:
        """What to do about a value that is missing or of another kind."""
        if self.example is not None:
            return f"Write it like {self.key} = {toml_value(self.example)}: {self.meaning}."
        return self.hint or (f"Use one of {', '.join(self.choices)}." if self.choices else f"Give {self.meaning}.")

    def for_stops(self, number: float, *, at_least: bool = False, text: str = "") -> float:
        """Return a refused number as the stop conditions count it: too much CO counts as the most there can be.

        ``at_least`` says that the number is a lower bound (``>2000``, over the range): it counts as just above it, and
        so does what a ``text`` says in vol %. A text that can be read in two ways counts as the higher one.
        """
        in_ppm, most = self.from_percent(text), as_thousands(text)
        number = next((one for one in (in_ppm, most) if not math.isnan(one)), number)
        at_least = at_least or not math.isnan(in_ppm) or text.lstrip()[:1] in (">", "≥")
        counts = self.stops_above and (at_least or number > self.high or number == most)
        return min(math.nextafter(number, math.inf) if at_least else number, self.high) if counts else math.nan

    def doubts(self, value: Any) -> Any:
        """Return where a number, or each of an array, is probably in another unit; not 0, not NaN."""
        size = abs(value)
        return (size > 0.0) & ((size < self.usual[0]) | (size > self.usual[1]))

    def fault_of(self, value: object) -> Fault | None:
        """Return the fault of one value, or None when it is acceptable.

        Missing (None, NaN, empty text) is acceptable here: whether a quantity is required is another question.
        """
        return None if is_missing(value) else next(iter(self.faults_of(value)), None)

    def faults_of(self, value: object) -> tuple[Fault, ...]:
        """Return the faults of a value that must be there: none when it is acceptable."""
        try:
            self.checked(value)
        except CombustError as error:
            return error.faults
        return ()

    def checked(self, value: object) -> Any:
        """Return the value in its own type.

        Raises
        ------
        CombustError
            The value is of another kind, outside its band, or none of the words.
        """
        if isinstance(value, str) and value == PLACEHOLDER and self.source:
            hint = self.remedy + ("" if self.required else " Or put # before the line.")
            raise self._refused(value, "is still the placeholder of the template", hint, "placeholder")
        if self.kind == "number":
            return self._number(value)
        if self.kind == "choice":
            return self._choice(value)
        if self.kind == "flag_or_unknown":
            return self._flag(value)
        if self.kind == "choices":
            return tuple(self._choice(one) for one in self._items(value, f"list of up to {MOST_ITEMS} words"))
        if self.kind == "texts":
            return [self._text(one) for one in self._items(value, "list of lines of text", 1, MOST_TEXTS)]
        if self.kind in ("numbers", "band"):
            return self._numbers(value)
        if self.kind in ("table", "tables"):
            return self._tables(value)
        return value if self.kind == "raw" else self._text(value)

    def not_a_number(self, value: object, *, entered_as: str = "") -> Fault:
        """Return the fault of a value that is no number; ``entered_as`` is its key in another unit."""
        if hint := two_ways(value, self.unit):
            return Fault(entered_as or self.key, value, "not_a_number", why=TWO_WAYS, hint=hint)
        hint = f"Give a plain number{self.unit and f' in {self.unit}'}{self.band and f', {self.band}'}"
        if entered_as:
            hint = f"Give a plain number; it becomes {self.key}{self.band and f' ({self.band} {self.unit})'}"
        elif self.example is not None:
            hint += f", like {self.key} = {toml_value(self.example)}"
        if not math.isnan(in_ppm := self.from_percent(value)):
            hint = f"That is {in_ppm:g} ppm: give it so."
            return Fault(entered_as or self.key, value, "not_a_number", why="is in vol %, not in ppm", hint=hint)
        comma = isinstance(value, str) and "," in value
        hint += ", with a decimal point and no thousands mark." if comma else f"{key_of_unit(self.key, value)}."
        return Fault(entered_as or self.key, value, "not_a_number", why=why_no_number(value), hint=hint)

    def from_percent(self, text: object) -> float:
        """Return what a text in vol % is in the ppm of this field; NaN for any other, and for an upper bound."""
        found = _PERCENT.match(text) if self.unit == "ppm" and isinstance(text, str) else None
        number = as_number(found[1].replace(",", ".")) if found else None
        return math.nan if number is None else number * PPM_A_PERCENT

    def _number(self, value: object) -> float:
        number = as_number(value)
        if number is None or math.isnan(number) or two_ways(value, self.unit):
            raise CombustError(self.not_a_number(value))
        if math.isinf(number) or not self.low <= number <= self.high:
            below = "is below zero, which cannot be" if self.low == 0.0 else "is below what can be"
            raise self._outside(number, below if number < self.low else self.above)
        return number

    def _outside(self, value: object, why: str) -> CombustError:
        unit = f" ({self.unit})" if self.unit else ""
        find = f"Check the unit and {self.source}." if self.source else f"Check the number and its unit{unit}."
        hint = self.hint or (find if self.source or not self.meaning else f"It is the {self.meaning}.")
        outside = Fault(
            self.key, value, "out_of_band", unit=self.unit, low=self.low, high=self.high, why=why, hint=hint
        )
        return CombustError(outside)

    def _refused(self, value: object, why: str, hint: str = "", code: Code = "format") -> CombustError:
        return CombustError(Fault(self.key, value, code, why=why, hint=hint or self.remedy))

    def _text(self, value: object) -> str:
        if not isinstance(value, str):
            raise self._refused(value, "is not text", "Write it as text, in quotes where needed.")
        if self.longest is None:
            return str(value)
        if self.one_line and not (value.isprintable() and value.strip()):
            raise self._refused(value, "is no line of plain text")
        if len(value.strip()) > self.longest:
            raise self._refused(value, f"is longer than {self.longest} characters", "Shorten it.", "too_large")
        return value.strip()

    def _tables(self, value: object) -> Any:
        if self.kind == "table" and not isinstance(value, Mapping):
            raise self._refused(value, "holds no lines of its own")
        if self.kind == "tables" and not all(
            isinstance(row, Mapping) for row in self._items(value, "list of tables", 0, MOST_TABLES)
        ):
            raise self._refused(value, "holds what is no table")
        return value

    def _flag(self, value: object) -> bool | None:
        if isinstance(value, bool):
            return value
        if value == "unknown":
            return None
        raise self._refused(value, 'is none of true, false, "unknown"', f'Write {self.key} = true, false or "unknown".')

    def _choice(self, value: object) -> str:
        if isinstance(value, str) and (word := known_word(value, self.choices)):
            return word
        near = near_matches(str(value).lower(), self.choices, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]}? {self.hint}".strip() if near else self.hint or "Use one of these."
        raise self._refused(value, f"is none of {', '.join(self.choices)}", hint, "unknown_name")

    def _items(self, value: object, wanted: str, fewest: int = 0, most: int = MOST_ITEMS) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple) or not fewest <= len(value) <= most:
            raise self._refused(value, f"is no {wanted}")
        return tuple(value)

    def _numbers(self, value: object) -> tuple[float, ...]:
        many = value if isinstance(value, list | tuple) else [value]
        if self.kind == "numbers":
            return tuple(self._number(one) for one in self._items(many, f"list of one to {MOST_ITEMS} numbers", 1))
        numbers = tuple(self._number(one) for one in self._items(many, "pair of low and high", 2, 2))
        if numbers[0] >= numbers[1]:
            raise self._outside(list(numbers), "has its low end not below its high end")
        return numbers


def span(low: float, high: float) -> str:
    """Return a range in words; an open end is left out."""
    if math.isfinite(low) and math.isfinite(high):
        return f"{low:g} to {high:g}"
    return f"from {low:g}" if math.isfinite(low) else f"up to {high:g}" if math.isfinite(high) else ""


def fields_of(rows: Mapping[str, Mapping[str, Any]], **common: Any) -> dict[str, Field]:
    """Return the fields of a table, key -> Field; ``common`` is what all have. ``band`` and ``validated`` are pairs."""
    found = {}
    for key, row in rows.items():
        given = {name: tuple(value) if name in ("choices", "usual") else value for name, value in row.items()}
        low, high = given.pop("band", (-math.inf, math.inf))
        validated_low, validated_high = given.pop("validated", (low, high))
        given |= {"low": low, "high": high, "validated_low": validated_low, "validated_high": validated_high}
        found[key] = Field(key, **{**common, **given})
    return found


def check_fields(
    given: Mapping[str, Any],
    known: Mapping[str, Field],
    *,
    what: str = "this",
    gaps: bool = True,
    unknown: Callable[[str, object], Fault] | None = None,
) -> tuple[dict[str, Any], list[tuple[str, Fault]]]:
    """Return what is acceptable by its key in our unit, and (key as entered, fault) of the rest; nothing is raised.

    Parameters
    ----------
    given : mapping
        A key may be in another unit (``altitude_ft``); None counts as not given.
    known : mapping
        key -> Field.
    what : str
        What they are the fields of, for the sentence on a key that is not known.
    gaps : bool
        Whether NaN and empty text count as not given too, as in a table.
    unknown : callable, optional
        (key, value) -> Fault of a key that is not known, where more can be said.
    """
    good: dict[str, Any] = {}
    faults: list[tuple[str, Fault]] = []
    came_from: dict[str, str] = {}
    for key, value in given.items():
        if value is None or (gaps and is_missing(value)):
            continue
        name, convert = in_our_unit(key, known)
        convert = None if isinstance(value, str) and value == PLACEHOLDER else convert
        if name not in known:
            faults.append((key, unknown(key, value) if unknown else unknown_field(key, value, known, what)))
            continue
        if name in came_from:
            why = f"gives {name} a second time ({shorten(came_from[name], 40)})"
            faults.append((key, Fault(key, value, "conflict", why=why, hint="Keep one of them.")))
            continue
        came_from[name] = key
        ours = magnitude_in(value, known[name].unit) if carries_unit(value) and not convert else value
        if convert or ours is None:
            number = as_number(ours)
            if convert is None or number is None:
                faults.append((key, known[name].not_a_number(value, entered_as=key if convert else "")))
                continue
            ours = convert(number)
        try:
            good[name] = known[name].checked(ours)
        except CombustError as error:
            faults += [(key, fault.entered_as(key, value) if convert else fault) for fault in error.faults]
    for key, field in known.items():
        if field.required and key not in came_from:
            gap = Fault(key, None, "missing", unit=field.unit, why="is missing", hint=field.remedy)
            faults.append((key, gap))
    return good, faults


def need_fields(given: Mapping[str, Any], known: Mapping[str, Field], *, what: str = "this") -> dict[str, Any]:
    """Return what was given by its key in our unit.

    Raises
    ------
    CombustError
        Every fault that :func:`check_fields` tells, at once.
    """
    good, faults = check_fields(given, known, what=what)
    if faults:
        raise CombustError([fault for _, fault in faults])
    return good


def need_rows(rows: object, name: str, known: Mapping[str, Field]) -> list[dict[str, Any]]:
    """Return the rows of a user's list of tables ``[[name]]``, each with its fields.

    Raises
    ------
    CombustError
        No list with a row in it, or rows with faults: all of them at once.
    """
    if not isinstance(rows, list) or not rows:
        hint = f"Write [[{name}]] with {', '.join(known)} for each."
        raise CombustError(Fault(name, None, "missing", why="is missing", hint=hint))
    what = f"a [[{name}]]"
    done = [check_fields(row if isinstance(row, dict) else {}, known, what=what) for row in rows]
    faults = [one.within(f"{name}[{number}].") for number, (_, refused) in enumerate(done, 1) for _, one in refused]
    if faults:
        raise CombustError(faults)
    return [good for good, _ in done]


def unknown_field(key: str, value: object, known: Mapping[str, Field], what: str) -> Fault:
    """Return the fault of a key that is not known, with near matches or all that is."""
    hint = did_you_mean(near_matches(key.lower(), known, n=2, cutoff=0.5), f"Use {', '.join(known)}.")
    return Fault(key, value, "unknown_name", why=f"is nothing that {what} holds", hint=hint)


_METAVARS = {"vol %": "PCT", "%": "PCT", "°C": "C", "1/min": "RPM", "mg/m³": "MG/M3", "mm²": "MM2"}


def as_number(value: object) -> float | None:
    """Return a value as a float, or None when it is not one plain number: booleans, arrays and units are none."""
    if isinstance(value, bool) or not isinstance(value, str | SupportsFloat) or carries_unit(value):
        return None
    if getattr(value, "ndim", 0) or getattr(getattr(value, "dtype", None), "kind", "") == "b":
        return None
    if isinstance(value, str):
        text = value.strip().replace("\u2212", "-")  # the minus sign of typesetters and of some spreadsheets
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
