"""From what visits taught to what is used: proved on heaters left out, refused in words where it proves nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from combust import __version__
from combust.application.causes.catalogue import Priors, get_priors, label_of
from combust.application.learning.frequencies import Shares, better_looks, false_looks, gain_left_out, shares_of
from combust.application.learning.hierarchy import OF_HEATER, SCATTER_U, Hierarchy
from combust.application.learning.learnt import SCATTERS, Learnt, rule, types_of
from combust.application.learning.proof import Class, as_learnt
from combust.application.learning.taught import Taught
from combust.data.tables import load_table
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.result import Result, Rows

SEVERAL = 3  # checks that are named at most


@dataclass(frozen=True, slots=True)
class Learning(Result):
    """What visits taught, whether it is used, and what would help.

    Attributes
    ----------
    learnt : Learnt or None
        What is written down; None where nothing proved itself.
    visits, heaters, confirmed : int
        What taught; ``confirmed`` are the visits whose cause a repair confirmed, and that frequencies count.
    structure, frequencies : str
        In words: used, or why not.
    score : mapping
        Mean ln score of a visit of a heater left out: before, after, gain, gain_u; and the share of unlike visits.
    untold : tuple of str
        Rows of the structure about which the visits tell next to nothing.
    would_help : tuple of str
        Checks that would tell most of those, as ``combust word`` knows them, the most helpful first.
    not_counted : mapping
        Why a visit confirms no cause -> how many; closed ones of heaters with a healthy reading teach structure.
    """

    learnt: Learnt | None
    visits: int
    heaters: int
    confirmed: int
    structure: str
    frequencies: str
    score: Mapping[str, float] = field(default_factory=dict)
    untold: tuple[str, ...] = ()
    would_help: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    not_counted: Mapping[str, int] = field(default_factory=dict)
    calculated = True

    def lines(self) -> Rows:
        """Return what was learnt, its proof, and what would help."""
        rows = [
            ("taught by", f"{self.visits} visits of {self.heaters} heaters, {self.confirmed} with a confirmed cause")
        ]
        if self.not_counted:
            told = "; ".join(f"{why}: {number}" for why, number in self.not_counted.items())
            more = "Closed ones of heaters with a healthy reading teach structure all the same"
            lack = "Every heater needs a profile with a healthy reading"
            rows.append(("visits that were not counted", f"{told}. {more if self.visits else lack}."))
        for name, row in (self.learnt.type if self.learnt else {}).items():
            heats = dict.fromkeys(f"{row[key]:g}" for key in ("least_kw", "most_kw"))
            heat = f", {' to '.join(heats)} kW" if row["most_kw"] else ""
            rows.append(("type", f"{row['heaters']:g} heaters: {load_table('learnt')['type'][name]['label']}{heat}"))
        rows.append(("structure", self.structure))
        if self.score:
            rows.append(("foretold, heaters left out", _of_score(self.score)))
            unlike = [100.0 * self.score[key] for key in ("unlike_before", "unlike_after")]
            rows.append(
                (
                    "calibration",
                    f"{unlike[0]:.0f} % of the visits were unlike the expected ones, then "
                    f"{unlike[1]:.0f} %; 5 % is right",
                )
            )
        meanings = load_table("learnt")
        for name, row in (self.learnt.structure if self.learnt else {}).items():
            told = "" if name not in self.untold else " (the visits tell next to nothing)"
            place = f"{row['shift']:+.2f} standard deviations of the shipped prior, {row['spread']:.2f} as wide"
            rows.append((name, f"{meanings['structure'][name]['meaning']}: {place}{told}"))
        for name, row in (self.learnt.scatter if self.learnt else {}).items():
            rows.append((name, f"{meanings['scatter'][name]}: scatters {row['factor']:.2f} times as far"))
        rows.append(("frequencies", self.frequencies))
        for name, row in self.shares.items():
            if row["count"]:
                ends = f"{100.0 * row['low']:.0f} to {100.0 * row['high']:.0f} % (90 %)"
                rows.append((name, f"{label_of(name)}: {row['count']:g} times, {ends} of what can be confirmed"))
        for name, row in (self.learnt.look if self.learnt else {}).items():
            rows.append((name, f"{meanings['look'][name]}: shows what is not there {row['factor']:.2f} times as often"))
        if self.would_help:
            rows.append(("would help most", f"{', '.join(self.would_help)} at the next visits (combust word NAME)"))
        return rows


def learn(
    lessons: Iterable[Taught],
    *,
    causes: Any = None,
    instrument: str | InstrumentClass | None = None,
    checksum: str = "",
    learnt_at: str = "",
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
    labels = [(one.group, one.cause) for one in every if one.cause]
    shares, why_frequencies, frequent = _frequencies(labels, priors)
    heaters, confirmed = len({one.group for one in given}), int(shares.counts.sum())
    proof, found, taught, why = None, None, None, _too_few(len(given), heaters)
    if not why:
        taught = Class(teachers(given, int(rule("most_visits"))), priors, instrument_class(instrument), progress)
        why = _too_few(len(taught.of), len(taught.visits))
    if taught is not None and not why:
        found = taught.teach()
        proof = taught.prove(found)
        why = (
            ""
            if proof.better
            else (f"NOT used: heaters left out are foretold no better than by chance ({_of_score(proof.to_dict())})")
        )
    untold = _untold(found, taught.names) if found and taught else ()
    used = as_learnt(found, taught.names) if found and taught and not why else None
    learnt = None
    looks = better_looks(false_looks(given, priors), int(rule("folds")))
    if used or frequent or looks:
        book = {"checksum": checksum or "none", "visits": len(given), "heaters": heaters, "confirmed": confirmed}
        book |= {"first": days[0] if days else "unknown", "last": days[-1] if days else "unknown"}
        book |= {"learnt_at": learnt_at or "unknown", "version": __version__}
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
        structure=why or "used: it foretells heaters left out better",
        frequencies=why_frequencies,
        score=proof.to_dict() if proof else {},
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
    return f"NOT used: {visits} visits of {heaters} heaters are too few, {fewest[0]} of {fewest[1]} are the least"


def _frequencies(labels: Sequence[tuple[str, str]], priors: Priors) -> tuple[Shares, str, bool]:
    """Return the shares of the causes, in words whether they are used, and whether they are."""
    shares = shares_of(Counter(cause for _, cause in labels), priors)
    count = int(shares.counts.sum())
    if count < rule("fewest_visits"):
        return shares, f"NOT used: {count} confirmed causes are too few, {rule('fewest_visits'):g} are the least", False
    gain, u = gain_left_out(labels, priors, int(rule("folds")))
    told = f"{gain:+.3f} ± {u:.3f} of ln score a confirmed visit of heaters left out"
    if gain <= rule("standard_errors") * u:
        return shares, f"NOT used: no better than by chance ({told})", False
    return shares, f"used: {told}", True


def _of_score(score: Mapping[str, float]) -> str:
    told = f"{score['gain']:+.3f} ± {score['gain_u']:.3f} a visit"
    return f"ln score {score['before']:.2f}, then {score['after']:.2f}: {told}"


def _untold(found: Hierarchy, names: Sequence[str]) -> tuple[str, ...]:
    """Return the rows and scatters that are about as uncertain as before."""
    left = np.sqrt(np.diag(found.cover) / (1.0 - OF_HEATER))
    rows = [name for name, part in zip(names, left, strict=True) if part > rule("untold")]
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
