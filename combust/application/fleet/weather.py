"""Weather as it is: hours and nights a season below each margin, counted in hourly series beside the design night.

What is decided stands on the design night. A series is counted beside it and changes no decision: a typical year
averages the worst nights out, and a short one has not seen them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import KEEP_OFF, air_ratio_as_fitted
from combust.application.fleet.heater_types import Fleet, HeaterType
from combust.application.fleet.hours import DAY_H, Season, SiteHours, months_of
from combust.application.fleet.nights import as_typed, kept_share
from combust.application.fleet.policy import Policy
from combust.data.errors import CombustError, Fault
from combust.data.told import Told
from combust.kernel import air, cab
from combust.kernel.altitude import LOWEST_M, lambda_from_surface, value_from_surface
from combust.kernel.fuel_delivery import fuel_density_ratio

MARGINS = {
    "air_ratio": "lambda below its minimum",
    "cab": "cab below its target",
    "fuel": "colder than the fuel's plugging point",
    "fuel_margin": "plugging point closer than its margin",
    "battery": "a night takes too much of the charge",
}
NOT_OF_ONE_OFF = ("cab", "fuel", "fuel_margin", "battery")  # of a heater that stays off they tell nothing
BOUNDS = {"least": 2.0, "most": -2.0}  # lambda with its 95 % on top, and less it
COUNTS = [f"{kind}_{margin}" for margin in MARGINS for kind in ("hours", "nights")]
COUNTS += [f"{kind}_air_ratio_{bound}" for bound in BOUNDS for kind in ("hours", "nights")]
CLASS = ["site_id", "decision", "heater", "compensation"]
TYPICAL = "a typical year: months of different years put together, the worst nights are averaged out"
YEAR_D = 365
HIGHEST_HPA = float(air.pressure_from_altitude(LOWEST_M))  # the surfaces end here: lambda a little low above
STANDS = "Decisions stand on the design night alone; no series relaxes it."


@dataclass(frozen=True)
class Weather(Told):
    """Hours and nights a season below each margin, from hourly series.

    Attributes
    ----------
    season : str
        What was counted, in words; empty without any series.
    sites : DataFrame
        One row a series: where it comes from, what it holds and lacks, hours and nights colder than the design night.
    classes : DataFrame
        One row for the vehicles of a site with one decision, heater and compensation: the most of any of them. NaN
        where it cannot be told, or tells nothing of a heater that stays off. ``_least`` and ``_most`` of lambda: with
        its own 95 % in every hour on one side.
    vehicles : DataFrame
        The same for each vehicle.
    warnings, notes : tuple of str
        Series that were refused, and nights colder than the design night; then what else is to be told.
    refused : int
        Series that were refused.
    """

    season: str = ""
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)
    classes: pd.DataFrame = field(default_factory=pd.DataFrame)
    vehicles: pd.DataFrame = field(default_factory=pd.DataFrame)
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    refused: int = 0


NO_WEATHER = Weather()


class Counted(NamedTuple):
    """The hours of a site that count: air of each, its night, and the month of that night's evening.

    ``start`` is the first hour of each night; ``per_hour`` and ``per_night`` bring a count in each month to a season.
    """

    temp_c: Any
    pressure_hpa: Any
    humidity_pct: Any
    month: Any
    start: Any
    per_hour: Any
    per_night: Any


def counted_hours(hours: SiteHours, season: Season, hours_per_night: float, ends_h: float) -> Counted:
    """Return the hours of the nights of a season.

    A night ends at ``ends_h`` of the clock, that hour counted, and holds the ``hours_per_night`` before. It belongs to
    the month of its evening. A month counts by its own nights that were seen, so that a gap in a cold month is no mild
    one; a month of which nothing was seen leaves the season untold (NaN).
    """
    last = int(ends_h)
    night = -((last - hours.hours) // DAY_H)
    evening = np.datetime64(0, "D") + (night - 1)
    inside = np.flatnonzero((DAY_H * night + last - hours.hours < hours_per_night) & season.holds(evening))
    if hours.typical and len(night):  # a ring: the first morning of the year ends its last night
        night = night.max() - (night.max() - night) % YEAR_D
        inside = inside[np.argsort(night[inside], kind="stable")]
    night, month = night[inside], months_of(evening[inside])
    start = np.flatnonzero(np.diff(night, prepend=night[:1] - 1))
    whole = np.bincount(season.days, minlength=13).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_hour, per_night = (
            np.where(whole == 0.0, 0.0, np.where(seen > 0.0, whole * size / seen, np.nan))
            for size, seen in (
                (np.ceil(hours_per_night), np.bincount(month, minlength=13)),
                (1.0, np.bincount(month[start], minlength=13)),
            )
        )
    temp, pressure, humidity = (column[inside] for column in (hours.temp_c, hours.pressure_hpa, hours.humidity_pct))
    return Counted(temp, pressure, humidity, month, start, per_hour, per_night)


def count_below(counted: Counted, values: Any, limits: Any) -> tuple[Any, Any]:
    """Return (hours, nights) a season in which a value lies below each limit.

    Parameters
    ----------
    counted : Counted
    values : array
        Of each counted hour; NaN is never below.
    limits : array
        NaN gives NaN.
    """
    steps = np.unique(limits[~np.isnan(limits)])
    lowest = np.fmin.reduceat(values, counted.start) if len(values) else values
    found = []
    for column, month, scale in (
        (values, counted.month, counted.per_hour),
        (lowest, counted.month[counted.start], counted.per_night),
    ):
        # How many limits a value does not lie below, then how many values lie below each limit.
        place = np.searchsorted(steps, column, side="right")
        table = np.bincount(13 * place + month, minlength=13 * (len(steps) + 1)).reshape(-1, 13)
        below = np.cumsum(table, axis=0)[:-1] @ scale
        found.append(np.where(np.isnan(limits), np.nan, below[_places(steps, limits)] if len(steps) else np.nan))
    return found[0], found[1]


def _places(steps: Any, limits: Any) -> Any:
    return np.minimum(np.searchsorted(steps, limits), len(steps) - 1)


class _Stage:
    """A heater type in the counted hours: lambda with nothing fitted, and the trims that hold it."""

    def __init__(self, one: HeaterType, counted: Counted) -> None:
        base, (temp, pressure, humidity) = one.base, counted[:3]
        pressure = np.minimum(pressure, HIGHEST_HPA)
        lambdas = lambda_from_surface(base.surface, temp_c=temp, pressure_hpa=pressure, humidity_pct=humidity)
        fuel, speed, _ = base.trims_fitted
        by_density = lambdas.air_ratio_with_fuel_density / base.air_ratio
        self.air_ratio = lambdas.air_ratio_full
        self.relative_u = lambdas.air_ratio_full_u / lambdas.air_ratio_full
        self.fuel = np.minimum(value_from_surface(fuel, pressure, temp) * by_density, 1.0)
        self.speed = np.maximum(value_from_surface(speed, pressure, temp) / by_density, 1.0)
        self.heat_kw = one.numbers["useful_heat_kw"] * fuel_density_ratio(
            temp, one.numbers["fuel_temp_c"], one.numbers["expansion_per_k"]
        )


def site_counts(counted: Counted, rows: pd.DataFrame, types: Any, fleet: Fleet, policy: Policy) -> dict[str, Any]:
    """Return hours and nights a season below each margin of the vehicles of one site, a column each.

    Parameters
    ----------
    counted : Counted
    rows : DataFrame
        Rows of the plan's vehicles.
    types : array of int
        Place of each row's heater type in ``fleet.types``.
    """
    columns = {key: np.full(len(rows), np.nan) for key in COUNTS}

    def put(margin: str, places: Any, values: Any, limits: Any) -> None:
        found = count_below(counted, values, limits)
        for kind, numbers in zip(("hours", "nights"), found, strict=True):
            columns[f"{kind}_{margin}"][places] = numbers

    fitted = rows["compensation"].to_numpy(dtype=str)
    reach = rows["blower_trim_limit_pct"].to_numpy(dtype=float)
    stages = {code: _Stage(fleet.types[code], counted) for code in np.unique(types).tolist()}
    alike = pd.DataFrame({"type": types, "fitted": fitted, "reach": reach})
    for (code, kit, left), places in _groups(alike):
        stage, part = stages[int(code)], rows.iloc[places]
        base, minimum = (part[key].to_numpy()[0] for key in ("base_air_ratio", "minimum_air_ratio"))
        lowest = air_ratio_as_fitted(stage.air_ratio, base, minimum, kit, left)
        untold = bool((np.isnan(lowest) & ~np.isnan(stage.air_ratio)).any())  # a blower of unknown reach is needed
        limit = np.full(len(places), np.nan if untold else minimum)
        put("air_ratio", places, lowest, limit)
        held_u = (
            float(part["base_air_ratio_u"].to_numpy()[0] / base) if kit in ("fuel", "automatic") else stage.relative_u
        )
        for bound, widths in BOUNDS.items():
            put(f"air_ratio_{bound}", places, lowest * (1.0 + widths * held_u), limit)
        heat = stage.heat_kw * kept_share(kit, left, stage.fuel, stage.speed)
        for (target, venting), more in _groups(part[["cab_target_c", "ventilation_m3_per_h"]]):
            density = air.air_density(counted.pressure_hpa, counted.temp_c, np.nan_to_num(counted.humidity_pct))
            most = cab.heat_loss_covered(heat, target - policy["heat_short_tolerance_k"], counted.temp_c)
            spare = most - cab.heat_loss_coefficient(0.0, venting, density)
            put("cab", places[more], spare, part["cab_ua_w_per_k"].to_numpy(dtype=float)[more])
    everybody = np.arange(len(rows))
    waxes = rows["cold_filter_plugging_c"].to_numpy(dtype=float)
    waxes = np.where(rows["fuel_grade"] == "no_plugging_point", -np.inf, waxes)
    put("fuel", everybody, counted.temp_c, waxes)
    put("fuel_margin", everybody, counted.temp_c, waxes + policy["cold_filter_margin_k"])
    cold = policy["battery_usable_share_cold"]
    asked = rows["battery_share_of_usable"].to_numpy(dtype=float) / policy["battery_share_max"]
    asked = asked * cab.battery_usable_share(rows["design_temp_c"].to_numpy(dtype=float), cold)
    put("battery", everybody, cab.battery_usable_share(counted.temp_c, cold), asked)
    off, unknown = rows["decision"].isin(KEEP_OFF).to_numpy(), (rows["cab"] == "unknown").to_numpy()
    for margin in NOT_OF_ONE_OFF:
        for kind in ("hours", "nights"):
            columns[f"{kind}_{margin}"][off | (unknown & (margin == "cab"))] = np.nan
    return columns


def _groups(frame: pd.DataFrame) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Yield (values, places) of the rows that are alike; NaN is alike to NaN."""
    codes = frame.groupby(list(frame.columns), sort=False, dropna=False).ngroup().to_numpy()
    for code in range(int(codes.max(initial=-1)) + 1):
        places = np.flatnonzero(codes == code)
        yield tuple(frame.iloc[places[0]]), places


def weather_of(
    series: Iterable[tuple[str, SiteHours]],
    refused: Mapping[str, str],
    frame: pd.DataFrame,
    sites: pd.DataFrame,
    fleet: Fleet,
    policy: Policy,
    season: Season | None,
) -> Weather:
    """Return what the series of the sites count to; they come one after the other and are not kept.

    Parameters
    ----------
    series : iterable of (site_id, SiteHours)
    refused : mapping
        Site -> why its series was refused; it may fill while ``series`` is gone through.
    frame, fleet
        The planned vehicles and their heater types; they are read only.
    sites : DataFrame
        The planned sites.
    season : Season, optional
        That of all sites; default the months of each.

    Raises
    ------
    CombustError
        Every series was refused.
    """
    told, parts, notes, warnings = [], [], [], []
    by_site = sites.set_index("site_id")
    for site, hours in series:
        row = by_site.loc[site]
        months = (float(row[key]) for key in ("season_first_month", "season_last_month"))
        span = season or Season.of_months(*months)
        counted = counted_hours(hours, span, float(row["hours_per_night"]), policy["night_ends_h"])
        told.append(_site_row(site, hours, counted, float(row["design_temp_c"])) | {"season": str(span)})
        notes += [f"Weather of {site}: {text}" for text in hours.told]
        warnings += _colder(told[-1])
        places = np.flatnonzero(frame["site_id"].to_numpy() == site)
        if len(places) and len(counted.temp_c):
            rows = frame.iloc[places]
            columns = site_counts(counted, rows, fleet.index[places], fleet, policy)
            parts.append(rows[["vehicle_id", *CLASS]].reset_index(drop=True).assign(**columns))
        elif len(places):
            notes.append(f"Weather of {site}: no hour of the nights of the season ({span}).")
    if refused and not told:
        hint = "Mend the series, or plan without --weather; nothing was written."
        raise CombustError(
            [Fault("weather", site, "refused", why=f"is refused: {why}", hint=hint) for site, why in refused.items()]
        )
    warnings = [*(f"Weather of {site} REFUSED: {why}" for site, why in refused.items()), *warnings]
    empty = pd.DataFrame(columns=["vehicle_id", *CLASS, *COUNTS])
    vehicles = pd.concat(parts, ignore_index=True) if parts else empty
    grouped = vehicles.groupby(CLASS, sort=False)
    classes = grouped.size().rename("vehicles").to_frame().join(grouped[COUNTS].max()).reset_index()
    spans = {str(one["season"]) for one in told}
    span_words = spans.pop() if len(spans) == 1 else "of each site"
    words = f"{span_words} by the evening; each night the hours of the site before {policy['night_ends_h']:g} o'clock"
    return Weather(words, pd.DataFrame(told), classes, vehicles, tuple(warnings), tuple(notes), len(refused))


def _site_row(site: str, hours: SiteHours, counted: Counted, design: float) -> dict[str, Any]:
    """Return the row of a series: what it is, what it lacks, and what is colder in it than the design night."""
    below, nights = count_below(counted, counted.temp_c, np.array([design]))
    return {
        "site_id": site,
        "source": hours.source,
        "typical_year": hours.typical,
        "pressure_from": hours.pressure_from,
        "humidity": bool((~np.isnan(hours.humidity_pct)).any()),
        **hours.counts,
        "hours_counted": len(counted.temp_c),
        "nights_counted": len(counted.start),
        "design_temp_c": design,
        "coldest_c": float(counted.temp_c.min()) if len(counted.temp_c) else np.nan,
        "hours_colder_than_design": float(below[0]),
        "nights_colder_than_design": float(nights[0]),
    }


def _colder(row: Mapping[str, Any]) -> list[str]:
    """Return the warning of a site whose series is colder than the night it is planned for."""
    if not row["coldest_c"] < row["design_temp_c"]:
        return []
    often = (
        ""
        if np.isnan(row["nights_colder_than_design"])
        else f" on {row['nights_colder_than_design']:.1f} nights a season"
    )
    return [
        f"Weather of {row['site_id']}: colder than the design night of {as_typed(row['design_temp_c'])} °C{often}, "
        f"down to {as_typed(row['coldest_c'])} °C. Plan again with that as design night."
    ]


def hours_and_nights(row: Mapping[str, Any], margin: str) -> str:
    """Return hours and nights a season of a margin in a cell; a part of an hour is never told as none.

    Of lambda also the least and the most nights by its own 95 %, where that makes a difference.
    """
    hours, nights = row[f"hours_{margin}"], row[f"nights_{margin}"]
    if hours is None or hours != hours:
        return "-" if row["decision"] in KEEP_OFF else "not known"
    told = f"{_whole(hours)} h on {_whole(nights)} nights" if hours else "0"
    least, most = (row.get(f"nights_{margin}_{bound}", nights) for bound in BOUNDS)
    return told if _whole(least) == _whole(most) else f"{told} ({_whole(least)} to {_whole(most)})"


def _whole(number: float) -> str:
    return "<1" if 0.0 < number < 0.5 else f"{number:.0f}"
