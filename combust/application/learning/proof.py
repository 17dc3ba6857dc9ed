"""Learning from visits, and its proof: heaters left out as wholes must be foretold better by what the others taught."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import Priors
from combust.application.causes.draws import Variant
from combust.application.causes.engine import Engine
from combust.application.causes.first_look import first_look
from combust.application.causes.misfit import evidence_among_good_visits
from combust.application.causes.posterior import Posterior, Visit
from combust.application.heater.structure import STRUCTURE, known_structure
from combust.application.learning.hierarchy import OF_HEATER, Hierarchy, Steps
from combust.application.learning.learnt import SCATTERS, Learnt, in_bands, rule, with_learnt
from combust.application.learning.lines import Lines, lines_of
from combust.application.learning.taught import Taught
from combust.data.tables import load_table
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.kernel.tails import shares_of_logs
from combust.kernel.types import Floats

SEED = 1
AGAIN = 3  # steps from the hierarchy of all heaters to that without some of them


@dataclass(frozen=True, slots=True)
class Proof:
    """How visits of heaters left out were foretold, before and after: a row a visit, and which heater it is of."""

    heater: Any
    before: Floats
    after: Floats
    unlike_before: float
    unlike_after: float

    @property
    def gain(self) -> tuple[float, float]:
        """The mean gain of ln score of a visit, and its standard error with heaters as wholes."""
        gained = self.after - self.before
        count = int(self.heater.max()) + 1
        mean = float(gained.mean())
        off = np.bincount(self.heater, gained - mean, count)
        few = count / (count - 1.0) if count > 1 else np.inf
        return mean, float(np.sqrt(few * np.sum(off**2)) / len(gained))

    @property
    def better(self) -> bool:
        """Whether what was learnt is better by more than its chance."""
        gain, u = self.gain
        return gain > rule("standard_errors") * u

    def to_dict(self) -> dict[str, float]:
        """Return the scores as the file of what was learnt holds them."""
        gain, u = self.gain
        numbers = {"before": float(self.before.mean()), "after": float(self.after.mean()), "gain": gain, "gain_u": u}
        return {**numbers, "unlike_before": self.unlike_before, "unlike_after": self.unlike_after}


class Class:
    """The heaters and visits that teach, with what each visit said under the shipped priors.

    Parameters
    ----------
    lessons : sequence of Taught
    priors : Priors
    instrument : InstrumentClass
    progress : callable, optional
        Called with (visits worked, visits to be worked).
    """

    def __init__(
        self,
        lessons: Iterable[Taught],
        priors: Priors,
        instrument: InstrumentClass,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        self.priors, self.instrument = priors, instrument
        self.names: list[str] = []
        self.rows: list[list[int]] = []
        self.visits: list[list[Taught]] = []
        self.lines: list[Lines] = []
        self.before: list[float] = []
        self.odd: list[bool] = []
        self.of: list[int] = []
        by_heater: dict[str, list[Taught]] = {}
        for lesson in lessons:
            by_heater.setdefault(lesson.group, []).append(lesson)
        self.done, self.whole = 0, 2 * sum(map(len, by_heater.values()))
        self.progress = progress
        for some in by_heater.values():
            self._add(some)

    def _add(self, lessons: Sequence[Taught]) -> None:
        """Weigh the visits of one heater under the shipped priors, once."""
        number, kept = len(self.visits), []
        for lesson, engine, visit, residuals, result in self._weighed(lessons, self.priors):
            kept.append(lesson)
            self.lines.append(lines_of(engine, visit, residuals, number))
            self.before.append(score(visit, result))
            if self._is_held(len(self.of)):
                self.odd.append(unlike(engine, visit, residuals))
            self.of.append(number)
        if kept:
            self.visits.append(kept)
            self.rows.append([self._row(name) for name in rows_of(engine.heater)])

    def _weighed(
        self, lessons: Sequence[Taught], priors: Priors
    ) -> Iterator[tuple[Taught, Engine, Visit, Mapping[Variant, Floats], Posterior]]:
        """Yield the visits of one heater of which something was read, weighed under some priors."""
        engine: Engine | None = None
        for lesson in lessons:
            if lesson.heater is None:
                continue
            if engine is None or engine.heater is not lesson.heater:
                engine = Engine(lesson.heater, priors, self.instrument, SEED)
            look = first_look(lesson.heater, self.instrument, [lesson.rows])[0]
            if not look.invalid:
                visit, residuals, result = engine.posterior(look.used)
                if visit.dimensions:
                    yield lesson, engine, visit, residuals, result
            self.done += 1
            if self.progress:
                self.progress(self.done, self.whole)

    def _is_held(self, place: int) -> bool:
        """Return whether a visit is one of those that are held against imagined ones: evenly among all."""
        return place % max(1, -(-self.whole // 2 // int(rule("held_against")))) == 0

    def _row(self, name: str) -> int:
        if name and name not in self.names:
            self.names.append(name)
        return self.names.index(name) if name else -1

    def teach(self, left_out: Sequence[int] = (), start: Hierarchy | None = None) -> Hierarchy:
        """Return what the heaters teach but for those left out."""
        kept = [index for index in range(len(self.visits)) if index not in left_out]
        place = {index: number for number, index in enumerate(kept)}
        lines = [one._replace(heater=place[one.heater]) for one in self.lines if one.heater in place]
        rows, freedom = [self.rows[index] for index in kept], self.priors.decide("student_freedom")
        steps = Steps(lines, rows, len(self.names), freedom)
        return steps.run() if start is None else steps.run(start, AGAIN)

    def prove(self, found: Hierarchy) -> Proof:
        """Return how each heater is foretold by what the others teach."""
        folds = min(int(rule("folds")), len(self.visits))
        after, odd, of = [0.0] * len(self.of), list[bool](), np.array(self.of)
        for fold in range(folds):
            out = list(range(fold, len(self.visits), folds))
            priors = with_learnt(self.priors, as_learnt(self.teach(out, found), self.names))
            for number in out:
                places = np.flatnonzero(of == number).tolist()
                for place, one in zip(places, self._weighed(self.visits[number], priors), strict=True):
                    _, engine, visit, residuals, result = one
                    after[place] = score(visit, result)
                    if self._is_held(place):
                        odd.append(unlike(engine, visit, residuals))
        return Proof(of, np.array(self.before), np.array(after), float(np.mean(self.odd)), float(np.mean(odd)))


def rows_of(heater: Heater) -> list[str]:
    """Return the row of the structure that each coordinate of a heater is of, in order; "" where none is learnt."""
    known = known_structure(heater)
    rows = {
        "steepness": f"steepness_{known['blower']}",
        "intake_share": "intake_to_burner",
        "exhaust_share": "exhaust_to_burner" if known["port_ratio"] is None else "exhaust_to_intake_given_ports",
    }
    table = load_table("learnt")["structure"]
    names = [rows.get(name, name) for name in STRUCTURE]
    return [name if name in table else "" for name in names]


def as_learnt(found: Hierarchy, names: Sequence[str]) -> Learnt:
    """Return a hierarchy as what is written down: middle and spread of each row, factor of each scatter."""
    spread = np.sqrt(OF_HEATER + np.diag(found.cover))
    structure = {
        name: in_bands("structure", {"shift": float(shift), "spread": float(width)})
        for name, shift, width in zip(names, found.middle, spread, strict=True)
    }
    factors = np.exp(found.scatter)
    scatter = {
        name: in_bands("scatter", {"factor": float(value)}) for name, value in zip(SCATTERS, factors, strict=True)
    }
    return Learnt({}, structure=structure, scatter=scatter)


def score(visit: Visit, result: Posterior) -> float:
    """Return ln density of what was read at a visit, up to a constant of its channels."""
    values = np.array([result.log_prior[key] + value for key, value in result.log_evidence.items()])
    return float(shares_of_logs(values)[1] + visit.usual.log_density)


def unlike(engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats]) -> bool:
    """Return whether a visit is less likely than all but a stated share of those that are expected."""
    found, good = evidence_among_good_visits(engine, visit, residuals)
    return found < float(np.quantile(good, engine.priors.decide("misfit_share")))
