"""One reader of tables: hostile cells get the same verdict in all nine entrances, and one function reads them all."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from combust.application.reading.result import safety_of
from combust.domain.safety import of_all
from combust.edge.logbook.history import read_log
from combust.edge.logbook.visit_tables import safety_of_visits, visits_of_table
from combust.edge.tables import cells
from combust.edge.tables.fleet import plan_fleet, read_fleet_table
from combust.edge.tables.points import derate_points
from combust.edge.tables.readings import interpret_file
from combust.edge.tables.series import read_series
from combust.edge.tables.visits import read_visits
from combust.kernel.air import altitude_from_pressure
from tests.application.fleet import worked
from tests.edge.runs import DATA, call
from tests.edge.spreadsheets import read_csv
from tests.edge.test_points_engines import BASE

pytestmark = pytest.mark.hand
REFUSED = "refused"
Verdict = float | str | None

# cell -> (verdict in a table with decimal points, verdict in one with decimal commas); None = not measured. The reasons
# stand above each group; what a spreadsheet of some country writes is common practice, no source.
CELLS: dict[str, tuple[Verdict, Verdict]] = {
    # a decimal point is never a thousands mark before fewer than three digits, behind a zero, or in a table of points
    "150": (150.0, 150.0), "8.2": (8.2, 8.2), "0.150": (0.15, 0.15), "150.": (150.0, 150.0), ".5": (0.5, 0.5),
    # three digits behind a point: thousands or decimals in a table with decimal commas, so they are refused there
    "1.200": (1.2, REFUSED), "2.300": (2.3, REFUSED), "+1.200": (1.2, REFUSED), "12.300": (12.3, REFUSED),
    # a comma is a decimal mark only in a table that has them; a thousands mark is never guessed
    "8,2": (REFUSED, 8.2), "0,150": (REFUSED, 0.15), "1,200": (REFUSED, 1.2), "1,200.5": (REFUSED, REFUSED),
    "1.200,5": (REFUSED, REFUSED), "12.000.000": (REFUSED, REFUSED), "1.2.3": (REFUSED, REFUSED),
    # thousands marks of other kinds: blanks (plain, no-break, narrow), an apostrophe, an underscore
    "1 200": (REFUSED, REFUSED), "1\u00a0200": (REFUSED, REFUSED), "1\u202f200": (REFUSED, REFUSED),
    "1'200": (REFUSED, REFUSED), "1_200": (REFUSED, REFUSED),
    # blanks around a number mean nothing; what cannot be seen inside it is not skipped
    " 150 ": (150.0, 150.0), "\u00a0150\u00a0": (150.0, 150.0), "\u200b150": (REFUSED, REFUSED),
    # signs: plus, the typesetter's minus; an en dash or a trailing minus or brackets may be a range or a note
    "+60": (60.0, 60.0), "\u221218": (-18.0, -18.0), "-18": (-18.0, -18.0), "\u22122.300": (-2.3, REFUSED),
    "\u201318": (REFUSED, REFUSED), "150-": (REFUSED, REFUSED), "(150)": (REFUSED, REFUSED), "+": (REFUSED, REFUSED),
    # powers of ten are numbers; too large a one is no height; another base is no number
    "1e3": (1000.0, 1000.0), "1.5E2": (150.0, 150.0), "1,5e2": (REFUSED, 150.0), "1e": (REFUSED, REFUSED),
    "1e999": (REFUSED, REFUSED), "0x10": (REFUSED, REFUSED),
    # words are no numbers
    "TRUE": (REFUSED, REFUSED), "inf": (REFUSED, REFUSED), "-Infinity": (REFUSED, REFUSED), "OVER": (REFUSED, REFUSED),
    # digits of any script are digits; fractions and powers are not
    "\uff11\uff15\uff10": (150.0, 150.0), "\u0661\u0665\u0660": (150.0, 150.0), "\u00bd": (REFUSED, REFUSED),
    "8\u00b2": (REFUSED, REFUSED),
    # a unit in the cell: the column's own, one that is converted (1 ft = 0.3048 m), one that no height has; bounds,
    # thousands and blanks as without it
    "150 m": (150.0, 150.0), "150M": (150.0, 150.0), "150\u00a0m": (150.0, 150.0), "1e2 m": (REFUSED, REFUSED),
    "150ft": (45.72, 45.72), "500 ft": (152.4, 152.4), "\u221218 m": (-18.0, -18.0), "8,2 m": (REFUSED, 8.2),
    "8.2 %": (REFUSED, REFUSED), "150 V": (REFUSED, REFUSED), "150 hPa": (REFUSED, REFUSED),
    "150 mm": (REFUSED, REFUSED), "150 m m": (REFUSED, REFUSED), "150 m/s": (REFUSED, REFUSED),
    "1.200 m": (1.2, REFUSED), "1,200 m": (REFUSED, 1.2), "1 200 m": (REFUSED, REFUSED), "m": (REFUSED, REFUSED),
    ">2000 m": (REFUSED, REFUSED), "99999 ft": (REFUSED, REFUSED), "=150 m": (REFUSED, REFUSED),
    # about, ranges and spreads are no single number
    "~150": (REFUSED, REFUSED), "8.2 \u00b1 0.1": (REFUSED, REFUSED), "8.2-8.4": (REFUSED, REFUSED),
    # dates, which spreadsheets make of numbers, and clock times
    "12.03.2026": (REFUSED, REFUSED), "2026-03-12": (REFUSED, REFUSED), "1/2": (REFUSED, REFUSED),
    "Mar 12": (REFUSED, REFUSED), "09:30": (REFUSED, REFUSED),
    # formulas, text that was saved from being one, and errors of a spreadsheet: something was there and is lost
    "=150": (REFUSED, REFUSED), "=A1*2": (REFUSED, REFUSED), "'150": (REFUSED, REFUSED), "#N/A": (REFUSED, REFUSED),
    "#DIV/0!": (REFUSED, REFUSED),
    # marks of instruments, which only the user's own table can say; bounds, which are no values of a height
    "OL": (REFUSED, REFUSED), "---": (REFUSED, REFUSED), "HI": (REFUSED, REFUSED), "?": (None, None),
    ">2000": (REFUSED, REFUSED), "> 2000": (REFUSED, REFUSED), "\u22652000": (REFUSED, REFUSED),
    "<5": (REFUSED, REFUSED), ">": (REFUSED, REFUSED), ">1.200": (REFUSED, REFUSED),
    # not measured, which is never 0
    "": (None, None), " ": (None, None), "n/a": (None, None), "NaN": (None, None), "NULL": (None, None),
    "-": (None, None), "--": (None, None),
    # a height that cannot be
    "99999": (REFUSED, REFUSED),
}  # fmt: skip
assert len(CELLS) >= 60


def in_table(folder: Path, columns: dict[str, str], cell: str, decimal: str) -> Path:
    """Write a table of two rows, the first with the cell in the column that holds "?", in the dialect of the mark."""
    mark = ";" if decimal == "," else ","
    rows = [list(columns), [cell if text == "?" else text for text in columns.values()]]
    rows.append(["700" if text == "?" else text.replace("1", "2") for text in columns.values()])
    quoted = [mark.join('"' + text.replace('"', '""') + '"' for text in row) for row in rows]
    path = folder / "in.csv"
    path.write_text("\n".join(quoted).replace("8.5", f"8{decimal}5") + "\n", encoding="utf-8")
    return path


READING = {"visit_id": "V1", "heater_id": "h", "taken_at": "2026-01-12T09:00", "o2_dry_pct": "8.5", "altitude_m": "?"}


def readings(folder: Path, cell: str, decimal: str) -> Verdict:
    path = in_table(folder, READING, cell, decimal)
    interpret_file(path, folder / "out.csv")
    row = read_csv(folder / "out.csv")[0]
    if row["findings"].startswith(REFUSED):
        return REFUSED
    pressure = row["site_pressure_hpa"].replace(",", ".")
    height = float(altitude_from_pressure(float(pressure)))
    return None if cells.read_cell(cell).number != 0.0 and abs(height) < 0.05 else height


def visits(folder: Path, cell: str, decimal: str) -> Verdict:
    readings, found = read_visits(in_table(folder, READING, cell, decimal))
    assert len(readings) + len(found.refused) == 2
    return REFUSED if found.refused else readings[0].get("altitude_m")


def series(folder: Path, cell: str, decimal: str) -> Verdict:
    found = read_series(in_table(folder, READING | {"taken_at": "2026-01-11T09:00"}, cell, decimal))
    if any("left out" in note for note in found.notes):
        return REFUSED
    height = float(found.columns["altitude_m"][0])
    return None if math.isnan(height) else height


def logbook(folder: Path, cell: str, decimal: str) -> Verdict:
    visits, found = visits_of_table(in_table(folder, READING, cell, decimal))
    return REFUSED if found.refused else visits[0].entries[0][2].get("altitude_m")


def history(folder: Path, cell: str, decimal: str) -> Verdict:
    found = read_log(in_table(folder, READING, cell, decimal))
    refused = any("was refused" in note for note in found.notes)
    return REFUSED if refused else found.rows[0].get("altitude_m")


def fleet_cell(name: str, key: str, columns: dict[str, str]) -> Callable[[Path, str, str], Verdict]:
    """Return the entrance of a fleet table."""

    def verdict(folder: Path, cell: str, decimal: str) -> Verdict:
        table = read_fleet_table(name, in_table(folder, columns, cell, decimal))
        if table.faults:
            assert {row for row, _, _ in table.faults} == {0}
            return REFUSED
        value = float(table.frame[key].iloc[0])
        return None if math.isnan(value) else value

    return verdict


def points(folder: Path, cell: str, decimal: str) -> Verdict:
    path = in_table(folder, {"altitude_m": "?", "temp_c": "20", "note": "8.5"}, cell, decimal)
    counts = derate_points(path, folder / "out.parquet", BASE.surface)
    if counts.why:
        return REFUSED
    density = pq.read_table(folder / "out.parquet").column("dry_air_density_ratio")[0].as_py()
    # Of one temperature the ratio of the densities is that of the pressures.
    return None if math.isnan(density) else float(altitude_from_pressure(density * 1013.25))


VEHICLE = {"vehicle_id": "V1", "heater_id": "h", "site_id": "S", "cab_ua_w_per_k": "8.5", "compensation_limit_m": "?"}
SITE = {"site_id": "S1", "altitude_m": "?", "design_temp_c": "8.5", "mildest_use_temp_c": "8.5"}
SITE |= {"nights_per_season": "9", "hours_per_night": "9"}
ROUTE = {"route_id": "r1", "altitude_m": "?", "minutes": "8.5"}
ENTRANCES: dict[str, Callable[[Path, str, str], Verdict]] = {
    "readings": readings,
    "visits": visits,
    "series": series,
    "logbook": logbook,
    "history": history,
    "vehicles": fleet_cell("vehicles", "compensation_limit_m", VEHICLE),
    "sites": fleet_cell("sites", "altitude_m", SITE),
    "routes": fleet_cell("routes", "altitude_m", ROUTE),
    "points": points,
}


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("entrance", ENTRANCES)
def test_the_same_cell_gets_the_same_verdict_everywhere(entrance: str, decimal: str, tmp_path: Path) -> None:
    wrong = {}
    for cell, verdicts in CELLS.items():
        expected = verdicts[decimal == ","]
        if entrance == "vehicles" and isinstance(expected, float) and expected < 0.0:
            expected = REFUSED  # the limit of a unit is never below the sea
        found = ENTRANCES[entrance](tmp_path, cell, decimal)
        if isinstance(expected, float) and isinstance(found, float):
            # The pressure of readings is rounded to 0.1 hPa, which is 0.9 m.
            found = expected if abs(found - expected) < (0.9 if entrance == "readings" else 1e-6) else found
        if found != expected:
            wrong[cell] = (found, expected)
    assert not wrong


# (delimiter, a neighbour in a note, the cell) -> verdict. A thousands comma (United States) and a thousands point are
# common practice, no source; that 1,150 ppm must not become 1.15 ppm, nor 4,200 ft become 4.2 ft, follows from them.
WHOLE_TABLES: dict[tuple[str, str, str], Verdict] = {
    # no mark shown, or both: nobody can tell, so neither is read, and what can only be a decimal is
    (";", "x", "1,150"): REFUSED, (";", "x", "1.150"): REFUSED, ("\t", "x", "1,150"): REFUSED,
    ("\t", "x", "1.150"): REFUSED, ("|", "x", "1,150"): REFUSED, (";", "305,250", "1,150"): REFUSED,
    (";", "8,2;8.2", "1,150"): REFUSED, (";", "8,2;8.2", "1.150"): REFUSED, (";", "8,2;8.2", "0,150"): 0.15,
    ("\t", "8,2;8.2", "1,150"): REFUSED, (";", "x", "1,150,000"): REFUSED, (";", "x", "1150"): 1150.0,
    # decimal points are sure: the comma marks thousands, which are never guessed
    (";", "8.2", "1,150"): REFUSED, (";", "8.25;305.25", "1,150"): REFUSED, ("\t", "8.2", "1,150"): REFUSED,
    (";", "1,200.5", "1,150"): REFUSED, (";", "8.2", "1.150"): 1.15, (",", "8", "1.150"): 1.15,
    (",", "x", "1,150"): REFUSED,
    # decimal commas are sure
    (";", "8,2", "1,150"): 1.15, ("\t", "8,2", "1,150"): 1.15, (";", "8,2", "1.150"): REFUSED,
}  # fmt: skip


@pytest.mark.parametrize("entrance", ENTRANCES)
def test_a_thousands_mark_is_judged_by_the_whole_table_everywhere(
    entrance: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def whole_table(folder: Path, columns: dict[str, str], cell: str, decimal: str) -> Path:
        delimiter, beside = decimal[0], decimal[1:].split(";")
        rows = [[*columns, *(f"aside {place}" for place in range(len(beside)))]]
        for text, day in ((cell, "1"), ("7", "2")):
            own = [{"?": text, "8.5": "8"}.get(one, one).replace("-1", f"-{day}") for one in columns.values()]
            rows.append([*own, *beside])
        path = folder / "in.csv"
        path.write_text("".join(delimiter.join(f'"{one}"' for one in row) + "\n" for row in rows), encoding="utf-8")
        return path

    monkeypatch.setitem(globals(), "in_table", whole_table)
    wrong = {}
    for (delimiter, beside, cell), expected in WHOLE_TABLES.items():
        found = ENTRANCES[entrance](tmp_path, cell, delimiter + beside)
        if isinstance(expected, float) and isinstance(found, float):
            found = expected if abs(found - expected) < (0.9 if entrance == "readings" else 1e-6) else found
        if found != expected:
            wrong[delimiter, beside, cell] = found
    assert not wrong


@pytest.mark.parametrize("entrance", ENTRANCES)
def test_every_number_of_every_entrance_comes_from_one_function(
    entrance: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Were there a second reader anywhere, its number would not be 42."""
    assert ENTRANCES[entrance](tmp_path, "150", ".") == pytest.approx(150.0, rel=1e-6)
    monkeypatch.setattr(cells, "as_number", lambda text: 42.0 if text == "150" else float(text))
    monkeypatch.setattr("combust.edge.tables.convert.plain_numbers", lambda column, decimal: None)
    assert ENTRANCES[entrance](tmp_path, "150", ".") == pytest.approx(42.0, rel=1e-6)


CO = {**READING, "altitude_m": "150", "co_dry_ppm": "?", "location": "outdoors"}


def test_carbon_monoxide_over_the_range_stops_and_gives_no_lambda(tmp_path: Path) -> None:
    """The stop of the exhaust CO is 1000 ppm: more than 1000 is above it, more than 60 tells nothing."""
    for cell, stops in ((">2000", True), ("> 1000", True), ("\u22651000", True), (">60", False)):
        path = in_table(tmp_path, CO, cell, ".")
        counts = interpret_file(path, tmp_path / "out.csv")
        row = read_csv(tmp_path / "out.csv")[0]
        assert (row["air_ratio"], counts.refused, "stop: exhaust_co_high." in row["findings"]) == ("", 1, stops)
        assert "bound" in row["findings"]
        (read, causes), (visits, book), log = read_visits(path), visits_of_table(path), read_log(path)
        assert [causes.refused, book.refused, log.stops] == [[], [], []], "kept as it was read"
        kept = of_all([*map(safety_of, read)]), safety_of_visits(visits, ()), of_all(one.safety() for one in log.judged)
        for found in (*(one.stops for one in kept), read_series(path).stops):
            assert any(stop.code == "exhaust_co_high" for stop in found) == stops


def test_an_upper_bound_of_carbon_monoxide_stands_for_its_value_and_is_told(tmp_path: Path) -> None:
    readings, found = read_visits(in_table(tmp_path, CO, "<5", "."))
    assert readings[0].get("co_dry_ppm") == 5.0
    assert "co_dry_ppm: 1 cell with < counted as the bound" in " ".join(found.notes)


@pytest.mark.parametrize("command", ["readings", "cause", "log add", "log series --into", "log series", "history"])
def test_1_200_ppm_is_never_1_2_ppm_and_over_range_is_a_stop(command: str, tmp_path: Path) -> None:
    typed = {
        "readings": ("readings", "IN", "--out", str(tmp_path / "o.csv")),
        "cause": ("cause", "IN", "--heater", str(DATA / "heaters" / "heater-0312.toml"), "--no-pairs"),
        "log add": ("log", "add", str(tmp_path / "w.book"), "IN"),
        "log series --into": ("log", "series", "IN", "--into", str(tmp_path / "w.book")),
        "log series": ("log", "series", "IN"),
        "history": ("history", "IN"),
    }[command]
    for cell, told in (("1.200", "two ways"), (">2000", "STOP")):
        path = str(in_table(tmp_path, CO | {"heater_id": "heater-0312", "fuel": "diesel_b7"}, cell, ","))
        run = call(*(path if word == "IN" else word for word in typed))
        said = run.err + run.out
        if command == "readings":
            said += (tmp_path / "o.csv").read_text(encoding="utf-8-sig")
        assert told in said, said
        if told == "STOP":
            assert "No stop condition" not in run.err


def test_2_300_m_of_a_spreadsheet_is_never_2_3_m_in_a_fleet(tmp_path: Path) -> None:
    cars, sites = worked.vehicles(), worked.sites().astype(str)
    sites["altitude_m"] = ["1.850", "2.300", "3300", "4.100", "400"]
    text = sites.replace({"design_temp_c": {"-5": "-5,0"}}).to_csv(index=False, sep=";")
    (tmp_path / "sites.csv").write_text(text, encoding="utf-8")
    plan = plan_fleet(cars, tmp_path / "sites.csv", heaters=worked.HEATERS)
    refused = plan.faults[plan.faults["table"] == "sites"]
    assert refused["row"].tolist() == [2, 3, 5]
    assert refused["text"].str.contains("two ways").all()
    assert set(plan.vehicles["group"]) == {"V3", "V5"}
    # Twelve, nine and four vehicles stand at the three sites: one fault for each site, not twenty-five.
    told = plan.faults[plan.faults["table"] == "vehicles"]["text"].tolist()
    assert [f"{n} vehicles" in text for n, text in zip((12, 9, 4), told, strict=True)] == [True] * 3


# A point before three digits marks thousands in many countries (common practice, no source): 1450 ppm stop a heater.
HELD = dict.fromkeys(("1.450", "1.450 ppm", '"1,450"', ">1.450")) | {"1.45": 1.45, "0.450": 0.45, "1450": 1450.0}


@pytest.mark.parametrize(("cell", "held"), HELD.items())
def test_1_450_ppm_is_never_1_45_ppm(cell: str, held: float | None, tmp_path: Path) -> None:
    path = tmp_path / "in.csv"
    path.write_text(f"visit_id,heater_id,location,o2_dry_pct,co_dry_ppm\nV1,h,outdoors,8.6,{cell}\n", encoding="utf-8")
    visits, found = visits_of_table(path)
    assert [body["co_dry_ppm"] for one in visits for _, _, body in one.entries] == ([] if held is None else [held])
    assert [why for _, why in found.refused if "Write 1450, or 1.45." not in why] == []
    stops = [one.code for one in (*safety_of_visits(visits, found.stops).stops, *read_visits(path)[1].stops)]
    assert ("exhaust_co_high" in stops) == (held != 1.45 and held != 0.45), "what may stop is told as a stop"
    book, typed = str(tmp_path / "w.book"), cell.strip('"').split()
    assert call("visit", "open", book, "h", "--visit-id", "V1", "outdoors").code == 0
    done = call("visit", "enter", book, "high", "o2", "8,2", "co", *typed)
    assert (done.code == 0, "Write 1450, or 1.45." in done.err) == (held is not None, held is None), done.err
    runs = done, call("reading", "--location", "outdoors", "--o2-dry", "8.6", "--co-dry", cell.strip('"'))
    assert ["STOP. CO in the exhaust (1450 ppm)" in run.out for run in runs] == [held in (None, 1450.0)] * 2


def test_metres_under_a_heading_in_feet_beside_routes_that_climb_are_told() -> None:
    """Sites of 400 to 4100 m under altitude_ft are 122 to 1250 m; the routes between them climb to 4800 m."""
    import pandas as pd

    cars = worked.vehicles(route_id="r")
    sites = worked.sites().rename(columns={"altitude_m": "altitude_ft"})
    routes = pd.DataFrame({"route_id": "r", "altitude_m": [500, 4800], "minutes": [10, 10]})
    plan = plan_fleet(cars, sites, routes, heaters=worked.HEATERS)
    told = plan.faults[plan.faults["code"] == "suspect_feet"]
    assert told["severity"].tolist() == ["warned"]
    assert "4100 m would fit" in told["text"].iloc[0]
    in_feet = worked.sites().assign(altitude_ft=worked.sites()["altitude_m"] / 0.3048).drop(columns="altitude_m")
    assert len(plan_fleet(cars, in_feet, routes, heaters=worked.HEATERS).faults) == 0


IN_PERCENT = {"0.05 %": 500.0, "0.2%": 2000.0, "0,2 Vol.-%": 2000.0, ">0.2 %": 2000.0}


@pytest.mark.parametrize(("cell", "ppm"), IN_PERCENT.items())
def test_co_in_vol_pct_is_told_in_ppm_and_counted_by_the_stops(tmp_path: Path, cell: str, ppm: float) -> None:
    """1 vol % is 10 000 ppm. Above 1000 ppm it is a stop (Directive 2001/56/EC Annex VII), refused or not.

    In a table it is read, and at an option; a bound, and a decimal comma among decimal points, are refused and told.
    """
    columns = {"o2_dry_pct": "8.2", "co_dry_ppm": "?", "location": "outdoors", "probe_leak_test": "pass"}
    table = in_table(tmp_path, columns, cell, ".")
    runs = [call("reading", "--o2-dry", "8.2", "--location", "outdoors", "--co-dry", cell)]
    runs.append(call("readings", str(table), "--out", str(tmp_path / "out.csv")))
    for run in runs:
        assert run.out.startswith("STOP") is (ppm > 1000.0)
    told = f"is in vol %, not in ppm. That is {ppm:g} ppm: give it so."
    assert (runs[0].code == 3) is (told in runs[0].err) is (">" in cell)
    row = read_csv(tmp_path / "out.csv")[0]
    assert (told in row["findings"]) is ("," in cell)
    assert row["findings"].startswith("refused") is bool({",", ">"} & {*cell})


def test_co_below_what_an_analyser_tells_is_asked_for_in_words_before_lambda(tmp_path: Path) -> None:
    columns = {"o2_dry_pct": "8.2", "co_dry_ppm": "?", "location": "outdoors"}
    one = call("reading", "--o2-dry", "8.2", "--location", "outdoors", "--co-dry", "0.2")
    assert one.out.startswith("ONLY OUTDOORS, and not to be handed back: 0.2 ppm CO is less than an analyser can tell")
    assert "was it vol %? 1 vol % is 10 000 ppm" in one.out
    call("readings", str(in_table(tmp_path, columns, "0.2", ".")), "--out", str(tmp_path / "out.csv"))
    assert read_csv(tmp_path / "out.csv")[0]["safety"] == "outdoors_only"


@pytest.mark.hand
@pytest.mark.parametrize(
    ("option", "text", "key", "value"),
    [
        ("--co-dry", "500 ppm", "co_dry_ppm", 500.0),
        ("--co-dry-ppm", "500ppm", "co_dry_ppm", 500.0),
        ("--co-dry", "0,15 %", "co_dry_ppm", 1500.0),  # 1 vol % is 10 000 ppm
        ("--o2-dry", "8,4 vol %", "o2_dry_pct", 8.4),
        ("--altitude", "6230 ft", "altitude_m", 6230 * 0.3048),  # 1 ft = 0.3048 m, exact
        ("--altitude-ft", "6230 ft", "altitude_m", 6230 * 0.3048),
        ("--flue-temp", "689 °F", "flue_temp_c", 365.0),  # (689 - 32)/1.8
        ("--co-dry", "> 2000 ppm", "co_dry_ppm", None),  # a bound, in a cell too
        ("--co-dry", "500 mg/m3", "co_dry_ppm", None),  # nobody knows at which O2
        ("--o2-dry", "8 ppm", "o2_dry_pct", None),
        ("--altitude-ft", "1900 m", "altitude_m", None),
        ("--co-dry", "ppm 500", "co_dry_ppm", None),
    ],
)
def test_an_option_takes_a_unit_behind_its_number_as_a_cell_does(option, text, key, value):
    rest = ["--fuel", "diesel_b7", "--location", "outdoors", *([] if key == "o2_dry_pct" else ["--o2-dry", "8"])]
    done = call("reading", option, text, *rest, "--json")
    assert (done.code == 3) is (value is None)
    if value is not None:
        assert done.json["inputs"][key] == pytest.approx(value, rel=1e-12)
    assert bool(done.json.get("safety", {}).get("stops")) is (text in ("0,15 %", "> 2000 ppm"))
