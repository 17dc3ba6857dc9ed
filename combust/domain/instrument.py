"""The analyser: accuracy class, resolution and what they mean as standard uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number, check_fields
from combust.data.near import did_you_mean, near_matches
from combust.data.tables import load_table, read_toml
from combust.data.told import Told
from combust.kernel.elementwise import elementwise
from combust.kernel.types import X


@dataclass(frozen=True, slots=True)
class InstrumentClass(Told):
    """Accuracy class of an analyser; limits are read as 95 % Gaussian limits.

    Attributes
    ----------
    o2_limit_pct, co2_limit_pct, hc_limit_ppm, temp_limit_c, temp_limit_share : float
        Absolute limits, and the share of the reading for temperatures.
    co_ranges_ppm : tuple of (up to, absolute limit, share of reading)
        The larger of absolute limit and share counts.
    o2_resolution_pct, co2_resolution_pct, co_resolution_ppm : float
        Step of the display.
    """

    name: str
    label: str
    o2_limit_pct: float
    co2_limit_pct: float
    co_ranges_ppm: tuple[tuple[float, float, float], ...]
    hc_limit_ppm: float
    temp_limit_c: float
    temp_limit_share: float
    o2_resolution_pct: float
    co2_resolution_pct: float
    co_resolution_ppm: float
    source: str

    @elementwise
    def co_limit_ppm(self, co_ppm: X | float) -> X:
        """Return the class limit of a CO reading [ppm].

        Parameters
        ----------
        co_ppm : float or array
            CO as read [ppm], any.

        Returns
        -------
        float or array
            Limit [ppm], in the shape given; NaN where the class has no range.

        References
        ----------
        combust/data/instruments.toml, source beside each class.

        Examples
        --------
        >>> float(instrument_class().co_limit_ppm(0.0)) > 0.0
        True
        """
        co = np.asarray(co_ppm, dtype=float)
        limit: Any = np.full(co.shape, np.nan)
        for up_to, absolute, share in reversed(self.co_ranges_ppm):
            limit = np.where(co <= up_to, np.maximum(absolute, share * co), limit)
        found: X = limit[()]
        return found


@cache
def instrument_classes() -> dict[str, InstrumentClass]:
    """Return the shipped classes.

    Returns
    -------
    dict of str to InstrumentClass
        By name.
    """
    table = load_table("instruments")
    return {name: _class_of(name, row) for name, row in table["class"].items()}


def instrument_class(name: str | InstrumentClass | None = None) -> InstrumentClass:
    """Return an instrument class by name, or from a TOML file with the keys of the shipped ones.

    Parameters
    ----------
    name : str, InstrumentClass or None
        A name, the path of a file that ends in ``.toml``, a class (comes back as it is), or None for the default.

    Returns
    -------
    InstrumentClass
        The class, units in the names of its fields.

    Raises
    ------
    CombustError
        Unknown name, unreadable file, missing or impossible keys.
    """
    if isinstance(name, InstrumentClass):
        return name
    known = instrument_classes()
    if name is None:
        return known[load_table("instruments")["default"]]
    if name in known:
        return known[name]
    if name.endswith(".toml"):
        return _class_of(Path(name).stem, read_toml(name, quantity="instrument class"))
    hint = did_you_mean(near_matches(name, known, n=2, cutoff=0.4), f"Use {', '.join(known)} or a .toml file.")
    raise CombustError(Fault("instrument_class", name, "unknown_name", why="is no instrument class", hint=hint))


_COPY = "Copy the keys of combust/data/instruments.toml and write your instrument's numbers."
_WORDS = {"name": "text", "label": "text", "source": "text", "co_ranges_ppm": "raw"}
CLASS_FIELDS = {
    key: Field(key, _WORDS[key]) if key in _WORDS else Field(key, low=0.0, high=1e6, required=True, hint=_COPY)
    for key in InstrumentClass.__slots__
}


def _class_of(name: str, row: Mapping[str, Any]) -> InstrumentClass:
    known, refused = check_fields(row, CLASS_FIELDS, what="an instrument class", gaps=False)
    faults = [fault.within("instrument class.") for _, fault in refused]
    ranges = row.get("co_ranges_ppm")
    if not _are_ranges(ranges):
        why = "is no list of [up to ppm, absolute ppm, share] that rises and ends with inf"
        hint = "Write it like [[200.0, 10.0, 0.0], [inf, 0.0, 0.10]]."
        faults.append(Fault("instrument class.co_ranges_ppm", ranges, "format", why=why, hint=hint))
    if faults:
        raise CombustError(faults)
    rising = tuple((float(a), float(b), float(c)) for a, b, c in ranges or ())
    unnamed = {"label": name, "source": "user's file, no source given"}
    return InstrumentClass(**{**unnamed, **known, "name": name, "co_ranges_ppm": rising})


def _are_ranges(ranges: object) -> bool:
    """Return True for a list of [up to, absolute, share] that rises to infinity, limits and shares 0 or more."""
    if not isinstance(ranges, list) or not ranges:
        return False
    if not all(isinstance(part, list) and len(part) == 3 for part in ranges):
        return False
    numbers = [[as_number(value) for value in part] for part in ranges]
    if not all(limit is not None and 0.0 <= limit < 1e6 for _, *limits in numbers for limit in limits):
        return False
    ends = [end for end, *_ in numbers if end is not None and end > 0.0]
    return len(ends) == len(ranges) and ends == sorted(set(ends)) and np.isinf(ends[-1])
