"""The history of heaters from a logbook, a table or rows in memory."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.history.fleet_history import FleetHistory, fleet_history
from combust.application.history.heater_history import heater_history
from combust.application.history.history_result import HeaterHistory
from combust.application.history.visit_points import Event, date_of
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault, shorten
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.domain.limits import Finding
from combust.edge.logbook.book import MAGIC, Logbook, first_bytes
from combust.edge.logbook.visits import NewVisit, read_visits
from combust.edge.tables.table_map import MapLike
from combust.edge.tables.times import moment

if TYPE_CHECKING:
    import pandas as pd


def drift_history(
    log: LogEntries | str | Path | pd.DataFrame | Sequence[Mapping[str, Any]],
    heater: Heater | str | Path | None = None,
    *,
    stage: str | None = None,
    instrument: InstrumentClass | str | None = None,
    visit_noise_pct: float | None = None,
    events: Sequence[Event] = (),
    today: date | str | None = None,
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
        As in :func:`~combust.application.history.heater_history.heater_history`.
    today : date or str, optional
        Day of the question, as a date or as people write one; default the day it is.
    mapping : TableMap, mapping or path, optional
        Heading -> key of a table, where a heading is not a key itself; or a saved map with more.

    Returns
    -------
    HeaterHistory

    Raises
    ------
    CombustError
        No usable reading, unreadable log.

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
    names = [profile.heater_id] if profile and profile.heater_id else entries.events
    found = heater_history(
        entries.rows,
        profile,
        events=[*(event for name in names for event in entries.events.get(name, ())), *events],
        instrument=instrument,
        stage=stage,
        visit_noise_pct=visit_noise_pct,
        today=day_of(today),
        catalogue=catalogue,
    )
    return replace(found, left_out=(*entries.notes, *found.left_out))


def fleet_drift_history(
    log: Any, heaters: Sequence[Heater] = (), *, today: date | str | None = None, **options: Any
) -> FleetHistory:
    """Return every heater of a log, ranked by the chance to be below its limit next winter."""
    entries = read_log(log)
    found = fleet_history(entries.rows, heaters, events=entries.events, today=day_of(today), **options)
    return FleetHistory(found.heaters, (*entries.notes, *found.left_out))


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
        raise CombustError(Fault("today", shorten(given), "format", why="cannot be read as one day", hint=hint))
    return day


@dataclass(frozen=True, slots=True)
class LogEntries:
    """Readings, events by heater, what was refused or is to be told, and the stop conditions of refused rows."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    events: dict[str, list[Event]] = field(default_factory=lambda: defaultdict(list))
    notes: list[str] = field(default_factory=list)
    stops: list[Finding] = field(default_factory=list)

    def add(self, visit: NewVisit | Visit, entries: Iterable[tuple[str, Any]], day: date | None = None) -> None:
        """Add the entries of one visit, (kind, content); an event without a date of its own happened on its day."""
        named = {"visit_id": visit.visit_id, "heater_id": visit.heater_id}
        known = {key: name for key, name in named.items() if name}
        found = list(entries)
        self.rows.extend({**known, **body} for kind, body in found if kind == "reading")
        events = [body for kind, body in found if kind == "event"]
        happened = [Event(body["event"], date_of(body.get("at")) or day, visit.visit_id) for body in events]
        happened += [Event("repair", day, visit.visit_id)] if any(kind == "adjustment" for kind, _ in found) else []
        if happened:
            self.events[visit.heater_id or ""] += happened


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
        days = [date_of(reading.get("taken_at")) for reading in record.readings]
        day = max((one for one in days if one), default=date_of(record.opened_at))
        entries.add(record, record.history(), day)
        if record.broken:
            entries.notes.append(f"Visit {record.visit_id} is broken at {record.broken}: changed outside combust.")
    return entries


def _of_table(given: Any, mapping: MapLike) -> LogEntries:
    from combust.edge.logbook.visit_tables import visits_of_table

    visits, table = visits_of_table(given, mapping=mapping)
    entries = LogEntries(notes=[*table.notes, *table.told("Row {} was refused: {}")], stops=table.stops)
    for visit in visits:
        entries.add(visit, ((kind, body) for kind, _, body in visit.entries))
    return entries
