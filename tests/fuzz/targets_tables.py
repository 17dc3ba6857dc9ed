"""Fuzz targets of tables: every row in is interpreted, planned, taken or refused; nothing is lost."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from combust.application.fleet.hours import site_hours
from combust.application.fleet.tables import FAULT_COLUMNS, Faults, fleet_fields
from combust.application.visit.clock import clock_doubts
from combust.application.visit.provisional import conditions
from combust.application.visit.visit import Visit
from combust.data.vocabulary import input_keys
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, import_lines
from combust.edge.logbook.history import read_log
from combust.edge.logbook.typed import entries_of_line
from combust.edge.logbook.visit_tables import visits_of_table
from combust.edge.logbook.visits import add, read_visits
from combust.edge.tables import visits as cause_table
from combust.edge.tables.fleet import read_fleet_table
from combust.edge.tables.series import read_series
from combust.edge.tables.source import open_table
from combust.edge.tables.weather import read_series_of
from tests.edge.spreadsheets import interpret_bytes
from tests.fuzz.registry import (
    DATA,
    LostRowError,
    Target,
    answer_or_refusal,
    as_file,
    scratch,
    seed_files,
    target,
    text_of,
)

MARKS = (",", ";", "\t", "|", "\n", "\r\n", "\r", '"', '""', "\x00", "\ufeff", "=1+1", "8,2", "1.200", "nan", "-", " ")
FEW = (
    *MARKS,
    "o2_dry_pct",
    "co_dry_ppm",
    "location",
    "outdoors",
    "fuel",
    "taken_at",
    "altitude_ft",
    "2025-01-12T09:00",
)


def csv_seeds(*names: str, lines: int = 12) -> Callable[[], list[bytes]]:
    """Return a function that gives the first lines of demo tables, with other marks and line ends too."""

    def seeds() -> list[bytes]:
        plain = [b"".join((DATA / name).read_bytes().splitlines(keepends=True)[:lines]) for name in names]
        foreign = [text.replace(b",", b";").replace(b".", b",") for text in plain]
        return [*plain, *foreign, *(text.replace(b"\n", b"\r\n") for text in plain)]

    return seeds


def counted_lines(data: bytes) -> tuple[int, int] | None:
    """Return how many rows a table without quotes holds at least and at most, counted by another route; None = quotes.

    A line of nothing but marks and spaces may count as blank, so there is a least and a most.
    """
    if b'"' in data or b"\0" in data:
        return None
    text = data.removeprefix(b"\xef\xbb\xbf").decode("latin-1")
    lines = text.split("\n") if "\n" in text else text.split("\r")
    some = [line for line in lines if line.strip("\r\n \t;,|")]
    return sum(1 for line in some[1:] if re.search(r"[!-+\--:<-{}~]", line)), len(lines)


def check_rows(data: bytes, rows: int) -> None:
    """Fail with LostRowError unless the rows of a table are as many as an independent count says."""
    counted = counted_lines(data)
    if counted is not None and not counted[0] <= rows <= counted[1]:
        raise LostRowError(f"{rows} rows are accounted for, {counted[0]} to {counted[1]} are there")


def interpreted(data: bytes, *, rejects: bool) -> None:
    """Interpret a table of readings; the helper itself compares the rows of both outputs with the counts."""
    for left in scratch().glob("*.csv"):
        left.unlink()
    done = answer_or_refusal(lambda: interpret_bytes(scratch(), data, rejects=rejects))
    if done is None:
        assert not (scratch() / "out.csv").exists(), "a refused table left an output"
        return
    check_rows(data, done.counts.rows)
    for row in done.rows:
        text = row["air_ratio"].replace(",", ".")
        if text:
            assert math.isfinite(float(text)), f"lambda {text}"
            assert not row["findings"].startswith("refused"), "a refused row with a lambda"


@target(9, csv_seeds("larkfell_readings.csv"), (*input_keys(), *MARKS))
def readings_csv(data: bytes) -> None:
    """Any bytes as a table of readings, refused rows kept in place."""
    interpreted(data, rejects=False)


SHORT = b"o2_dry_pct,co_dry_ppm,location,note\n8.2,150,outdoors,a\n,,,\n22,x,indoors,=1\n"


@target(7, lambda: [SHORT, SHORT.replace(b"\n", b"\r"), b"\xef\xbb\xbf" + SHORT], FEW)
def readings_rejects(data: bytes) -> None:
    """Any bytes as a table of readings, refused rows in a file of their own."""
    interpreted(data, rejects=True)


def parquet_seed() -> list[bytes]:
    """Return a small Parquet table."""
    sink = pa.BufferOutputStream()
    table = pa.table({"o2_dry_pct": [8.2, None, 30.0], "location": ["outdoors", "x", None], "note": ["a", "b", "c"]})
    pq.write_table(table, sink, compression="none")
    return [sink.getvalue().to_pybytes()]


@target(5, parquet_seed, ["PAR1"])
def readings_parquet(data: bytes) -> None:
    """Any bytes that claim to be Parquet: a table or a refusal. The head stays, so that it is not taken for CSV."""
    interpreted(b"PAR1" + data[4:], rejects=False)


def fleet_rows(name: str, data: bytes) -> None:
    """Read and clean a fleet table: each row comes out once, and no number of a kept row is outside its band."""
    table = answer_or_refusal(lambda: read_fleet_table(name, as_file(data, f"{name}.csv")))
    if table is None:
        return
    check_rows(data, len(table.lines))
    faults = Faults()
    cleaned = faults.take(table)
    if len(cleaned) != len(table.lines):
        raise LostRowError(f"{len(table.lines)} rows read, {len(cleaned)} cleaned")
    told = faults.frame()
    assert list(told.columns) == list(FAULT_COLUMNS)
    assert told["row"].isin(table.lines).all()
    assert all(text.isprintable() for text in told["text"]), "a fault with control characters"
    kept = cleaned[~faults.refused[name]]
    for key, spec in fleet_fields(name).items():
        if spec.kind == "number":
            low, high = spec.low, spec.high
            values = kept[key].dropna()
            assert values.between(low, high).all(), f"{key} outside its band was kept"


def fleet_words(name: str) -> tuple[str, ...]:
    """Return the words of a fleet table."""
    return (*fleet_fields(name), "altitude_ft", "-20;-12;-5", *MARKS)


@target(4, csv_seeds("larkfell_fleet/vehicles.csv"), fleet_words("vehicles"))
def vehicles_csv(data: bytes) -> None:
    """Any bytes as the vehicles of a fleet."""
    fleet_rows("vehicles", data)


@target(4, csv_seeds("larkfell_fleet/sites.csv"), fleet_words("sites"))
def sites_csv(data: bytes) -> None:
    """Any bytes as the sites of a fleet."""
    fleet_rows("sites", data)


@target(5, csv_seeds("larkfell_fleet/routes.csv"), fleet_words("routes"))
def routes_csv(data: bytes) -> None:
    """Any bytes as the routes of a fleet."""
    fleet_rows("routes", data)


@target(8, csv_seeds("larkfell_visits.csv"), (*input_keys(), *MARKS))
def visits_csv(data: bytes) -> None:
    """Any bytes as the table for the ranking of causes."""
    found = answer_or_refusal(lambda: cause_table.read_visits(as_file(data, "visits.csv")))
    if found is not None:
        readings, entries = found
        check_rows(data, len(readings) + len(entries.refused))


@target(5, csv_seeds("larkfell_series.csv"), ("time_s", "seconds", *FEW))
def series_csv(data: bytes) -> None:
    """Any bytes as a logged series: each sample is used, left out with its reason, or carries the time of another."""
    path = as_file(data, "series.csv")
    series = answer_or_refusal(lambda: read_series(path))
    if series is None:
        return
    left_out = sum(told.startswith("Row ") for told in series.notes)
    left_out += sum(int(told.split()[0]) for told in series.notes if told.endswith("of the one before: left out."))
    check_rows(data, len(series.times_s) + left_out)
    assert all(math.isfinite(value) for value in series.times_s.tolist())


LOST = ("refused", "without_temperature", "repeated", "differing", "without_pressure")
UNITS = b"taken_at,Temp (F),Pressure (inHg)\n,degF,inHg\n27.10.2024 24:00,14,25\n28.10.2024 01:00,14,25.1\n"


@target(
    5,
    lambda: [*csv_seeds("larkfell_fleet/weather/snow_base_varrowmantle.csv")(), UNITS],
    (*fleet_fields("weather"), "temp_f", "+01:00", "Z", "24:00", *MARKS),
)
def weather_csv(data: bytes) -> None:
    """Any bytes as the hours of a site: each row is an hour that counts, or is counted among what is left out."""
    path = as_file(data, "weather.csv")
    series = answer_or_refusal(lambda: read_series_of(path, 2150.0))
    if series is None:
        return
    below = sum(told.endswith("holds the units of the headings.") for told in series.told)
    check_rows(data, series.read + below)
    found = answer_or_refusal(lambda: site_hours(series, 2150.0, 780.0))
    if found is None:
        return
    if found.counts["read"] != len(found.hours) + sum(found.counts[key] for key in LOST):
        raise LostRowError(f"{found.counts}: rows are lost")
    assert np.all(np.diff(found.hours) >= 0)
    assert np.isfinite(found.temp_c).all()
    assert np.isfinite(found.pressure_hpa).all()


@target(5, csv_seeds("larkfell_winters.csv"), (*input_keys(), "event", "repair", "rezero", "swap", *MARKS))
def history_csv(data: bytes) -> None:
    """Any bytes as a log for the history: each reading is there, or its row was refused with a reason."""
    path = as_file(data, "winters.csv")
    found = answer_or_refusal(lambda: read_log(str(path)))
    if found is None:
        return
    rows, events = found.rows, found.events
    told = [note for note in found.notes if note.startswith("Row ")]
    table = open_table(path)
    total = sum(block.table.num_rows for block in table.blocks())
    if len(rows) + len(told) > total:
        raise LostRowError(f"{len(rows)} readings and {len(told)} refusals of {total} rows")
    carried = sum(len(one) for one in events.values())
    empty = total - len(rows) - len(told)  # rows with an event or words about the visit only
    assert empty >= 0
    assert carried <= total


@target(3, csv_seeds("larkfell_winters.csv", lines=6), (*input_keys(), "event", "who", "place", "co_alarm", *MARKS))
def logbook_table(data: bytes) -> None:
    """Any bytes taken into a logbook: what is taken stands in the book afterwards, key for key."""
    path, book = as_file(data, "in.csv"), scratch() / "fuzz.book"
    book.unlink(missing_ok=True)
    found = answer_or_refusal(lambda: visits_of_table(path))
    if found is None or not found[0]:
        return
    visits, table = found
    check_rows(data, table.rows)
    given = sum(len(visit.entries) for visit in visits)
    with Logbook(book, create=True) as opened:
        if answer_or_refusal(lambda: add(opened, visits)) is None:
            return
        own = ("opened", "setting")  # what the book says of a visit by itself, and words about it
        kept = sum(entry.kind not in own for record in read_visits(opened) for entry in record.entries)
    if kept != given:
        raise LostRowError(f"{given} entries given, {kept} in the book")


def book_seed() -> list[bytes]:
    """Return a small logbook as bytes."""
    path = Path(scratch() / "seed.book")
    if not path.exists():
        with Logbook(path, create=True) as opened:
            source = as_file(csv_seeds("larkfell_winters.csv", lines=4)()[0], "seed.csv")
            add(opened, visits_of_table(source)[0])
    return [path.read_bytes()]


@target(8, book_seed, ["SQLite format 3", "visit", "entry", "CREATE TABLE"])
def logbook_file(data: bytes) -> None:
    """Any bytes as a logbook: its visits, or a refusal; the file stays as it was."""
    path = as_file(data, "any.book")

    def look() -> int:
        with Logbook(path, read_only=True) as opened:
            return len(read_visits(opened))

    answer_or_refusal(look)
    assert path.read_bytes() == data, "a logbook that was only read was changed"


LINES = ["high o2 4.84 flue 689 F co over 2000", "plug 12.5V", "repair hose", "missing cab_co none", "at 08:14 o2 8,2"]
LINES += [
    "O2: 4.84 CO=120",
    "battery 12.2 V plug glow 10.4 cable 5 m cable 14 awg",
    "lit-and-died died 40 s cold soak -22",
]
LINES += ["kw 2 nominal 12 V fuel diesel_b7 band_high 1.35-1.80", "smokes Stage High Terminals Intake Blocked"]


@target(10, lambda: [line.encode() for line in LINES], (*input_keys(), "over", ">", "at", "next", "F", "inH2O"))
def typed_line(data: bytes) -> None:
    """Any words typed into a visit: entries that can be derived from again, or a refusal."""
    moment = datetime.datetime(2026, 1, 12, 8, 0, tzinfo=datetime.UTC)
    visit = Visit.open("V1", at=moment.isoformat())
    new = answer_or_refusal(lambda: entries_of_line(text_of(data).split(), visit, moment))
    if new is None:
        return
    for kind, _, body in (("setting", None, new.head), *new.entries):
        visit = visit.add(kind, body)
    assert visit.safety.state
    assert len(visit.lines()) >= 2
    clock_doubts(visit)
    assert conditions(visit)


def line_seeds() -> list[bytes]:
    """Return a small logbook as JSON Lines."""
    book_seed()
    with Logbook(scratch() / "seed.book", read_only=True) as opened:
        return [export_lines(opened).encode()]


@target(4, line_seeds, ["body", "hash", "origin", "{", "}", "null"])
def entry_lines(data: bytes) -> None:
    """Any bytes as JSON Lines: what is taken is counted and comes out, or all of it is refused."""
    book = scratch() / "lines.book"
    book.unlink(missing_ok=True)
    with Logbook(book, create=True) as opened:
        taken = answer_or_refusal(lambda: import_lines(opened, text_of(data)))
        lines = export_lines(opened).split("\n")[:-1]
        if taken is None:
            assert lines == []
        else:
            read_visits(opened)
            assert len(lines) == taken.new


def small_seeds(found: Target, largest: int = 3000) -> list[bytes]:
    """Return the seeds of a target that are small enough to be altered many times."""
    return [seed for seed in found.seeds() if len(seed) <= largest] or found.seeds()


def all_demo_tables() -> list[bytes]:
    """Return the beginnings of every demo table."""
    return seed_files(*sorted(DATA.glob("*.csv")))
