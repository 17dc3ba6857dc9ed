"""From the rows of one heater to its visits: what counts, what is left out and why, one point a visit and phase."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.reading.columns import NOT_CHOSEN, Columns
from combust.application.reading.interpret import interpret_columns
from combust.application.reading.judge import codes_of
from combust.application.reading.result import DEFAULT_FUEL
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass

# Findings that make a reading no witness of the heater.
SPOILT = (
    *("not_steady", "leak_test_failed", "sample_wet", "ambient_o2_off", "span_gas_off", "pair_impossible"),
    *("pair_disagrees", "too_early", "o2_like_air", "no_gas", "intake_recirculation", "fuel_not_as_stated"),
)
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a heater: ``repair``, ``rezero`` (of the analyser) or ``swap`` (of the heater)."""

    kind: str
    date: datetime.date | None
    visit_id: str | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """One visit (before or after work): date, lambda at reference air and its relative standard uncertainty."""

    date: datetime.date
    after: bool
    air_ratio: float
    relative_u: float
    readings: int
    visit_id: str | None
    group: str
    segment: int

    @property
    def years(self) -> float:
        """Date as decimal years, for fitting."""
        return self.date.toordinal() / DAYS_PER_YEAR


@dataclass(frozen=True, slots=True)
class Points:
    """The points in order of time, and what was left out or assumed."""

    stage: str | None
    points: tuple[Point, ...]
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    values: Mapping[str, Any]
    date: datetime.date
    air_ratio: float
    relative_u: float


def rule(key: str) -> Any:
    """Return a number of ``history_rules.toml`` (its origin stands beside it)."""
    return load_table("history_rules")[key]["value"]


def points_of(
    rows: Sequence[Mapping[str, Any]],
    heater: Heater | None,
    events: Sequence[Event],
    instrument: InstrumentClass,
    *,
    stage: str | None = None,
    visit_noise_pct: float | None = None,
    catalogue: Catalogue | None = None,
) -> Points:
    """Return the visits of one heater as points of lambda at reference air.

    Parameters
    ----------
    rows : sequence of mapping
        Readings by vocabulary key.
    heater : Heater or None
        Rows of another heater_id or of an unknown stage are left out and told.
    events : sequence of Event
    stage : str, optional
        Default the stage with most readings.
    visit_noise_pct : float, optional
        Relative standard deviation of one visit in all; default from the analyser's class and the stated scatter.
    """
    told: list[str] = []
    kept = _of_this_heater(rows, heater, told)
    kept = _without_twins(kept, told)
    dated = [(row, date) for row in kept if (date := date_of(row.get("taken_at"))) is not None]
    if len(dated) < len(kept):
        told.append(f"{len(kept) - len(dated)} readings without a date that can be read were left out.")
    chosen = stage or _usual_stage([row for row, _ in dated], heater)
    here = [(row, date) for row, date in dated if _stage(row) == chosen]
    if len(here) < len(dated):
        told.append(f"{len(dated) - len(here)} readings of other stages than {chosen or 'unstated'} were set aside.")
    witnesses = _interpreted(here, instrument, told, catalogue)
    swaps = [event for event in events if event.kind == "swap"]
    witnesses = _since_swap(witnesses, swaps, told)
    return Points(chosen, tuple(_grouped(witnesses, events, visit_noise_pct, told)), tuple(told))


def date_of(text: Any) -> datetime.date | None:
    """Return the day of an ISO 8601 text, or None."""
    if not isinstance(text, str):
        return None
    try:
        return datetime.date.fromisoformat(text.strip()[:10])  # the day is enough here
    except ValueError:
        return None


def _of_this_heater(
    rows: Sequence[Mapping[str, Any]], heater: Heater | None, told: list[str]
) -> list[Mapping[str, Any]]:
    own = heater.heater_id if heater else None
    kept = [row for row in rows if own is None or row.get("heater_id", own) == own]
    if len(kept) < len(rows):
        told.append(f"{len(rows) - len(kept)} readings of another heater than {own} were refused.")
    return kept


def _without_twins(rows: Sequence[Mapping[str, Any]], told: list[str]) -> list[Mapping[str, Any]]:
    seen: set[tuple[Any, ...]] = set()
    kept = []
    for row in rows:
        twin = tuple(sorted((key, str(value)) for key, value in row.items() if key not in ("reading_id", "note")))
        if twin not in seen:
            seen.add(twin)
            kept.append(row)
    if len(kept) < len(rows):
        told.append(f"{len(rows) - len(kept)} readings came twice in every value and counted once.")
    return kept


def _stage(row: Mapping[str, Any]) -> str | None:
    stage = row.get("stage")
    return str(stage) if stage else None


def _usual_stage(rows: Sequence[Mapping[str, Any]], heater: Heater | None) -> str | None:
    counts: dict[str | None, int] = {}
    for row in rows:
        name = _stage(row)
        if heater is None or name is None or name in heater.stages:
            counts[name] = counts.get(name, 0) + 1
    return max(counts, key=lambda name: (counts[name], name is not None), default=None)


def _interpreted(
    rows: Sequence[tuple[Mapping[str, Any], datetime.date]],
    instrument: InstrumentClass,
    told: list[str],
    catalogue: Catalogue | None,
) -> list[_Row]:
    """Return the readings that witness the heater, with lambda at reference air."""
    if not rows:
        return []
    done = interpret_columns(_columns([row for row, _ in rows], catalogue), instrument)
    ratio, u = done.values["air_ratio_at_reference"], done.values["air_ratio_u"] / done.values["air_ratio"]
    found = []
    spoilt: dict[str, int] = {}
    for index, (row, date) in enumerate(rows):
        codes = [code for code in codes_of(int(done.mask[index])) if code in SPOILT]
        if row.get("arrangement") not in (None, "as_installed"):
            codes = ["a duct was off", *codes]
        if codes or not np.isfinite(ratio[index]):
            reason = codes[0] if codes else "no lambda"
            spoilt[reason] = spoilt.get(reason, 0) + 1
            continue
        found.append(_Row(row, date, float(ratio[index]), float(u[index])))
    told += [f"{number} readings were left out: {reason.replace('_', ' ')}." for reason, number in spoilt.items()]
    low = sum(row.values.get("altitude_m") is None and row.values.get("pressure_hpa") is None for row in found)
    if low:
        told.append(f"{low} readings name neither altitude nor pressure: they count as taken at sea level.")
    mild = sum(row.values.get("intake_temp_c") is None for row in found)
    if mild:
        told.append(f"{mild} readings name no intake temperature: they count as taken at 15 °C.")
    return found


def _columns(rows: Sequence[Mapping[str, Any]], catalogue: Catalogue | None) -> Columns:
    names = [str(row.get("fuel") or DEFAULT_FUEL) for row in rows]
    fuels = sorted(set(names))
    values: dict[str, Any] = {}
    for key in sorted(set().union(*rows)):
        record = quantities().get(key)
        if record is None or record.kind == "text":
            continue
        if record.kind == "number":
            values[key] = np.array([np.nan if row.get(key) is None else float(row[key]) for row in rows])
        else:
            index = [NOT_CHOSEN if row.get(key) is None else record.choices.index(row[key]) for row in rows]
            values[key] = np.array(index, dtype=np.int8)
    burnt = [get_fuel(name, catalogue=catalogue) for name in fuels]
    return Columns(len(rows), values, burnt, np.array([fuels.index(name) for name in names]))


def _since_swap(rows: list[_Row], swaps: Sequence[Event], told: list[str]) -> list[_Row]:
    """Return the readings of the heater that is in the vehicle now: those from the last swap on."""
    dates = [event.date or _visit_date(rows, event.visit_id) for event in swaps]
    known = [date for date in dates if date is not None]
    if not known:
        return rows
    last = max(known)
    kept = [row for row in rows if row.date > last or (row.date == last and row.values.get("phase") == "after")]
    told.append(f"The heater was swapped on {last}: {len(rows) - len(kept)} readings before it belong to another unit.")
    return kept


def _visit_date(rows: Sequence[_Row], visit_id: str | None) -> datetime.date | None:
    return max((row.date for row in rows if visit_id and row.values.get("visit_id") == visit_id), default=None)


def _grouped(
    rows: Sequence[_Row], events: Sequence[Event], visit_noise_pct: float | None, told: list[str]
) -> list[Point]:
    """Return one point for each visit and phase; repairs open a new segment, analysers and re-zeroing a new group."""
    visits: dict[tuple[Any, ...], list[_Row]] = {}
    for row in rows:
        after = row.values.get("phase") == "after"
        visits.setdefault((row.date, after, str(row.values.get("instrument") or "")), []).append(row)
    repairs = sorted(_dates(rows, events, "repair"))
    rezeros = sorted(_dates(rows, events, "rezero"))
    points = []
    days_after = {date for date, after, _ in visits if after}
    for (date, after, analyser), same in sorted(visits.items(), key=lambda item: item[0]):
        logs = np.log([row.air_ratio for row in same])
        scatter = float(np.var(logs, ddof=1)) / len(same) if len(same) > 1 else 0.0
        device = float(np.mean([row.relative_u for row in same]))
        own = rule("reproducibility_pct") / 100.0
        noise = visit_noise_pct / 100.0 if visit_noise_pct is not None else (own**2 + device**2 + scatter) ** 0.5
        # A repair counts before a later visit; on its own day only the reading after the work is on its far side.
        steps = {day for day in repairs if day < date or (day == date and after)}
        steps |= {day for day in days_after if day < date or (day == date and after)}
        zeroed = sum(day <= date for day in rezeros)
        group = f"{analyser or 'analyser not named'}/{zeroed}"
        identity = same[0].values.get("visit_id")
        points.append(Point(date, after, float(np.exp(logs.mean())), noise, len(same), identity, group, len(steps)))
    if rezeros:
        told.append(f"The analyser was set anew {len(rezeros)} times: it counts as another analyser from then on.")
    return points


def _dates(rows: Sequence[_Row], events: Sequence[Event], kind: str) -> set[datetime.date]:
    found = (event.date or _visit_date(rows, event.visit_id) for event in events if event.kind == kind)
    return {date for date in found if date is not None}
