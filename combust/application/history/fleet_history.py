"""Several heaters over the winters: ranked by risk, and readings that were interchanged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from combust.application.history.drift_test import FEWEST, rule, scatter_law
from combust.application.history.heater_history import heater_history
from combust.application.history.history_result import HeaterHistory
from combust.application.history.visit_points import Event, Point, logs_of, series_of_points, tamed, tell
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater
from combust.domain.limits import in_order
from combust.domain.result import Result
from combust.domain.safety import Safety
from combust.kernel.trend import follow_trend


@dataclass(frozen=True)
class FleetHistory(Result):
    """Several heaters, the one at highest risk first; ``left_out`` holds what concerns more than one."""

    heaters: tuple[HeaterHistory, ...]
    left_out: tuple[str, ...]
    calculated = True

    @property
    def safety(self) -> Safety:
        """The safety state of all heaters together; a finding names its heater."""
        return Safety(
            in_order(
                replace(one, text=f"{heater.heater_id}: {one.text}")
                for heater in self.heaters
                for one in heater.safety.findings
            )
        )


def fleet_history(
    rows: Sequence[Mapping[str, Any]],
    heaters: Sequence[Heater] = (),
    *,
    events: Mapping[str, Sequence[Event]] | None = None,
    **options: Any,
) -> FleetHistory:
    """Return every heater's history, ranked by the chance to be below its limit next winter.

    Parameters
    ----------
    rows : sequence of mapping
        Readings of all heaters; those without a heater_id are left out and told.
    heaters : sequence of Heater
        Profiles; a heater without one has a trend but no band and comes last.
    events : mapping, optional
        heater_id -> events.
    **options
        As for :func:`heater_history`.

    Raises
    ------
    CombustError
        No heater has a reading that counts.
    """
    profiles = {heater.heater_id: heater for heater in heaters if heater.heater_id}
    by_heater: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        if row.get("heater_id"):
            by_heater.setdefault(str(row["heater_id"]), []).append(row)
    told: list[str] = []
    tell(told, len(rows) - sum(map(len, by_heater.values())), "name no heater and were left out.")
    found = []
    for name, own in by_heater.items():
        try:
            found.append(heater_history(own, profiles.get(name), events=(events or {}).get(name, ()), **options))
        except CombustError as error:
            told.append(f"{name}: {error}")
    if not found:
        why = "holds no heater that can be followed"
        raise CombustError(Fault("history", None, "missing", why=why, hint=" ".join(told)))
    told += _interchanged(found)
    ranked = sorted(found, key=lambda one: (one.risk_next_winter is None, -(one.risk_next_winter or 0.0)))
    return FleetHistory(tuple(ranked), tuple(told))


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
