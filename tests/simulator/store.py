"""Visits of foreign conditions on disk: drawn once, under a hash of what drew them."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import fields
from functools import cache
from pathlib import Path

from tests.simulator.faults import CAUSES, OTHER_FAULTS
from tests.simulator.foreign import group_of

SOURCES = ("physics.py", "faults.py", "heaters.py", "visits.py", "foreign.py")


def accepted(truth, knobs, measured_co2):
    """Causes that count as right for a visit: its own fault and what is true of the baseline."""
    names = [name for cause in truth for name in (OTHER_FAULTS[cause][1] if cause in OTHER_FAULTS else (cause,))]
    if measured_co2 and "analyser_fuel_setting" in truth:
        names.append(CAUSES[0])  # its setting reaches nothing that was entered
    return [*names, *([knobs.truth_about_baseline] if knobs.baseline else [])]


def group(store, name, knobs, seed, index):
    """One heater of a condition, read from the store or drawn and kept there, with the key of its condition."""
    key = hashlib.sha1(f"{turned(knobs)}{seed}{_sources()}".encode()).hexdigest()[:10]
    path = Path(store) / "visits" / f"{name}-{key}" / f"{index:04d}.json"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}")
        part.write_text(json.dumps(group_of(knobs, seed, index)), encoding="utf-8")
        part.replace(path)
    return key, json.loads(path.read_text(encoding="utf-8"))


def turned(knobs):
    """The knobs that are not as in the standard study."""
    return {one.name: getattr(knobs, one.name) for one in fields(knobs) if getattr(knobs, one.name) != one.default}


@cache
def _sources():
    here = Path(__file__).parent
    return hashlib.sha1(b"".join((here / name).read_bytes() for name in SOURCES)).hexdigest()
