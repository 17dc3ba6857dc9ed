"""The history of heaters from a logbook, a table or rows in memory."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.fleet.due import HeaterLog
from combust.application.history.fleet_history import FleetHistory, fleet_history
from combust.application.history.heater_history import heater_history
from combust.application.history.history_result import HeaterHistory
from combust.application.history.last_visit import JudgedVisit
from combust.application.history.visit_points import Event
from combust.application.reading.result import safety_of
from combust.application.visit.taken import Taken, name_of_row, of_rows
from combust.application.visit.visit import Visit, alarm_findings
from combust.data.errors import CombustError, Fault, shorten
from combust.data.moments import date_of
from combust.data.near import folded_id, folded_name
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.domain.limits import Finding
from combust.domain.safety import Safety
from combust.edge.logbook.book import MAGIC, Logbook, first_bytes
from combust.edge.logbook.profiles import read_profiles
from combust.edge.logbook.visits import NewVisit, read_visits
from combust.edge.tables.table_map import MapLike
from combust.edge.tables.times import moment, why_no_moment

if TYPE_CHECKING:
    import pandas as pd

    from combust.edge.tables.reader import Entries


def drift_history(
    log: LogEntries | str | Path | pd.DataFrame | Sequence[Mapping[str, Any]],
    heater: Heater | str | Path | None = None,
    *,
    stage: str | None = None,
    instrument: InstrumentClass | str | None = None,
    visit_noise_pct: float | None = None,
    events: Sequence[Event] = (),
    on: date | str | None = None,
    catalogue: Catalogue | None = None,
    mapping: MapLike = None,
) -> HeaterHistory:
    """Return one heater over the winters: drift or step of lambda at reference air, crossing date, next visit.

    Parameters
    ----------
    log : str, Path, pandas.DataFrame or sequence of mapping
        A logbook, a table (CSV or Parquet) with keys of the vocabulary and perhaps ``event`` (repair, rezero, swap),
        a frame or rows with them.
    heater : Heater or path of a profile, optional
        Gives the band; rows of another heater are refused and told.
    stage, instrument, visit_noise_pct, events, catalogue
        As in ``heater_history`` of ``combust.application.history``.
    on : date or str, optional
        Day of the question, as a date or as people write one; default now.
    mapping : TableMap, mapping or path, optional
        Heading -> key of a table, where a heading is not a key itself; or a saved map with more.

    Returns
    -------
    HeaterHistory
        lambda [-], drift [% a year], dates; one point a visit.

    Raises
    ------
    CombustError
        No usable reading, unreadable log.

    References
    ----------
    A. Zellner 1971, ch. 3 (scatter with a prior); K. K. G. Lan, D. L. DeMets 1983 (looks). From memory.

    Examples
    --------
    >>> winters = [f"20{year}-11-05" for year in range(21, 26)]
    >>> rows = [{"taken_at": day, "fuel": "diesel_b7", "o2_dry_pct": 8.2, "stage": "high"} for day in winters]
    >>> found = drift_history(rows)
    >>> found.drifts, len(found.points)
    (False, 5)
    """
    profile = heater if heater is None or isinstance(heater, Heater) else Heater.load(heater)
    entries = read_log(log, mapping)
    own = folded_id(profile.heater_id) if profile and profile.heater_id else ""
    names = [name for name in entries.events if not own or folded_id(name) == own]
    found = heater_history(
        entries.rows,
        profile,
        events=[*(event for name in names for event in entries.events.get(name, ())), *events],
        instrument=instrument,
        stage=stage,
        visit_noise_pct=visit_noise_pct,
        visits=entries.judged,
        on=day_of(on),
        catalogue=catalogue,
    )
    return replace(found, left_out=(*entries.notes, *found.left_out))


def fleet_drift_history(
    log: Any,
    heaters: Sequence[Heater] | str | Path = (),
    *,
    on: date | str | None = None,
    mapping: MapLike = None,
    **options: Any,
) -> FleetHistory:
    """Return every heater of a log, the worst first: stopped, then due, by the chance to read outside its band.

    ``log`` is as for :func:`drift_history`; ``heaters`` are profiles or a folder of them, one heater each.
    """
    entries = read_log(log, mapping)
    profiles, more = read_profiles([heaters]) if isinstance(heaters, str | Path) else (heaters, [])
    found = fleet_history(
        entries.rows,
        profiles,
        events=entries.events,
        visits=entries.judged,
        on=day_of(on),
        refused=entries.refused,
        **options,
    )
    return replace(found, left_out=(*more, *entries.notes, *found.left_out))


def heater_log(log: Any, *, on: date | str | None = None, mapping: MapLike = None) -> HeaterLog:
    """Return the winters of the heaters of a fleet, for its plan; ``log`` is as for :func:`drift_history`."""
    entries = read_log(log, mapping)
    names = frozenset(str(one["heater_id"]) for one in entries.rows if one.get("heater_id"))
    return HeaterLog(names, partial(fleet_drift_history, entries, on=day_of(on)), tuple(entries.stops))


def day_of(given: date | str | None) -> date | None:
    """Return the day that was given, as a date or as people write one.

    Raises
    ------
    CombustError
        A text that is no day, or can be two.
    """
    day = date_of(moment(given)) if isinstance(given, str) else given
    if given is not None and day is None:
        hint = "Give a day such as 2026-11-05 or 05.11.2026."
        why = why_no_moment(str(given), "cannot be read as one day")
        raise CombustError(Fault("on", shorten(given), "format", why=why, hint=hint))
    return day


@dataclass(frozen=True, slots=True)
class LogEntries:
    """Readings, events by heater, visits that are judged as a whole, what is to be told, and stops of refused rows."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    events: dict[str, list[Event]] = field(default_factory=lambda: defaultdict(list))
    judged: list[JudgedVisit] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    stops: list[Finding] = field(default_factory=list)
    serials: dict[str, list[tuple[date, str]]] = field(default_factory=lambda: defaultdict(list))
    refused: Counter[str] = field(default_factory=Counter)  # heater -> how many of its rows were refused
    spelled: dict[str, str] = field(default_factory=dict)  # ids of heaters as they are compared -> as first met

    def add_refused(self, table: Entries) -> None:
        """Add the stops of refused rows: each keeps its heater off; of no heater it is told by itself."""
        self.stops.extend(table.of_nobody)
        for line, values, codes in table.stopped:
            if heater := self._spelled(values.get("heater_id")):
                name, day = name_of_row(values, f"row {line}"), date_of(values.get("taken_at"))
                stops = tuple(one.named(name) for one in safety_of(values).stops if one.code in codes)
                self.judged.append(JudgedVisit(heater, f"row {line}", day, partial(Safety, stops), [values]))

    def add(self, visit: NewVisit | Visit, entries: Iterable[tuple[str, Any]], opened: date | None = None) -> None:
        """Add the entries of one visit, (kind, content); its day is that of its last reading, else when it was opened.

        An event without a date of its own happened on that day.
        """
        heater_id = self._spelled(visit.heater_id)
        named = {"visit_id": visit.visit_id, "heater_id": heater_id}
        known = {key: name for key, name in named.items() if name}
        found = list(entries)
        taken = [Taken.of_body({**known, **body}) for kind, body in found if kind == "reading"]
        readings = [one.values for one in taken]
        for reading in readings:
            if "heater_id" in reading:
                reading["heater_id"] = self._spelled(reading["heater_id"])
        days = [one for one in (date_of(reading.get("taken_at")) for reading in readings) if one]
        day = max(days, default=opened)
        self.rows.extend(readings)
        name = f"visit {visit.visit_id}"
        if isinstance(visit, Visit):
            state = partial(_named, visit, f"{name}, {day}" if day else name)
            rows = [one.row for one in visit.taken]
        else:
            state, rows = partial(_safety_of, visit.head, taken, name), [one.row for one in taken]
        self.judged.append(JudgedVisit(heater_id, visit.visit_id, day, state, rows))
        if day and visit.head.get("serial"):
            self.serials[heater_id or ""].append((day, str(visit.head["serial"])))
        events = [body for kind, body in found if kind == "event"]
        happened = [Event(body["event"], date_of(body.get("at")) or day, visit.visit_id) for body in events]
        told = any(one.kind == "repair" for one in happened)
        worked = not told and any(kind == "adjustment" for kind, _ in found)
        happened += [Event("repair", day, visit.visit_id)] if worked else []
        if happened:
            self.events[heater_id or ""] += happened

    def _spelled(self, name: Any) -> Any:
        """Return the id of a heater as it was met first."""
        return self.spelled.setdefault(folded_id(name), name) if isinstance(name, str) and name else name

    def tell_swaps(self) -> None:
        """Add a swap of the heater wherever the serial number on its plate became another, and tell it."""
        for name, seen in self.serials.items():
            for (before, old), (after, new) in pairwise(sorted(seen)):
                if folded_name(old) != folded_name(new):
                    self.events[name].append(Event("swap", before))
                    self.notes.append(f"{name}: serial {old} until {before}, {new} from {after} on: another unit.")


def _named(visit: Visit, name: str) -> Safety:
    return of_rows([(name, visit.safety)])


def _safety_of(head: Mapping[str, Any], taken: Sequence[Taken], name: str) -> Safety:
    """Return the safety state of a visit of a table: each of its readings, and the CO alarm of the cab."""
    alarm = (name, Safety(alarm_findings(head)))
    return of_rows([alarm, *((name_of_row(one.values, name), one.safety) for one in taken)])


def read_log(
    log: LogEntries | str | Path | pd.DataFrame | Sequence[Mapping[str, Any]], mapping: MapLike = None
) -> LogEntries:
    """Return what a logbook, a table, a frame or rows in memory hold for the history."""
    if isinstance(log, LogEntries):
        return log
    if isinstance(log, str | Path):
        return _of_book(log) if first_bytes(Path(log)) == MAGIC else _of_table(log, mapping)
    return _of_table(log if hasattr(log, "iloc") else _frame(log), mapping)


def _frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return rows in memory as a frame; those that name neither visit nor heater are of one heater, a visit a day."""
    import pandas as pd

    days = [None if row.get("heater_id") else str(row.get("taken_at") or "undated")[:10] for row in rows]
    return pd.DataFrame([{**row, "visit_id": row.get("visit_id") or day} for row, day in zip(rows, days, strict=True)])


def _of_book(path: str | Path) -> LogEntries:
    entries = LogEntries()
    with Logbook(path, read_only=True) as book:
        records = read_visits(book)
    for record in records:
        entries.add(record, record.history(), date_of(record.opened_at))
        if record.broken:
            entries.notes.append(f"Visit {record.visit_id} is broken at {record.broken}: changed outside combust.")
    entries.tell_swaps()
    return entries


def _of_table(given: Any, mapping: MapLike) -> LogEntries:
    from combust.edge.logbook.visit_tables import visits_of_table

    visits, table = visits_of_table(given, mapping=mapping)
    entries = LogEntries(notes=[*table.notes, *table.told("Row {} was refused: {}")])
    entries.add_refused(table)
    entries.refused.update(str(row["heater_id"]) for row in table.lost.values() if row.get("heater_id"))
    for visit in visits:
        entries.add(visit, ((kind, body) for kind, _, body in visit.entries))
    entries.tell_swaps()
    return entries
