"""A commented heater profile to start from, written from the same table that checks it, so that it never goes stale."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from combust.data.fields import PLACEHOLDER, Field
from combust.data.tables import toml_value
from combust.data.vocabulary import quantities, quantity
from combust.domain.catalogue import get_fuel
from combust.domain.profile_keys import profile_keys

# What a healthy reading should hold, most wanted first. The first four stand open, the rest wait behind a #.
READING_KEYS = (
    *("o2_dry_pct", "co_dry_ppm", "altitude_m", "intake_temp_c"),
    *("flue_temp_c", "co2_dry_pct", "co2_origin", "air_in_temp_c", "air_out_temp_c", "supply_v"),
    *("blower_rpm", "pump_hz"),
    *("intake_static_pa", "exhaust_static_pa", "smoke_number", "probe_leak_test", "pressure_hpa", "humidity_pct"),
    *("instrument", "taken_at"),
)
OPEN_KEYS = READING_KEYS[:4]
WIDTH = 112

HEAD = """\
## Heater profile for combust.
## Lines with ## explain. Write your value where "?" stands: text keeps its quotes, a number loses them. Lines with
## one # wait: take it away in front of what you know. Only fuel, one stage, and a healthy reading or an
## air_ratio_band must be there. What stays out makes answers wider; it is never invented.
## Check the file with: combust profile check FILE
"""
BEFORE = {
    "stages": "## ---- A heat stage; name it as you name it in readings.",
    "baseline": "## ---- A reading taken when this heater was known to be healthy and warm; a block for each.",
    "limits": "## ---- Limits of the heater's own document.",
    "start": "## ---- The start programme of the heater's own document; nothing is built in.",
    "control": "## ---- What its controller goes by; only the simulated heater of the trainer uses it.",
    "ducts": "## ---- A duct, measured on the vehicle; take the # away in front of the [ducts...] line too.",
}


def profile_template(
    *,
    heater_id: str | None = None,
    fuel: str | None = None,
    stages: Sequence[str] = ("high", "low"),
    known: Mapping[str, Any] | None = None,
) -> str:
    """Return a commented heater profile as TOML text, with placeholders where the user writes.

    Parameters
    ----------
    heater_id, fuel : str, optional
        Filled in when given.
    stages : sequence of str
        Names of the heat stages; the first gets the healthy reading.
    known : mapping, optional
        What is known already, in the layout of the file: it is filled in, its stages and healthy readings instead of
        the empty ones; what it lacks waits behind a ``#``.

    Raises
    ------
    CombustError
        When what was given is no such name.

    Examples
    --------
    >>> [line for line in profile_template(fuel="diesel_b7").splitlines() if line.startswith("fuel = ")]
    ['fuel = "diesel_b7"']
    >>> text = profile_template(known={"fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}})
    >>> "air_ratio_band = [1.35, 1.8]" in text, "?" in text.split("## ---- A heat stage", 1)[1].split("#fuel")[0]
    (True, False)
    """
    keys = profile_keys("profile")
    whole = dict(known or {})
    given = {key: keys[key].checked(value) for key, value in whole.items() if key in keys}
    named = (("heater_id", heater_id), ("fuel", fuel))
    given |= {key: keys[key].checked(value) for key, value in named if value is not None}
    if "fuel" in given:
        get_fuel(given["fuel"])
    held = whole.get("stages") or {name: {} for name in stages}
    names = [profile_keys("baseline")["stage"].checked(name) for name in held]
    lines = [HEAD, *_key_lines(keys.values(), given, filled=bool(known))]
    for name in names:
        lines += ["", BEFORE["stages"], f"[stages.{_bare(name)}]"]
        lines += _key_lines(profile_keys("stages").values(), held[name], filled=bool(known))
    for reading in whole.get("baseline") or [{"stage": names[0]} if names else {}]:
        wanted = dict.fromkeys([*READING_KEYS, *(key for key in reading if key in quantities() and key != "stage")])
        records = [*profile_keys("baseline").values(), *map(quantity, wanted)]
        lines += ["", BEFORE["baseline"], "[[baseline]]", *_key_lines(records, reading, filled=bool(known))]
    for part in ("limits", "start", "control"):
        rows = _key_lines(profile_keys(part).values(), whole.get(part, {}), filled=bool(known))
        lines += ["", BEFORE[part], f"[{part}]", *rows]
    for name in ("intake", "exhaust"):
        duct = whole.get("ducts", {}).get(name)
        lines += ["", BEFORE["ducts"], f"{'' if duct else '#'}[ducts.{name}]"]
        lines += _key_lines(profile_keys("ducts").values(), duct or {}, filled=True)
    return "\n".join(lines) + "\n"


def _key_lines(records: Iterable[Field], given: Mapping[str, Any], *, filled: bool) -> list[str]:
    """Return the lines of the keys of one part; ``filled``: what is not given waits, whatever it is."""
    return [_key_line(one, given.get(one.key), waits=filled and given.get(one.key) is None) for one in records]


def _key_line(record: Field, given: Any = None, *, waits: bool = False) -> str:
    is_open = (record.required or given is not None or record.key in OPEN_KEYS) and not waits
    inside = ", ".join(part for part in (record.unit, record.band) if part)
    comment = f"{record.meaning[:1].upper()}{record.meaning[1:]}{f' [{inside}]' if inside else ''}."
    comment += f" Find it: {record.source}." if record.source else ""
    explained = textwrap.fill(comment, width=WIDTH, initial_indent="## ", subsequent_indent="##   ")
    return f"{explained}\n{'' if is_open else '#'}{record.key} = {toml_value(PLACEHOLDER if given is None else given)}"


def _bare(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)
