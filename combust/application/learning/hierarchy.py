"""Type, heater, visit: what a type's heaters are like, from the straight lines of their visits, by Laplace steps.

A heater's structure lies around the middle of its type, and nobody knew that middle: together they are as wide as the
shipped prior. Each heater also has the errors of its baseline, the same in all its visits. Scatters are shared by all
heaters. Each step takes every heater to where its visits fit best, weighs
what it tells of the middle of the type, and lets the scatters follow what is left.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.learning.lines import STRUCTURES, Lines
from combust.kernel.types import Floats

OF_HEATER = 0.35  # part of the shipped variance by which heaters of a type differ; the rest is not knowing the type
SCATTER_U = 0.5  # standard uncertainty of ln of a scatter before any visit
MOST_STEP = 1.0
STEPS = 14
ENOUGH = 0.004
GRID = np.linspace(-2.25, 2.25, 91)  # of ln of a scatter


@dataclass(frozen=True, slots=True)
class Hierarchy:
    """What was learnt: middle of the type and its covariance (over the named rows), posterior of ln of the scatters.

    ``best_scatter`` is where the steps ended, ``shares`` (scatters x GRID) how probable each value is; ``heaters`` the
    place of each heater (structure, then errors of its baseline), ``evidence`` ln evidence by Laplace up to a constant.
    """

    middle: Floats
    cover: Floats
    best_scatter: Floats
    shares: Floats
    heaters: Floats
    evidence: float

    @property
    def scatter(self) -> Floats:
        """Mean of ln of each scatter over the shipped one."""
        found: Floats = self.shares @ GRID
        return found

    @property
    def scatter_u(self) -> Floats:
        """Standard uncertainty of that."""
        found: Floats = np.sqrt(self.shares @ GRID**2 - self.scatter**2)
        return found


class Padded:
    """The lines of many visits as one array; what a visit lacks has unit noise and no slope."""

    def __init__(self, visits: Sequence[Lines]) -> None:
        count, most = len(visits), max(len(one.weight) for one in visits)
        self.channels = np.array([one.start.shape[1] for one in visits], dtype=float)
        wide, kinds = int(self.channels.max()), len(visits[0].scatter)
        self.heater = np.array([one.heater for one in visits])
        of_heater: dict[int, dict[Hashable, int]] = {}
        for one in visits:
            known = of_heater.setdefault(one.heater, {})
            for name, _ in one.base:
                known.setdefault(name, STRUCTURES + len(known))
        self.places = STRUCTURES + max(map(len, of_heater.values()))
        self.start = np.zeros((count, most, wide))
        self.slope = np.zeros((count, most, wide, self.places))
        self.noise = np.tile(np.eye(wide), (count, most, 1, 1))
        self.scatter = np.zeros((count, kinds, wide, wide))
        self.weight = np.full((count, most), -np.inf)
        for index, one in enumerate(visits):
            k, d = one.start.shape
            self.start[index, :k, :d] = one.start
            self.slope[index, :k, :d, :STRUCTURES] = one.slope
            for name, moved in one.base:
                self.slope[index, :k, :d, of_heater[one.heater][name]] = moved
            self.noise[index, :k, :d, :d] = one.noise
            self.scatter[index, :, :d, :d] = one.scatter
            self.weight[index, :k] = one.weight


class Steps:
    """The steps over the visits of some heaters; ``rows`` (heaters x coordinates) name what each coordinate teaches."""

    def __init__(self, visits: Sequence[Lines], rows: Sequence[Sequence[int]], names: int, freedom: float) -> None:
        self.all, self.names, self.freedom = Padded(visits), names, freedom
        self.count = len(rows)
        own = np.full((self.count, self.all.places - STRUCTURES), -1)  # errors of a baseline teach nothing of the type
        self.rows = np.concatenate([np.asarray(rows), own], axis=1)

    def under(self, log_scatter: Floats) -> None:
        """Work out the noise of every line under some scatters."""
        added = np.einsum("vtab,t->vab", self.all.scatter, np.exp(2.0 * log_scatter))
        matrix = self.all.noise + added[:, None]
        self.inverse = np.linalg.inv(matrix)
        self.half_log = 0.5 * np.linalg.slogdet(matrix)[1]

    def weigh(self, place: Floats) -> tuple[Floats, Floats, Floats]:
        """Return ln likelihood of each heater at its place, with its slope and its negative curvature."""
        one = self.all
        here = place[one.heater]
        gap = one.start + np.einsum("vkds,vs->vkd", one.slope, here)
        pulled = np.einsum("vkab,vkb->vka", self.inverse, gap)
        square = np.einsum("vkd,vkd->vk", gap, pulled)
        whole = self.freedom + one.channels[:, None]
        value = one.weight - self.half_log - 0.5 * whole * np.log1p(square / self.freedom)
        top = value.max(axis=1)
        share = np.exp(value - top[:, None])
        total = share.sum(axis=1)
        share /= total[:, None]
        pull = whole / (self.freedom + square)
        self.gap, self.pulled, self.share, self.pull = gap, pulled, share, pull
        each = -pull[..., None] * np.einsum("vkds,vkd->vks", one.slope, pulled)
        slope = np.einsum("vk,vks->vs", share, each)
        bend = np.einsum("vk,vkas,vkab,vkbt->vst", share * pull, one.slope, self.inverse, one.slope, optimize=True)
        bend -= np.einsum("vk,vks,vkt->vst", share, each, each) - slope[:, :, None] * slope[:, None]
        logs, slopes = np.zeros(self.count), np.zeros((self.count, one.places))
        bends = np.zeros((self.count, one.places, one.places))
        np.add.at(logs, one.heater, top + np.log(total))
        np.add.at(slopes, one.heater, slope)
        np.add.at(bends, one.heater, bend)
        values, vectors = np.linalg.eigh(bends)
        return logs, slopes, np.einsum("hsi,hi,hti->hst", vectors, np.maximum(values, 0.0), vectors)

    def scatter_step(self, cover: Any, log_scatter: Floats) -> Floats:
        """Return the next ln of the scatters: what is left over pulls them."""
        one = self.all
        size = np.exp(2.0 * log_scatter)
        spread = np.einsum("vkas,vst,vkbt->vkab", one.slope, cover[one.heater], one.slope, optimize=True)
        left = self.pulled[..., :, None] * self.pulled[..., None, :]
        left = left + self.inverse @ spread @ self.inverse
        pulls = (self.share * self.pull)[..., None, None] * left - self.share[..., None, None] * self.inverse
        gradient = np.einsum("vab,vtab->t", pulls.sum(axis=1), one.scatter, optimize=True) * size
        mixed = np.einsum("vk,vkab,vtbc->vtac", self.share, self.inverse, one.scatter, optimize=True)
        bend = 2.0 * np.einsum("vtab,vuba->tu", mixed, mixed, optimize=True) * size[:, None] * size
        bend *= np.mean(self.freedom / (self.freedom + one.channels + 2.0))
        bend += np.eye(len(size)) / SCATTER_U**2
        step = np.linalg.solve(bend, gradient - log_scatter / SCATTER_U**2)
        moved: Floats = log_scatter + np.clip(step, -0.5, 0.5)
        return moved

    def scatter_shares(self, log_scatter: Floats) -> Floats:
        """Return the posterior of ln of each scatter on a grid (scatters x GRID), the others at their best.

        Near its best a scatter acts as in n readings of which it makes the share r of the variance; n and r follow
        from the curvature. The curve is far from round where r is small: a scatter that is not seen may be any smaller.
        """
        one = self.all
        self.under(log_scatter)  # the noise with the scatters as they are now: only then is no share above one
        part = np.einsum("vk,vkab,vtbc->vtac", self.share, self.inverse, one.scatter, optimize=True)
        part *= np.exp(2.0 * log_scatter)[:, None, None]
        first, second = np.einsum("vtaa->t", part), np.einsum("vtab,vtba->t", part, part)
        share = np.divide(second, first, out=np.zeros_like(first), where=first > 1e-6)
        share = np.minimum(share, 1.0)  # rounding
        count = np.divide(first, share, out=np.zeros_like(first), where=share > 0.0)
        count *= np.mean(self.freedom / (self.freedom + one.channels + 2.0))
        pulled = np.divide(log_scatter, SCATTER_U**2 * count * share, out=np.zeros_like(first), where=count > 0.0)
        wider = 1.0 - share[:, None] + share[:, None] * np.exp(2.0 * (GRID - log_scatter[:, None]))
        value = (
            -0.5 * count[:, None] * (np.log(wider) + (1.0 + pulled[:, None]) / wider) - 0.5 * (GRID / SCATTER_U) ** 2
        )
        weight: Floats = np.exp(value - value.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        return weight

    def run(self, begin: Floats | None = None, scatter: Floats | None = None, steps: int = STEPS) -> Hierarchy:
        """Return the hierarchy that the visits teach, from a first guess of the middle."""
        known = self.rows >= 0
        pick = np.zeros((self.count, self.all.places, self.names))
        at = np.nonzero(known)
        pick[at[0], at[1], self.rows[at]] = 1.0
        within = 1.0 / np.where(known, OF_HEATER, 1.0)  # precision of a heater around its type
        alone = np.eye(self.all.places)
        middle = np.zeros(self.names) if begin is None else begin.copy()
        log_scatter = np.zeros(self.all.scatter.shape[1]) if scatter is None else scatter.copy()
        place = np.einsum("hsr,r->hs", pick, middle)
        for _ in range(steps):
            self.under(log_scatter)
            for _ in range(2):
                logs, slopes, bends = self.weigh(place)
                around = np.linalg.inv(bends + within[:, :, None] * alone)
                told = np.einsum("hst,ht->hs", bends, place) + slopes
                far = within[:, :, None] * alone - within[:, :, None] * around * within[:, None, :]
                precision = np.eye(self.names) / (1.0 - OF_HEATER)
                precision = precision + np.einsum("hsr,hst,htq->rq", pick, far, pick, optimize=True)
                pulled = within * np.einsum("hst,ht->hs", around, told)
                middle = np.linalg.solve(precision, np.einsum("hsr,hs->r", pick, pulled))
                of_type = np.einsum("hsr,r->hs", pick, middle)
                aim = np.einsum("hst,ht->hs", around, told + within * of_type)
                moved = np.clip(aim - place, -MOST_STEP, MOST_STEP)
                place = place + moved
            before = log_scatter
            log_scatter = self.scatter_step(around, log_scatter)
            if max(np.abs(moved).max() * 0.2, np.abs(log_scatter - before).max()) < ENOUGH:
                break
        off = place - of_type
        value = logs.sum() - 0.5 * np.sum(within * off * off) + 0.5 * np.sum(np.log(within))
        value += 0.5 * np.linalg.slogdet(around)[1].sum() - 0.5 * np.linalg.slogdet(precision)[1]
        value -= 0.5 * middle @ middle / (1.0 - OF_HEATER) + 0.5 * np.sum((before / SCATTER_U) ** 2)
        cover: Any = np.linalg.inv(precision)
        return Hierarchy(middle, cover, log_scatter, self.scatter_shares(log_scatter), place, float(value))
