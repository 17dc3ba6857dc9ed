"""Dealt cases and simulated learners: what is seen against the answer, and what each way of playing earns.

``python -m tests.application.mystery_study FIRST COUNT`` prints the numbers of so many cases.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import cache
from statistics import fmean

import numpy as np

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.fixed_order import fixed_checks
from combust.application.causes.rank import engine_of
from combust.application.mystery import CaseKey, Dealer, Play, Statement, score
from combust.application.mystery.ideal import found_in, judged, shares_of
from combust.application.mystery.rules import LEVELS, UNTOLD, answer_text, dealt_causes, prices, weight_of
from combust.application.mystery.scoring import expert_belief
from combust.domain.instrument import instrument_class

SALT = "the wind of Skarnwick pass at night"
# Common practice, no source: what can be seen, and the one cause that it shows.
SEEN_MEANS = {
    ("terminals", "intake_blocked"): "intake_restricted",
    ("terminals", "exhaust_blocked"): "exhaust_restricted",
    ("probe_leak_test", "fail"): "sample_air_leak",
    ("sample_line", "wet"): "sample_wet",
    ("fuel_sample", "other"): "fuel_other",
}
AS_USUAL = {"terminals": "clear", "probe_leak_test": "pass", "sample_line": "dry", "fuel_sample": "as_stated"}


@cache
def dealt(seed: int, level: str | None = None) -> CaseKey:
    """Return a case, dealt once for all tests."""
    return Dealer(SALT).deal(seed, level or LEVELS[seed % 3])


def contradictions(key: CaseKey) -> list[str]:
    """Return what is seen or read in a case that speaks against its causes (directions: common practice, no source)."""
    got = {name: value for row in key.results.values() for name, value in row.items() if name in AS_USUAL}
    wrong = [f"{name} {got[name]}" for name in AS_USUAL if got[name] != AS_USUAL[name]
             and SEEN_MEANS.get((name, got[name])) not in key.causes]  # fmt: skip
    wrong += [f"{name} seen as usual" for (name, answer), cause in SEEN_MEANS.items()
              if cause in key.causes and name != "terminals" and got[name] != answer]  # fmt: skip
    other_setting = key.results["analyser_settings"]["analyser_fuel"] != key.case.heater.fuel.name
    base = next(row for row in key.case.baseline if row["stage"] == key.case.context["stage"])
    ports, air = key.results["port_pressures"], key.results["heating_air"]
    volts = key.results["supply_voltage"]["supply_v"] / base["supply_v"]
    ratio = (ports["intake_static_pa"] / ports["exhaust_static_pa"]) * (
        base["exhaust_static_pa"] / base["intake_static_pa"]
    )
    strokes = key.results["pump_delivery"]
    delivered = 1e3 * strokes["delivered_ml"] / strokes["strokes"] / key.case.heater.stroke_ul
    pulses = key.results["stage_and_steadiness"]["pump_hz"] / base["pump_hz"]
    rise = (air["air_out_temp_c"] - air["air_in_temp_c"]) / (base["air_out_temp_c"] - base["air_in_temp_c"])
    said = {
        "analyser_fuel_setting": other_setting,
        "supply_low": volts < 0.95,
        "exhaust_recirculated": key.results["intake_air_co2"]["intake_co2_pct"] > 0.3,
        "o2_cell_drift": abs(key.results["ambient_air"]["ambient_o2_pct"] - 20.9) > 0.6,
        "stage_mistaken": pulses < 0.6,
        "not_steady": key.results["stage_and_steadiness"]["minutes_since_ignition"] < 10.0,
    }
    wrong += [f"{cause} is shown" for cause, shown in said.items() if shown and cause not in key.causes]
    wrong += [
        f"{cause} is not shown"
        for cause in ("supply_low", "stage_mistaken", "not_steady")
        if cause in key.causes and not said[cause]
    ]
    if len(key.causes) == 1 and not key.causes & {"stage_mistaken", "not_steady"}:
        (cause,) = key.causes
        fuel = delivered * pulses
        allowed = {
            "fuel_over": fuel > 1.0, "fuel_under": fuel < 1.0,
            "intake_restricted": ratio > 1.0, "exhaust_restricted": ratio < 1.0,
            "heating_air_restricted": rise > 0.95,
        }  # fmt: skip
        bands = {"fuel": (fuel, 0.9, 1.1), "ports": (ratio, 0.45, 1.8)}
        mine = {"fuel_over": "fuel", "fuel_under": "fuel", "intake_restricted": "ports", "exhaust_restricted": "ports"}
        wrong += [] if allowed.get(cause, True) else [f"{cause}: the wrong way"]
        wrong += [f"{name} {value:.2f}" for name, (value, low, high) in bands.items()
                  if mine.get(cause) != name and not low < value < high]  # fmt: skip
    return wrong


def stated(belief: dict[frozenset[str], float]) -> Statement:
    """Return a statement of a belief."""
    return Statement.of({answer_text(causes): share for causes, share in belief.items() if share > 1e-4})


def textbook(key: CaseKey) -> Play:
    """Return the play of somebody who follows the fixed order of checks: validity first, then by what stands out."""
    engine = engine_of(key.case.heater, shipped_priors(), instrument_class(None), 1)
    play = Play.outdoors(key)
    while not found_in(shares_of(judged(key.case.heater, play.readings))):
        visit = play.visit()
        listed = fixed_checks(engine, visit.readings, safety=visit.safety, valid=True)
        can = [one.check for one in listed if one.check in prices() and not visit.refusal(one.check)
               and not visit.rule_broken_by(one.check)]  # fmt: skip
        if not can:
            break
        play = play.take(can[0])
    return play


def expert(key: CaseKey) -> Play:
    """Return the play of the reference."""
    return Play.outdoors(key, key.steps)


def naive(key: CaseKey) -> Statement:
    """Return what somebody says who knows one rule: less O2 is too much fuel, more is an air leak."""
    base = next(row for row in key.case.baseline if row["stage"] == key.case.context["stage"])
    more = key.case.first["o2_dry_pct"] - base["o2_dry_pct"]
    said = "healthy" if abs(more) < 0.5 else "fuel_over" if more < 0.0 else "sample_air_leak"
    return Statement.of({said: 0.8})


@dataclass
class Found:
    """What a study found: points of each kind of learner, cases that are not as they should be, kinds of answers."""

    points: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    contradicted: list[tuple[int, list[str]]] = field(default_factory=list)
    unsolved: list[int] = field(default_factory=list)
    answers: Counter[str] = field(default_factory=Counter)
    hurry: Counter[bool] = field(default_factory=Counter)

    def mean(self, name: str) -> float:
        return fmean(self.points[name])

    def __str__(self) -> str:
        count = len(self.points["silence"])
        rows = [f"{count} cases, {len(self.contradicted)} contradicted, {len(self.unsolved)} not solvable, "
                f"{self.answers[UNTOLD]} cannot be told (of {self.hurry[True]} in a hurry)"]  # fmt: skip
        for name, points in self.points.items():
            rows.append(f"{name:10} {fmean(points):7.2f} +- {np.std(points) / count**0.5:.2f}")
        return "\n".join([*rows, str(dict(self.answers.most_common()))])


def study(first: int, count: int) -> Found:
    """Deal cases and let every kind of learner play them."""
    found, chance = Found(), np.random.default_rng(first)
    names = list(dealt_causes())
    for seed in range(first, first + count):
        key = dealt(seed)
        found.answers[key.text] += 1
        found.hurry[key.case.budget < 100.0] += 1
        if wrong := contradictions(key):
            found.contradicted.append((seed, wrong))
        top = key.reached[-1]
        told = key.right == key.causes and top >= 0.9
        honest = key.text == UNTOLD and top < 0.9 and weight_of(key.steps) <= key.case.budget
        found.unsolved += [] if told or honest else [seed]
        one, other = expert(key), textbook(key)
        guess = Statement.of({names[int(chance.integers(len(names)))]: 0.9})
        for kind, play, said in (
            ("silence", Play(key), Statement()),
            ("guessing", Play(key), guess),
            ("copying", Play(key), stated(expert_belief(key, ()))),
            ("naive", Play(key), naive(key)),
            ("textbook", other, stated(expert_belief(key, other.steps))),
            ("expert", one, stated(expert_belief(key, one.steps))),
        ):
            found.points[kind].append(score(play, said).total)
    return found


if __name__ == "__main__":
    print(study(int(sys.argv[1]), int(sys.argv[2])))
