"""Type, heater, visit: what a type's heaters are like, from the straight lines of their visits, by Laplace steps.

A heater's structure lies around the middle of its type, and nobody knew that middle: together they are as wide as the
shipped prior. Each heater also has the errors of its baseline, the same in all its visits. Scatters are shared by all
heaters. Each step takes every heater to where its visits fit best, weighs
what it tells of the middle of the type, and lets the scatters follow what is left.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from combust.application.learning.lines import STRUCTURES, Lines
from combust.kernel.tails import shares_of_logs
from combust.kernel.types import Floats

OF_HEATER = 0.35  # part of the shipped variance by which heaters of a type differ; the rest is not knowing the type
SCATTER_U = 0.5  # standard uncertainty of ln of a scatter before any visit
MOST_STEP = 1.0
STEPS = 14
MOVES = 6
ENOUGH = 0.004
AWAY = np.array([-2.4, -1.2, 0.0, 1.2, 2.4])  # standard uncertainties of a scatter at which the evidence is worked out
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


class Settled(NamedTuple):
    """Where heaters and their type lie under some scatters, a step nearer to where they fit best.

    ``place`` and the step ``moved`` to it are heaters x coordinates, ``around`` is the covariance of each heater given
    its type, ``precision`` that of the middle of the type, ``evidence`` ln evidence by Laplace up to a constant.
    """

    place: Floats
    moved: Floats
    around: Any
    middle: Floats
    precision: Floats
    evidence: float


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
        known = self.rows >= 0
        self.pick = np.zeros((*self.rows.shape, names))
        at = np.nonzero(known)
        self.pick[at[0], at[1], self.rows[at]] = 1.0
        self.within = 1.0 / np.where(known, OF_HEATER, 1.0)  # precision of a heater around its type

    def under(self, log_scatter: Floats) -> None:
        """Work out the noise of every line under some scatters."""
        added = np.einsum("vtab,t->vab", self.all.scatter, np.exp(2.0 * log_scatter))
        lower = np.linalg.cholesky(self.all.noise + added[:, None])
        self.whitening = np.linalg.inv(lower)
        self.half_log = np.sum(np.log(np.diagonal(lower, axis1=2, axis2=3)), axis=2)
        self.start = (self.whitening @ self.all.start[..., None])[..., 0]
        self.slope = self.whitening @ self.all.slope

    def weigh(self, place: Floats) -> tuple[Floats, Floats, Floats]:
        """Return ln likelihood of each heater at its place, with its slope and its negative curvature."""
        one = self.all
        here = place[one.heater][:, None, :, None]
        self.gap = self.start + (self.slope @ here)[..., 0]
        square = np.sum(self.gap**2, axis=2)
        whole = self.freedom + one.channels[:, None]
        value = one.weight - self.half_log - 0.5 * whole * np.log1p(square / self.freedom)
        share, log_sum = shares_of_logs(value)
        pull = whole / (self.freedom + square)
        self.share, self.pull = share, pull
        each = -pull[..., None] * (self.gap[..., None, :] @ self.slope)[..., 0, :]
        slope = np.einsum("vk,vks->vs", share, each)
        count = len(share)
        pulled = (np.sqrt(share * pull)[..., None, None] * self.slope).reshape(count, -1, one.places)
        apart = np.sqrt(share)[..., None] * (each - slope[:, None])
        bend = pulled.transpose(0, 2, 1) @ pulled - apart.transpose(0, 2, 1) @ apart
        logs, slopes = np.zeros(self.count), np.zeros((self.count, one.places))
        bends = np.zeros((self.count, one.places, one.places))
        np.add.at(logs, one.heater, log_sum)
        np.add.at(slopes, one.heater, slope)
        np.add.at(bends, one.heater, bend)
        values, vectors = np.linalg.eigh(bends)
        return logs, slopes, np.einsum("hsi,hi,hti->hst", vectors, np.maximum(values, 0.0), vectors)

    def settle(self, place: Floats) -> Settled:
        """Take every heater a step to where its visits fit best, and the middle of the type with it."""
        pick, within = self.pick, self.within
        own = within[:, :, None] * np.eye(self.all.places)
        logs, slopes, bends = self.weigh(place)
        around = np.linalg.inv(bends + own)
        told = np.einsum("hst,ht->hs", bends, place) + slopes
        far = own - within[:, :, None] * around * within[:, None, :]
        precision = np.eye(self.names) / (1.0 - OF_HEATER)
        precision = precision + np.einsum("hsr,hst,htq->rq", pick, far, pick, optimize=True)
        pulled = within * np.einsum("hst,ht->hs", around, told)
        middle = np.linalg.solve(precision, np.einsum("hsr,hs->r", pick, pulled))
        of_type = np.einsum("hsr,r->hs", pick, middle)
        aim = np.einsum("hst,ht->hs", around, told + within * of_type)
        moved = np.clip(aim - place, -MOST_STEP, MOST_STEP)
        off = place + moved - of_type
        value = logs.sum() + np.sum(slopes * moved) - 0.5 * np.einsum("hs,hst,ht->", moved, bends, moved)
        value += -0.5 * np.sum(within * off * off) + 0.5 * np.sum(np.log(within))
        value += 0.5 * np.linalg.slogdet(around)[1].sum() - 0.5 * np.linalg.slogdet(precision)[1]
        value -= 0.5 * middle @ middle / (1.0 - OF_HEATER)
        return Settled(place + moved, moved, around, middle, precision, float(value))

    def scatter_step(self, cover: Any, log_scatter: Floats) -> tuple[Floats, Floats]:
        """Return the next ln of the scatters, as what is left over pulls them, and their standard uncertainties."""
        one = self.all
        size = np.exp(2.0 * log_scatter)
        spread = self.slope @ cover[one.heater][:, None] @ self.slope.swapaxes(2, 3)
        left = self.gap[..., :, None] * self.gap[..., None, :] + spread
        left = (self.share * self.pull)[..., None, None] * left - self.share[..., None, None] * np.eye(left.shape[-1])
        back = self.whitening.swapaxes(2, 3)
        left = (back @ left @ self.whitening).sum(axis=1)
        gradient = np.einsum("vab,vtab->t", left, one.scatter, optimize=True) * size
        mixed = np.einsum("vk,vkab,vtbc->vtac", self.share, back @ self.whitening, one.scatter, optimize=True)
        bend = 2.0 * np.einsum("vtab,vuba->tu", mixed, mixed, optimize=True) * size[:, None] * size
        bend *= np.mean(self.freedom / (self.freedom + one.channels + 2.0))
        bend += np.eye(len(size)) / SCATTER_U**2
        step = np.linalg.solve(bend, gradient - log_scatter / SCATTER_U**2)
        moved: Floats = log_scatter + np.clip(step, -0.5, 0.5)
        return moved, np.sqrt(1.0 / np.diag(bend))

    def scatter_shares(self, log_scatter: Floats, u: Floats, place: Floats) -> Floats:
        """Return the posterior of ln of each scatter on a grid (scatters x GRID), the others at their best.

        The evidence is worked out at some values of each scatter, and a curve goes through them: it is far from round
        where other errors are larger than the scatter, which may then be any smaller. Where the values do not hold the
        middle of the posterior, they are moved.
        """
        before = -0.5 * (GRID / SCATTER_U) ** 2
        shares = [shares_of_logs(before)[0]] * len(log_scatter)
        for number in np.flatnonzero(self.all.scatter.any(axis=(0, 2, 3))).tolist():
            middle, wide = log_scatter[number], u[number]
            for _ in range(MOVES):
                value = self._evidence(number, log_scatter, middle + AWAY * wide, place)
                share, _ = shares_of_logs(before + curve(AWAY, value, (GRID - middle) / wide))
                shares[number] = share
                off = (share @ GRID - middle) / wide
                if abs(off) <= AWAY[-2]:
                    break
                middle = middle + wide * np.clip(off, AWAY[0], AWAY[-1])
        return np.array(shares)

    def _evidence(self, number: int, log_scatter: Floats, values: Floats, place: Floats) -> Floats:
        """Return ln evidence at some values of ln of one scatter, the others as they are."""
        tried, found = log_scatter.copy(), []
        for value in values:
            tried[number] = value
            self.under(tried)
            found.append(self.settle(place).evidence)
        return np.array(found)

    def run(self, begin: Hierarchy | None = None, steps: int = STEPS) -> Hierarchy:
        """Return the hierarchy that the visits teach, from the start or from what more heaters have taught.

        How sure each scatter is, is worked out at the start only; of fewer heaters it moves with its best value.
        """
        known = self.rows >= 0
        log_scatter = np.zeros(self.all.scatter.shape[1])
        place = np.zeros(self.rows.shape)
        if begin is not None:
            log_scatter = begin.best_scatter
            place[known] = begin.middle[self.rows[known]]
        for _ in range(steps):
            self.under(log_scatter)
            found = self.settle(self.settle(place).place)
            place = found.place
            before = log_scatter
            log_scatter, u = self.scatter_step(found.around, log_scatter)
            if max(np.abs(found.moved).max() * 0.2, np.abs(log_scatter - before).max()) < ENOUGH:
                break
        value = found.evidence - 0.5 * np.sum((before / SCATTER_U) ** 2)
        cover: Any = np.linalg.inv(found.precision)
        if begin is None:
            shares = self.scatter_shares(log_scatter, u, place)
        else:
            off = GRID - (log_scatter - begin.best_scatter)[:, None]
            shares = np.array([np.interp(at, GRID, share) for at, share in zip(off, begin.shares, strict=True)])
            shares /= shares.sum(axis=1, keepdims=True)
        return Hierarchy(found.middle, cover, log_scatter, shares, place, float(value))


def curve(points: Floats, values: Floats, at: Floats) -> Floats:
    """Return the polynomial through some values, and beyond the outermost of them its tangents."""
    through = np.polynomial.Polynomial.fit(points, values, len(points) - 1)
    inside = np.clip(at, points[0], points[-1])
    found: Floats = through(inside) + through.deriv()(inside) * (at - inside)
    return found
