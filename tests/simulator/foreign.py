"""Heaters and visits of foreign conditions; the engine that judges them is not asked here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulator.conditions import Knobs
from tests.simulator.faults import Case, drawn_causes, intake
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.physics import Heater
from tests.simulator.visits import PLANS, visits

DRAWN, DRAWN_HEALTHY = 100, 40
STANDARD_SEED = 20
STOPS_CO_PPM = 1000.0  # air-free: such a baseline is refused
# The plate against the record of the baseline: how often both can be read, and agree then (common practice, no source).
PLATE_READ, AGREES, AGREES_OF_ANOTHER = 0.7, 0.98, 0.05


def heater_of(knobs, seed, index):
    """The hidden heater of a condition and the generator that goes on; without knobs that of the standard study."""
    rng = np.random.default_rng([seed, index])
    usual = "side_channel" if index % 4 == 3 else "centrifugal"
    blower = knobs.blower or usual
    found = hidden_heater(rng, "centrifugal" if blower == "bent" else blower)
    own = np.random.default_rng([seed, index, 1])
    changed = {"radiation": knobs.radiation, "casing": knobs.casing, "flame_radiates": knobs.flame_radiates}
    if knobs.exponent is not None:
        changed["gas_exponent"] = knobs.exponent
    if knobs.hot is not None:
        changed["hot"] = knobs.hot
    if blower == "bent":
        changed |= {"blower": "bent", "a1": own.uniform(0.7, 1.5), "a2": own.uniform(0.05, 0.4)}
    if any(getattr(found.hidden, key) != value for key, value in changed.items()):
        again = Heater(replace(found.hidden, **changed), found.stages)
        again.co_base, again.smoke_base, again.volts = found.co_base, found.smoke_base, found.volts
        found = again
    return found, rng, own


def profile_of(knobs, heater, seed, index, rng, own):
    """The profile that the technician believes in."""
    if knobs.baseline == "dirty_intake":
        told = _dirty(heater, rng, own)
    elif knobs.baseline == "fuel_12_pct":
        told = profile(heater, rng, fuel=1.12)
    else:
        told = profile(heater, rng)
    if heater.hidden.blower == "bent":
        told["blower"] = "centrifugal"
    if knobs.baseline == "another_heater":
        other, more, _ = heater_of(replace(knobs, baseline=""), seed + 1000, index)
        told["baseline"] = profile(other, more)["baseline"]
    for one in told["baseline"]:
        for column in knobs.missing:
            one.pop(column, None)
    return told | {"fuel": knobs.fuel}


def _dirty(heater, rng, own):
    """A profile taken with 15 to 40 % less air, or as much less as still makes no CO that stops the heater."""
    size = own.uniform(0.15, 0.40)
    while True:
        case = Case(1, heater.hidden)
        intake(case, 0, own, size)
        told = profile(heater, rng, r_in=float(case.value["r_in"][0]))
        if all(one["co_dry_ppm"] * 20.9 < STOPS_CO_PPM * (20.9 - one["o2_dry_pct"]) for one in told["baseline"]):
            return told
        size *= 0.8


def group_of(knobs, seed, index, drawn=DRAWN, drawn_healthy=DRAWN_HEALTHY):
    """One heater of a condition: profile, drawn visits and more healthy ones, each with its truth.

    The healthy ones are made anywhere to 4000 m. Only as many visits as in the standard study give just those.
    """
    heater, rng, own = heater_of(knobs, seed, index)
    told = profile_of(knobs, heater, seed, index, rng, own)
    names = drawn_causes(rng, drawn)
    if knobs.fault:
        names = [(knobs.fault,) if place % 2 else causes for place, causes in enumerate(names)]
    cases = _visits(knobs, heater, names, rng, own)
    more = np.random.default_rng([seed, index, 2])
    healthy = [("healthy",)] * drawn_healthy
    anywhere = replace(knobs, sites="wide" if knobs.sites == "mixed" else knobs.sites)
    return {
        "heater": index,
        "profile": told,
        "truths": names,
        "visits": _with_plates(knobs, cases, seed, index),
        "healthy": _with_plates(knobs, _visits(anywhere, heater, healthy, more, own), seed + 1, index),
    }


def _with_plates(knobs, cases, seed, index):
    """The visits, with what the plate told; its draws are its own, so that nothing else of a visit follows from it."""
    rng = np.random.default_rng([seed, index, 3])
    agree = AGREES_OF_ANOTHER if knobs.baseline == "another_heater" else AGREES
    for case in cases:
        read, agrees = rng.random() < PLATE_READ, rng.random() < agree
        if read:
            case[0]["plate_number"] = "agrees" if agrees else "differs"
    return cases


def _visits(knobs, heater, names, rng, own):
    size = len(names)
    how = {
        "cell": own,
        "flue_offset_k": knobs.flue_sensor_k * own.choice([-1.0, 1.0], size),
        "wind": np.exp(0.4 * own.standard_normal(size)),
        "noted": knobs.noted,
    }
    plans = PLANS if knobs == Knobs() else (PLANS[0],) * knobs.repeats
    return visits(heater, names, rng, sites=knobs.sites, plans=plans, **how)
