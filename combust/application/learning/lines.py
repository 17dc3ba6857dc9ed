"""A visit as straight lines: what is observed less expected, over the structure of the heater, one line for each cause.

Each variant of each cause is followed to where it fits best, and its slopes are taken there. The size of the fault is
left out of the line: it widens the noise by its own slopes. What is learnt needs nothing else of a visit.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.draws import SINGLE_SIZE, Variant
from combust.application.causes.engine import STAGE, Engine
from combust.application.causes.forward import BAND
from combust.application.causes.posterior import Hypothesis, Loose, Visit, loose_of, student_log
from combust.application.causes.stacking import parameters_together
from combust.application.heater.baseline import co_u
from combust.application.heater.structure import STRUCTURE
from combust.application.learning.learnt import SCATTERS
from combust.kernel.types import Floats

STEP = 0.05
# scatter -> the channels that alone have it; the others are of every channel
OF_CHANNELS = {name: {name} for name in ("rise", "co", "smoke", "voltage", "speed", "frequency")}
OF_CHANNELS |= {"flue_k": {"flue"}, "static": {"intake_static", "exhaust_static"}, "pump_delivery": {"delivery"}}
CLIMBS = 2
WIDE = 1.6  # the structure may go farther here than a heater is believed to: learning is what moves the belief
FARTHEST = 4.0
MOST = 20  # variants that are followed: those whose best draw comes nearest
NEGLIGIBLE = 14.0  # ln likelihood below the best line, each where it fits best
STRUCTURES = len(STRUCTURE)


class Lines(NamedTuple):
    """The lines of one visit: k variants, d channels, s coordinates of the structure, t scatters.

    Attributes
    ----------
    heater : int
        Number of the heater.
    start : array, k x d
        Observed less expected at the usual structure.
    slope : array, k x d x s
        Its change over each coordinate.
    noise : array, k x d x d
        Covariance without the scatters that are learnt and the errors of the baseline; the size of the fault is in it.
    scatter : array, t x d x d
        What each scatter adds, at its shipped size.
    weight : array, k
        ln of prior share and of what was seen.
    base : tuple of (name, array of d)
        What one standard deviation of each error of the baseline moves; the same error in every visit of the heater.
    """

    heater: int
    start: Floats
    slope: Floats
    noise: Floats
    scatter: Floats
    weight: Floats
    base: tuple[tuple[Hashable, Floats], ...] = ()


def lines_of(engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats], heater: int) -> Lines:
    """Return the lines of a visit of which something was read, from the residuals of its prior draws."""
    prior = engine.log_prior(False, visit.weighed)
    keys: list[Hypothesis] = [(variant,) for variant in residuals if (variant,) in prior]
    best = [int(np.argmin(np.einsum("nd,nd->n", residuals[key[0]], residuals[key[0]]))) for key in keys]
    start = np.stack([residuals[key[0]][index] for key, index in zip(keys, best, strict=True)])
    weight = np.array([prior[key] + engine.constant(visit, key) for key in keys])
    first = np.argsort(-weight - _log(engine, visit, start))[:MOST]
    keys, weight = [keys[index] for index in first], weight[first]
    place = np.stack([engine.prior_u[key[0]][best[index]] for key, index in zip(keys, first, strict=True)])
    precision = np.ones(SINGLE_SIZE)
    precision[:STRUCTURES] = WIDE**-2
    start, slope = _slopes(engine, visit, keys, place)
    for step in range(CLIMBS):
        cover = np.linalg.inv(np.diag(precision) + slope @ slope.transpose(0, 2, 1))
        aim = start - np.einsum("hk,hkd->hd", place, slope)
        place = -np.einsum("hij,hj->hi", cover, np.einsum("hkd,hd->hk", slope, aim))
        place = np.clip(place, -FARTHEST, FARTHEST)
        if step == 0:  # what no straight line brings near is followed no further
            hope = weight + _log(engine, visit, aim + np.einsum("hk,hkd->hd", place, slope))
            near = np.flatnonzero(hope > hope.max() - 2.0 * NEGLIGIBLE)
            keys, place, weight = [keys[index] for index in near], place[near], weight[near]
        start, slope = _slopes(engine, visit, keys, place)
    near = np.flatnonzero((hope := weight + _log(engine, visit, start)) > hope.max() - NEGLIGIBLE)
    return _kept(engine, visit, [keys[index] for index in near], heater, (place[near], start[near], slope[near]))


def _log(engine: Engine, visit: Visit, residual: Floats) -> Floats:
    return student_log(np.sum(residual**2, axis=1), engine.freedom, visit.dimensions)


def _slopes(engine: Engine, visit: Visit, keys: list[Hypothesis], place: Floats) -> tuple[Floats, Floats]:
    """Return the whitened residual of each variant at its place, and its slope over every normal."""
    moves = np.concatenate([np.zeros((1, SINGLE_SIZE)), STEP * np.eye(SINGLE_SIZE)])
    residual = np.empty((len(keys), len(moves), visit.dimensions))
    for moved in (False, True):  # a mistaken stage needs more of the model
        some = [index for index, (variant,) in enumerate(keys) if (variant.cause == STAGE) == moved]
        if some:
            draws = [place[index] + moves for index in some]
            whole = parameters_together(engine.drawer, draws, [keys[index] for index in some])[1]
            gaps = engine.difference(visit, whole).reshape(len(some), len(moves), visit.dimensions)
            for index, gap in zip(some, gaps, strict=True):
                residual[index] = visit.whitening[loose_of(keys[index])].whitened(gap)
    return residual[:, 0], (residual[:, 1:] - residual[:, :1]) / STEP


def _kept(
    engine: Engine, visit: Visit, keys: list[Hypothesis], heater: int, found: tuple[Floats, Floats, Floats]
) -> Lines:
    """Return the lines in the units of the channels, from place, residual there and slopes, whitened.

    How the baseline lies in the band of the unit's document is left out: it is one number of the heater, not one more
    of each visit, and no scatter of a visit is in it. What CO may be off by is what it is at the CO that is expected:
    at the reading itself, a low one by chance would seem less sure than a high one, and the scatter smaller than it is.
    """
    prior = engine.log_prior(False, visit.weighed)
    read = np.flatnonzero([one.channel != BAND for one in visit.found])
    plain, scatter, base = parts_of(engine, visit)
    starts, slopes, noises = [], [], []
    little = [(place, one.value) for place, one in enumerate(visit.found) if one.channel == "co"]
    numbers = engine.priors.table["reading"]
    for key, place, start, slope in zip(keys, *found, strict=True):
        kind = loose_of(key)
        around = visit.whitening[kind]
        tilt = slope @ around.inverse
        here = start @ around.inverse
        starts.append((here - place @ tilt)[read])
        slopes.append(tilt[:STRUCTURES, read].T)
        sizes = tilt[STRUCTURES:]
        noise = plain + _added(visit, kind) + sizes.T @ sizes
        for at, value in little:
            noise[at, at] += co_u(np.exp(value - here[at]), numbers) ** 2 - co_u(np.exp(value), numbers) ** 2
        noises.append(noise[np.ix_(read, read)])
    weight = [prior[key] + visit.seen_under({one.cause for one in key}) for key in keys]
    base = tuple((name, moved[read]) for name, moved in base)
    scatter = scatter[:, read[:, None], read]
    return Lines(heater, np.array(starts), np.array(slopes), np.array(noises), scatter, np.array(weight), base)


def _added(visit: Visit, kind: Loose) -> Any:
    """Return the covariance that loose causes add."""
    if not kind:
        return 0.0
    wide, usual = visit.whitening[kind].inverse, visit.usual.inverse
    return wide.T @ wide - usual.T @ usual


def parts_of(engine: Engine, visit: Visit) -> tuple[Floats, Floats, tuple[tuple[Hashable, Floats], ...]]:
    """Return the covariance of a visit without what is learnt, what each scatter adds, and the errors of the baseline.

    A baseline that was taken anew is another one, with errors of its own.
    """
    probes = [engine.probe_cache(row) for row in visit.rows]
    tolerance, healthy = engine.priors.table["tolerance"], {row.healthy.name: row.healthy for row in visit.rows}

    def with_only(*names: str) -> tuple[Floats, dict[Any, list[float]]]:
        kept = {key: 0.0 if key in SCATTERS and key not in names else value for key, value in tolerance.items()}
        priors = replace(engine.priors, table={**engine.priors.table, "tolerance": kept})
        scatter, shared = ev.errors_of(visit.found, visit.rows, probes, priors)
        base = {key: shared.pop(key) for key in list(shared) if key[0] == ev.BASELINE}
        return ev.joined(scatter, shared), base

    (plain, base), read = with_only(), {one.channel for one in visit.found}
    none = np.zeros_like(plain)
    added = [with_only(name)[0] - plain if read & OF_CHANNELS.get(name, read) else none for name in SCATTERS]
    named = tuple(((stage, key, healthy[stage].value[key]), np.array(moved)) for (_, stage, key), moved in base.items())
    return plain, np.stack(added), named
