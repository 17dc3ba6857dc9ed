"""The engine of one heater: prior draws made once, then every visit weighed against them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes import posterior as post
from combust.application.causes.catalogue import HEALTHY, Cause, Priors
from combust.application.causes.draws import SINGLE_SIZE, Drawer, Variant
from combust.application.causes.forward import Model, SharedStates, shared_states
from combust.application.causes.pairs import Pairs, as_the_other_alone, screened
from combust.application.causes.posterior import Hypothesis, Posterior, Visit, Whitening, loose_of
from combust.application.causes.seen_answers import seen_answers, seen_likelihood, seen_twice
from combust.application.causes.sharpen import Start, sharpen, standard_batch
from combust.application.causes.stacking import parameters_together, stacked
from combust.application.causes.stage_reading import StageReading, Values, stage_reading
from combust.application.heater.baseline import healthy_stages
from combust.application.heater.healthy import HealthyStage
from combust.application.heater.structure import PRIOR_DRAWS, STRUCTURE, Parameters, stratified_normals
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.kernel.tails import shares_of_logs
from combust.kernel.types import Floats

STAGE = "stage_mistaken"
LOOSE_KINDS = [frozenset(some) for count in range(3) for some in combinations(ev.LOOSE, count)]


class Engine:
    """Weighs visits of one heater.

    Parameters
    ----------
    heater : Heater
    priors : Priors
    instrument : InstrumentClass
    seed : int
        Same seed, same answer.
    """

    def __init__(self, heater: Heater, priors: Priors, instrument: InstrumentClass, seed: int) -> None:
        self.heater, self.priors, self.instrument, self.seed = heater, priors, instrument, seed
        self.model = Model.of(heater, priors)
        self.drawer = Drawer(heater, priors)
        self.stages: dict[str, HealthyStage] = healthy_stages(heater, (priors.stated or priors).table)
        self.variants = self.drawer.variants
        self.freedom = priors.decide("student_freedom")
        self._log_priors: dict[tuple[bool, tuple[tuple[str, float], ...]], dict[Hypothesis, float]] = {}
        self._pairs: dict[tuple[tuple[str, float], ...], Pairs] = {}
        self._no_weight = np.zeros(PRIOR_DRAWS)
        self._make_prior_draws()
        self.batch = standard_batch(np.random.default_rng([seed, 1]))

    def _make_prior_draws(self) -> None:
        generator = np.random.default_rng(self.seed)
        structure = stratified_normals(PRIOR_DRAWS, len(STRUCTURE), generator)
        self.prior_u = {}
        drawn: dict[Variant, Parameters] = {}
        for variant in self.variants:
            each = stratified_normals(PRIOR_DRAWS, SINGLE_SIZE - len(STRUCTURE), generator)
            self.prior_u[variant] = u = np.concatenate([structure, each], axis=1)
            drawn[variant] = self.drawer.parameters(u, variant)
        self.asked_order = [variant for variant in drawn if self.priors.causes[variant.cause].asked_by]
        self.order = [variant for variant in drawn if variant.cause != STAGE and variant not in self.asked_order]
        self.moved_order = [variant for variant in drawn if variant.cause == STAGE]
        self.prior_sizes = {variant: _sizes(part) for variant, part in drawn.items()}
        orders = (self.order, self.moved_order, self.asked_order)
        parts, moved, asked = ([drawn[variant] for variant in order] for order in orders)
        probe = self.probe = ev.probe_parameters(parts[0])
        self.main = stacked([*parts, probe], [PRIOR_DRAWS] * len(parts) + [1 + len(ev.PROBES)])
        self.shared = shared_states(self.main)
        self.moved = stacked(moved, [PRIOR_DRAWS] * len(moved))
        self.asked = stacked(asked, [PRIOR_DRAWS] * len(asked))

    def prior_shares(self, pairs: bool, weighed: Mapping[str, float] | None = None) -> dict[Hypothesis, float]:
        """Return the prior of every hypothesis by variant; without pairs their part is shared by the others.

        ``weighed`` are the causes that the evidence can speak about, with their weights; None = those of a gas
        reading alone.
        """
        if weighed is None:
            weighed = self.priors.weighed((), gas=True)
        variants = [variant for variant in self.variants if variant.cause in weighed]
        prior, causes = self.priors.shares, dict.fromkeys(variant.cause for variant in variants)
        weight = {name: self._weight(self.priors.causes[name], weighed[name]) for name in causes if name != HEALTHY}
        whole = sum(weight.values())
        both = {two: weight[two[0]] * weight[two[1]] for two in combinations(weight, 2) if self._may_be_two(*two)}
        of_pairs = sum(both.values())
        rest = 1.0 if pairs else 1.0 / (1.0 - prior["pairs"]) if prior["pairs"] < 1.0 else 0.0
        shares: dict[Hypothesis, float] = {}
        for variant in variants:
            part = prior["healthy"] if variant.cause == HEALTHY else prior["singles"] * weight[variant.cause] / whole
            shares[(variant,)] = part * variant.share * rest
        if pairs:
            named = [variant for variant in variants if variant.cause != HEALTHY]
            for index, first in enumerate(named):
                for second in named[index + 1 :]:
                    if (first.cause, second.cause) in both:
                        share = prior["pairs"] * both[first.cause, second.cause] / of_pairs
                        shares[(first, second)] = share * first.share * second.share
        return {key: value for key, value in shares.items() if value > 0.0}

    def _weight(self, cause: Cause, usual: float) -> float:
        """Return the weight of a cause among the others: a provisional baseline is under suspicion."""
        doubted = cause.baseline and self.heater.is_provisional
        return max(usual, self.priors.decide("provisional_weight")) if doubted else usual

    def _may_be_two(self, first: str, second: str) -> bool:
        """Return whether two causes are weighed together.

        A baseline has one thing wrong with it at most, and what was told of start or cab has one cause of its own.
        """
        one, other = self.priors.causes[first], self.priors.causes[second]
        return not (one.baseline and other.baseline) and not (one.asked_by and other.asked_by)

    # ---- a visit ---------------------------------------------------------------------------------------------------
    def visit(self, readings: Sequence[Values]) -> tuple[Visit, dict[Variant, Floats], list[dict[str, Any]]]:
        """Return a visit with the whitened residuals of the prior draws, and the channels of each row."""
        several = len({reading.get("stage") for reading in readings}) > 1
        rows = [self.row(reading, several) for reading in readings]
        found: list[ev.Observation] = []
        for index, (reading, row) in enumerate(zip(readings, rows, strict=True)):
            known = {"stroke_ul": self.heater.stroke_ul, **reading}
            found += ev.observations_of(index, known, row, self.model, self.instrument)
        told = [one for reading in readings for one in seen_answers(reading, self.heater, self.priors)]
        found = ev.of_heater(ev.without_repeats(found), told, self.priors)
        if ev.seen_blocked(readings):  # too little air makes CO and soot: they may not speak for the burner then
            found = [one for one in found if one.channel not in ("co", "smoke")]
        if found:  # nothing read says nothing, of the baseline too
            found += ev.band_observations(self.stages.values())
        wanted: dict[Any, set[str]] = {row.key: set() for row in rows}
        for one in found:
            wanted[rows[one.row].key].add(one.channel)
        needed = [frozenset(wanted[row.key]) for row in rows]
        outputs = self._channels(rows, needed, self.main, self.shared)
        moved = self._channels(rows, needed, self.moved)
        probes = [{key: value[-5:] for key, value in output.items() if np.ndim(value)} for output in outputs]
        visit = self._frame(rows, needed, found, probes, readings, told)
        residuals: dict[Variant, Floats] = {}
        worked = [(self.order, outputs), (self.moved_order, moved)]
        if any(variant.cause in visit.weighed for variant in self.asked_order):
            worked.append((self.asked_order, self._channels(rows, needed, self.asked)))
        for order, channels in worked:
            difference = _difference(visit, channels, len(order) * PRIOR_DRAWS)
            usual = visit.usual.whitened(difference)
            for index, variant in enumerate(order):
                part = slice(index * PRIOR_DRAWS, (index + 1) * PRIOR_DRAWS)
                loose = loose_of((variant,))
                residuals[variant] = visit.whitening[loose].whitened(difference[part]) if loose else usual[part]
        weighed = {variant: residual for variant, residual in residuals.items() if variant.cause in visit.weighed}
        return visit, weighed, outputs

    def _channels(
        self,
        rows: Sequence[StageReading],
        needed: Sequence[frozenset[str]],
        parameters: Parameters,
        shared: SharedStates | None = None,
    ) -> list[dict[str, Any]]:
        """Return the channels of each row; rows of which the model expects the same are worked once."""
        different = {row.key: (row, names) for row, names in zip(rows, needed, strict=True)}
        some, channels_of = zip(*different.values(), strict=True)
        worked = self.model.expected_rows(some, parameters, channels_of, shared)
        cache = dict(zip(different, worked, strict=True))
        return [cache[row.key] for row in rows]

    def row(self, reading: Values, several: bool = False) -> StageReading:
        """Return the row of a reading, at the fullest stage if none is noted; ``several``: others were read too."""
        name = reading.get("stage")
        if name is None:
            name = max(self.stages, key=lambda key: self.stages[key].load)
        healthy = self.stages[self.heater.stage_of(name).name]
        others = [stage for key, stage in self.stages.items() if key != healthy.name]
        other = min(others, key=lambda stage: abs(stage.load - healthy.load), default=None)
        return stage_reading(reading, healthy, other, several)

    def _frame(
        self,
        rows: list[StageReading],
        needed: list[frozenset[str]],
        found: list[ev.Observation],
        probes: Sequence[Mapping[str, Any]],
        readings: Sequence[Values],
        told: Sequence[tuple[str, str]],
    ) -> Visit:
        matrix = ev.covariance(found, rows, probes, self.priors)
        parts = {cause: ev.loosened(cause, found, rows, self.priors) for cause in ev.LOOSE}
        whitening = {}
        for loose in LOOSE_KINDS:
            shift = sum((parts[cause][0] for cause in loose), np.zeros(len(found)))
            whitening[loose] = Whitening.of(sum((parts[cause][1] for cause in loose), matrix), shift)
        seen = seen_likelihood(told, readings, self.priors)
        weighed = self.priors.weighed(told, gas=bool(found), channels=(one.channel for one in found))
        twice = seen_twice(told, self.priors)
        return Visit(rows, needed, found, whitening, seen, twice, ev.proven_steady(readings), weighed)

    def unsteady_most(self, visit: Visit) -> float:
        """Return how probable an unsteady reading may become: never when proven steady, held back when not watched."""
        return {None: self.priors.decide("unsteady_most"), True: 0.0, False: 1.0}[visit.steady]

    def log_likelihood(self, visit: Visit, residual: Floats, hypothesis: Hypothesis) -> Floats:
        """Return ln likelihood of draws, what was seen included."""
        square = np.einsum("ij,ij->i", residual, residual)
        value = post.student_log(square, self.freedom, visit.dimensions)
        return value + self.constant(visit, hypothesis)

    def constant(self, visit: Visit, hypothesis: Hypothesis) -> float:
        """Return the part of ln likelihood that all draws of a hypothesis share: what was seen, and the wider noise."""
        names = {variant.cause for variant in hypothesis}
        return visit.seen_under(names) + visit.wider(loose_of(hypothesis))

    def difference(self, visit: Visit, parameters: Parameters) -> Floats:
        """Return what was observed less what draws expect, one column for each observed channel."""
        channels = self._channels(visit.rows, visit.needed, parameters)
        return _difference(visit, channels, len(parameters["steepness"]))

    # ---- posterior -------------------------------------------------------------------------------------------------
    def posterior(
        self, readings: Sequence[Values], *, pairs: bool = False
    ) -> tuple[Visit, dict[Variant, Floats], Posterior]:
        """Return a visit, the residuals of the prior draws and the posterior; ``pairs`` are two causes at once."""
        visit, residuals, _ = self.visit(readings)
        log_prior = self.log_prior(pairs, visit.weighed)
        blocks = self._prior_blocks(visit, residuals, log_prior)
        found = {key: block.log_evidence for key, block in blocks.items()}
        result = Posterior(blocks, log_prior, found, unsteady_most=self.unsteady_most(visit))
        starts = {key: Start.of(block) for key, block in blocks.items()}
        if pairs:
            how: dict[str, Any] = {"prior_u": self.prior_u, "freedom": self.freedom}
            starts |= screened(self.pairs(visit.weighed), visit, residuals, result, **how)
        if visit.dimensions:
            sharpen(self, visit, result, starts)
        if pairs and visit.steady is None:
            as_the_other_alone(self.pairs(visit.weighed), result)
        return visit, residuals, result

    def log_prior(self, pairs: bool, weighed: Mapping[str, float]) -> dict[Hypothesis, float]:
        """Return ln prior of every hypothesis of the causes that are weighed (do not change it)."""
        key = (pairs, tuple(weighed.items()))
        if key not in self._log_priors:
            shares = self.prior_shares(pairs, weighed)
            self._log_priors[key] = {hypothesis: float(np.log(value)) for hypothesis, value in shares.items()}
        return self._log_priors[key]

    def pairs(self, weighed: Mapping[str, float]) -> Pairs:
        """Return the pairs of the causes that are weighed (do not change them)."""
        key = tuple(weighed.items())
        if key not in self._pairs:
            self._pairs[key] = Pairs.of(self.log_prior(True, weighed))
        return self._pairs[key]

    def _prior_blocks(
        self, visit: Visit, residuals: Mapping[Variant, Floats], log_prior: Mapping[Hypothesis, float]
    ) -> dict[Hypothesis, post.Block]:
        """Return the prior draws of every single hypothesis with their likelihood, worked as one array."""
        variants = [variant for variant in residuals if (variant,) in log_prior]
        stack = np.stack([residuals[variant] for variant in variants])
        square = np.einsum("vnd,vnd->vn", stack, stack)
        constant = np.array([self.constant(visit, (variant,)) for variant in variants])
        value = post.student_log(square, self.freedom, visit.dimensions) + constant[:, None]
        weight, log_sum = shares_of_logs(value)
        evidence, effective = log_sum - np.log(PRIOR_DRAWS), 1.0 / np.sum(weight * weight, axis=1)
        return {
            (variant,): post.Block(
                self.prior_u[variant],
                value[index],
                stack[index],
                self._no_weight,
                log_evidence=float(evidence[index]),
                effective=float(effective[index]),
                weights=weight[index],
                sizes=self.prior_sizes[variant],
            )
            for index, variant in enumerate(variants)
        }

    def drawn(
        self, visit: Visit, keys: Sequence[Hypothesis], draws: Sequence[Floats]
    ) -> tuple[list[Floats], list[dict[str, Floats]]]:
        """Return whitened residuals and sizes of draws of several hypotheses, evaluated in one forward run."""
        parts, whole = parameters_together(self.drawer, draws, keys)
        difference = self.difference(visit, whole)
        ends = np.cumsum([len(u) for u in draws])[:-1]
        residuals = [
            visit.whitening[loose_of(key)].whitened(of_key)
            for key, of_key in zip(keys, np.split(difference, ends), strict=True)
        ]
        return residuals, [_sizes(part) for part in parts]

    def probe_cache(self, row: StageReading) -> Mapping[str, Floats]:
        """Return the channels of the probe draws at a row."""
        return self.model.expected(row, self.probe)


def _difference(visit: Visit, channels: Sequence[Mapping[str, Any]], count: int) -> Floats:
    """Return observed less expected of the first ``count`` draws, a column a channel; in memory, one after another."""
    columns = np.empty((visit.dimensions, count))
    for column, one in zip(columns, visit.found, strict=True):
        np.subtract(one.value, channels[one.row][one.channel][:count], out=column)
    return columns.T


def _sizes(parameters: Parameters) -> dict[str, Floats]:
    """Return the size of each cause among parameters."""
    return {key.removeprefix("size_"): value for key, value in parameters.items() if key.startswith("size_")}
