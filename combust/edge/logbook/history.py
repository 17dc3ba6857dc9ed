"""The history of heaters from a logbook, a table or rows in memory."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.history.fleet_history import FleetHistory, fleet_history
from combust.application.history.heater_history import HeaterHistory, heater_history
from combust.application.history.visit_points import Event, date_of
from combust.data.errors import CombustError, Fault, shorten
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.domain.limits import Finding
from combust.domain.reading import check_values
from combust.edge.logbook.book import MAGIC, Logbook
from combust.edge.logbook.visits import read_visits
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
    today: datetime.date | str | None = None,
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
    >>> told = drift_history(rows)
    >>> told.drifts, len(told.points)
    (False, 5)
    """
    profile = heater if heater is None or isinstance(heater, Heater) else Heater.load(heater)
    entries = read_log(log, mapping)
    logged = entries.events
    own = profile.heater_id if profile else None
    found = heater_history(
        entries.rows,
        profile,
        events=[*(event for name in ([own] if own else logged) for event in logged.get(name, ())), *events],
        instrument=instrument,
        stage=stage,
        visit_noise_pct=visit_noise_pct,
        today=day_of(today),
        catalogue=catalogue,
    )
    return replace(found, left_out=(*entries.notes, *found.left_out))


def fleet_drift_history(
    log: Any, heaters: Sequence[Heater] = (), *, today: datetime.date | str | None = None, **options: Any
) -> FleetHistory:
    """Return every heater of a log, ranked by the chance to be below its limit next winter."""
    entries = read_log(log)
    found = fleet_history(entries.rows, heaters, events=entries.events, today=day_of(today), **options)
    return FleetHistory(found.heaters, (*entries.notes, *found.left_out))


def day_of(given: datetime.date | str | None) -> datetime.date | None:
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

    def add(
        self,
        visit_id: str | None,
        heater_id: str | None,
        entries: Iterable[tuple[str, Mapping[str, Any]]],
        day: datetime.date | None = None,
    ) -> None:
        """Add the entries of one visit, (kind, content); an event without a date of its own happened on its day."""
        known = {key: name for key, name in (("visit_id", visit_id), ("heater_id", heater_id)) if name}
        found = list(entries)
        self.rows.extend({**known, **body} for kind, body in found if kind == "reading")
        events = [body for kind, body in found if kind == "event"]
        happened = [Event(body["event"], date_of(body.get("at")) or day, visit_id) for body in events]
        happened += [Event("repair", day, visit_id)] if any(kind == "adjustment" for kind, _ in found) else []
        if happened:
            self.events[heater_id or ""] += happened


def read_log(
    log: LogEntries | str | Path | pd.DataFrame | Sequence[Mapping[str, Any]], mapping: MapLike = None
) -> LogEntries:
    """Return what a logbook, a table, a frame or rows in memory hold for the history."""
    if isinstance(log, LogEntries):
        return log
    if isinstance(log, str | Path) and _is_book(Path(log)):
        return _of_book(log)
    return _of_table(log, mapping) if isinstance(log, str | Path) or hasattr(log, "iloc") else _of_rows(list(log))


def _is_book(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except (OSError, ValueError) as error:
        hint = "Give a logbook, a CSV or a Parquet file."
        why = f"cannot be read ({getattr(error, 'strerror', None) or shorten(error)})"
        raise CombustError(Fault("log", str(path), "missing", why=why, hint=hint)) from error


def _of_book(path: str | Path) -> LogEntries:
    entries = LogEntries()
    with Logbook(path, read_only=True) as book:
        records = read_visits(book)
    for record in records:
        dates = [date_of(reading.get("taken_at")) for reading in record.readings]
        day = max((date for date in dates if date), default=date_of(record.opened_at))
        entries.add(record.visit_id, record.heater_id, ((one.kind, one.body) for one in record.entries), day)
        if record.seal_holds is False:
            told = f"The seal of visit {record.visit_id} is broken: its record was changed outside combust."
            entries.notes.append(told)
    return entries


def _of_table(given: Any, mapping: MapLike) -> LogEntries:
    from combust.edge.logbook.visit_tables import visits_of_table

    table = visits_of_table(given, mapping=mapping)
    notes = [f"Row {row} was refused: {why}" for row, why in table.refused]
    entries = LogEntries(notes=[*table.notes, *notes], stops=table.stops)
    for visit in table.visits:
        entries.add(visit.visit_id, visit.heater_id, ((kind, body) for kind, _, body in visit.entries))
    return entries


def _of_rows(given: Sequence[Mapping[str, Any]]) -> LogEntries:
    entries = LogEntries()
    for number, row in enumerate(given, 1):
        dates = {str(key): value for key, value in row.items() if key != "event"}
        texts = {key: one.isoformat() if isinstance(one, datetime.date) else one for key, one in dates.items()}
        if isinstance(texts.get("taken_at"), str):
            texts["taken_at"] = moment(texts["taken_at"]) or texts["taken_at"]
        checked, faults = check_values(texts)
        if faults:
            entries.notes.append(f"Row {number} was refused: {' '.join(str(fault) for fault in faults)}")
            continue
        event = row.get("event")
        found = [("reading", checked)]
        found += (
            [("event", {"event": event, "at": checked.get("taken_at")})] if isinstance(event, str) and event else []
        )
        entries.add(checked.get("visit_id"), checked.get("heater_id"), found)
    return entries
