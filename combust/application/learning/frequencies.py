"""How often each cause is met: shares learnt from visits whose cause was confirmed, some labels wrong.

The shipped prior counts as a few visits, each confirmed cause as one. A label may be wrong, and then it is any other
cause: how often is learnt with the shares. That a dangerous cause was not met is no reason to look for it less: its
frequency is raised, never lowered. Only causes that a repair can confirm are weighed against each other.

A cause that an anonymous table held back is a label too: any of the causes that the table does not tell. Nothing more
is known of it, so that it falls on them as their shares are, which are in the proportions of the shipped prior where
no other table tells one of them. It is never taken as a cause that was not met.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import HEALTHY, Priors, held
from combust.application.learning.learnt import in_bands, rule
from combust.application.learning.taught import Taught
from combust.data.tables import load_table
from combust.kernel.types import Floats

PRIOR_VISITS = 12.0  # what the shipped prior counts for
WRONG = (1.0, 30.0)  # beta distribution of the share of wrong labels before any visit
PRIOR_LOOKS = 60.0  # what the shipped share of false looks counts for
DRAWS, FIRST = 1500, 300
SEED = 1
STEPS, ENOUGH = 500, 1e-12
ENDS = (0.05, 0.95)

Label = str | tuple[str, ...]  # a confirmed cause; of one that was held back the causes that it was not


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Shares of causes among those that can be confirmed: visits, mean share, shipped share, seed of the draws.

    ``seen`` are the visits of each label, first of each cause in order, then of those held back; ``possible`` tells of
    each label the causes that it can name. ``lasting`` marks the dangerous causes, whose frequency is never lowered.
    """

    causes: tuple[str, ...]
    seen: Floats
    possible: Any
    mean: Floats
    shipped: Floats
    lasting: Any
    seed: int = SEED

    @property
    def counts(self) -> Floats:
        """The visits in which each cause was confirmed by its name."""
        return self.seen[: len(self.causes)]

    @property
    def ends(self) -> tuple[Floats, Floats]:
        """The ends of the 90 % interval of each share, from draws."""
        drawn = _drawn(self.seen.astype(int), self.possible, PRIOR_VISITS * self.shipped, self.seed)
        low, high = np.quantile(drawn, ENDS, axis=0)
        return low, high

    @property
    def factors(self) -> Floats:
        """How often each cause is met over its shipped share: never below a tenth, a dangerous one never below 1."""
        least = np.where(self.lasting, 1.0, rule("least_prior"))
        return np.asarray(held(self.mean, self.shipped, least) / self.shipped)

    def to_dict(self) -> dict[str, dict[str, float]]:
        """Return cause -> count, low, high and factor, as the file of what was learnt holds them."""
        (low, high), factors = self.ends, self.factors
        return {
            name: in_bands(
                "frequency",
                {
                    "count": float(self.counts[index]),
                    "low": float(low[index]),
                    "high": float(high[index]),
                    "factor": float(factors[index]),
                },
            )
            for index, name in enumerate(self.causes)
        }


def confirmable(priors: Priors) -> tuple[str, ...]:
    """Return the causes that a repair can confirm and every visit weighs: no doubt of a baseline, none of a start."""
    return tuple(
        name for name, cause in priors.causes.items() if name != HEALTHY and not cause.baseline and not cause.asked_by
    )


def shares_of(counts: Mapping[Label, int] | Mapping[str, int], priors: Priors, seed: int = SEED) -> Shares:
    """Return the shares that counts of confirmed causes teach; intervals by Gibbs steps over truths and shares.

    Parameters
    ----------
    counts : mapping
        Cause -> visits in which it was confirmed; causes that cannot be are left out. Of visits whose cause was held
        back the causes that are told beside them -> visits.
    priors : Priors
        Whose weights are the shipped shares.
    seed : int
    """
    names = confirmable(priors)
    weight = np.array([priors.causes[name].weight for name in names])
    shipped = weight / weight.sum()
    held_back = {label: float(count) for label, count in counts.items() if not isinstance(label, str)}
    held_back = {label: count for label, count in held_back.items() if possible_of(label, names).any()}
    seen = np.array([*(float(dict(counts).get(name, 0)) for name in names), *held_back.values()])
    labels: list[Label] = [*names, *held_back]
    possible = np.array([possible_of(label, names) for label in labels])
    lasting = np.array([priors.causes[name].dangerous for name in names])
    mean = _mean(seen, possible, PRIOR_VISITS * shipped)
    return Shares(names, seen, possible, mean, shipped, lasting, seed)


def possible_of(label: Label, names: Sequence[str]) -> Any:
    """Return which of the causes a label can name: itself, or of one that was held back all that it was not."""
    return np.array([name == label if isinstance(label, str) else name not in label for name in names])


def _truths(share: Floats, wrong: float, possible: Any) -> tuple[Floats, Floats]:
    """Return label x truth: how probable each truth is behind a label, and how probable it is then that it is right.

    A wrong label is any of the other causes alike.
    """
    kinds = len(share)
    told = possible @ np.where(np.eye(kinds, dtype=bool), 1.0 - wrong, wrong / (kinds - 1))
    chance = told * share
    right = np.divide(possible * (1.0 - wrong), told, out=np.zeros_like(told), where=told > 0.0)
    return chance / chance.sum(axis=1, keepdims=True), np.minimum(right, 1.0)


def _mean(seen: Floats, possible: Any, pseudo: Floats) -> Floats:
    """Return the mean shares: those that the expected truths behind the labels and the share of wrong ones agree on.

    Without a wrong label (count + pseudo) / (visits + all pseudo); causes that nobody met keep their proportions, those
    that were held back and nowhere told too.
    """
    share, wrong = _start(seen, possible, pseudo)
    for _ in range(STEPS):
        chance, right = _truths(share, wrong, possible)
        truth = seen[:, None] * chance
        before, share = share, truth.sum(axis=0) + pseudo
        share /= share.sum()
        wrong = (WRONG[0] + seen.sum() - np.sum(truth * right)) / (sum(WRONG) + seen.sum())
        if np.abs(share - before).max() < ENOUGH:
            break
    return share


def _start(seen: Floats, possible: Any, pseudo: Floats) -> tuple[Floats, float]:
    """Return where the steps start: shares with every label right, and the share of wrong ones beforehand."""
    share = seen @ _truths(pseudo, 0.0, possible)[0] + pseudo
    return share / share.sum(), WRONG[0] / sum(WRONG)


def _drawn(seen: np.ndarray, possible: Any, pseudo: Floats, seed: int) -> Floats:
    """Return draws of the shares: a label that is wrong is any of the other causes alike."""
    generator, kinds = np.random.default_rng(seed), len(pseudo)
    share, wrong = _start(seen, possible, pseudo)
    drawn = np.empty((DRAWS, kinds))
    for step in range(DRAWS + FIRST):
        chance, right = _truths(share, wrong, possible)
        truth = generator.multinomial(seen, chance)
        mistaken = int(seen.sum() - np.trace(truth) - generator.binomial(truth[kinds:], right[kinds:]).sum())
        share = generator.dirichlet(truth.sum(axis=0) + pseudo)
        wrong = float(generator.beta(WRONG[0] + mistaken, WRONG[1] + seen.sum() - mistaken))
        if step >= FIRST:
            drawn[step - FIRST] = share
    return drawn


@dataclass(frozen=True, slots=True)
class Looks:
    """One thing that is looked at: false and clear looks of each heater, and the shipped share of false ones."""

    shipped: float
    heaters: Mapping[str, tuple[int, int]]

    def share(self, left_out: Collection[str] = ()) -> float:
        """Return the share of false looks that the heaters teach but for those left out; the shipped one counts too."""
        kept = [counts for group, counts in self.heaters.items() if group not in left_out]
        false, clear = (sum(one[place] for one in kept) for place in (0, 1))
        return (PRIOR_LOOKS * self.shipped + false) / (PRIOR_LOOKS + false + clear)

    def gains(self, folds: int) -> dict[str, float]:
        """Return the gain of ln score of each heater left out."""
        groups, found = sorted(self.heaters), {}
        for fold in range(folds):
            out = groups[fold::folds]
            share = self.share(out)
            for group in out:
                false, clear = self.heaters[group]
                gained = false * np.log(share / self.shipped) + clear * np.log((1.0 - share) / (1.0 - self.shipped))
                found[group] = float(gained)
        return found

    def to_dict(self) -> dict[str, float]:
        """Return false, clear and factor, as the file of what was learnt holds them."""
        false, clear = (sum(one[place] for one in self.heaters.values()) for place in (0, 1))
        row = {"false": float(false), "clear": float(clear), "factor": self.share() / self.shipped}
        return in_bands("look", row)


def false_looks(lessons: Iterable[Taught], priors: Priors) -> dict[str, Looks]:
    """Return what is looked at -> its false and clear looks, of visits whose cause was confirmed."""
    counts: dict[str, dict[str, tuple[int, int]]] = {}
    for lesson in lessons:
        for look in lesson.looks:
            if look.column in load_table("learnt")["look"] and look.verdict in ("false", "clear"):
                of_column = counts.setdefault(look.column, {})
                false, clear = of_column.get(lesson.group, (0, 0))
                of_column[lesson.group] = (false + (look.verdict == "false"), clear + (look.verdict == "clear"))
    shares = {column: 1.0 - max(priors.table["seen"][column]["usual"].values()) for column in counts}
    return {column: Looks(shares[column], of_column) for column, of_column in counts.items()}


def better_looks(looks: Mapping[str, Looks], folds: int) -> dict[str, dict[str, float]]:
    """Return the rows of those looks of which heaters left out are foretold better by more than chance."""
    found = {}
    for column, one in looks.items():
        gained = np.array([*one.gains(folds).values()])
        looked = sum(map(sum, one.heaters.values()))
        if len(gained) >= rule("fewest_heaters") and looked >= rule("fewest_visits"):
            error = float(np.sqrt(np.sum(gained**2)))  # around no gain: heaters that are all alike prove little
            if gained.sum() > rule("standard_errors") * error:
                found[column] = one.to_dict()
    return found


def gain_left_out(labels: Sequence[tuple[str, Label]], priors: Priors, folds: int) -> tuple[float, float]:
    """Return mean gain of ln score of a confirmed cause of heaters left out over the shipped shares, and its error.

    ``labels`` are (group, label); heaters are left out as wholes. Of a cause that was held back it is foretold that it
    is one of those that are not told.
    """
    names = confirmable(priors)
    kept = [(group, label) for group, label in labels if possible_of(label, names).any()]
    groups = sorted({group for group, _ in kept})
    if len(groups) < 2:
        return 0.0, np.inf
    gained: dict[str, list[float]] = {group: [] for group in groups}
    for fold in range(folds):
        out = set(groups[fold::folds])
        found = shares_of(Counter(label for group, label in kept if group not in out), priors)
        foretold = found.factors * found.shipped
        gain = {
            label: float(np.log(foretold[some].sum() / found.shipped[some].sum()))
            for label in {label for _, label in kept}
            for some in [possible_of(label, names)]
        }
        for group, label in kept:
            if group in out:
                gained[group].append(gain[label])
    mean = sum(map(sum, gained.values())) / len(kept)
    off = np.array([sum(values) - mean * len(values) for values in gained.values()])
    return mean, float(np.sqrt(len(groups) / (len(groups) - 1.0) * np.sum(off**2)) / len(kept))
