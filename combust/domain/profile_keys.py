"""The keys of a heater profile as records, and the check of one value and of one part of the file."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, check_fields, fields_of
from combust.data.near import did_you_mean, near_matches
from combust.data.tables import load_table
from combust.data.units import strip_unit
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.profile_lines import FileFaults, Path

PARTS = ("profile", "stages", "baseline", "limits", "start", "control", "ducts")
HEADERS = {
    "stages": "[stages.NAME]",
    "baseline": "[[baseline]]",
    "limits": "[limits]",
    "start": "[start]",
    "control": "[control]",
    "ducts": "[ducts.intake] or [ducts.exhaust]",
}
LONGEST_TEXT = 200


@cache
def profile_keys(part: str) -> Mapping[str, Field]:
    """Return the keys of one part, in the order of the table.

    Parameters
    ----------
    part : str
        ``profile``, ``stages``, ``baseline``, ``limits``, ``start``, ``control`` or ``ducts``.

    Returns
    -------
    mapping of str to Field
        By key.
    """
    return fields_of(load_table("profile_keys")[part], longest=LONGEST_TEXT, one_line=True)


def check_part(
    part: str, table: Mapping[str, Any], path: Path, faults: FileFaults, catalogue: Catalogue | None = None
) -> dict[str, object]:
    """Return the good values of one part of a profile; every fault is added to ``faults`` with its line.

    Parameters
    ----------
    part : str
        As for :func:`profile_keys`.
    table : mapping
        What the file holds there.
    path : tuple of str or int
        Where it stands in the file.
    faults : FileFaults
        Takes what is wrong.
    catalogue : mapping, optional
        Fuels beside the shipped ones.

    Returns
    -------
    dict
        Key -> value, units in the keys.
    """
    known = profile_keys(part)
    found, refused = check_fields(table, known, unknown=lambda key, value: unknown_profile_key(key, part, value))
    for key in [key for key, record in known.items() if record.kind == "fuel" and key in found]:
        try:
            get_fuel(found[key], catalogue=catalogue)
        except CombustError as error:
            refused += [(key, fault) for fault in error.faults]
            del found[key]
    for key, fault in refused:
        faults.take((*path, key), [fault])
    return found


def unknown_profile_key(key: str, part: str, value: object) -> Fault:
    """Return the fault of a key that the part does not know: another place, another unit, or near matches.

    Parameters
    ----------
    key : str
        The key that was entered.
    part : str
        As for :func:`profile_keys`.
    value : object
        What was entered for it.

    Returns
    -------
    Fault
        What is wrong, and what to do.
    """
    for other in PARTS:
        if other != part and key in profile_keys(other):
            where = f"under {HEADERS[other]}" if other in HEADERS else "at the top, before the first [table]"
            return Fault(key, value, "unknown_name", why="stands in the wrong place", hint=f"It belongs {where}.")
    known = profile_keys(part)
    same = [ours for ours in known if stem(ours) == stem(key)]
    if same:
        unit = known[same[0]].unit
        return Fault(key, value, "unknown_name", why="is in no unit that is known", hint=f"Give {same[0]} in {unit}.")
    names = [*known, *(PARTS[1:] if part == "profile" else ())]
    hint = did_you_mean(near_matches(key.lower(), names, n=2, cutoff=0.5), f"Known here: {', '.join(names)}.")
    return Fault(key, value, "unknown_name", why="is no key of a heater profile", hint=hint)


_UNIT_SUFFIXES = tuple(
    "_" + unit
    for unit in (
        *("l_per_h", "ml_per_h", "kg_per_h", "gal_us_per_h", "btu_per_h", "per_min", "rpm", "hz", "ul", "ml"),
        *("km", "mm", "cm", "in", "ft", "min", "ms", "s", "h", "kw", "w", "ma", "a", "mv"),
    )
)


def stem(key: str) -> str:
    """Return a key without its unit, whatever the unit (``bore_cm`` and ``bore_mm`` give ``bore``).

    Parameters
    ----------
    key : str
        A key of a profile.

    Returns
    -------
    str
        The key without its ending.
    """
    ending = next((suffix for suffix in _UNIT_SUFFIXES if key.endswith(suffix)), "")
    return key[: -len(ending)] if ending else strip_unit(key)
