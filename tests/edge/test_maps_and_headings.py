"""Maps, marks, units in headings, dates and lines of a table: told alike in every command."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from combust.data.errors import CombustError
from combust.edge.logbook.visit_tables import visits_of_table
from combust.edge.tables.fleet import plan_fleet
from combust.edge.tables.readings import interpret_file
from combust.edge.tables.series import read_series
from combust.edge.tables.table_map import TableMap
from combust.edge.tables.visits import read_visits
from tests.application.fleet import worked
from tests.edge.runs import call
from tests.edge.spreadsheets import read_csv

pytestmark = pytest.mark.hand


def test_a_map_a_column_for_the_whole_file_and_marks_in_every_command(tmp_path: Path) -> None:
    data = "Datum;Zeit;Sauerstoff;CO (%);Flue temperature (F);colour\n12.01.2026;9:05;8,2;OL;572;red\n"
    data += "12.01.2026;9:06;8,2;0,015;572;red\n12.01.2026;9:07;8,2;---;572;red\n"
    (tmp_path / "in.csv").write_text(data, encoding="utf-8")
    (tmp_path / "marks.toml").write_text(
        '[marks]\n"---" = ""\n[marks.co_dry_ppm]\n"OL" = ">0,2"\n[whole_file]\nfuel = "diesel_b7"\n', encoding="utf-8"
    )
    maps = ["--map", "Datum=date", "--map", "Zeit=time", "--map", "Sauerstoff=o2_dry_pct", "--map", "CO (%)=co_dry_ppm"]
    maps += ["--map", "Flue temperature (F)=flue_temp_c", "--set", "location=outdoors", "--set", "heater_id=h1"]
    saved = str(tmp_path / "my_analyser.toml")
    first = call("readings", str(tmp_path / "in.csv"), "--out", str(tmp_path / "o.csv"), *maps,
                 "--map", str(tmp_path / "marks.toml"), "--save-map", saved)  # fmt: skip
    assert first.code == 0, first.err
    assert "note: Not used: colour." in first.err
    rows = read_csv(tmp_path / "o.csv")
    assert "stop: exhaust_co_high" in rows[0]["findings"], "over 0.2 % is over 2000 ppm"
    assert "co_not_entered" in rows[2]["findings"]
    assert [row["location"] for row in rows] == ["outdoors"] * 3
    book = str(tmp_path / "w.book")
    added = call("log", "add", book, str(tmp_path / "in.csv"), "--map", saved)
    assert "3 rows: 3 taken, 0 refused" in added.out, added.err
    assert "STOP" in added.err
    shown = call("log", "show", book, "--visit-id", "h1 2026-01-12")
    assert ">2000" in shown.out, "over the range is kept as such, with its stop"
    assert shown.out.startswith("STOP")
    assert "3 rows were in the book already" in call("log", "add", book, str(tmp_path / "in.csv"), "--map", saved).out
    over, found = (one[2] for one in visits_of_table(tmp_path / "in.csv", mapping=saved)[0][0].entries[:2])
    assert over["over"] == {"co_dry_ppm": pytest.approx(2000.0)}
    # 572 F is 300 C, 0.015 % is 150 ppm: by the definitions
    assert found["flue_temp_c"] == pytest.approx(300.0)
    assert found["co_dry_ppm"] == pytest.approx(150.0)
    assert found["taken_at"] == "2026-01-12T09:06:00"
    series = read_series(tmp_path / "in.csv", mapping=saved)
    assert series.times_s.tolist() == [0.0, 60.0]
    wrong = call("readings", str(tmp_path / "in.csv"), "--out", str(tmp_path / "o.csv"), "--map", saved, "--set", "x")
    assert wrong.code == 3
    assert "has no =" in wrong.err


def test_marks_count_in_columns_that_hold_numbers(tmp_path: Path) -> None:
    """9999 in a typed column is what the user's table says it is: not measured, or over a range of 4000 ppm."""
    table = {"o2_dry_pct": [8.2, 9999.0, 8.2], "co_dry_ppm": [50, 50, 9999], "location": ["outdoors"] * 3}
    pq.write_table(pa.table(table), tmp_path / "in.parquet")
    how = TableMap({}, {}, {"o2_dry_pct": {"9999": ""}, "co_dry_ppm": {"9999": ">4000"}})
    counts = interpret_file(tmp_path / "in.parquet", tmp_path / "o.csv", mapping=how)
    rows = read_csv(tmp_path / "o.csv")
    assert counts.refused == 1
    assert [row["air_ratio"] == "" for row in rows] == [False, True, True]
    assert rows[2]["findings"].startswith("refused: stop: exhaust_co_high.")
    readings, _ = read_visits(tmp_path / "in.parquet", mapping=how)
    assert [reading.get("o2_dry_pct") for reading in readings] == [8.2, None, 8.2]
    assert [reading["co_dry_ppm"] > 1000.0 for reading in readings] == [False, False, True]


@pytest.mark.parametrize("stamps", [["2026-01-12T09:05", "", "yesterday"], ["12.01.2026 9:05", "12/01/2026", ""]])
def test_a_time_that_is_none_is_refused_with_readings_as_well(stamps: list[str], tmp_path: Path) -> None:
    rows = [f"8.2,outdoors,{stamp}" for stamp in stamps]
    (tmp_path / "in.csv").write_text("\n".join(["o2_dry_pct,location,taken_at", *rows]) + "\n", encoding="utf-8")
    assert interpret_file(tmp_path / "in.csv", tmp_path / "o.csv").refused == 1
    told = [row["findings"] for row in read_csv(tmp_path / "o.csv") if row["findings"].startswith("refused")]
    assert len(told) == 1
    assert "is no time, or can be read in two ways" in told[0]
    assert len(read_visits(tmp_path / "in.csv")[1].refused) == 1


HEADINGS = {
    "Altitude [ft]": ("altitude_ft", 3048.0),
    "altitude (m)": ("altitude_m", 10_000.0),
    "Flue temp (F)": ("flue_temp_f", None),
    "CO2 dry (%)": ("co2_dry_pct", None),
    "CO dry (%)": ("co_dry_pct", None),
    "Pressure (mbar)": ("pressure_mbar", None),
}


@pytest.mark.parametrize("heading", HEADINGS)
def test_a_unit_in_the_heading_that_makes_a_key_whole_is_read_and_told(heading: str, tmp_path: Path) -> None:
    from combust.edge.tables.headings import match_headings

    matched = match_headings([heading])
    assert not matched.faults
    assert matched.notes == [f"The heading {heading} is read as {HEADINGS[heading][0]}."]


@pytest.mark.parametrize(
    ("heading", "key"),
    [("CO (mg/m3)", "co_dry_ppm"), ("T (K)", "flue_temp_c"), ("T (F)", "altitude_m"), ("p [psi]", "pressure_hpa")],
)
def test_a_unit_that_the_key_is_not_in_is_refused(heading: str, key: str, tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(f"o2_dry_pct,{heading}\n8.2,12\n", encoding="utf-8")
    with pytest.raises(CombustError, match="Convert the column"):
        interpret_file(tmp_path / "in.csv", tmp_path / "o.csv", mapping={heading: key})


@pytest.mark.practice
@pytest.mark.parametrize(
    ("text", "note"),
    [
        # A spreadsheet with decimal commas saves a table that another country's spreadsheet opens: sep= names the mark.
        ("sep=;\r\no2_dry_pct;note\r\n8,2;a,b,c\r\n99;x\r\n", "a,b,c"),
        ("\ufeffSEP=,\no2_dry_pct,note\n8.2,a;b;c\n99,x\n", "a;b;c"),
        ("sep=\t\no2_dry_pct\tnote\n8.2\ta;b\n99\tx\n", "a;b"),
    ],
)
def test_the_first_line_sep_names_the_mark_and_counts_as_a_line(text: str, note: str, tmp_path: Path) -> None:
    """That spreadsheets write and read this line is common practice, no source. 8.2 stands in line 3, 99 in line 4."""
    (tmp_path / "in.csv").write_bytes(text.encode())
    readings, found = read_visits(tmp_path / "in.csv")
    assert [(one.visit_id, one.o2_dry_pct, one.note) for one in readings] == [("row 3", 8.2, note)]
    assert [told.split(":")[0] for told in found.told()] == ["row 4"]


@pytest.mark.hand
@pytest.mark.parametrize("mapped", [False, True])
@pytest.mark.parametrize(
    "heading", ["CO (mg/m3)", "CO [mg/Nm³]", "CO mg/m³", "co_mg_m3", "co_dry_ppm (mg/m3)", "CO (g/m3)"]
)
def test_a_mass_in_a_volume_is_never_read_as_ppm(heading: str, mapped: bool, tmp_path: Path) -> None:
    """1 mg/m³ of CO is 0.80 ppm at 0 °C and 1013 hPa (28.01 g in 22.41 l), 0.87 at 25 °C: nobody says which."""
    (tmp_path / "in.csv").write_text(f"o2_dry_pct,{heading}\n8.2,1200\n", encoding="utf-8")
    with pytest.raises(CombustError, match=r"needs the reference temperature.*Understood here: ppm, %") as caught:
        read_visits(tmp_path / "in.csv", mapping={heading: "co_dry_ppm"} if mapped else None)
    assert "--map" not in str(caught.value), "no advice that ends in a wrong number"


def test_two_columns_in_two_units_give_each_row_the_one_it_has(tmp_path: Path) -> None:
    """1000 m are 3280.84 ft by the definition of the foot: 3281 ft is the same height, 3500 ft (1067 m) is not."""
    rows = ["8.2,1000,3281", "8.2,,3281", "8.2,1000,", "8.2,,", "8.2,1000,3500"]
    (tmp_path / "in.csv").write_text("o2_dry_pct,altitude_m,altitude_ft\n" + "\n".join(rows) + "\n", encoding="utf-8")
    readings, found = read_visits(tmp_path / "in.csv")
    heights = [reading.get("altitude_m") for reading in readings]
    assert heights == [1000.0, pytest.approx(3281 * 0.3048), 1000.0, None]
    assert [told.split(":")[0] for told in found.told()] == ["row 6"]
    assert "is not the 1000 m of the other column (altitude_ft)" in found.told()[0]
    sites = worked.sites()
    feet = sites["altitude_m"].where(sites["altitude_m"] > 1000) / 0.3048
    mixed = sites.assign(altitude_m=sites["altitude_m"].where(sites["altitude_m"] <= 1000), altitude_ft=feet)
    plans = [plan_fleet(worked.vehicles(), table, heaters=worked.HEATERS).vehicles for table in (sites, mixed)]
    assert plans[0]["decision"].tolist() == plans[1]["decision"].tolist()


def test_too_much_carbon_monoxide_in_one_of_two_columns_stops(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text("o2_dry_pct,co_dry_ppm,co_dry_pct\n8.2,150,0.3\n", encoding="utf-8")
    readings, found = read_visits(tmp_path / "in.csv")
    assert not readings
    assert found.stops[0].code == "exhaust_co_high"


@pytest.mark.practice
@pytest.mark.parametrize("word", ["Total", "Mean:", "SUM", " average", "Summe", "Mittelwert", "Moyenne"])
def test_a_summary_row_at_the_foot_is_no_reading_and_no_stop(word: str, tmp_path: Path) -> None:
    """What spreadsheets write before such a row is common practice, no source; 600 + 600 ppm is no reading of 1200."""
    rows = ["reading_id,o2_dry_pct,co_dry_ppm,location", "a,8.2,600,outdoors", "b,8.2,600,outdoors"]
    (tmp_path / "in.csv").write_text("\n".join([*rows, f"{word},16.4,1200,outdoors", f",{word},1200,"]) + "\n", "utf-8")
    readings, found = read_visits(tmp_path / "in.csv")
    _, book = visits_of_table(tmp_path / "in.csv", mapping={"reading_id": "visit_id"})
    assert [told.split(":")[0] for told in found.told()] == ["rows 4, 5"]
    assert [line for line, _ in book.refused] == [4, 5]
    assert "is a summary of other rows, not a reading" in found.told()[0]
    assert (len(readings), found.stops, book.stops) == (2, [], [])
    assert interpret_file(tmp_path / "in.csv", tmp_path / "o.csv").refused == 2
    assert not any("STOP" in row["findings"].upper() for row in read_csv(tmp_path / "o.csv"))


def test_rows_are_told_by_their_line_in_the_spreadsheet(tmp_path: Path) -> None:
    """Counted by eye: an empty line above, the heading in line 2, an empty line 4, a cell of two lines in row 5."""
    lines = ["", "o2_dry_pct,visit_id,note", "8.2,a,x", "", '99,b,"two', 'lines"', "8.2,c,", ",,", "77,d,x"]
    (tmp_path / "in.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    told = [text.split(":")[0] for text in read_visits(tmp_path / "in.csv")[1].told()]
    assert told == ["rows 5, 8"]
    interpret_file(tmp_path / "in.csv", tmp_path / "o.csv", rejects=tmp_path / "r.csv")
    assert [row["row"] for row in read_csv(tmp_path / "r.csv")] == ["5", "8"]


def test_dates_and_clock_times(tmp_path: Path) -> None:
    from combust.edge.tables.times import moment

    assert moment("13/01/2026", "2:05 PM") == "2026-01-13T14:05:00"
    assert moment("02/01/2026") is None, "the day or the month first: nobody can tell"
    assert (
        moment("20260112", "9:05") == moment("2026-01-12T00:00", "9:05") == "2026-01-12T09:05:00"
    )  # ISO 8601, the basic form (from memory)
    assert moment("2026112") is None, "the 2nd of November or the 12th of January"
    (tmp_path / "s.csv").write_text("time,o2_dry_pct\n23:59:50,8.2\n00:00:10,8.2\n", encoding="utf-8")
    assert read_series(tmp_path / "s.csv").times_s.tolist() == [0.0, 20.0]
    (tmp_path / "v.csv").write_text("date,time,o2_dry_pct\n02/01/2026,9:00,8.2\n30.02.2026,,8.2\n", encoding="utf-8")
    _, found = read_visits(tmp_path / "v.csv")
    assert len(found.refused) == 2
    assert "02/01/2026 9:00 is no time, or can be read in two ways" in found.told()[0]


def test_a_column_for_the_whole_file_of_a_fleet_goes_to_the_table_that_lacks_it(tmp_path: Path) -> None:
    cars, sites = worked.vehicles().drop(columns="site_id"), worked.sites().iloc[:1]
    cars.to_csv(tmp_path / "cars.csv", index=False)
    sites.rename(columns={"altitude_m": "Height"}).to_csv(tmp_path / "sites.csv", index=False)
    how = TableMap({"Height": "altitude_m"}, {"site_id": "S1"})
    plan = plan_fleet(tmp_path / "cars.csv", tmp_path / "sites.csv", heaters=worked.HEATERS, mapping=how)
    assert set(plan.vehicles["site_id"]) == {"S1"}
    assert plan.notes == ("sites: --set site_id: the column site_id of the table counts.",)
    with pytest.raises(CombustError, match="is no heading of the table"):
        plan_fleet(
            tmp_path / "cars.csv", tmp_path / "sites.csv", heaters=worked.HEATERS, mapping={"Hight": "altitude_m"}
        )
