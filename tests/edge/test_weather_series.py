"""Hourly series as people save them: every wart is told in words and counted, nothing is filled."""

from __future__ import annotations

import datetime
import math
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from combust.application.fleet.hours import SiteHours, site_hours
from combust.data.errors import CombustError
from combust.edge.tables.table_map import MapLike
from combust.edge.tables.times import moment
from combust.edge.tables.typical_year import format_of, read_typical_year
from combust.edge.tables.weather import WeatherFolder, read_series_of
from combust.kernel.air import pressure_from_altitude

pytestmark = pytest.mark.hand
START = datetime.datetime(2024, 11, 1)


def stamps(count: int, start: datetime.datetime = START) -> Iterator[datetime.datetime]:
    return (start + datetime.timedelta(hours=number) for number in range(count))


def write(path: Path, lines: Iterable[str]) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def hours(path: Path, height: float = 1500.0, *, mapping: MapLike = None, reduce: bool = False) -> SiteHours:
    series = read_series_of(path, height, mapping=mapping)
    return site_hours(series, height, float(pressure_from_altitude(height)), reduce=reduce)


def refusal(path: Path, height: float = 1500.0, *, mapping: MapLike = None) -> str:
    with pytest.raises(CombustError) as caught:
        hours(path, height, mapping=mapping)
    return str(caught.value)


def text_of(found: SiteHours) -> str:
    return " ".join(found.told)


def first_hour(found: SiteHours) -> str:
    return str(np.datetime64(int(found.hours[0]), "h"))


# ---- spreadsheets and services -----------------------------------------------------------------------------------


def test_a_spreadsheet_with_semicolons_decimal_commas_and_a_24th_hour(tmp_path: Path) -> None:
    """Hour 24:00 of 1 November is midnight of the 2nd; 46 hours are there, the two between are told as missing."""
    lines = ["Datum;Zeit;Temperatur [°C];Feuchte (%);Druck"]
    for at in stamps(48, START + datetime.timedelta(hours=1)):
        end = at.hour == 0
        day = at - datetime.timedelta(days=1) if end else at
        lines.append(
            f"{day:%d.%m.%Y};{'24:00' if end else f'{at:%H:%M}'};-{at.hour / 10:.1f};81,5;845,0".replace(".0;", ",0;")
        )
    lines = [
        line if number == 0 else line.replace(";-0.", ";-0,").replace(";-1.", ";-1,").replace(";-2.", ";-2,")
        for number, line in enumerate(lines)
    ]
    del lines[5:7]
    keys = {
        "Datum": "date",
        "Zeit": "time",
        "Temperatur [°C]": "temp_c",
        "Feuchte (%)": "humidity_pct",
        "Druck": "pressure_hpa",
    }
    found = hours(write(tmp_path / "a.csv", lines), mapping=keys)
    assert found.counts["used"] == 46
    assert found.counts["missing"] == 2
    assert "not filled: 2" in text_of(found)
    assert first_hour(found) == "2024-11-01T01"
    assert float(found.temp_c.min()) == -2.3
    assert set(found.humidity_pct) == {81.5}


def test_a_service_with_two_lines_of_units(tmp_path: Path) -> None:
    lines = ["time,temp,pres", "ISO 8601,°C,hPa", "hour start,°C,hPa"]
    lines += [f"{at:%Y-%m-%dT%H:%M},-5.0,845.0" for at in stamps(30)]
    how = {"temp": "temp_c", "pres": "pressure_hpa"}
    found = hours(write(tmp_path / "a.csv", lines), mapping=how)
    assert found.counts["read"] == found.counts["used"] == 30
    assert all(f"Row {row} holds the units of the headings." in text_of(found) for row in (2, 3))
    # the same file in °F under the same map: 41 would pass for °C, and the row of units says that it is none
    other = [line.replace("°C", "°F").replace("-5.0", "41.0") for line in lines]
    path = write(tmp_path / "b.csv", other)
    for key in ("temp_c", "temp_f"):
        right = hours(path, mapping={"temp": key, "pres": "pressure_hpa"})
        assert set(np.round(right.temp_c, 6)) == {5.0}  # (41 - 32) / 1.8
    # of two rows that say two units the second is refused; so is a unit that no temperature has, whatever the map says
    two = write(tmp_path / "c.csv", [*lines[:2], "hour start,°F,hPa", *lines[3:]])
    assert hours(two, mapping=how).counts["refused"] == 1
    assert "kPa" in refusal(write(tmp_path / "d.csv", [lines[0], "UTC,kPa,hPa", *lines[3:]]), mapping=how)


def test_fahrenheit_and_inches_of_mercury_in_the_heading(tmp_path: Path) -> None:
    """14 °F is -10 °C; 25.00 inHg is 25 x 33.86389 = 846.6 hPa."""
    lines = ["taken_at,Temp (F),Pressure (inHg)", *(f"{at:%Y-%m-%d %H:%M},14,25.00" for at in stamps(26))]
    found = hours(write(tmp_path / "a.csv", lines))
    assert set(np.round(found.temp_c, 9)) == {-10.0}
    assert found.pressure_hpa[0] == pytest.approx(846.6, abs=0.05)
    said = refusal(write(tmp_path / "b.csv", [lines[0].replace("inHg", "kPa"), *lines[1:]]))
    assert "kPa" in said
    assert "inhg" in said


def test_year_month_day_and_hour_in_columns_of_their_own(tmp_path: Path) -> None:
    """31 November is no day: its row is told and left out."""
    lines = ["YEAR,MO,DY,HR,T2M", *(f"{at.year},{at.month},{at.day},{at.hour},-3" for at in stamps(25))]
    keys = {"YEAR": "year", "MO": "month", "DY": "day", "HR": "hour", "T2M": "temp_c"}
    found = hours(write(tmp_path / "a.csv", [*lines, "2024,11,31,0,-3"]), mapping=keys)
    assert first_hour(found) == "2024-11-01T00"
    assert found.counts["used"] == 25
    assert found.counts["refused"] == 1
    assert found.pressure_from == "plan"
    assert "no pressure" in text_of(found)


def test_parquet_with_its_own_times(tmp_path: Path) -> None:
    """A stamp of UTC+1 is told by its own clock: midnight UTC is one o'clock there."""
    at = pa.array(list(stamps(30)), pa.timestamp("us", "+01:00"))
    pq.write_table(pa.table({"taken_at": at, "temp_c": np.linspace(-9.0, -3.0, 30)}), tmp_path / "a.parquet")
    found = hours(tmp_path / "a.parquet")
    assert found.counts["used"] == 30
    assert first_hour(found) == "2024-11-01T01"
    assert "UTC+1" in text_of(found)


# ---- what is missing, double, or on another clock ----------------------------------------------------------------


def test_gaps_repeats_and_contradictions_are_counted(tmp_path: Path) -> None:
    """60 hours: 4 not written, 1 twice alike, 1 twice with another value, 2 not measured, 1 of -9999."""
    lines = [f"{at:%Y-%m-%dT%H:%M},-5" for at in stamps(60)]
    lines[10], lines[11], lines[12] = (
        line.replace(",-5", text) for line, text in zip(lines[10:13], (",", ",n/a", ",-9999"), strict=True)
    )
    lines = ["taken_at,temp_c", *lines[:20], *lines[24:], lines[30], lines[40].replace(",-5", ",-8")]
    found = hours(write(tmp_path / "a.csv", lines))
    counts = found.counts
    assert (counts["read"], counts["refused"], counts["without_temperature"]) == (58, 1, 2)
    # missing: four not written, the three that hold no temperature; the hour that is told in two ways counts in none
    assert (counts["missing"], counts["repeated"], counts["differing"], counts["used"]) == (7, 1, 2, 52)
    assert "not in the order of time" in text_of(found)
    assert "-9999" in text_of(found)


def test_a_clock_that_is_set_back_holds_two_hours_and_one_set_forward_lacks_none(tmp_path: Path) -> None:
    """Sunday 27 October 2024 has 2 o'clock twice, Sunday 30 March 2025 has none; in between one hour is lost."""
    autumn, spring = datetime.datetime(2024, 10, 27, 2), datetime.datetime(2025, 3, 30, 2)
    lost = datetime.datetime(2025, 1, 8, 2)
    lines = ["taken_at,temp_c"]
    for number, at in enumerate(stamps(24 * 180, datetime.datetime(2024, 10, 20))):
        if at not in (spring, lost):
            lines += [f"{at:%Y-%m-%d %H:%M},{-5 - number % 7}"] * (1 + (at == autumn))
    found = hours(write(tmp_path / "a.csv", lines))
    assert (found.counts["clock_changes"], found.counts["missing"], found.counts["repeated"]) == (1, 1, 0)
    assert "clocks are set back" in text_of(found)
    # without the hour that is skipped in spring it is a row that was written twice
    path = write(tmp_path / "b.csv", [line for line in lines if not line.startswith("2025-03-3")])
    alone = hours(path)
    assert (alone.counts["clock_changes"], alone.counts["repeated"]) == (0, 1)


def test_offsets_are_brought_to_the_standard_clock(tmp_path: Path) -> None:
    """01:30 summer time (+02:00) and 00:30 (+01:00) are one moment: the clock of UTC+1 counts, nothing is double."""
    back = datetime.datetime(2024, 10, 27, 1)  # UTC, when clocks go from +02:00 to +01:00
    lines = ["taken_at,temp_c"]
    for at in stamps(72, datetime.datetime(2024, 10, 26)):
        offset = 2 if at < back else 1
        lines.append(f"{at + datetime.timedelta(hours=offset):%Y-%m-%dT%H:%M}+0{offset}:00,-4")
    found = hours(write(tmp_path / "a.csv", lines))
    assert (found.counts["used"], found.counts["missing"]) == (72, 0)
    assert first_hour(found) == "2024-10-26T01"
    assert "2 offsets" in text_of(found)
    said = refusal(write(tmp_path / "b.csv", [*lines, "2024-10-30T00:00,-4"]))
    assert "times with an offset and times without" in said


def test_utc_is_told_and_can_be_brought_to_the_clock_of_the_site(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", ["taken_at,temp_c", *(f"{at:%Y-%m-%dT%H:%M}Z,-4" for at in stamps(30))])
    assert "utc_offset_h" in text_of(hours(path))
    from combust.edge.tables.table_map import TableMap

    there = hours(path, mapping=TableMap({}, {"utc_offset_h": "-9"}))
    assert first_hour(there) == "2024-10-31T15"


def test_the_day_of_a_bare_date_is_no_offset(tmp_path: Path) -> None:
    """2024-11-30 beside 2024-11-30T01:00+01:00: midnight without an offset among times with one."""
    lines = [f"{at:%Y-%m-%dT%H:%M}+01:00,-4" for at in stamps(30)]
    said = refusal(write(tmp_path / "a.csv", ["taken_at,temp_c", *lines, "2024-11-30,-4"]))
    assert "times with an offset and times without" in said
    bare = [f"{at:%Y-%m-%d},-4" if at.hour == 0 else f"{at:%Y-%m-%dT%H:%M},-4" for at in stamps(30)]
    assert hours(write(tmp_path / "b.csv", ["taken_at,temp_c", *bare])).counts["used"] == 30


@pytest.mark.parametrize(("minutes", "told"), [(30, "every 30 min"), (180, "every 3 h")])
def test_values_that_are_not_hourly_are_refused(tmp_path: Path, minutes: int, told: str) -> None:
    at = [START + datetime.timedelta(minutes=minutes * number) for number in range(40)]
    said = refusal(write(tmp_path / "a.csv", ["taken_at,temp_c", *(f"{one:%Y-%m-%dT%H:%M},-4" for one in at)]))
    assert told in said
    assert "not made up" in said


def test_minutes_past_the_hour_are_hours(tmp_path: Path) -> None:
    at = [START + datetime.timedelta(minutes=60 * number + 53) for number in range(40)]
    found = hours(write(tmp_path / "a.csv", ["taken_at,temp_c", *(f"{one:%Y-%m-%dT%H:%M},-4" for one in at)]))
    assert (found.counts["used"], found.counts["missing"]) == (40, 0)


# ---- units and pressures that cannot be ---------------------------------------------------------------------------


def test_fahrenheit_below_celsius_in_one_column_is_refused(tmp_path: Path) -> None:
    def series(name: str, change: Callable[[int, float], float]) -> Path:
        wave = ((at, number, -8.0 + 5.0 * math.sin(number / 4.0)) for number, at in enumerate(stamps(400)))
        rows = (f"{at:%Y-%m-%dT%H:%M},{change(number, temp):.1f}" for at, number, temp in wave)
        return write(tmp_path / f"{name}.csv", ["taken_at,temp_c", *rows])

    # from -3.1 °C to 26 °F
    said = refusal(series("a", lambda number, temp: temp if number < 200 else 1.8 * temp + 32.0))
    assert "°F is" in said
    assert "stays there" in said
    # a foehn of a day that lifts -8 by 24 K is steep, and so is a single wrong cell; neither is a unit
    assert hours(series("b", lambda number, temp: temp + 24.0 * (200 <= number < 230))).counts["used"] == 400
    assert hours(series("c", lambda number, temp: temp + 24.0 * (number == 200))).counts["used"] == 400


def test_a_pressure_of_sea_level_at_3000_m(tmp_path: Path) -> None:
    """Refused, or brought to the station on demand: g/(R L) = 5.2559, H = 2998.6 m, (263.15/(263.15+19.491))^5.2559.

    That is exp(5.2559 ln 0.93104) = exp(-0.37555) = 0.68691; times 1020 hPa: 700.65 hPa.
    """
    lines = ["taken_at,temp_c,pressure_hpa", *(f"{at:%Y-%m-%dT%H:%M},-10,1020" for at in stamps(30))]
    path = write(tmp_path / "a.csv", lines)
    said = refusal(path, 3000.0)
    assert "sea level" in said
    assert "--sea-level-pressure reduce" in said
    found = hours(path, 3000.0, reduce=True)
    assert found.pressure_hpa[0] == pytest.approx(700.65, abs=0.01)
    assert found.pressure_from == "reduced"
    assert "ISO 2533" in text_of(found)
    # named as what it is, it is refused at any height; beside a station pressure it does not count
    named = write(tmp_path / "b.csv", [lines[0].replace("pressure", "sea_level_pressure"), *lines[1:]])
    assert "sea level" in refusal(named, 100.0)
    both = [
        f"{line},{'pressure_hpa' if number == 0 else 701}"
        for number, line in enumerate(named.read_text().split("\n")[:-1])
    ]
    assert set(hours(write(tmp_path / "c.csv", both), 3000.0).pressure_hpa) == {701.0}


def test_a_pressure_of_another_place_and_single_wrong_ones(tmp_path: Path) -> None:
    def series(name: str, *pressures: float) -> Path:
        rows = (f"{at:%Y-%m-%dT%H:%M},-10,{pressures[number % len(pressures)]}" for number, at in enumerate(stamps(30)))
        return write(tmp_path / f"{name}.csv", ["taken_at,temp_c,pressure_hpa", *rows])

    assert "not of 3000 m" in refusal(series("a", 800.0), 3000.0)
    near = hours(series("b", 735.0), 3000.0)  # 701 hPa is usual: told, and used
    assert "is it this site's?" in text_of(near)
    odd = hours(series("c", 700.0, 700.0, 700.0, 700.0, 1000.0), 3000.0)
    assert (odd.counts["used"], odd.counts["without_pressure"]) == (24, 6)
    assert set(odd.pressure_hpa) == {700.0}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a,b\n1,2\n", "no air temperature"),
        ("temp_c\n-5\n", "no times"),
        ("taken_at,temp_c\nyesterday,-5\n", "no usable hour"),
        ("taken_at,temp_c\n", "no usable hour"),
        ("\n", "is empty"),
        ("taken_at,temp_c\n2024-11-01T00:00,\n", "no usable hour"),
    ],
)
def test_what_is_no_series_is_told_in_words(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    assert told in refusal(path)


def test_more_rows_than_hours_there_can_be_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("combust.edge.tables.weather.MOST_ROWS", 100)
    path = write(tmp_path / "a.csv", ["taken_at,temp_c", *(f"{at:%Y-%m-%dT%H:%M},-4" for at in stamps(101))])
    assert "more than 100 rows" in refusal(path)


def test_a_folder_says_which_files_it_cannot_use(tmp_path: Path) -> None:
    for name in ("hut.csv", "hut.parquet"):
        write(tmp_path / name, ["taken_at,temp_c"])
    with pytest.raises(CombustError, match="second file"):
        WeatherFolder(tmp_path)
    with pytest.raises(CombustError, match="holds no series"):
        WeatherFolder(write_nothing(tmp_path / "empty"))
    with pytest.raises(CombustError):
        WeatherFolder(tmp_path / "not_there")


def write_nothing(folder: Path) -> Path:
    folder.mkdir()
    return folder


# ---- typical years --------------------------------------------------------------------------------------------------


def epw(path: Path, altitude: float = 1829.0, days: int = 365) -> Path:
    """Write an EPW year as its data dictionary lays it out: -12 °C, 79 %, 81000 Pa; hour 5 is not measured."""
    head = [
        f"LOCATION,Larkfell,LK,XXX,invented,000000,39.74,-105.18,-7.0,{altitude}",
        *(
            "DESIGN CONDITIONS,0",
            "TYPICAL/EXTREME PERIODS,0",
            "GROUND TEMPERATURES,0",
            "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        ),
        *("COMMENTS 1,invented", "COMMENTS 2,", "DATA PERIODS,1,1,Data,Sunday,1/1,12/31"),
    ]
    dates = (datetime.date(2001, 1, 1) + datetime.timedelta(days=number) for number in range(days))
    rows = [
        f"1999,{day.month},{day.day},{hour},60,?9,{'99.9,99.9,999,999999' if hour == 5 else '-12.0,-15.0,79,81000'},"
        + ",".join(["0"] * 25)
        for day in dates
        for hour in range(1, 25)
    ]
    return write(path, [*head, *rows])


def test_an_epw_year_through_pvlib(tmp_path: Path) -> None:
    path = epw(tmp_path / "a.epw")
    found = hours(path, 1850.0)
    assert format_of(path) == "EPW"
    assert found.typical
    assert (found.counts["read"], found.counts["used"], found.counts["without_temperature"]) == (8760, 365 * 23, 365)
    assert set(found.pressure_hpa) == {810.0}
    assert set(found.humidity_pct) == {79.0}
    assert "averaged out" in text_of(found)
    assert "Its station lies at 1829 m, the site at 2500 m" in text_of(read_far(path))


def read_far(path: Path) -> SiteHours:
    series = read_series_of(path, 2500.0)
    return SiteHours(series.seconds, series.temp_c, series.pressure_hpa, series.humidity_pct, told=series.told)


def test_without_pvlib_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = epw(tmp_path / "a.epw")
    monkeypatch.setitem(sys.modules, "pvlib", None)
    with pytest.raises(CombustError, match=r'pip install "combust\[weather\]"'):
        read_typical_year(path)


def test_a_torn_epw_file_is_told(tmp_path: Path) -> None:
    path = epw(tmp_path / "a.epw")
    whole = path.read_text()
    path.write_text(whole[: len(whole) // 2], encoding="utf-8")
    assert "is the file whole?" in text_of(hours(path, 1850.0))
    for size in (60, 200, 300):
        path.write_text(whole[:size], encoding="utf-8")
        assert re.search("EPW|no usable hour", refusal(path, 1850.0))
    path.write_text(whole.replace(",-7.0,", ",1e400,", 1), encoding="utf-8")  # a clock that is no number
    assert "is no EPW file" in refusal(path, 1850.0)


@pytest.mark.parametrize(
    ("date", "clock", "told"),
    [
        ("2024-11-01", "24:00", "2024-11-02T00:00:00"),
        ("31.12.2024 24:00", "", "2025-01-01T00:00:00"),
        ("2024-02-28T24:00:00Z", "", "2024-02-29T00:00:00Z"),
        ("2024-11-01 24:00+01:00", "", "2024-11-02T00:00:00+01:00"),
        ("2024-11-01 24:30", "", None),
        ("2024-11-01 24:00-67:55", "", None),
        ("9999-12-31 24:00", "", None),
        ("24:00", "", None),
        ("2024-11-01T05:00", "24:00", None),
        ("2024-11-01\t", "9:05", "2024-11-01T09:05:00"),
    ],
)
def test_the_24th_hour_ends_a_day(date: str, clock: str, told: str | None) -> None:
    """ISO 8601-1:2019/Amd 1:2022 has 24:00 again as the end of a day (from memory)."""
    assert moment(date, clock) == told
