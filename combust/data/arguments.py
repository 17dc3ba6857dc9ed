"""What callers hand in: keywords that are told by their right name, numbers that carry a unit."""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Callable, Iterable
from functools import wraps
from typing import Any, TypeVar, cast

from combust.data.near import near_matches

TWO_WAYS = "can be read in two ways: as a decimal or as thousands"
_THOUSANDS = re.compile(r"^\s*(?:[<>≥≤]=?)?\s*\+?([1-9]\d{0,2}(?:(?:\.\d{3})+|(?:,\d{3})+))\s*(?:[pP][pP][mM])?\s*$")
PPM_THOUSANDS = re.compile(r"^\s*(?:[<>≥≤]=?)?\s*\+?([1-9])[.,]([0-9]{3})\s*(?:[pP][pP][mM])?\s*$")
C = TypeVar("C", bound=Callable[..., Any])

# Our units as the unit libraries spell them. Revolutions are left out: there they count as 2 pi.
_SPELLED = {"": "dimensionless", "vol %": "percent", "%": "percent", "°C": "degC", "mol/mol": "dimensionless"}
_SPELLED |= {unit: unit for unit in ("ppm", "m", "hPa", "Pa", "V", "A", "W", "h", "s", "min", "ml", "kW")}


def names_keywords(called: C) -> C:
    """Return a function or class as it is, but for a wrong keyword: its TypeError names the right one.

    Examples
    --------
    >>> names_keywords(sorted)([2, 1], revers=True)
    Traceback (most recent call last):
    TypeError: sorted() takes no 'revers'; did you mean reverse?
    """
    if isinstance(called, type):
        maker = "__new__" if "__new__" in vars(called) else "__init__"
        setattr(called, maker, names_keywords(getattr(called, maker)))
        return called
    known = [key for key, one in inspect.signature(called).parameters.items() if one.kind is not one.POSITIONAL_ONLY]
    name = called.__qualname__.removesuffix(".__init__").removesuffix(".__new__")
    known = [key for key in known if key not in ("self", "_cls")]

    @wraps(called)
    def call(*args: Any, **given: Any) -> Any:
        for key in given.keys() - known:
            near = nearest_keys(key, known)
            remedy = f"did you mean {' or '.join(near)}?" if near else f"it takes {', '.join(known)}"
            raise TypeError(f"{name}() takes no '{key}'; {remedy}")
        return called(*args, **given)

    return cast(C, call)


def nearest_keys(word: str, known: Iterable[str]) -> list[str]:
    """Return up to three keys that were probably meant: those that only lack their unit, else near matches.

    Examples
    --------
    >>> nearest_keys("o2_dry", ["o2_dry_pct", "o2_wet_pct"])
    ['o2_dry_pct']
    """
    keys, start = list(known), word.strip().lower().replace(" ", "_")
    longer = [key for key in keys if start and key.startswith(start + "_")]
    return longer[:3] or near_matches(start, keys, n=3, cutoff=0.5)


def carries_unit(value: object) -> bool:
    """Return True for a number of a unit library: it must never be read as a bare number."""
    return hasattr(value, "to") and (hasattr(value, "magnitude") or hasattr(value, "unit"))


def two_ways(value: object, unit: str) -> str:
    """Return how to write a text like 1.450 in ppm, which are told in whole numbers: it can be thousands; else ""."""
    found = PPM_THOUSANDS.match(value) if unit == "ppm" and isinstance(value, str) else None
    return f"Write {found[1]}{found[2]}, or {int(found[1] + found[2]) / 1000:g}." if found else ""


def as_thousands(text: str) -> float:
    """Return what a text like 12.450 or > 1,450 is when its marks are those of thousands; NaN of any other."""
    found = _THOUSANDS.match(text)
    return float(re.sub(r"\D", "", found[1])) if found else math.nan


def why_no_number(value: object) -> str:
    """Return in words what a value is that is no plain number."""
    if carries_unit(value):
        return "carries a unit that is not the one asked for"
    if isinstance(value, bool) or getattr(getattr(value, "dtype", None), "kind", "") == "b":
        return "is true or false, not a number"
    several = hasattr(value, "__len__") and not isinstance(value, str | bytes)
    return "holds several values where one number is taken" if several else "is not a number"


def magnitude_in(value: Any, unit: str) -> Any:
    """Return the bare number, or array, of what carries a unit; None where it cannot be told in ours."""
    try:
        return value.to(_SPELLED[unit]).magnitude
    except (KeyError, TypeError, ValueError, AttributeError):
        return None
