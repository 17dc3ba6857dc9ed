"""Learning from visits, and its proof: heaters left out as wholes must be foretold better by what the others taught."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from combust.application.causes.catalogue import Priors
from combust.application.causes.engine import Engine
from combust.application.causes.misfit import evidence_among_good_visits
from combust.application.causes.posterior import Posterior, Visit
from combust.application.causes.stage_reading import Values
from combust.application.heater.structure import STRUCTURE, known_structure
from combust.application.learning.hierarchy import OF_HEATER, Hierarchy, Steps
from combust.application.learning.learnt import SCATTERS, Learnt, rule, with_learnt
from combust.application.learning.lines import Lines, lines_of
from combust.data.tables import load_table
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass

SEED = 1
AGAIN = 5  # steps from the hierarchy of all heaters to that without some of them


class Lesson(NamedTuple):
    """The readings of one visit in one state of its heater, and the day."""

    heater: Heater
    readings: Sequence[Values]
    day: str


@dataclass(frozen=True, slots=True)
class Proof:
    """How visits of heaters left out were foretold, before and after: a row a visit, and which heater it is of."""

    heater: np.ndarray
    before: np.ndarray
    after: np.ndarray
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
    """The heaters and visits that teach, with what each visit said under the shipped priors."""

    def __init__(self, lessons: Sequence[Lesson], priors: Priors, instrument: InstrumentClass) -> None:
        self.priors, self.instrument = priors, instrument
        self.names: list[str] = []
        self.rows: list[list[int]] = []
        self.visits: list[list[Sequence[Values]]] = []
        self.heaters: list[Heater] = []
        self.lines: list[Lines] = []
        self.before: list[float] = []
        self.unlike: list[bool] = []
        self.of: list[int] = []
        by_heater: dict[int, list[Lesson]] = {}
        for lesson in lessons:
            by_heater.setdefault(id(lesson.heater), []).append(lesson)
        for some in by_heater.values():
            self._add(some)

    def _add(self, lessons: Sequence[Lesson]) -> None:
        """Weigh the visits of one heater under the shipped priors, once."""
        number, heater = len(self.heaters), lessons[0].heater
        engine = Engine(heater, self.priors, self.instrument, SEED)
        kept = []
        for lesson in lessons:
            visit, residuals, result = engine.posterior(lesson.readings)
            if not visit.dimensions:
                continue
            kept.append(lesson.readings)
            self.lines.append(lines_of(engine, visit, residuals, number))
            self.before.append(score(visit, result))
            self.unlike.append(unlike(engine, visit, residuals))
            self.of.append(number)
        if kept:
            self.heaters.append(heater)
            self.visits.append(kept)
            self.rows.append([self._row(name) for name in rows_of(heater)])

    def _row(self, name: str) -> int:
        if name and name not in self.names:
            self.names.append(name)
        return self.names.index(name) if name else -1

    def teach(self, left_out: Sequence[int] = (), start: Hierarchy | None = None) -> Hierarchy:
        """Return what the heaters teach but for those left out."""
        kept = [index for index in range(len(self.heaters)) if index not in left_out]
        place = {index: number for number, index in enumerate(kept)}
        lines = [one._replace(heater=place[one.heater]) for one in self.lines if one.heater in place]
        steps = Steps(lines, [self.rows[index] for index in kept], len(self.names), self.freedom)
        return steps.run() if start is None else steps.run(start.middle, start.scatter, AGAIN)

    @property
    def freedom(self) -> float:
        return self.priors.decide("student_freedom")

    def prove(self, found: Hierarchy) -> Proof:
        """Return how each heater is foretold by what the others teach."""
        folds = min(int(rule("folds")), len(self.heaters))
        after = np.empty(len(self.before))
        odd = np.empty(len(self.before), dtype=bool)
        of = np.array(self.of)
        for fold in range(folds):
            out = list(range(fold, len(self.heaters), folds))
            priors = with_learnt(self.priors, as_learnt(self.teach(out, found), self.names))
            for number in out:
                engine = Engine(self.heaters[number], priors, self.instrument, SEED)
                for place, readings in zip(np.flatnonzero(of == number), self.visits[number], strict=True):
                    visit, residuals, result = engine.posterior(readings)
                    after[place] = score(visit, result)
                    odd[place] = unlike(engine, visit, residuals)
        return Proof(of, np.array(self.before), after, float(np.mean(self.unlike)), float(np.mean(odd)))


def rows_of(heater: Heater) -> list[str]:
    """Return the row of the structure that each coordinate of a heater is of, in their order; "" where none is learnt."""
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
        name: {"shift": float(shift), "spread": float(width)}
        for name, shift, width in zip(names, found.middle, spread, strict=True)
    }
    scatter = {name: {"factor": float(np.exp(value))} for name, value in zip(SCATTERS, found.scatter, strict=True)}
    return Learnt({}, structure=structure, scatter=scatter)


def score(visit: Visit, result: Posterior) -> float:
    """Return ln density of what was read at a visit, up to a constant of its channels."""
    values = np.array([result.log_prior[key] + value for key, value in result.log_evidence.items()])
    top = values.max()
    return float(top + np.log(np.exp(values - top).sum()) + visit.usual.log_density)


def unlike(engine: Engine, visit: Visit, residuals: object) -> bool:
    """Return whether a visit is less likely than all but a stated share of those that are expected."""
    found, good = evidence_among_good_visits(engine, visit, residuals)  # type: ignore[arg-type]
    return found < float(np.quantile(good, engine.priors.decide("misfit_share")))


Progress = Callable[[int, int], None]
