"""From the rows of one heater to its visits: what counts, what is left out and why, one point a visit and phase."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.history.drift_test import rule
from combust.application.history.reference_air import home_fuel, over_reference
from combust.application.reading.columns import columns_of_readings
from combust.application.reading.interpret import interpret_columns
from combust.application.reading.judge import codes_of
from combust.application.reading.stand_ins import DEFAULT_FUEL
from combust.data.moments import date_of
from combust.data.near import folded_id
from combust.data.told import Told
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.domain.reading import is_simulated
from combust.domain.result import many
from combust.kernel.tails import tame_wild
from combust.kernel.trend import Series

# Findings that make a reading no witness of the heater.
SPOILT = (
    *("not_steady", "leak_test_failed", "sample_wet", "ambient_o2_off", "span_gas_off", "pair_impossible"),
    *("pair_disagrees", "too_early", "o2_like_air", "no_gas", "intake_recirculation", "fuel_not_as_stated"),
    *("fuel_sample_waxed", "fuel_sample_water", "looks_like_fraction"),
)
DAYS_PER_YEAR, FARTHEST_YEARS = 365.25, 50.0  # nothing is foretold for longer


@dataclass(frozen=True, slots=True)
class Event(Told):
    """Something that happened to a heater: ``repair``, ``rezero`` (of the analyser) or ``swap`` (of the heater)."""

    kind: str
    date: datetime.date | None
    visit_id: str | None = None


@dataclass(frozen=True, slots=True)
class Point(Told):
    """One visit (before or after work): date, lambda at reference air and its relative standard uncertainty.

    ``co_air_free_ppm`` is the middle of its readings [ppm], None where no CO was read.
    """

    date: datetime.date
    after: bool
    air_ratio: float
    relative_u: float
    readings: int
    visit_id: str | None
    group: str
    segment: int
    co_air_free_ppm: float | None = None

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
    co_air_free_ppm: float


def points_of(
    rows: Sequence[Mapping[str, Any]],
    heater: Heater | None,
    events: Sequence[Event],
    instrument: InstrumentClass,
    *,
    until: datetime.date,
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
    until : date
        Readings and events dated after it are left out.
    stage : str, optional
        Default the stage with most readings.
    visit_noise_pct : float, optional
        Relative standard deviation of one visit in all; default from the analyser's class and the stated scatter.
    """
    told: list[str] = []
    own = heater.heater_id if heater else None
    kept = [row for row in rows if own is None or folded_id(row.get("heater_id", own)) == folded_id(own)]
    tell(told, len(rows) - len(kept), f"of another heater than {own}: refused.")
    real = [row for row in kept if not is_simulated(row)]
    tell(told, len(kept) - len(real), "of the trainer's simulated heater: refused.")
    kept = real
    unlike: dict[Any, Mapping[str, Any]] = {}
    for row in kept:
        same = sorted((key, str(value)) for key, value in row.items() if key not in ("reading_id", "note"))
        unlike.setdefault(tuple(same), row)
    tell(told, len(kept) - len(unlike), "that came twice in every value: counted once.")
    dated = [(row, date) for row in unlike.values() if (date := date_of(row.get("taken_at"))) is not None]
    tell(told, len(unlike) - len(dated), "without a date that can be read: left out.")
    later = {date for _, date in dated if date > until}
    dated = [(row, date) for row, date in dated if date <= until]
    if later:
        told.append(f"Left out as dated after {until}: {_dates_told(later)}. Are year and clock right?")
    events = [event for event in events if event.date is None or event.date <= until]
    chosen = stage or _usual_stage([row for row, _ in dated], heater)
    here = [(row, date) for row, date in dated if (row.get("stage") or None) == chosen]
    tell(told, len(dated) - len(here), f"of other stages than {chosen or 'unstated'}: set aside.")
    witnesses = _interpreted(here, instrument, told, catalogue, heater, chosen)
    witnesses = _since_swap(witnesses, events, told)
    return Points(chosen, tuple(_grouped(witnesses, events, visit_noise_pct, told)), tuple(told))


def _dates_told(dates: set[datetime.date]) -> str:
    """Return the first dates of some, and how many more there are."""
    first = ", ".join(str(date) for date in sorted(dates)[:3])
    return first if len(dates) <= 3 else f"{first} and {many(len(dates) - 3, 'more day')}"


def tell(told: list[str], count: int, text: str) -> None:
    """Add how many readings a sentence is about, where there are any."""
    if count:
        told.append(f"{many(count, 'reading')} {text}")


def _usual_stage(rows: Sequence[Mapping[str, Any]], heater: Heater | None) -> str | None:
    stages = (row.get("stage") or None for row in rows)
    counts = Counter(name for name in stages if not heater or not name or name in heater.stages)
    return max(counts, key=lambda name: (counts[name], name is not None), default=None)


def _interpreted(
    rows: Sequence[tuple[Mapping[str, Any], datetime.date]],
    instrument: InstrumentClass,
    told: list[str],
    catalogue: Catalogue | None,
    heater: Heater | None,
    stage: str | None,
) -> list[_Row]:
    """Return the readings that witness the heater, with lambda at reference air and the heater's own fuel."""
    if not rows:
        return []
    names, which = np.unique([str(row.get("fuel") or DEFAULT_FUEL) for row, _ in rows], return_inverse=True)
    fuels = [get_fuel(name, catalogue=catalogue) for name in names.tolist()]
    columns = columns_of_readings([row for row, _ in rows], fuels, which)
    done = interpret_columns(columns, instrument)
    over, over_u = over_reference(heater, stage, columns, done.values)
    ratio = done.values["air_ratio"] / over
    u = np.hypot(done.values["air_ratio_u"] / done.values["air_ratio"], over_u)
    home, other = home_fuel(heater, columns), 0
    co = done.values["co_air_free_ppm"]
    found = []
    spoilt: Counter[str] = Counter()
    for index, (row, date) in enumerate(rows):
        codes = [code for code in codes_of(int(done.mask[index])) if code in SPOILT]
        if row.get("arrangement") not in (None, "as_installed"):
            codes = ["a duct was off", *codes]
        if codes or not np.isfinite(ratio[index]):
            spoilt[codes[0] if codes else "no lambda, or a fuel of unknown density"] += 1
            continue
        other += fuels[which[index]] != home
        found.append(_Row(row, date, float(ratio[index]), float(u[index]), float(co[index])))
    for reason, number in spoilt.items():
        tell(told, number, f"left out: {reason.replace('_', ' ')}.")
    low = sum(row.values.get("altitude_m") is None and row.values.get("pressure_hpa") is None for row in found)
    tell(told, low, "without altitude and pressure: taken as at sea level.")
    mild = sum(row.values.get("intake_temp_c") is None for row in found)
    tell(told, mild, "without an intake temperature: taken as at 15 °C.")
    tell(told, other, f"on another fuel than {home.name}: brought to it, at the same pulses of the pump.")
    return found


def _since_swap(rows: list[_Row], events: Sequence[Event], told: list[str]) -> list[_Row]:
    """Return the readings of the heater that is in the vehicle now: those from the last swap on."""
    swaps = _dates(rows, events, "swap")
    if not swaps:
        return rows
    last = max(swaps)
    kept = [row for row in rows if row.date > last or (row.date == last and row.values.get("phase") == "after")]
    told.append(
        f"The heater was swapped on {last}: {many(len(rows) - len(kept), 'reading')} before it of another unit."
    )
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
    repairs, rezeros = _dates(rows, events, "repair"), _dates(rows, events, "rezero")
    points = []
    worked = repairs | {date for date, after, _ in visits if after}
    for (date, after, analyser), same in sorted(visits.items(), key=lambda item: item[0]):
        logs = np.log([row.air_ratio for row in same])
        scatter = float(np.var(logs, ddof=1)) / len(same) if len(same) > 1 else 0.0
        device = float(np.mean([row.relative_u for row in same]))
        repeated = rule("reproducibility_pct") / 100.0
        noise = visit_noise_pct / 100.0 if visit_noise_pct is not None else (repeated**2 + device**2 + scatter) ** 0.5
        # A repair counts before a later visit; on its own day only the reading after the work is on its far side.
        steps = sum(day < date or (day == date and after) for day in worked)
        zeroed = sum(day <= date for day in rezeros)
        group = f"{analyser or 'analyser not named'}/{zeroed}"
        identity = same[0].values.get("visit_id")
        co = [row.co_air_free_ppm for row in same if np.isfinite(row.co_air_free_ppm)]
        middle = float(np.median(co)) if co else None
        points.append(Point(date, after, float(np.exp(logs.mean())), noise, len(same), identity, group, steps, middle))
    if rezeros:
        told.append(
            f"The analyser was set anew {many(len(rezeros), 'time')}: it counts as another analyser from then on."
        )
    return points


def _dates(rows: Sequence[_Row], events: Sequence[Event], kind: str) -> set[datetime.date]:
    found = (event.date or _visit_date(rows, event.visit_id) for event in events if event.kind == kind)
    return {date for date in found if date is not None}


def logs_of(points: Sequence[Point]) -> Any:
    """Return the natural logarithms of lambda."""
    return np.log([point.air_ratio for point in points])


def tamed(points: Sequence[Point]) -> Any:
    """Return the logarithms as they count: none far off its neighbours."""
    noise = np.array([point.relative_u for point in points])
    return tame_wild(logs_of(points), noise, reach=rule("wild_reach"), farthest=rule("wild_scatters"))


def series_of_points(points: Sequence[Point]) -> Series:
    """Return when and how the points were measured."""
    names, group = np.unique([point.group for point in points], return_inverse=True)
    return Series(
        np.array([point.years for point in points]),
        np.array([point.relative_u for point in points]),
        np.array([point.segment for point in points]),
        group,
        # One analyser alone carries its offset into the level; only differences between several can bend the line.
        _device_u(points) if len(names) > 1 else 0.0,
    )


def _device_u(points: Sequence[Point]) -> float:
    """Return the relative offset between analysers: what a visit's noise holds beyond the stated scatter."""
    repeated = float(rule("reproducibility_pct")) / 100.0
    parts = [max(point.relative_u**2 - repeated**2, 0.0) for point in points]
    return max(float(np.sqrt(np.mean(parts))), 0.01)
