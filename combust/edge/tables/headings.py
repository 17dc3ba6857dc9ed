"""From the headings of a table to keys of the vocabulary, saying what is meant and never guessing in silence."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from combust.data.errors import CombustError, Fault
from combust.data.fields import strip_unit
from combust.data.near import LONGEST_WORD, near_matches
from combust.data.vocabulary import foreign_twin, input_keys, quantities

# Words people write over such columns (common practice, no source). They are proposed, not taken.
USUAL_WORDS = {
    "o2": "o2_dry_pct",
    "oxygen": "o2_dry_pct",
    "co2": "co2_dry_pct",
    "co": "co_dry_ppm",
    "coppm": "co_dry_ppm",
    "hc": "hc_dry_ppm",
    "no": "no_dry_ppm",
    "nox": "no_dry_ppm",
    "smoke": "smoke_number",
    "soot": "smoke_number",
    "tflue": "flue_temp_c",
    "fluetemp": "flue_temp_c",
    "exhausttemp": "flue_temp_c",
    "stacktemp": "flue_temp_c",
    "tair": "intake_temp_c",
    "airtemp": "intake_temp_c",
    "ambienttemp": "intake_temp_c",
    "altitude": "altitude_m",
    "elevation": "altitude_m",
    "height": "altitude_m",
    "pressure": "pressure_hpa",
    "humidity": "humidity_pct",
    "rh": "humidity_pct",
    "voltage": "supply_v",
    "volts": "supply_v",
    "rpm": "blower_rpm",
    "date": "taken_at",
    "time": "taken_at",
    "heater": "heater_id",
    "unit": "heater_id",
    "visit": "visit_id",
    "cabco": "cab_co_in_ppm",
}
_UNIT_WORDS = re.compile(r"\[.*?\]|\(.*?\)|%|°")


@dataclass(frozen=True, slots=True)
class Heading:
    """One column: its heading, the vocabulary key it holds (None = carried through), and its name before conversion."""

    name: str
    key: str | None
    foreign: str | None = None


def match_headings(header: Sequence[str], chosen: Mapping[str, str] | None = None) -> list[Heading]:
    """Return what each column holds.

    Parameters
    ----------
    header : sequence of str
    chosen : mapping, optional
        Heading -> key, the user's own choice (``--map O2=o2_dry_pct``); an empty key carries the column through.

    Raises
    ------
    CombustError
        A heading that nearly is a key (it is said which), a choice that names no column or no key, two columns for
        one quantity. All at once.
    """
    chosen = dict(chosen or {})
    faults = [
        Fault("--map", name, "unknown_name", why="is no heading of the table", hint=f"Headings: {_short(header)}.")
        for name in chosen
        if name not in header
    ]
    found: list[Heading] = []
    for name in header:
        asked = chosen.get(name)
        key = name if asked is None else asked
        if not key:
            found.append(Heading(name, None))
        elif key in input_keys():
            found.append(Heading(name, key))
        elif (twin := foreign_twin(key)) is not None and twin[0] in input_keys():
            found.append(Heading(name, twin[0], key))
        elif asked is not None:
            faults.append(_no_key(name, key))
            found.append(Heading(name, None))
        else:
            proposal = proposed_key(name)
            if proposal:
                faults.append(
                    Fault(
                        "heading",
                        name,
                        "near_miss",
                        why=f"is no key; {proposal} is probably meant ({quantities()[proposal].unit or 'text'})",
                        hint=f'Rename it, or add --map "{name}={proposal}" (or --map "{name}=" to leave it out).',
                    )
                )
            found.append(Heading(name, None))
    faults.extend(_twice(found))
    if faults:
        raise CombustError(faults)
    return found


def proposed_key(name: str) -> str | None:
    """Return the key that a heading probably means, or None for one that has nothing to do with a reading."""
    if name in quantities() or len(name) > LONGEST_WORD:
        return None
    bare = re.sub(r"[^a-z0-9]", "", _UNIT_WORDS.sub("", name.lower()))
    if bare in USUAL_WORDS:
        return USUAL_WORDS[bare]
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    if plain in input_keys():
        return plain
    stems = {strip_unit(key): key for key in input_keys() if quantities()[key].role != "identity"}
    if plain in stems:
        return stems[plain]
    near = near_matches(plain, input_keys(), n=1, cutoff=0.85)
    return near[0] if near else None


def _no_key(name: str, key: str) -> Fault:
    near = near_matches(key, input_keys(), n=3, cutoff=0.5)
    hint = f"Did you mean {' or '.join(near)}?" if near else "All keys: combust word"
    return Fault(f"--map {name}", key, "unknown_name", why="is no key that combust knows", hint=hint)


def _twice(found: list[Heading]) -> list[Fault]:
    faults = []
    by_key: dict[str, str] = {}
    for heading in found:
        if heading.key is None:
            continue
        if heading.key in by_key:
            faults.append(
                Fault(
                    "heading",
                    heading.name,
                    "conflict",
                    why=f"holds {heading.key} as {by_key[heading.key]} does",
                    hint=f'Leave one out: --map "{heading.name}="',
                )
            )
        by_key[heading.key] = heading.name
    return faults


def _short(header: Sequence[str]) -> str:
    text = ", ".join(header)
    return text if len(text) < 200 else text[:199] + "…"
