"""The public door: rank the causes of visits of one heater."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from combust.application.causes.adjust import advise_trim
from combust.application.causes.beside_shipped import beside_shipped
from combust.application.causes.catalogue import HEALTHY, Priors, get_priors
from combust.application.causes.checks import propose_checks
from combust.application.causes.engine import Engine
from combust.application.causes.evidence import UNSTEADY
from combust.application.causes.fault_size import severity_of
from combust.application.causes.first_look import FirstLook, first_look
from combust.application.causes.fixed_order import fixed_checks, stands_out
from combust.application.causes.misfit import misfit
from combust.application.causes.posterior import Posterior, Visit, added_up, causes_of, held_back
from combust.application.causes.separate import bayes_errors, inseparable
from combust.application.causes.stage_reading import Values
from combust.application.causes.visit_result import (
    CausesResult,
    Explanation,
    NextCheck,
    RankedCause,
    VisitResult,
)
from combust.application.causes.visits_of_heater import (
    Readings,
    Stopped,
    by_fuel,
    group_visits,
    stopped_where,
    stops_of_others,
)
from combust.application.learning.learnt import Learnt, of_type, with_learnt
from combust.application.reading.result import safety_of_refused
from combust.application.safety import own_limits, told_first
from combust.application.visit.taken import name_of_row, of_rows
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, finding, in_order, limit
from combust.domain.result import Assumed
from combust.domain.safety import Safety

LEVEL = 0.9
CHUNK = 128  # visits that are interpreted together; one is weighed at a time
LEAST_TOLD = 1e-5
NAMED = 5  # readings that a stop names; of more, how many


def rank_causes(
    heater: Heater,
    readings: Readings,
    *,
    seed: int = 1,
    pairs: bool = True,
    next_checks: bool = True,
    instrument: str | InstrumentClass | None = None,
    causes: str | Path | Priors | None = None,
    learnt: str | Path | Learnt | None = None,
    catalogue: Catalogue | None = None,
    stopped: Iterable[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> CausesResult:
    """Return which causes explain the readings of one heater, visit by visit.

    Parameters
    ----------
    heater : Heater
        Its profile with healthy baseline readings.
    readings : Reading, mapping, or several of them
        Rows of one visit have the same ``visit_id`` and ``phase``; rows without a ``visit_id`` are one visit. A visit
        that names another ``fuel`` than the profile is held against the heater on that fuel, at the same pump pulses.
    seed : int
        Any whole number [-], 0 or more (unchecked): same seed, same answer.
    pairs : bool
        Also weigh two causes at once.
    next_checks : bool
        Also say what to check next and which causes these columns never separate.
    instrument : str or InstrumentClass, optional
        Accuracy class of the analyser.
    causes : path or Priors, optional
        Own numbers over the shipped table of causes and priors.
    learnt : path or Learnt, optional
        What a logbook taught, over those; each answer says so.
    catalogue : mapping, optional
        Fuels beside the shipped ones, from :func:`load_fuels`.
    stopped : iterable of str
        Names of rows of this heater that were refused and hold a stop condition: no visit lists a check that runs it.
    progress : callable, optional
        Called with (visits done, visits in all).

    Returns
    -------
    CausesResult
        One ``VisitResult`` for each visit, in order of appearance; ``to_dict()`` is the JSON of the command;
        probabilities [-] of each add up to 1.

    Raises
    ------
    CombustError
        Every impossible value, unknown stage, fuel or strip-down answer and row of another heater, at once; its
        ``safety`` is that of the values that can be.

    References
    ----------
    Bayes' rule; priors and effects with their origin in ``combust/data/causes.toml``.

    Examples
    --------
    >>> from combust.domain.heater import Heater
    >>> heater = Heater.from_dict({
    ...     "fuel": "diesel_b7", "stages": {"high": {}}, "baseline": [
    ...     {"stage": "high", "altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "flue_temp_c": 330}]})
    >>> found = rank_causes(heater, {"altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 4.84, "location": "outdoors"})
    >>> found[0].top.probability < 0.5, len(found[0].cannot_separate[0]) > 4
    (True, True)
    """
    priors = with_learnt(get_priors(causes), learnt)
    rows = [readings] if isinstance(readings, Mapping) else list(readings)
    with told_first(lambda: _stops_of_refused(rows)):
        visits = group_visits(heater, rows, priors, catalogue)
    results = []
    how: dict[str, Any] = {"seed": seed, "pairs": pairs, "next_checks": next_checks, "instrument": instrument}
    how["catalogue"] = catalogue
    where = stopped_where(heater, visits, instrument_class(instrument), catalogue)
    for result in rank_visits(heater, visits, causes=priors, stopped=(where, tuple(stopped)), **how):
        results.append(result)
        if progress is not None:
            progress(len(results), len(visits))
    return CausesResult(tuple(results), priors.shares, seed)


def _stops_of_refused(rows: Sequence[Mapping[str, Any]]) -> Safety:
    return of_rows((name_of_row(row, f"reading {n}"), safety_of_refused(row)) for n, row in enumerate(rows, 1))


def rank_visits(
    heater: Heater,
    visits: Iterable[Sequence[Values]],
    *,
    seed: int = 1,
    pairs: bool = True,
    next_checks: bool = False,
    instrument: str | InstrumentClass | None = None,
    causes: str | Path | Priors | None = None,
    catalogue: Catalogue | None = None,
    stopped: tuple[Mapping[str, Stopped], Sequence[str]] = ({}, ()),
) -> Iterator[VisitResult]:
    """Yield the result of each visit (a sequence of checked readings); memory does not grow with their number.

    ``stopped`` holds what stops the heater in other visits, and in rows that are no visit.
    """
    visits_stopped, rows_stopped = stopped
    priors, accuracy, stream = get_priors(causes), instrument_class(instrument), iter(visits)
    while chunk := list(islice(stream, CHUNK)):
        for burnt, some in by_fuel(heater, chunk, catalogue):
            engine = engine_of(burnt, priors, accuracy, seed)
            for readings, look in zip(some, first_look(burnt, accuracy, some), strict=True):
                look = _kept_off(look, [*stops_of_others(readings, visits_stopped), *rows_stopped])
                found = judge_visit(engine, readings, look, pairs=pairs, next_checks=next_checks)
                if priors.stated is not None:
                    shipped = engine_of(burnt, priors.stated, accuracy, seed)
                    without = judge_visit(shipped, readings, look, pairs=pairs, next_checks=next_checks)
                    found = beside_shipped(found, without, priors)
                yield found


def _kept_off(look: FirstLook, names: Sequence[str]) -> FirstLook:
    """Return the first look of a visit with the stop that other readings of its heater bring."""
    if not names:
        return look
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    other = finding("stopped_elsewhere", where="; ".join(names[:NAMED]) + more)
    return replace(look, safety=Safety(in_order([*look.safety.findings, other])))


_ENGINES: dict[tuple[int, int, str, int], tuple[Heater, Priors, Engine]] = {}


def engine_of(heater: Heater, priors: Priors, instrument: InstrumentClass, seed: int) -> Engine:
    """Return the engine of a heater; the last few are kept, since their prior draws serve every visit.

    The structure of other types of heaters is not used for it.
    """
    priors = of_type(priors, heater)
    key = (id(heater), id(priors), instrument.name, seed)
    kept = _ENGINES.get(key)
    if kept is not None and kept[0] is heater and kept[1] is priors and kept[2].instrument == instrument:
        return kept[2]
    if len(_ENGINES) >= 4:
        _ENGINES.pop(next(iter(_ENGINES)))
    engine = Engine(heater, priors, instrument, seed)
    _ENGINES[key] = (heater, priors, engine)
    return engine


def judge_visit(
    engine: Engine, readings: Sequence[Values], look: FirstLook, *, pairs: bool, next_checks: bool
) -> VisitResult:
    """Return what one visit means, after the first look at it."""
    visit, residuals, result = engine.posterior(look.used, pairs=pairs)
    last = {row.healthy.name: row for row in visit.rows}  # of each stage
    expected = {name: row.expected_air_ratio() for name, row in last.items()}
    of_start = not visit.dimensions and any(engine.priors.causes[name].asked_by for name in visit.weighed)
    look = _seen_with(look, expected, engine.heater)
    priors, told = engine.priors, result.explanations()
    measured = sum(share for names, share in told.items() if any(priors.causes[name].measurement for name in names))
    valid = of_start or (not look.invalid and measured < priors.decide("invalid_probability"))  # a start is told
    if not valid:
        told = _only_measurement(priors, told, engine.unsteady_most(visit))
    baseline = bool(engine.heater.baselines)
    ranked = baseline or of_start  # what was told of a start needs no baseline
    have = {key for reading in readings for key in reading}
    causes = _ranked(priors, result, told, visit.dimensions, have, baseline=baseline)
    first = _first_set(priors, result, causes)
    sets: list[list[str]] = [first] if len(first) > 1 and ranked else []
    disagree = misfit(engine, visit, residuals, result) if valid and ranked else None
    proposed: tuple[NextCheck, ...] = ()
    if next_checks and not ranked:
        proposed = fixed_checks(engine, look.used, safety=look.safety, valid=valid)
    elif next_checks:
        if visit.dimensions and valid:
            errors = bayes_errors(engine, visit, residuals, look.seen_columns)
            sets += inseparable(errors, first, priors.decide("inseparable_error"))
        proposed = propose_checks(
            engine,
            visit,
            result,
            look.used,
            safety=look.safety,
            valid=valid,
            settled=valid and causes[0].probability >= priors.decide("certain_probability") and disagree is None,
            fits=disagree is None,
            generator=np.random.default_rng([engine.seed, 2, visit.dimensions]),
        )
    adjust, why_not = None, _why_no_trim(look.safety, disagree, ranked=ranked)
    if valid and ranked and disagree is None and look.safety.allows(("burning",)):
        adjust, why_not = advise_trim(engine, visit, result, look.used)
    doubted = bool(sets) and any(priors.causes[name].baseline for name in sets[0])
    return VisitResult(
        visit_id=str(readings[0].get("visit_id", "1")),
        heater_id=engine.heater.heater_id or readings[0].get("heater_id"),
        phase=str(readings[0].get("phase", "before")),
        valid=valid,
        stop=look.safety.stops,
        causes=tuple(causes),
        marginal=added_up((name, share) for names, share in told.items() for name in names if name != HEALTHY),
        explanations=tuple(Explanation(names, share) for names, share in told.items() if share >= LEAST_TOLD),
        cannot_separate=tuple(tuple(names) for names in sets),
        next_checks=proposed,
        adjust=adjust,
        fits=disagree is None,
        disagree=disagree or (),
        ranked=ranked,
        effective_samples=round(result.effective_samples(), 1),
        findings=_findings_beside(engine, visit, look, disagree, ranked=ranked, doubted=doubted),
        assumed=_assumed(engine, visit, look, of_start=of_start),
        seed=engine.seed,
        why_no_adjust="" if adjust else why_not,
        expected_healthy={
            name: {"air_ratio": lam, "air_ratio_u": u} for name, (lam, u) in expected.items() if not of_start
        },
    )


def _seen_with(look: FirstLook, expected: Mapping[str, tuple[float, float]], heater: Heater) -> FirstLook:
    """Return the first look with what lambda of the healthy heater at this site speaks against, as for a site."""
    if not expected:
        return look
    lam, u = min(expected.values())
    lowest = limit("air_ratio_soot") if heater.limits.air_ratio_min is None else heater.limits.air_ratio_min
    more = [finding("healthy_rich_here", air_ratio=lam)] if lam <= 1.0 else []
    if own_limits(air_ratio=lam, lowest_air_ratio=lowest)["air_ratio_below_minimum"]:
        more.append(finding("air_ratio_below_minimum", air_ratio=lam, u95=2.0 * u, minimum=lowest))
    more = [one for one in more if one.code not in {found.code for found in look.safety.findings}]
    return replace(look, safety=Safety(in_order([*look.safety.findings, *more])))


def _why_no_trim(safety: Safety, disagree: tuple[str, ...] | None, *, ranked: bool) -> str:
    """Return why nothing is trimmed: what keeps the heater from running comes before what the readings leave open."""
    if not safety.allows(("burning",)):
        return "a stop condition comes first." if safety.stops else "as it is, it does not run at this site."
    if disagree is not None:
        return "the evidence fits no cause in the list."
    return "the reading is not valid." if ranked else "there is no healthy reading of this heater to trim back to."


def _findings_beside(
    engine: Engine, visit: Visit, look: FirstLook, disagree: tuple[str, ...] | None, *, ranked: bool, doubted: bool
) -> tuple[Finding, ...]:
    """Return the findings that are no stops: those of the first look, why no cause fits or none is ranked, doubts."""
    findings = [one for one in look.safety.findings if one.severity != "stop"]
    if disagree is not None:
        unseen = " Or the reading was not steady: nobody watched it." if visit.steady is None else ""
        findings.insert(0, finding("nothing_fits", channels=", ".join(disagree), unseen=unseen))
    if not ranked:
        symptom = "; ".join(stands_out(engine, look.used).values()) or "nothing"
        findings.insert(0, finding("not_ranked", symptom=symptom))
    if doubted:
        findings.append(finding("baseline_doubted"))
    if engine.heater.is_provisional:
        findings.append(finding("baseline_provisional"))
    return tuple(findings)


def _assumed(engine: Engine, visit: Visit, look: FirstLook, *, of_start: bool) -> tuple[Assumed, ...]:
    """Return what stood in for what was not entered, and what was learnt; of a start only that."""
    learnt = [engine.priors.learnt.assumed] if engine.priors.learnt else []
    stood_in = [] if of_start else [*look.assumed, *_stood_in(visit)]
    return tuple(dict.fromkeys([*stood_in, *learnt]))


def _stood_in(visit: Visit) -> list[Assumed]:
    """Return what stood in for a missing channel of the stages that were read."""
    stages = {row.healthy.name: row.healthy for row in visit.rows}.values()
    return [replace(told, quantity=f"{told.quantity} of stage {one.name}") for one in stages for told in one.assumed]


def _only_measurement(
    priors: Priors, explanations: Mapping[tuple[str, ...], float], unsteady_most: float
) -> dict[tuple[str, ...], float]:
    """Return the explanations by sample and instrument alone, summing to 1: nothing about the heater is told."""
    told = (
        (tuple(name for name in names if priors.causes[name].measurement), share)
        for names, share in explanations.items()
    )
    kept = added_up((names, share) for names, share in told if names)
    total = sum(kept.values())
    shares = [share / total for share in kept.values()]
    return dict(zip(kept, held_back(shares, [UNSTEADY in names for names in kept], unsteady_most), strict=True))


def _ranked(
    priors: Priors,
    result: Posterior,
    explanations: Mapping[tuple[str, ...], float],
    channels: int,
    have: Container[str],
    *,
    baseline: bool,
) -> list[RankedCause]:
    """Return the causes; a pair gives half of its probability to each member.

    Without observed channels no size is told. ``have``: columns that were entered.
    """
    shares = added_up((name, share / len(names)) for names, share in explanations.items() for name in names)
    ranked = []
    for name, share in shares.items():
        cause = priors.causes[name]
        severity = severity_of(result, cause, LEVEL) if channels and share >= 0.01 else None
        text = cause.told(have, baseline=baseline) + (f" {severity.text}" if severity else "")
        ranked.append(RankedCause(name, share, severity, text))
    return ranked


def _first_set(priors: Priors, result: Posterior, causes: Sequence[RankedCause]) -> list[str]:
    """Return the causes that the evidence does not tell from the leading one.

    How often a baseline is at fault is anyone's guess: it is judged by the evidence alone, whatever its prior.
    """
    top = causes[0]
    least = priors.decide("set_share") * top.probability
    best: dict[str, float] = {}
    for key, value in result.log_evidence.items():
        for name in causes_of(key):
            if name not in best or value > best[name]:
                best[name] = value
    doubted = best[top.cause] + np.log(priors.decide("baseline_doubt"))
    return [
        one.cause
        for one in causes
        if one.probability >= least or (priors.causes[one.cause].baseline and best[one.cause] > doubted)
    ]
