"""The slow statistics, computed once: many simulated visits of many heaters, judged through the public door."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations
from multiprocessing import get_context
from typing import NamedTuple

import numpy as np

from combust.application.causes.catalogue import get_priors
from combust.application.causes.draws import STRUCTURE
from combust.application.causes.engine import Engine
from combust.application.causes.rank import rank_visits
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from tests.long import LONG
from tests.simulator.columns import GAS, TEMPERATURES, WORKSHOP, only
from tests.simulator.faults import HEATER_FAULTS, drawn_causes
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.own_model import own_visits, without
from tests.simulator.policy import follow
from tests.simulator.visits import visits

HEATERS = 30 if LONG else 6
VISITS, FULL_VISITS = (100, 24) if LONG else (40, 16)
# Heaters differ more than the visits of one: the short form has enough of them, and fewer visits of each.
HEALTHY, WAYS, OWN_VISITS, LESS_VISITS = ((16, 10), 3, 80, 6) if LONG else ((20, 12), 8, 80, 4)
RANKED = (len(STRUCTURE), STRUCTURE.index("exponent"), STRUCTURE.index("steepness"))
SETS = {
    "gas": (GAS, (0,)),
    "temperatures": (GAS + TEMPERATURES, (0,)),
    "workshop": (GAS + TEMPERATURES + WORKSHOP, (0,)),
    "full": (None, (0, 1, 2, 3)),
}


OWN_CHANNELS = ["lambda_o2", "setting", "co", "flue", "rise"]
LESS_CHANNELS = [*OWN_CHANNELS, "voltage", "intake_static", "exhaust_static", "ambient_o2"]
LESS_SEEN = ["probe_leak_test"]
LESS = {
    "flue": ("flue_temp_c",),
    "rise": ("air_out_temp_c",),
    "setting": ("co2_dry_pct",),
    "voltage": ("supply_v",),
    "ports": ("intake_static_pa", "exhaust_static_pa"),
    "ambient": ("ambient_o2_pct",),
    "leak test": ("probe_leak_test",),
}


class Own(NamedTuple):
    """One visit drawn from the model: top probability, whether it is right, ranks of the true normals."""

    stated: float
    right: bool
    ranks: tuple[float, ...]


class Judged(NamedTuple):
    """One judged visit: truth, causes with probabilities, marginals, effective samples."""

    truth: tuple[str, ...]
    causes: tuple[tuple[str, float], ...]
    marginal: tuple[str, ...]
    effective: float
    first_set: tuple[str, ...]


def judge(heater, names, cases, columns, rows, *, pairs=False):
    """Judge simulated visits with some columns."""
    stream = rank_visits(heater, [only(case, columns, rows) for case in cases], pairs=pairs)
    return [
        Judged(
            truth,
            tuple((one.cause, one.probability) for one in found.causes),
            tuple(found.marginal),
            found.effective_samples,
            found.cannot_separate[0] if found.cannot_separate else (found.top.cause,),
        )
        for truth, found in zip(names, stream, strict=True)
    ]


def one_heater(index):
    """All statistics that one simulated heater gives; every fourth has a side-channel blower."""
    rng = np.random.default_rng([20, index])
    hidden = hidden_heater(rng, "side_channel" if index % 4 == 3 else "centrifugal")
    heater = Heater.from_dict(profile(hidden, rng))
    names = drawn_causes(rng, VISITS)
    cases = visits(hidden, names, rng)
    found = {
        key: judge(
            heater,
            names[:FULL_VISITS] if key == "full" else names,
            cases[: FULL_VISITS if key == "full" else None],
            *how,
        )
        for key, how in SETS.items()
    }
    healthy, of_full = [("healthy",)] * HEALTHY[0], HEALTHY[1]
    cases = visits(hidden, healthy, rng, sites="wide")
    found["healthy_temperatures"] = judge(heater, healthy, cases, *SETS["temperatures"])
    found["healthy_full"] = judge(heater, healthy[:of_full], cases[:of_full], *SETS["full"])
    names = [(cause,) for cause in ("intake_restricted", "exhaust_restricted", "blower_weak", "fuel_over")] * 2
    cases = visits(hidden, names, rng, low=0.06, high=0.06)
    found["small_temperatures"] = judge(heater, names, cases, *SETS["temperatures"])
    found["small_full"] = judge(heater, names, cases, *SETS["full"])
    doubles = [
        pair for pair in combinations([*HEATER_FAULTS, "fuel_other"], 2) if set(pair) != {"fuel_over", "fuel_under"}
    ]
    names = [doubles[place] for place in rng.choice(len(doubles), 4, replace=False)]
    found["doubles"] = judge(heater, names, visits(hidden, names, rng), *SETS["full"], pairs=True)
    names = drawn_causes(rng, 4)
    cases = visits(hidden, names, rng)
    found["singles_with_pairs"] = judge(heater, names, cases, *SETS["workshop"], pairs=True)
    engine = Engine(heater, get_priors(), instrument_class(None), 1)
    found["own"] = own_calibration(engine, np.random.default_rng([21, index]))
    found["less"] = [sharpness_without_columns(engine, np.random.default_rng([22, index]))]
    names = drawn_causes(rng, WAYS)
    for truth, case in zip(names, visits(hidden, names, rng), strict=True):
        ways = tuple(follow(heater, truth, case, order) for order in ("proposed", "fixed"))
        found.setdefault("ways", []).append(ways)
    return found


def own_calibration(engine, generator):
    """Judge visits that the model itself drew: calibration, and ranks of severity and structure."""
    told = []
    for variant, u, reading in own_visits(engine, OWN_CHANNELS, (), OWN_VISITS, generator):
        _, _, result = engine.posterior([reading], pairs=False)
        shares: dict[str, float] = {}
        for (one,), share in result.probabilities().items():
            shares[one.cause] = shares.get(one.cause, 0.0) + share
        top = max(shares, key=shares.get)
        block = result.blocks[(variant,)]
        ranks = tuple(float(block.weights @ (block.u[:, place] < u[place])) for place in RANKED)
        told.append(Own(shares[top], top == variant.cause, ranks))
    return told


def sharpness_without_columns(engine, generator):
    """Return, for a few visits drawn from the model, the entropy [bit] with all columns and without some."""
    told = []
    for _, _, reading in own_visits(engine, LESS_CHANNELS, LESS_SEEN, LESS_VISITS, generator):
        row = {"all": entropy(engine, reading)}
        row |= {name: entropy(engine, without(reading, *columns)) for name, columns in LESS.items()}
        told.append(row)
    return told


def entropy(engine, reading):
    """Entropy of the variants of one reading [bit]."""
    share = np.array(list(engine.posterior([reading], pairs=False)[2].probabilities().values()))
    share = share[share > 0.0]
    return float(-np.sum(share * np.log2(share)))


def run_study():
    """Return every statistic over all heaters, worked on all cores."""
    total: dict[str, list[Judged]] = {}
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        for found in pool.map(one_heater, range(HEATERS)):
            for key, judged in found.items():
                total.setdefault(key, []).extend(judged)
    return total


def by_chance(share, count):
    """How far chance alone takes a share of so many visits in the short form: two standard errors. None in the long."""
    return 0.0 if LONG else 2.0 * np.sqrt(share * (1.0 - share) / count)


def top_right(judged):
    """Share of visits whose top cause is the truth."""
    return float(np.mean([one.causes[0][0] in one.truth for one in judged]))


def calibration(judged):
    """Mean |stated - right| over ten equal bins of the top probability, and stated less right in all."""
    stated = np.array([one.causes[0][1] for one in judged])
    right = np.array([one.causes[0][0] in one.truth for one in judged])
    bins = np.minimum((stated * 10).astype(int), 9)
    error = sum(
        np.mean(bins == number) * abs(np.mean(stated[bins == number]) - np.mean(right[bins == number]))
        for number in range(10)
        if np.any(bins == number)
    )
    return float(error), float(np.mean(stated) - np.mean(right))
