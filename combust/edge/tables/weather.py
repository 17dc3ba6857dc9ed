"""Hourly series of sites, a file for each: through the one reader of tables; typical years through pvlib."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.application.fleet.hours import HOUR_S, Season, SiteHours, SiteSeries, refuse, site_hours
from combust.application.fleet.nights import station_pressure
from combust.application.fleet.tables import fleet_fields
from combust.application.fleet.weather import TYPICAL, Weather, weather_of
from combust.data.errors import CombustError, Fault, no_access, shorten
from combust.data.near import folded_id, near_matches
from combust.domain.result import many
from combust.edge.tables.cells import all_iso_times, plain_text
from combust.edge.tables.reader import Rows, Table, read_table
from combust.edge.tables.table_map import MapLike
from combust.edge.tables.times import moment
from combust.edge.tables.typical_year import format_of, read_typical_year

if TYPE_CHECKING:
    import pandas as pd

    from combust.application.fleet.heater_types import Fleet
    from combust.application.fleet.policy import Policy

MOST_ROWS = 2_000_000  # 228 years of hours: one site is held at a time
MOST_TOLD = 3
KEYS = ("temp_c", "humidity_pct", "pressure_hpa", "sea_level_pressure_hpa", "utc_offset_h")
CALENDAR = ("year", "month", "day", "hour")
ENDINGS = (".csv", ".txt", ".tsv", ".parquet", ".epw", ".tmy3")
OTHER_STATION_M = 150.0
HOURS_OF_A_YEAR = 8760
_OFFSET = r"(?P<sign>[+-])(?P<hours>\d\d):?(?P<minutes>\d\d)?$"
_ZONE = r"[T ]\d.*?\d(Z|[+-]\d\d(:?\d\d)?)$"


class WeatherFolder:
    """The files of a folder by site: the name of each, without its ending, is a site_id.

    Attributes
    ----------
    files : dict
        Site -> path, in the order of the names.
    notes : list of str
        Files that no site of the plan is named like.
    """

    def __init__(self, folder: str | Path) -> None:
        """List the files.

        Raises
        ------
        CombustError
            No folder, no file in it, two files for a site.
        """
        try:
            found = sorted(one for one in Path(folder).iterdir() if one.suffix.lower() in ENDINGS)
        except OSError as error:
            raise no_access("weather", folder, error) from error
        self.files = {folded_id(one.stem): one for one in found}
        faults = [
            Fault("weather", one.name, "conflict", why="is a second file for one site", hint="Keep one of them.")
            for one in found
            if self.files[folded_id(one.stem)] != one
        ]
        if not found:
            hint = f"Put in a file for each site, named like its site_id: hut.csv (or {', '.join(ENDINGS[1:])})."
            faults = [Fault("weather", str(folder), "missing", why="holds no series", hint=hint)]
        if faults:
            raise CombustError(faults)
        self.notes: list[str] = []

    def tables(self) -> list[Path]:
        """Return the files that are tables, not typical years."""
        return [path for path in self.files.values() if not format_of(path)]

    def count(
        self,
        frame: pd.DataFrame,
        sites: pd.DataFrame,
        fleet: Fleet,
        policy: Policy,
        *,
        season: Season | None = None,
        reduce: bool = False,
        mapping: MapLike = None,
        elsewhere: frozenset[str] = frozenset(),
    ) -> Weather:
        """Return what the series count to; one site is read and held at a time."""
        refused: dict[str, str] = {}
        known = sites["site_id"].tolist()
        self._tell_strange(known)
        read = partial(read_series_of, mapping=mapping, elsewhere=elsewhere)

        def series() -> Iterator[tuple[str, SiteHours]]:
            heights, pressures = sites["altitude_m"].to_numpy(dtype=float), station_pressure(sites)
            for site, height, pressure in zip(known, heights.tolist(), pressures.tolist(), strict=True):
                if folded_id(site) in self.files:
                    try:
                        yield (
                            site,
                            site_hours(read(self.files[folded_id(site)], height), height, pressure, reduce=reduce),
                        )
                    except CombustError as error:
                        refused[site] = " ".join(str(fault) for fault in error.faults)

        found = weather_of(series(), refused, frame, sites, fleet, policy, season)
        return replace(found, notes=(*self.notes, *found.notes))

    def _tell_strange(self, known: list[str]) -> None:
        for name, path in self.files.items():
            if name not in {*map(folded_id, known)}:
                near = near_matches(path.stem, known, n=1)
                hint = f" Did you mean {shorten(near[0], 40)}?" if near else ""
                self.notes.append(f"weather: {shorten(path.name, 60)} is named like no planned site: not used.{hint}")
        without = [site for site in known if folded_id(site) not in self.files]
        if without:
            self.notes.append(f"weather: no file for {many(len(without), 'site')}: {shorten(', '.join(without), 200)}.")


def read_series_of(
    path: Path, altitude_m: float, *, mapping: MapLike = None, elsewhere: frozenset[str] = frozenset()
) -> SiteSeries:
    """Return the series of a file: CSV or Parquet by its headings, EPW and TMY3 as they are.

    Parameters
    ----------
    path : Path
    altitude_m : float
        Height of the site, beside which that of a typical year's station is told [m].
    mapping, elsewhere
        As of :func:`combust.edge.tables.reader.read_table`.

    Raises
    ------
    CombustError
        It cannot be read, lacks temperature or times, or is too long.
    """
    given: Any = path
    told: list[str] = []
    if kind := format_of(path):
        year = read_typical_year(path)
        given, mapping = year.frame, None
        told.append(f"{path.name} ({kind}) is {TYPICAL}.")
        if len(given) < HOURS_OF_A_YEAR:
            told.append(f"It holds {many(len(given), 'hour')}, a year has {HOURS_OF_A_YEAR}: is the file whole?")
        if abs(year.station_m - altitude_m) > OTHER_STATION_M:
            told.append(f"Its station lies at {year.station_m:g} m, the site at {altitude_m:g} m.")
    table = read_table(given, fleet_fields("weather"), mapping, texts=False, elsewhere=elsewhere)
    _check_columns(path, table)
    parts: list[tuple[Any, ...]] = []
    rows_read = refused = 0
    for rows in table.blocks():
        rows_read += rows.faults.size
        if rows_read > MOST_ROWS:
            hint = "Give one value an hour, and a file for each site."
            raise refuse(path.name, f"has more than {MOST_ROWS:,} rows, too many for the hours of one site", hint)
        good = ~rows.faults.mask
        refused += int((~good).sum())
        told += rows.first_told(MOST_TOLD - len(parts))
        seconds, zone = _stamps(path, table, rows)
        numbers = [rows.values.get(key, np.full(rows.faults.size, np.nan)) for key in KEYS]
        timed = good & ~np.isnan(seconds)
        parts.append(tuple(column[timed] for column in (seconds, zone, *numbers)))
        refused += int((good & np.isnan(seconds)).sum())
    told = [*table.notes, *told]
    parts = parts or [tuple(np.empty(0) for _ in ("seconds", "zone", *KEYS))]
    seconds, zone, *numbers = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    clock, words = _one_clock(path, seconds, zone, numbers[KEYS.index("utc_offset_h")])
    temp, humidity, station, sea, _ = numbers
    by_sea = bool(np.isnan(station).all() and not np.isnan(sea).all())
    return SiteSeries(
        clock,
        temp,
        sea if by_sea else station,
        humidity,
        source=path.name,
        by_sea_level=by_sea,
        typical=bool(kind),
        read=rows_read,
        refused=refused,
        told=(*told, *words),
    )


def _check_columns(path: Path, table: Table) -> None:
    """Refuse a series without temperature or times."""
    names = shorten(", ".join(table.source.header), 160)
    faults = []
    if not table.holds("temp_c"):
        hint = f"{fleet_fields('weather')['temp_c'].hint} The first line must hold the headings. Headings: {names}."
        faults.append(Fault(path.name, None, "missing", why="has no air temperature", hint=hint))
    if not any(table.holds(key) for key in ("taken_at", "date", "time")) and not all(map(table.holds, CALENDAR)):
        hint = f"Add taken_at, date and time, or {', '.join(CALENDAR)}: --map HEADING=taken_at. Headings: {names}."
        faults.append(Fault(path.name, None, "missing", why="has no times", hint=hint))
    if faults:
        raise CombustError(faults)


def _stamps(path: Path, table: Table, rows: Rows) -> tuple[Any, Any]:
    """Return (seconds from 1970, offset of the clock beside it [s]) of each row; NaN where there is none."""
    if all(map(table.holds, CALENDAR)):
        year, month, day, hour = (rows.values[key] for key in CALENDAR)
        known = ~np.isnan(year + month + day + hour)
        months = np.where(known, 12.0 * (year - 1970.0) + month - 1.0, 0.0).astype(np.int64).astype("datetime64[M]")
        days = months.astype("datetime64[D]").astype(np.int64) + np.where(known, day - 1.0, 0.0).astype(np.int64)
        there = days.astype("datetime64[D]").astype("datetime64[M]") == months  # 31 April is no day
        return np.where(known & there, 86_400.0 * days + HOUR_S * hour, np.nan), np.full(len(year), np.nan)
    key = "taken_at" if table.holds("taken_at") or table.holds("date") else "time"
    place = next((place for place, heading in enumerate(table.headings) if heading.key == key), None)
    column = plain_text(rows.table.column(place)) if place is not None and not table.holds("date") else None
    if column is None or not all_iso_times(column):
        texts = rows.values["taken_at" if key == "taken_at" else "time"]
        if key == "time":
            texts = np.array([moment(text) or "" for text in texts.tolist()], dtype=object)
        column = pa.chunked_array([pa.array(map(_as_written, texts.tolist()), pa.string())])
    zoned = pc.match_substring_regex(column, _ZONE)
    if pc.any(zoned).as_py() and not pc.all(zoned).as_py():
        why, hint = "has times with an offset and times without", "Write all of them in one way."
        raise refuse(path.name, why, hint)
    if not pc.any(zoned).as_py():
        return _seconds(column.cast(pa.timestamp("us"))), np.full(len(column), np.nan)
    parts = pc.extract_regex(column, _OFFSET)
    sign, hours, minutes = (pc.fill_null(pc.struct_field(parts, [index]), "") for index in range(3))
    size = 3600.0 * _integers(hours) + 60.0 * _integers(minutes)
    return _seconds(column.cast(pa.timestamp("us", "UTC"))), np.where(pc.equal(sign, "-").to_numpy(), -size, size)


def _as_written(text: str) -> str | None:
    """Return a time in ISO 8601 with T and an offset of whole minutes, or None."""
    if not text:
        return None
    stamp = datetime.datetime.fromisoformat(text)
    ahead = stamp.utcoffset() or datetime.timedelta(0)
    return None if ahead % datetime.timedelta(minutes=1) else stamp.isoformat()


def _integers(texts: Any) -> Any:
    return pc.if_else(pc.equal(texts, ""), pa.scalar("0"), texts).cast(pa.int64()).to_numpy()


def _seconds(stamps: Any) -> Any:
    known = pc.is_valid(stamps).to_numpy()
    return np.where(known, pc.fill_null(stamps.cast(pa.int64()), 0).to_numpy() / 1e6, np.nan)


def _one_clock(path: Path, seconds: Any, zone: Any, entered: Any) -> tuple[Any, list[str]]:
    """Return the times on the site's own standard clock, and what was taken for it."""
    given = np.unique(entered[~np.isnan(entered)])
    offsets = np.unique(zone[~np.isnan(zone)])
    if len(given) > 1:
        raise refuse(path.name, f"has {len(given)} different utc_offset_h", "A site has one standard clock.")
    if len(given):
        return (seconds + HOUR_S * given[0]).astype(np.int64), [f"Times are taken as UTC, the clock {given[0]:+g} h."]
    if not len(offsets):
        return seconds.astype(np.int64), ["Times carry no offset: taken as the site's own clock."]
    own = float(offsets[0])
    words = [f"Times carry {len(offsets)} offsets: the clock of UTC{own / HOUR_S:+g} h counts."]
    if len(offsets) == 1:
        words = [f"Times carry an offset: the clock of UTC{own / HOUR_S:+g} h counts."]
    if own == 0.0 and len(offsets) == 1:
        words = ["Times are in UTC, and so are the nights: --set utc_offset_h=1 names the site's own clock."]
    return (seconds + own).astype(np.int64), words
