"""Several heaters over the winters: the worst first, and readings that were interchanged."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from combust.application.history.drift_test import FEWEST, rule, scatter_law
from combust.application.history.heater_history import heater_history
from combust.application.history.history_result import HeaterHistory
from combust.application.history.last_visit import JudgedVisit
from combust.application.history.visit_points import Event, Point, logs_of, series_of_points, tamed, tell
from combust.application.reading.result import safety_of
from combust.application.visit.taken import name_of_row, of_rows
from combust.data.errors import CombustError, Fault
from combust.data.near import folded_id, folded_name, one_spelling
from combust.data.told import Told
from combust.domain.heater import Heater
from combust.domain.limits import Finding, in_order
from combust.domain.result import Result
from combust.domain.safety import Safety
from combust.kernel.trend import follow_trend

NO_HEATER = "a heater without a name"


@dataclass(frozen=True, slots=True)
class NotFollowed(Told):
    """Why nothing can be told of a heater, and the findings of its last visit all the same."""

    why: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class FleetHistory(Result):
    """Several heaters, the worst first: what is stopped, what is due now by its risk, then the rest.

    Attributes
    ----------
    heaters : tuple of HeaterHistory
    on : date
        The day of the question.
    not_followed : mapping
        heater_id -> why nothing can be told of it, and its findings.
    without_visits, without_profile : tuple of str
        Heaters of a profile that the log does not hold, and heaters of the log without a profile.
    refused : mapping
        Heaters of which the log holds refused rows only -> how many.
    left_out : tuple of str
        What concerns more than one heater.
    """

    heaters: tuple[HeaterHistory, ...]
    on: datetime.date
    not_followed: Mapping[str, NotFollowed]
    without_visits: tuple[str, ...]
    without_profile: tuple[str, ...]
    left_out: tuple[str, ...]
    refused: Mapping[str, int] = field(default_factory=dict)
    calculated = True

    @property
    def safety(self) -> Safety:
        """The safety state of all heaters together; a finding names its heater."""
        followed = [_named(str(heater.heater_id), one) for heater in self.heaters for one in heater.safety.findings]
        lost = [_named(name, one) for name, other in self.not_followed.items() for one in other.findings]
        return Safety(in_order([*lost, *followed]))

    @property
    def summary(self) -> str:
        """The answer in one line: who stays off, who is due now."""
        names = {word: _names(one for one in self.heaters if one.when_due == word) for word in ("HEATER OFF", "now")}
        lost = [name for name, one in self.not_followed.items() if Safety(one.findings).stops]
        off = ", ".join(filter(None, [names["HEATER OFF"], *lost]))
        drifting = ", ".join(f"{one.heater_id} ({one.way})" for one in self.heaters if one.drifts)
        parts = [
            f"{off} must stay OFF by the last visit." if off else "",
            f"Due now: {names['now']}." if names["now"] else "No heater that can be followed is due now.",
            f"Drifting: {drifting}." if drifting else "",
            f"Not followed: {', '.join(self.not_followed)}." if self.not_followed else "",
            f"Never visited: {', '.join(self.without_visits)}." if self.without_visits else "",
            f"Every row refused: {', '.join(self.refused)}." if self.refused else "",
        ]
        return " ".join(part for part in parts if part)


def fleet_history(
    rows: Sequence[Mapping[str, Any]],
    heaters: Sequence[Heater] = (),
    *,
    events: Mapping[str, Sequence[Event]] | None = None,
    visits: Sequence[JudgedVisit] = (),
    on: datetime.date | None = None,
    refused: Mapping[str, int] | None = None,
    **options: Any,
) -> FleetHistory:
    """Return every heater's history, the worst first: stopped, then due, by the chance to read outside its band.

    Parameters
    ----------
    rows : sequence of mapping
        Readings of all heaters; those without a heater_id are left out and told.
    heaters : sequence of Heater
        Profiles; a heater without one has a trend but no band.
    events : mapping, optional
        heater_id -> events.
    visits : sequence of JudgedVisit, optional
    on : date, optional
        Day of the question; default now.
    refused : mapping, optional
        heater_id -> how many of its rows were refused and are not among those given.
    **options
        As for :func:`heater_history`.

    Raises
    ------
    CombustError
        No heater has a reading that counts.
    """
    told: list[str] = []
    profiles = _profiles(heaters, told)
    judged: dict[str, list[JudgedVisit]] = {}
    for one in visits:
        if one.heater_id:
            judged.setdefault(one.heater_id, []).append(one)
    by_heater: dict[str, list[Mapping[str, Any]]] = {name: [] for name in judged}
    for row in rows:
        if row.get("heater_id"):
            by_heater.setdefault(str(row["heater_id"]), []).append(row)
    nameless = [row for row in rows if not row.get("heater_id")]
    tell(told, len(nameless), "without a heater: left out.")
    profiles = dict(zip(one_spelling(profiles, by_heater), profiles.values(), strict=True))
    found, lost = [], _stops_of_nobody(nameless)
    for name, own in by_heater.items():
        work = {"events": (events or {}).get(name, ()), "visits": judged.get(name, ()), "on": on, **options}
        try:
            found.append(heater_history(own, profiles.get(name), **work))
        except CombustError as error:
            lost[name] = NotFollowed(str(error.args[0]), error.safety.findings if error.safety else ())
    if not found:
        why = "holds no heater that can be followed"
        hint = " ".join([*told, *(f"{name}: {one.why}" for name, one in lost.items())])
        nothing = CombustError(Fault("history", None, "missing", why=why, hint=hint))
        nothing.safety = Safety(in_order(_named(name, one) for name, other in lost.items() for one in other.findings))
        raise nothing
    told += [*_alike([*by_heater, *profiles]), *_interchanged(found)]
    lost_rows = {name: count for name, count in (refused or {}).items() if _is_none_of(name, by_heater)}
    return FleetHistory(
        tuple(sorted(found, key=_worst_first)),
        on or datetime.date.today(),
        lost,
        tuple(name for name in profiles if name not in by_heater and _is_none_of(name, lost_rows)),
        tuple(name for name in by_heater if name not in profiles),
        tuple(told),
        lost_rows,
    )


def _stops_of_nobody(rows: Sequence[Mapping[str, Any]]) -> dict[str, NotFollowed]:
    """Return the stops of rows that name no heater: nobody knows which heater they keep off."""
    stops = of_rows((name_of_row(row), safety_of(row)) for row in rows).stops
    return {NO_HEATER: NotFollowed("a heater_id is needed", stops)} if stops else {}


def _is_none_of(name: str, names: Iterable[str]) -> bool:
    return folded_id(name) not in {folded_id(one) for one in names}


def _worst_first(one: HeaterHistory) -> tuple[bool, bool, bool, float, datetime.date]:
    """Return where a heater stands: stopped ones first, then those due, then by risk; unknown risk before a low one."""
    risk = rule("risk_worth_a_visit") if one.risk is None else one.risk
    return not one.stopped, not one.due_now, one.risk is None, -risk, one.next_visit or one.on


def _profiles(heaters: Sequence[Heater], told: list[str]) -> dict[str, Heater]:
    """Return the profiles by the name of their heater; what has no name or comes twice is told."""
    found: dict[str, Heater] = {}
    for heater in heaters:
        if not heater.heater_id:
            told.append("A profile names no heater_id and was left out: add it.")
        elif folded_id(heater.heater_id) in {*map(folded_id, found)}:
            told.append(f"Two profiles name {heater.heater_id}: the first counts.")
        else:
            found[heater.heater_id] = heater
    return found


def _alike(names: Iterable[str]) -> list[str]:
    """Return what is told of names that the eye hardly tells apart: they count as different heaters."""
    groups: dict[str, list[str]] = {}
    for name in dict.fromkeys(names):
        groups.setdefault(folded_name(name), []).append(name)
    return [
        f"Names nearly alike, followed as different heaters: {' and '.join(map(repr, group))}. If they are one, write "
        "it in one way."
        for group in groups.values()
        if len(group) > 1
    ]


def _named(name: str, one: Finding) -> Finding:
    """Return a finding that names its heater."""
    return replace(one, text=f"{name}: {one.text}")


def _names(heaters: Iterable[HeaterHistory]) -> str:
    """Return the names of heaters with their risk, where it is told."""
    return ", ".join(
        f"{one.heater_id}" + (f" ({one.risk_words})" if one.risk is not None and not one.stopped else "")
        for one in heaters
    )


def _interchanged(found: Sequence[HeaterHistory]) -> list[str]:
    """Return pairs of heaters whose readings of one day fit better the other way round."""
    told = []
    strange = [(one, point, other) for one in found for point, other in _left_out(one) if abs(other[0]) > 3.0]
    for index, (first, point, (_, line, u)) in enumerate(strange):
        for second, twin, (_, line2, u2) in strange[index + 1 :]:
            if point.date != twin.date or first is second:
                continue
            crossed = abs(math.log(twin.air_ratio) - line) / u, abs(math.log(point.air_ratio) - line2) / u2
            if max(crossed) < 2.0:
                pair = f"{first.heater_id} and {second.heater_id}"
                told.append(f"{point.date}: the readings of {pair} fit better the other way round. Were they swapped?")
    return told


def _left_out(one: HeaterHistory) -> list[tuple[Point, tuple[float, float, float]]]:
    """Return each visit far off its neighbours with (residual over its u, line, u) of the line through the others."""
    found = []
    for index in np.flatnonzero(tamed(one.points) != logs_of(one.points)):
        point, rest = one.points[index], [*one.points[:index], *one.points[index + 1 :]]
        if len(rest) <= FEWEST or point.segment != rest[-1].segment:
            continue
        trend = follow_trend(series_of_points(rest), logs_of(rest), scatter_law(False), reference=point.years).at(-1)
        if trend.variance_slope < rule("drift_cannot_be_told") ** 2:
            line, u = float(trend.level), float(trend.variance_level + point.relative_u**2) ** 0.5
            found.append((point, ((math.log(point.air_ratio) - line) / u, line, u)))
    return found
