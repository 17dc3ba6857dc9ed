"""A commented heater profile to start from, written from the same table that checks it, so that it never goes stale."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from combust.data.fields import PLACEHOLDER, Field, toml_value
from combust.data.vocabulary import quantity
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
    "ducts": "## ---- A duct, measured on the vehicle; take the # away in front of the [ducts...] line too.",
}


def profile_template(
    *, heater_id: str | None = None, fuel: str | None = None, stages: Sequence[str] = ("high", "low")
) -> str:
    """Return a commented heater profile as TOML text, with placeholders where the user writes.

    Parameters
    ----------
    heater_id, fuel : str, optional
        Filled in when given.
    stages : sequence of str
        Names of the heat stages; the first gets the healthy reading.

    Raises
    ------
    CombustError
        When what was given is no such name.

    Examples
    --------
    >>> [line for line in profile_template(fuel="diesel_b7").splitlines() if line.startswith("fuel = ")]
    ['fuel = "diesel_b7"']
    """
    keys = profile_keys("profile")
    given = {
        key: keys[key].checked(value) for key, value in (("heater_id", heater_id), ("fuel", fuel)) if value is not None
    }
    if fuel is not None:
        get_fuel(fuel)
    names = [profile_keys("baseline")["stage"].checked(name) for name in stages]
    lines = [HEAD, *(_key_line(record, given.get(key)) for key, record in keys.items())]
    for name in names:
        lines += ["", BEFORE["stages"], f"[stages.{_bare(name)}]"]
        lines += [_key_line(record) for record in profile_keys("stages").values()]
    lines += ["", BEFORE["baseline"], "[[baseline]]"]
    filled = {"stage": names[0]} if names else {}
    lines += [_key_line(record, filled.get(key)) for key, record in profile_keys("baseline").items()]
    lines += [_key_line(quantity(key)) for key in READING_KEYS]
    for part in ("limits", "start"):
        lines += ["", BEFORE[part], f"[{part}]", *(_key_line(record) for record in profile_keys(part).values())]
    for name in ("intake", "exhaust"):
        lines += ["", BEFORE["ducts"], f"#[ducts.{name}]"]
        lines += [_key_line(record, waits=True) for record in profile_keys("ducts").values()]
    return "\n".join(lines) + "\n"


def _key_line(record: Field, given: str | None = None, *, waits: bool = False) -> str:
    is_open = (record.required or given is not None or record.key in OPEN_KEYS) and not waits
    inside = ", ".join(part for part in (record.unit, record.band) if part)
    comment = f"{record.meaning[:1].upper()}{record.meaning[1:]}{f' [{inside}]' if inside else ''}."
    comment += f" Find it: {record.source}." if record.source else ""
    explained = textwrap.fill(comment, width=WIDTH, initial_indent="## ", subsequent_indent="##   ")
    return f"{explained}\n{'' if is_open else '#'}{record.key} = {toml_value(given or PLACEHOLDER)}"


def _bare(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)
