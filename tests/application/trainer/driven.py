"""Random runs of the simulated heater: starts, relights, standby, trips, power cuts, somebody who asks again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from combust.application.trainer.heater import SimulatedHeater
from combust.domain.heater import Heater

ROOT = Path(__file__).parents[3] / "data" / "heaters"
HEATERS = {name: Heater.load(ROOT / f"{name}.toml") for name in ("heater-0312", "heater-0107")}
LASTS_S = 1500.0


def any_heater(rng: np.random.Generator) -> Heater:
    return HEATERS[str(rng.choice(list(HEATERS)))]


def moves(rng: np.random.Generator) -> list[tuple[float, str, Any]]:
    """Return what is done in a run, by time: (second, "heat" | "release" | "set", value)."""
    done: list[tuple[float, str, Any]] = [(5.0, "heat", True)]
    kinds = rng.choice(["bubbles", "standby", "air", "glow", "voltage", "power", "again", "off", "none", "warm"], 2)
    for kind, at in zip(kinds, np.sort(rng.uniform(20.0, 1100.0, 2)), strict=True):
        back = at + rng.uniform(20.0, 250.0)
        if kind == "bubbles":
            done += [(at, "set", {"bubbles": 1.0}), (at + rng.uniform(20.0, 90.0), "set", {"bubbles": 0.0})]
        elif kind == "standby":
            done += [(at, "set", {"warm_enough": True}), (at + rng.uniform(100, 400), "set", {"warm_enough": False})]
        elif kind == "air":
            done += [(at, "set", {"heating_air": 0.3}), (back, "set", {"heating_air": 1.0})]
        elif kind == "glow":
            done += [(2.0, "set", {"glow": float(rng.uniform(0.5, 0.8))})]
        elif kind == "voltage":
            done += [(at, "set", {"battery_v": 10.0}), (back, "set", {"battery_v": 12.7})]
        elif kind == "power":
            done += [(at, "set", {"battery_v": 0.0}), (back, "set", {"battery_v": 12.7}), (back + 5.0, "heat", True)]
        elif kind == "again":
            done += [(at, "heat", True), (back, "release", None), (back + 10.0, "heat", True)]
        elif kind == "warm":
            done += [(2.0, "set", {"warm_enough": True}), (at, "set", {"warm_enough": False})]
        elif kind == "off":
            done += [(at, "heat", False), (back, "heat", True)]
    return sorted(done, key=lambda one: one[0])


def play(heater: SimulatedHeater, done: list[tuple[float, str, Any]], lasts_s: float) -> Iterator[float]:
    """Play moves and give every second of the heater once it has passed."""
    waiting = list(done)
    while heater.time_s < lasts_s:
        while waiting and waiting[0][0] <= heater.time_s:
            _, kind, value = waiting.pop(0)
            if kind == "heat":
                heater.request_heat(value)
            elif kind == "release":
                heater.release_lockout()
            else:
                heater.set_inputs(value)
        heater.advance(1.0)
        yield heater.time_s
