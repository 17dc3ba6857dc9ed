"""What the winters of its heaters say to a fleet: who is due for a visit this season, whose heater stays off."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.heater_types import Fleet
from combust.application.history.drift_test import rule
from combust.application.history.fleet_history import FleetHistory
from combust.data.errors import first_few
from combust.data.near import folded_name, one_spelling
from combust.data.told import Rows, Told
from combust.domain.heater import Heater
from combust.domain.limits import Finding, finding
from combust.domain.result import many
from combust.domain.safety import Safety

MOST_NAMES = 10


@dataclass(frozen=True, slots=True)
class Due:
    """A vehicle whose heater is due for a visit, or stays off by its history.

    ``date`` is the day by which a visit is worth making, never before the day of the plan; None where ``stopped``: a
    stop condition comes first, such a heater is never only due. ``last_visit`` None = no visit of it in the log.
    """

    vehicle_id: str
    heater_id: str
    stopped: bool
    date: datetime.date | None
    reason: str
    last_visit: datetime.date | None


@dataclass(frozen=True, slots=True)
class HeaterLog:
    """The winters of many heaters: their names, how they are followed with profiles, stops of refused rows."""

    names: frozenset[str]
    follow: Callable[[Sequence[Heater]], FleetHistory]
    stops: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class DueList(Told):
    """What the log of the heaters says to the vehicles of a plan.

    ``due`` holds what is stopped, then what is due this season, by date; ``unplaced`` stop conditions of the log that
    no vehicle bears; ``notes`` what is to be told.
    """

    due: tuple[Due, ...] = ()
    unplaced: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def safety(self) -> Safety:
        """The stop conditions of the log, vehicles first."""
        off = [f"{one.vehicle_id} ({one.heater_id})" for one in self.due if one.stopped]
        told = [finding("history_stopped", count=len(off), who=first_few(off, MOST_NAMES))] if off else []
        return Safety((*told, *self.unplaced))

    def lines(self) -> Rows:
        """Return the sums of the calendar: what is due this season, what stays off by its history."""
        off = sum(one.stopped for one in self.due)
        rows = [("heaters that stay off by their last visit", off), ("visits due this season", len(self.due) - off)]
        return [(words, str(number)) for words, number in rows if number]

    def months(self, vehicle_ids: pd.Series) -> Any:
        """Return the month in which each vehicle is due by the history of its heater, NaN where it is not."""
        months = {one.vehicle_id: float(one.date.month) for one in self.due if one.date}
        return vehicle_ids.map(months).to_numpy(dtype=float)

    def rows(self) -> list[dict[str, str]]:
        """Return the lines of a list: ``by, who, reason, last_visit``; vehicles that are due alike stand in one."""
        found: dict[tuple[str, str, str], list[str]] = {}
        for one in self.due:
            key = (str(one.date or "HEATER OFF"), one.reason, str(one.last_visit or "none"))
            found.setdefault(key, []).append(f"{one.vehicle_id} ({one.heater_id})")
        return [
            {"by": by, "who": ", ".join(who), "reason": reason, "last_visit": last}
            for (by, reason, last), who in found.items()
        ]

    @property
    def table(self) -> pd.DataFrame:
        """One row for each entry of ``due``."""
        columns = list(Due.__dataclass_fields__)
        return pd.DataFrame([[getattr(one, key) for key in columns] for one in self.due], columns=columns).astype(
            {"date": str, "last_visit": str}
        )


def due_list(vehicles: pd.DataFrame, fleet: Fleet, log: HeaterLog | None) -> tuple[DueList, Any]:
    """Return (what the log says to vehicles: due this season, stopped, what fits nowhere; which vehicles are stopped).

    ``heater_id`` of a vehicle is the name of its heater in the log; ``profile`` names its type. One that stands nowhere
    in the log and is the profile, or that of several vehicles, is a type: nothing is known of the single heater.

    Parameters
    ----------
    vehicles : DataFrame
        Valid vehicles, cleaned.
    fleet : Fleet
        Heater types and the type of each vehicle.
    """
    if log is None:
        return DueList(), np.zeros(len(vehicles), dtype=bool)
    names = pd.Series(one_spelling(vehicles["heater_id"].astype(str), log.names), index=vehicles.index, dtype=object)
    single = ~names.isin(["", *vehicles["profile"]]) & (vehicles["profile"] != "") & ~names.duplicated(keep=False)
    own = (names.isin(log.names) | single).to_numpy()
    rows = np.flatnonzero(own)
    heaters = {names.iloc[row]: fleet.types[fleet.index[row]].heater for row in rows}
    told = log.follow([replace(heater, heater_id=name) for name, heater in heaters.items()])
    stops = _stops(told)
    found = {str(one.heater_id): one for one in told.heaters}
    season_end = told.on + datetime.timedelta(days=round(rule("season_days")))
    off = names.map(folded_name).isin(stops).to_numpy()
    due: list[Due] = []
    for row in np.flatnonzero(own | off):
        vehicle, name = str(vehicles["vehicle_id"].iloc[row]), names.iloc[row]
        one = found.get(name)
        last = one.last_visit if one else None
        if off[row]:
            heater, stop = stops[folded_name(name)][0]
            due.append(Due(vehicle, name, True, None, stop.text if heater == name else f"{heater}: {stop.text}", last))
        elif one and one.stopped:
            due.append(Due(vehicle, name, False, told.on, "stopped where it stood then: read it again here", last))
        elif one and one.next_visit and one.next_visit <= season_end:
            due.append(Due(vehicle, name, False, one.next_visit, one.why_then, last))
        elif not one:
            why = "its visits tell nothing" if name in told.not_followed else "no visit of it in the log"
            due.append(Due(vehicle, name, False, told.on, why, None))
    due.sort(key=lambda one: (not one.stopped, one.date or told.on))
    here = set(names.map(folded_name))
    unplaced = [
        replace(stop, text=f"{heater}: {stop.text}")
        for name, some in stops.items()
        if name not in here
        for heater, stop in some
    ]
    return DueList(tuple(due), (*log.stops, *unplaced), _notes(told, names, own, log)), off


def with_stops(vehicle_ids: pd.Series, reasons: list[str], due: Sequence[Due]) -> list[str]:
    """Return the reason of each vehicle, the stop condition of its history before the rest."""
    stopped = {one.vehicle_id: one.reason for one in due if one.stopped}
    if not stopped:
        return reasons
    pairs = zip(vehicle_ids, reasons, strict=True)
    return [f"{stopped[name]} {reason}" if name in stopped else reason for name, reason in pairs]


def _stops(told: FleetHistory) -> dict[str, list[tuple[str, Finding]]]:
    """Return the stop conditions of the heaters of the log, each with its heater, by the name as the eye sees it.

    Those of the place and the height where it was read are left to the plan, which knows where it stands now.
    """
    every = {str(one.heater_id): one.safety for one in told.heaters}
    every |= {name: Safety(one.findings) for name, one in told.not_followed.items()}
    found: dict[str, list[tuple[str, Finding]]] = {}
    for name, safety in every.items():
        for one in safety.without_place().stops:
            if one.code != "above_heater_limit":
                found.setdefault(folded_name(name), []).append((name, one))
    return found


def _notes(told: FleetHistory, names: pd.Series, own: Any, log: HeaterLog) -> tuple[str, ...]:
    notes = [f"history: judged for {told.on}; due this season = within {rule('season_days'):.0f} days."]
    if not own.all():
        hint = "heater_id is the name of the single heater in the log, profile that of its type."
        notes.append(f"history: {many(int((~own).sum()), 'vehicle')} without a heater of the log: {hint}")
    twice = names[own][names[own].duplicated()].unique()
    if len(twice):
        notes.append(f"history: {', '.join(twice[:MOST_NAMES])} stands in more than one vehicle: it counts for each.")
    lost = sorted(log.names - set(names))
    if lost:
        notes.append(f"history: in the log and in no vehicle: {first_few(lost, MOST_NAMES)}.")
    notes += [f"history: {name}: {one.why}" for name, one in told.not_followed.items()]
    return (*notes, *(f"history: {text}" for text in told.left_out))
