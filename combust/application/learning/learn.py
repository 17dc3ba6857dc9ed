"""From what visits taught to what is used: proved on heaters left out, refused in words where it proves nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from combust import __version__
from combust.application.causes.catalogue import Priors, get_priors
from combust.application.learning.frequencies import (
    Label,
    Shares,
    better_looks,
    false_looks,
    gain_left_out,
    shares_of,
)
from combust.application.learning.hierarchy import OF_HEATER, SCATTER_U, Hierarchy
from combust.application.learning.learnt import SCATTERS, UNKNOWN, Learnt, rule, types_of
from combust.application.learning.proof import Class, as_learnt
from combust.application.learning.said import Learning
from combust.application.learning.taught import Taught
from combust.data.tables import load_table
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.result import many

SEVERAL = 3  # checks that are named at most


def learn(
    lessons: Iterable[Taught],
    *,
    causes: Any = None,
    instrument: str | InstrumentClass | None = None,
    checksum: str = "",
    learnt_at: str = "",
    tables: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> Learning:
    """Return what visits teach of structure, scatter and frequencies, and whether it proves itself.

    Parameters
    ----------
    lessons : iterable of Taught
        Visits with their heaters; unlabelled ones teach structure and scatter, confirmed ones frequencies too.
    causes : path or Priors, optional
        Own numbers over the shipped table of causes and priors.
    instrument : str or InstrumentClass, optional
        Accuracy class of the analyser.
    checksum, learnt_at : str
        Of the visits, and the moment, for the file.
    tables : int
        Contributions of anonymous tables that the lessons are of; 0 of a logbook.
    progress : callable, optional
        Called with (visits worked, visits to be worked).

    Returns
    -------
    Learning
        ``learnt`` holds only what proved itself on heaters left out.
    """
    priors, every = get_priors(causes), list(lessons)
    given = [one for one in every if one.rows]  # a cause that an anonymous table counts stands without readings
    days = sorted(one.day for one in given if one.day)
    labels: list[tuple[str, Label]] = [(one.group, one.cause) for one in every if one.cause]
    held_back: list[tuple[str, Label]] = [(one.group, one.none_of) for one in every if one.none_of is not None]
    shares, why_frequencies, frequency_score, frequent = _frequencies([*labels, *held_back], priors)
    heaters, confirmed = len({one.group for one in given}), int(shares.counts.sum())
    rests_on = {"visits": len(given), "heaters": heaters, "confirmed": confirmed}
    if tables:
        rests_on |= {"tables": tables, "behind": len(labels) + len(held_back), "held_back": len(held_back)}
    proof, found, taught, why = None, None, None, _too_few(len(given), heaters)
    if not why:
        taught = Class(teachers(given, int(rule("most_visits"))), priors, instrument_class(instrument), progress)
        why = _too_few(len(taught.of), len(taught.visits))
    if taught is not None and not why:
        found = taught.teach()
        proof = taught.prove(found)
        why = "" if proof.better else "NOT used: heaters left out are foretold no better than by chance"
    untold = _untold(found, taught.names) if found and taught else ()
    used = as_learnt(found, taught.names) if found and taught and not why else None
    learnt = None
    looks = better_looks(false_looks(given, priors), int(rule("folds")))
    if used or frequent or looks:
        book: dict[str, Any] = {"checksum": checksum or "none", **rests_on}
        book |= {"first": days[0] if days else UNKNOWN, "last": days[-1] if days else UNKNOWN}
        book |= {"learnt_at": learnt_at or UNKNOWN, "version": __version__}
        learnt = Learnt(
            book,
            score=proof.to_dict() if proof and used else {},
            structure=used.structure if used else {},
            scatter=used.scatter if used else {},
            frequency=shares.to_dict() if frequent else {},
            look=looks,
            type=types_of({one.group: one.heater for one in given if one.heater}.values()),
        )
    return Learning(
        learnt=learnt,
        visits=len(given),
        heaters=heaters,
        confirmed=confirmed,
        structure=why or "used: heaters left out are foretold better by more than chance",
        frequencies=why_frequencies,
        rests_on=rests_on,
        score=proof.to_dict() if proof else {},
        frequency_score=frequency_score,
        untold=untold,
        would_help=_would_help(untold, given) if untold or why else (),
        shares=shares.to_dict() if labels else {},
    )


def teachers(lessons: Sequence[Taught], most: int) -> list[Taught]:
    """Return the visits that teach structure: all, or of more the newest of each heater in turn, in their order."""
    if len(lessons) <= most:
        return list(lessons)
    newest = sorted(range(len(lessons)), key=lambda place: lessons[place].day, reverse=True)
    turns, had = [], Counter[str]()
    for age, place in enumerate(newest):
        turns.append((had[lessons[place].group], age, place))
        had[lessons[place].group] += 1
    return [lessons[place] for place in sorted(place for _, _, place in sorted(turns)[:most])]


def _too_few(visits: int, heaters: int) -> str:
    """Return why so few visits of so few heaters teach nothing, "" where they may."""
    fewest = int(rule("fewest_visits")), int(rule("fewest_heaters"))
    if visits >= fewest[0] and heaters >= fewest[1]:
        return ""
    if not visits:
        return f"NOT used: no readings are told; {fewest[0]} visits of {fewest[1]} heaters are the least"
    told = f"{many(visits, 'visit')} of {many(heaters, 'heater')}"
    return f"NOT used: {told}: too few, {fewest[0]} of {fewest[1]} are the least"


def _frequencies(labels: Sequence[tuple[str, Label]], priors: Priors) -> tuple[Shares, str, Mapping[str, float], bool]:
    """Return the shares of the causes, in words whether they are used, their score, and whether they are used."""
    shares = shares_of(Counter(label for _, label in labels), priors)
    count = int(shares.counts.sum())
    if count < rule("fewest_visits"):
        why = f"NOT used: {many(count, 'confirmed cause')}: too few, {rule('fewest_visits'):g} are the least"
        return shares, why, {}, False
    gain, u = gain_left_out(labels, priors, int(rule("folds")))
    score = {"gain": gain, "gain_u": u} if np.isfinite(u) else {}
    if gain <= rule("standard_errors") * u:
        why = "NOT used: confirmed causes of heaters left out are foretold no better than by chance"
        return shares, why, score, False
    return shares, "used: confirmed causes of heaters left out are foretold better by more than chance", score, True


def _untold(found: Hierarchy, names: Sequence[str]) -> tuple[str, ...]:
    """Return the rows and scatters that are about as uncertain as before, and as near to what was believed."""
    u = np.sqrt(np.diag(found.cover))
    same = (u / np.sqrt(1.0 - OF_HEATER) > rule("untold")) & (np.abs(found.middle) < u)
    rows = [name for name, untold in zip(names, same, strict=True) if untold]
    scatters = [name for name, u in zip(SCATTERS, found.scatter_u, strict=True) if u / SCATTER_U > rule("untold")]
    return (*rows, *scatters)


def _would_help(untold: Sequence[str], lessons: Sequence[Taught]) -> tuple[str, ...]:
    """Return the checks that tell most of what is untold and that the fewest visits made.

    Of a fleet of which nothing is known yet every row counts as untold.
    """
    table, checks = load_table("learnt")["structure"], get_priors().checks
    rows = [name for name in untold if name in table] or list(table)
    serves = Counter(check for name in rows for check in table[name]["checks"])
    lacking = {}
    for name in serves:
        made = sum(_made(name, checks[name].columns, one) for one in lessons)
        lacking[name] = serves[name] * (1.0 - made / max(len(lessons), 1))
    best = sorted((name for name in lacking if lacking[name] > 0.1), key=lambda name: -lacking[name])
    return tuple(best[:SEVERAL])


def _made(name: str, columns: Sequence[str], lesson: Taught) -> bool:
    """Return whether a check was made at a visit."""
    if name == "second_stage":
        return len({row.get("stage") for row in lesson.rows}) > 1
    if name.endswith("_duct_off"):
        return any(row.get("arrangement") == name for row in lesson.rows)
    return any(set(columns) & set(row) for row in lesson.rows)
