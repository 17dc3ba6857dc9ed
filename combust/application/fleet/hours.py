"""An hourly series of a site brought to whole hours in order: what is missing, repeated or cannot be is counted."""

from __future__ import annotations

import datetime
from calendar import monthrange
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from combust.application.fleet.calendar import MONTHS
from combust.data.errors import CombustError, Fault
from combust.domain.result import many
from combust.domain.site import mismatch_words, pressure_mismatch
from combust.kernel import air

HOUR_S, DAY_H = 3600, 24
EPOCH_DAY = 3  # 1 January 1970 was a Thursday; Monday is 0
SUNDAY, LAST_CHANGE_H = 6, 3  # clocks are changed on Sundays at 1 to 3 o'clock (common practice, no source)
JUMP_K, NO_WEATHER_K = 12.0, 20.0  # of an hour that lasts a week: rare; never (common practice, no source)
WEEK_H = 168
SAME_HOUR_K, SAME_WEEK_K = 4.0, 8.0  # what neighbours may differ by (common practice, no source)
TOLD_APART_M = 200.0  # below it the weather hides whether a pressure is the station's or that of sea level
OTHER_HEIGHT_HPA = 25.0
VALUES = ("temp_c", "pressure_hpa", "humidity_pct")


@dataclass(frozen=True)
class SiteSeries:
    """A series as it was read, a row each.

    Attributes
    ----------
    seconds : array of int
        On one clock without changes, from the start of 1970 [s].
    temp_c, pressure_hpa, humidity_pct : array
        NaN = not in the row. A quantity without any number was not in the file.
    by_sea_level : bool
        ``pressure_hpa`` was given as reduced to sea level.
    typical : bool
        A typical year: months of different years put together.
    read, refused : int
        Rows, and those with a fault.
    told : tuple of str
        What is to be told of the file.
    """

    seconds: Any
    temp_c: Any
    pressure_hpa: Any
    humidity_pct: Any
    source: str = ""
    by_sea_level: bool = False
    typical: bool = False
    read: int = 0
    refused: int = 0
    told: tuple[str, ...] = ()


@dataclass(frozen=True)
class SiteHours:
    """A series as whole hours, ascending: ``hours`` since 1970 on its own clock, and the air of each.

    ``pressure_hpa`` is the station's in every hour, ``humidity_pct`` NaN where it is not told. ``counts`` holds how
    many rows or hours were what; ``pressure_from`` says in words where the pressure comes from.
    """

    hours: Any
    temp_c: Any
    pressure_hpa: Any
    humidity_pct: Any
    source: str = ""
    typical: bool = False
    pressure_from: str = ""
    counts: Mapping[str, int] = field(default_factory=dict)
    told: tuple[str, ...] = ()


def refuse(source: str, why: str, hint: str) -> CombustError:
    """Return the error of a series that cannot be counted."""
    return CombustError(Fault("weather", source, "conflict", why=why, hint=hint))


def site_hours(series: SiteSeries, altitude_m: float, pressure_hpa: float, *, reduce: bool = False) -> SiteHours:
    """Return a series as whole hours; nothing is filled.

    Parameters
    ----------
    series : SiteSeries
    altitude_m, pressure_hpa : float
        Height [m] and station pressure of the plan [hPa]; the pressure stands for a series that has none.
    reduce : bool
        Bring a pressure reduced to sea level to the station instead of refusing it.

    Returns
    -------
    SiteHours

    Raises
    ------
    CombustError
        No usable hour; values closer or wider than an hour apart; °F among °C; a pressure that is not the station's.
    """
    known = ~np.isnan(series.temp_c)
    counts = {"read": series.read, "refused": series.refused, "without_temperature": int((~known).sum())}
    if not known.any():
        raise refuse(series.source, "holds no usable hour", " ".join(series.told[:3]) or "Look at its times and units.")
    columns = {key: getattr(series, key)[known] for key in VALUES}
    stamps, told = series.seconds[known], list(series.told)
    if np.any(np.diff(stamps) < 0):
        told.append("The rows were not in the order of time: sorted.")
    order = np.argsort(stamps, kind="stable")
    stamps, columns = stamps[order], {key: column[order] for key, column in columns.items()}
    _check_step(series.source, stamps)
    keep, repeats = _repeats(stamps // HOUR_S, columns)
    counts |= repeats
    hours, columns = (stamps // HOUR_S)[keep], {key: column[keep] for key, column in columns.items()}
    told += _check_units(series.source, hours, columns["temp_c"])
    found = SiteHours(hours, **columns, source=series.source, typical=series.typical)
    found, lost, words = _with_pressure(found, altitude_m, pressure_hpa, series.by_sea_level, reduce)
    counts |= {"without_pressure": lost, "used": len(found.hours)}
    return replace(found, counts=counts, told=(*told, *words, *found_words(counts)))


def _check_step(source: str, stamps: Any) -> None:
    """Refuse a series that is not one of hours; values between are never made up, nor thrown away."""
    steps = np.diff(stamps)
    step = float(np.median(steps[steps > 0])) if np.any(steps > 0) else HOUR_S
    if step == HOUR_S:
        return
    often = f"{step / 60.0:g} min" if step < HOUR_S else f"{step / HOUR_S:g} h"
    raise refuse(source, f"has a value every {often}", "Give one value an hour: hours between are not made up.")


def _repeats(hours: Any, columns: Mapping[str, Any]) -> tuple[Any, dict[str, int]]:
    """Return (which rows stay, what was repeated): equal rows of an hour once, differing ones not at all.

    An hour that stands twice on a Sunday at 0 to 3 o'clock, in a series that lacks such an hour elsewhere, is the clock
    set back: both hours were there, and the hour that was skipped is not missing.
    """
    first = np.flatnonzero(np.diff(hours, prepend=hours[0] - 1))
    different, size = hours[first], np.diff(first, append=len(hours))
    gaps = np.diff(different)
    skipped = different[:-1][gaps == 2] + 1
    skipped = skipped[_may_change(skipped)]
    twice = different[(size == 2) & _may_change(different)] if len(skipped) else different[:0]
    of_hour = np.repeat(np.arange(len(different)), size)
    firsts = first[of_hour]
    same = np.all([(one == one[firsts]) | (np.isnan(one) & np.isnan(one[firsts])) for one in columns.values()], axis=0)
    alike = np.logical_and.reduceat(same, first)
    back = np.isin(different, twice)
    differing = (size > 1) & ~alike & ~back
    keep = back[of_hour] | (~differing[of_hour] & (np.arange(len(hours)) == firsts))
    repeated, left_out = int((size[alike & ~back] - 1).sum()), int(size[differing].sum())
    changed = int(back.sum())
    missing = int(different[-1] - different[0] + 1 - len(different)) - (len(skipped) if changed else 0)
    return keep, {"missing": missing, "repeated": repeated, "differing": left_out, "clock_changes": changed}


def _may_change(hours: Any) -> Any:
    """Return where an hour is one at which clocks are changed."""
    return ((hours // DAY_H + EPOCH_DAY) % 7 == SUNDAY) & (hours % DAY_H <= LAST_CHANGE_H)


def _check_units(source: str, hours: Any, temp: Any) -> list[str]:
    """Return what is to be told of jumps after which a week fits the week before when one is taken for °F.

    A jump that no weather makes is refused.
    """
    jumps = np.flatnonzero((np.abs(np.diff(temp)) > JUMP_K) & (np.diff(hours) == 1)) + 1
    for at in jumps[_by_unit(temp[jumps - 1], temp[jumps], SAME_HOUR_K)].tolist():
        weeks = temp[max(at - WEEK_H, 0) : at], temp[at : at + WEEK_H]
        before, after = (float(np.median(week)) for week in weeks)
        if min(map(len, weeks)) < DAY_H or abs(after - before) < JUMP_K or not _by_unit(before, after, SAME_WEEK_K):
            continue
        warm, when = float(max(temp[at - 1], temp[at])), np.datetime64(int(hours[at]), "h")
        why = f"jumps from {temp[at - 1]:g} to {temp[at]:g} °C at {when} and stays there: {warm:g} °F is "
        why += f"{(warm - 32.0) / 1.8:.1f} °C"
        if abs(temp[at] - temp[at - 1]) > NO_WEATHER_K:
            raise refuse(source, why, "Bring all rows of the column to one unit.")
        return [f"The temperature {why}. Are there two units in its column?"]
    return []


def _by_unit(one: Any, other: Any, alike_k: float) -> Any:
    """Return where the warmer of two temperatures, taken for °F, is about the colder one."""
    return np.abs((np.maximum(one, other) - 32.0) / 1.8 - np.minimum(one, other)) < alike_k


def _with_pressure(
    found: SiteHours, altitude_m: float, standard: float, by_sea_level: bool, reduce: bool
) -> tuple[SiteHours, int, list[str]]:
    """Return the hours with the station's pressure, how many were lost for want of it, and what is to be told."""
    given = ~np.isnan(found.pressure_hpa)
    if not given.any():
        words = "The series has no pressure: that of the plan counts in every hour; weather moves it by some per cent."
        return replace(found, pressure_hpa=np.full(len(given), standard), pressure_from="plan"), 0, [words]
    pressure = found.pressure_hpa
    middle, own = float(np.median(pressure[given])), float(air.pressure_from_altitude(altitude_m))
    sea = by_sea_level or (altitude_m > TOLD_APART_M and abs(middle - air.STANDARD_PRESSURE_HPA) < abs(middle - own))
    told, whence = [], "series"
    if sea and not reduce:
        why = f"has a pressure of about {middle:.0f} hPa, that of sea level: {altitude_m:g} m has about {own:.0f} hPa"
        hint = "Give the station pressure, leave it out (--map HEADING=), or bring it to the station: "
        raise refuse(found.source, why, f"{hint}--sea-level-pressure reduce.")
    if sea:
        pressure, whence = air.station_pressure_from_sea_level(pressure, found.temp_c, altitude_m), "reduced"
        told.append(
            f"Pressure brought from sea level to {altitude_m:g} m by the hypsometric equation with the temperature of "
            "each hour (ISO 2533:1975)."
        )
    elif abs(middle - own) > OTHER_HEIGHT_HPA:
        there = f"is that of about {float(air.altitude_from_pressure(middle)):.0f} m, not of {altitude_m:g} m"
        if pressure_mismatch(altitude_m, middle):
            why, hint = mismatch_words(altitude_m)
            raise refuse(found.source, f"has a pressure of about {middle:.0f} hPa, which {there}: it {why}", hint)
        told.append(f"The usual pressure of the series, {middle:.0f} hPa, {there}: is it this site's?")
    good = ~np.isnan(pressure) & ~pressure_mismatch(altitude_m, pressure)
    odd = int((given & ~good).sum())
    told += [f"{many(odd, 'hour')} with a pressure that no weather makes at {altitude_m:g} m: left out."] if odd else []
    kept = {key: getattr(found, key)[good] for key in ("hours", "temp_c", "humidity_pct")}
    return replace(found, pressure_hpa=pressure[good], pressure_from=whence, **kept), int((~good).sum()), told


COUNTED = {
    "refused": "Rows with a fault, left out: {}.",
    "without_temperature": "Rows without a temperature, not counted: {}.",
    "missing": "Hours missing between the first and the last, not filled: {}.",
    "repeated": "Rows that repeat an hour with the same values, counted once: {}.",
    "differing": "Rows of hours that stand there again with other values, none counted: {}.",
    "clock_changes": "Hours that stand twice where clocks are set back, both counted: {}; none is missing for it.",
    "without_pressure": "Hours without a usable pressure in a series that has one, not counted: {}.",
}


def found_words(counts: Mapping[str, int]) -> list[str]:
    """Return what was found in a series, a sentence for each count that is not 0."""
    return [words.format(counts[key]) for key, words in COUNTED.items() if counts.get(key)]


@dataclass(frozen=True)
class Season:
    """The part of the year that is counted, by the evening of each night: (month, day) of its first and last."""

    first: tuple[int, int] = (10, 1)
    last: tuple[int, int] = (4, 30)

    @classmethod
    def of(cls, text: str) -> Season:
        """Return the season of a text like ``10-01:04-30``.

        Raises
        ------
        CombustError
            It is none.

        Examples
        --------
        >>> Season.of("10-01:04-30").nights
        212
        """
        try:
            first, last = (datetime.date.fromisoformat(f"2001-{part.strip()}") for part in text.split(":"))
        except ValueError:
            hint = "Write month-day of the first and the last evening, like 10-01:04-30 or 04-01:10-31."
            raise CombustError(Fault("--season", text, "format", why="is no season", hint=hint)) from None
        return cls((first.month, first.day), (last.month, last.day))

    @classmethod
    def of_months(cls, first: float, last: float) -> Season:
        """Return the season from the first evening of a month to the last of another; the usual one where NaN."""
        if np.isnan(first) or np.isnan(last):
            return cls()
        return cls((int(first), 1), (int(last), monthrange(2001, int(last))[1]))

    @property
    def days(self) -> Any:
        """Month of each night of a year of 365 that is in the season."""
        days = np.datetime64("2001-01-01", "D") + np.arange(365)
        return months_of(days)[self.holds(days)]

    @property
    def nights(self) -> int:
        """How many nights it has."""
        return len(self.days)

    def holds(self, days: Any) -> Any:
        """Return where evenings (datetime64 of days) are in the season."""
        month = months_of(days)
        key = 100 * month + (days - days.astype("datetime64[M]")).astype(int) + 1
        start, end = 100 * self.first[0] + self.first[1], 100 * self.last[0] + self.last[1]
        return (key >= start) & (key <= end) if start <= end else (key >= start) | (key <= end)

    def __str__(self) -> str:
        first, last = (f"{day} {MONTHS[month - 1]}" for month, day in (self.first, self.last))
        return f"{first} to {last}, {many(self.nights, 'night')}"


def months_of(days: Any) -> Any:
    """Return the month, 1 to 12, of each day."""
    return days.astype("datetime64[M]").astype(int) % 12 + 1
