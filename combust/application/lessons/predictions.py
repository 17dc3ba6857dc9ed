"""What is predicted in a lesson before anything is computed, and what came out."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from combust.application.lessons import gas as demo
from combust.application.lessons.demonstrations import (
    CUTOUT_V,
    Given,
    cut_out_order,
    diluted,
    glow_check,
    judged,
    shown_by_cell,
    start_of,
    wet_pair,
)
from combust.application.lessons.machine import air_ratio_at_site, crushed_exhaust, stage_pattern
from combust.data.tables import load_table
from combust.domain.catalogue import get_fuel
from combust.domain.pump import same_pulses
from combust.domain.site import Site
from combust.kernel.carbon_monoxide import co_air_free

OPENED_TO = 2.4  # lambda of lesson 10 after somebody opened the air
STEADY = 1e-3  # relative; less is no change
Truths = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Guess:
    """One thing that is predicted: its words or its unit, how close counts as close, ranges that a class votes for."""

    key: str
    label: str
    choice: tuple[str, ...] = ()
    unit: str = ""
    digits: int = 0
    near: float = 0.0
    ranges: tuple[float, ...] = ()

    def text(self, value: Any) -> str:
        """Return a truth or a guess in words."""
        return str(value) if self.choice else f"{value:.{self.digits}f} {self.unit}".strip()

    @property
    def answers(self) -> tuple[str, ...]:
        """What a class can vote for: the words, or the ranges of a number.

        Examples
        --------
        >>> Guess("lost", "Air lost", unit="%", ranges=(5.0, 20.0)).answers
        ('below 5 %', '5 to 20 %', '20 % or more')
        """
        if self.choice:
            return self.choice
        edges = [f"{edge:g}" for edge in self.ranges]
        between = [f"{low} to {high} {self.unit}" for low, high in pairwise(edges)]
        return (f"below {edges[0]} {self.unit}", *between, f"{edges[-1]} {self.unit} or more")

    def answer_of(self, truth: Any) -> int:
        """Return which of the answers a truth is."""
        return self.choice.index(truth) if self.choice else bisect_right(self.ranges, truth)

    def met(self, mine: Any, truth: Any) -> bool:
        """Return whether a prediction came true."""
        return bool(mine == truth if self.choice else abs(mine - truth) <= self.near)


def lesson_path() -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the lessons in their order: title of a part, numbers of its lessons."""
    return tuple((part["title"], tuple(part["lessons"])) for part in load_table("lessons")["path"])


def lesson_numbers() -> tuple[str, ...]:
    """Return the numbers of all lessons in their order."""
    return tuple(number for _, numbers in lesson_path() for number in numbers)


def guesses(lesson: str) -> tuple[Guess, ...]:
    """Return what is predicted in a lesson.

    Examples
    --------
    >>> [one.key for one in guesses("11")]
    ['o2', 'co', 'free', 'pair']
    """
    rows: Mapping[str, Any] = load_table("lessons")["predict"][lesson]
    return tuple(
        Guess(key, **{**row, **{name: tuple(row.get(name, ())) for name in ("choice", "ranges")}})
        for key, row in rows.items()
    )


def outcome(lesson: str, given: Given) -> Truths:
    """Return what comes out of a lesson's question, for the inputs that the lesson lists.

    Parameters
    ----------
    lesson : str
        ``"10"`` to ``"19"``.
    given : mapping
        Symbol -> value.
    """
    return _TRUTHS[lesson](given)


def _way(before: float, after: float, words: tuple[str, str, str]) -> str:
    if abs(after - before) <= STEADY * abs(before):
        return words[1]
    return words[0] if after < before else words[2]


def _air_sweep(given: Given) -> Truths:
    zone = demo.behind_burn_out()
    before, after = (zone.dry_ppm("co")[zone["air_ratio"] == ratio][0] for ratio in (given["air_ratio"], OPENED_TO))
    _, (low, high) = demo.flame_and_loss(given["fuel"], [given["air_ratio"], OPENED_TO], given["flue_temp_c"])
    rises = "rises more than ten times" if after > 10.0 * before else "rises a little"
    return {"co": rises if after > before else "falls", "stack": "more" if high > low else "less"}


def _dilution(given: Given) -> Truths:
    (true, read), ways = diluted(given), ("falls", "stays", "rises")
    free = [float(co_air_free(gas.co_dry_ppm, gas.o2_dry_pct)) for gas in (true, read)]
    return {
        "o2": _way(true.o2_dry_pct, read.o2_dry_pct, ways),
        "co": _way(true.co_dry_ppm, read.co_dry_ppm, ways),
        "free": _way(free[0], free[1], ways),
        "pair": _agreement(given, read),
    }


def _agreement(given: Given, gas: demo.SampledGas) -> str:
    return "no longer agree" if _contradicts(given, gas, "measured") else "still agree"


def _contradicts(given: Given, gas: demo.SampledGas, origin: str) -> bool:
    told = judged(given, float(gas.o2_dry_pct), float(gas.co2_dry_pct), origin)
    return bool(told.agreement["verdict"] == "disagree")


def _wet(given: Given) -> Truths:
    dry, wet = wet_pair(given)
    return {"read": _way(dry.o2_dry_pct, wet.o2_dry_pct, ("low", "right", "high")), "pair": _agreement(given, wet)}


def _cell(given: Given) -> Truths:
    return {"half": _noticed_by(given, given["offset"]), "whole": _noticed_by(given, 2.0 * given["offset"])}


def _noticed_by(given: Given, offset: float) -> str:
    o2, pairs = shown_by_cell(given, offset)
    by = [name for name, co2 in pairs.items() if _contradicts(given, demo.SampledGas(o2, co2, 0.0), name)]
    return "both" if len(by) == 2 else by[0] if by else "neither"


def _altitude(given: Given) -> Truths:
    sea, base = Site(0.0, intake_temp_c=20.0), given["base_air_ratio"]
    there = {
        temp: float(
            air_ratio_at_site(
                base, sea, Site(given["altitude_m"], intake_temp_c=temp), fuel=given["fuel"]
            ).air_ratio_full[0]
        )
        for temp in (given["intake_temp_c"], -20.0, 15.0)
    }
    mixture = _way(base, there[given["intake_temp_c"]], ("richer", "the same", "leaner"))
    return {"mixture": mixture, "night": "+15 °C" if there[15.0] < there[-20.0] else "−20 °C"}


def _duct(given: Given) -> Truths:
    found = crushed_exhaust(given["bore_mm"], crushed_bore_mm=given["crushed_bore_mm"], share=given["share"])
    same = abs(found.air_flat - found.air_steep) <= STEADY
    return {"lost": 100.0 * (1.0 - float(found.air_flat)), "same": "yes" if same else "no"}


def _stages(given: Given) -> Truths:
    said: Truths = {}
    for key, cause in (("duct", "restriction"), ("pump", "fuel_over"), ("voltage", "supply_low")):
        found = stage_pattern(cause, given["size_pct"], fuel=given["fuel"], low=given["low"], high=given["high"])
        ways = ("O2 falls", "O2 stays", "O2 rises")
        said[key] = _way(found.healthy_low.o2_dry_pct, found.low.o2_dry_pct, ways)
    return said


def _fuels(given: Given) -> Truths:
    swap = same_pulses(get_fuel(given["plate"]), get_fuel("biodiesel_b100"))
    before = demo.heater_gas(given["plate"], given["air_ratio"])
    after = demo.heater_gas("biodiesel_b100", given["air_ratio"] * float(swap.air_ratio))
    moved = abs(after.o2_dry_pct - before.o2_dry_pct) > abs(after.co2_dry_pct - before.co2_dry_pct)
    return {
        "mixture": "leaner" if swap.air_ratio > 1.0 else "richer",
        "heat": "less" if swap.heat < 1.0 else "more",
        "shows": "O2" if moved else "CO2",
    }


def _start(given: Given) -> Truths:
    one, three = start_of(given), start_of(given, cycles=3)
    return {"one": one.fuel_ml, "three": three.fuel_ml, "restart": one.earliest_restart_s}


def _supply(given: Given) -> Truths:
    volt = glow_check(given).heater_v_glow or 0.0
    acts_first = cut_out_order(given, given["area_mm2"]).first_to_act or ""
    first = "heater" if "heater" in acts_first else "disconnect"
    return {"volt": volt, "starts": "yes" if volt >= CUTOUT_V else "no", "first": first}


_TRUTHS: dict[str, Callable[[Given], Truths]] = {
    "10": _air_sweep,
    "11": _dilution,
    "12": _wet,
    "13": _cell,
    "14": _altitude,
    "15": _duct,
    "16": _stages,
    "17": _fuels,
    "18": _start,
    "19": _supply,
}
