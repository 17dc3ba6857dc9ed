"""A logbook of another workshop in another language, as people save it: mapped once, read alike by every command."""

from __future__ import annotations

from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.edge.logbook.history import read_log
from combust.edge.logbook.taught import visits_in
from combust.edge.logbook.visit_tables import export_visits, visits_of_table
from combust.edge.tables.readings import interpret_file
from combust.edge.tables.table_map import TableMap
from combust.edge.tables.visits import read_visits
from tests.edge.runs import DATA, call
from tests.edge.spreadsheets import interpret_bytes, read_csv

pytestmark = pytest.mark.hand

# Invented. What a spreadsheet of a country with decimal commas saves (a byte order mark, semicolons, a row of units,
# empty rows, units in cells) is common practice, no source.
GERMAN = """\
\ufeffBesuch;Heizung;Datum;Zeit;Phase;Stufe;Ort;Brennstoff;Sauerstoff;CO;Abgas;Spannung;Höhe;Arbeit;Ursache;Fertig\r
;;;;;;;;%;ppm;°C;V;m;;;\r
;;;;;;;;;;;;;;;\r
B1;heater-0312;12.01.2026;9:05;vor Reparatur;Voll;draußen;Gasöl;4,84 %;120 ppm;365 °C;11,9 V;210 m;;;\r
B1;heater-0312;12.01.2026;9:40;nach Reparatur;Voll;Draußen;Gasöl;8,2 %;45 ppm;330 °C;12,1 V;210;\
Ansaugschlauch geknickt, ersetzt;Ansaugung zu;12.01.2026 10:00\r
;;;;;;;;;;;;;;;\r
B2;heater-0312;13.01.2026;9:05;vor Reparatur;Voll;draußen;;8,3;0,005 %;626 °F;12,4;689 ft;;unklar;\r
"""
MAP = """\
[headings]
"Besuch" = "visit_id"
"Heizung" = "heater_id"
"Datum" = "date"
"Zeit" = "time"
"Phase" = "phase"
"Stufe" = "stage"
"Ort" = "location"
"Brennstoff" = "fuel"
"Sauerstoff" = "o2_dry_pct"
"CO" = "co_dry_ppm"
"Abgas" = "flue_temp_c"
"Spannung" = "supply_v"
"Höhe" = "altitude_m"
"Arbeit" = "repair"
"Ursache" = "found"
"Fertig" = "closed_at"
[words.phase]
"vor Reparatur" = "before"
"nach Reparatur" = "after"
[words.stage]
"Voll" = "high"
[words.location]
"DRAUSSEN" = "outdoors"
[words.fuel]
"Gasöl" = "diesel_b7"
[words.found]
"Ansaugung zu" = "intake_restricted"
"unklar" = ""
"""


@pytest.fixture
def foreign(tmp_path: Path) -> tuple[str, str]:
    """A table and its map."""
    (tmp_path / "buch.csv").write_bytes(GERMAN.encode())
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    return str(tmp_path / "buch.csv"), str(tmp_path / "map.toml")


def test_a_foreign_logbook_says_what_it_says_in_ours(foreign: tuple[str, str]) -> None:
    """0.005 % are 50 ppm, 626 °F are 330 °C, 689 ft are 210.0 m, by the definitions of the units."""
    news, table = visits_of_table(foreign[0], mapping=foreign[1])
    assert table.told() == []
    assert table.notes == ["Row 2 holds the units of the headings."]
    one, two = news
    assert (one.heater_id, one.head, one.closed_at) == (
        "heater-0312", {"found": "intake_restricted"}, "2026-01-12T10:00:00",
    )  # fmt: skip
    assert [kind for kind, _, _ in one.entries] == ["reading", "adjustment", "reading"]
    assert one.entries[1][2] == {"text": "Ansaugschlauch geknickt, ersetzt"}
    assert one.entries[0][2] == {
        "heater_id": "heater-0312", "phase": "before", "stage": "high", "location": "outdoors", "fuel": "diesel_b7",
        "o2_dry_pct": 4.84, "co_dry_ppm": 120.0, "flue_temp_c": 365.0, "supply_v": 11.9, "altitude_m": 210.0,
        "taken_at": "2026-01-12T09:05:00",
    }  # fmt: skip
    last = two.entries[0][2]
    assert (two.head, "fuel" in last) == ({}, False), "a word for nothing says nothing"
    assert last["co_dry_ppm"] == pytest.approx(50.0)
    assert last["flue_temp_c"] == pytest.approx(330.0)
    assert last["altitude_m"] == pytest.approx(210.0, abs=0.05)


def test_every_command_reads_it_by_one_map(foreign: tuple[str, str], tmp_path: Path) -> None:
    table, mapped = foreign[0], ("--map", foreign[1])
    heaters = str(DATA / "heaters")
    done = call("readings", table, "--out", str(tmp_path / "o.csv"), *mapped)
    assert "3 rows: 3 interpreted, none refused" in done.out, done.err
    assert [row["Ort"] for row in read_csv(tmp_path / "o.csv")] == ["draußen", "Draußen", "draußen"], "it stays"
    told = call("cause", table, "--heater", str(DATA / "heaters" / "heater-0312.toml"), "--no-pairs", *mapped)
    assert told.code == 0, told.err
    book = str(tmp_path / "w.book")
    added = call("log", "add", book, table, *mapped)
    assert "3 rows: 3 taken, 0 refused" in added.out, added.err
    shown = call("log", "show", book, "--visit-id", "B1")
    assert "Ansaugschlauch geknickt, ersetzt" in shown.out
    assert "which cause it was  intake restricted" in shown.out
    for command in (("learn", table, "--heaters", heaters), ("right", table, "--heaters", heaters)):
        assert call(*command, *mapped).code == 0, command
    assert call("history", table, *mapped).code == 0
    assert [one.kind for one in read_log(table, foreign[1]).events["heater-0312"]] == ["repair"]
    with visits_in(table, heaters, mapping=foreign[1]) as (visits, size, _):
        first = next(visits)
        assert (size, first.worked, first.closed_at) == (2, True, "2026-01-12T10:00:00")


def test_repairs_go_out_and_in_again(foreign: tuple[str, str], tmp_path: Path) -> None:
    with visits_in(foreign[0], mapping=foreign[1]) as (visits, _, _):
        records = list(visits)
    export_visits(records, tmp_path / "out.csv")
    again, _ = visits_of_table(tmp_path / "out.csv")
    assert [kind for kind, _, _ in again[0].entries] == ["reading", "adjustment", "reading"]
    with visits_in(tmp_path / "out.csv") as (visits, _, _):
        for one, other in zip(records, visits, strict=True):
            assert one.of_kind("adjustment") == other.of_kind("adjustment")
            assert [(two.after, two.works) for two in one.taken] == [(two.after, two.works) for two in other.taken]


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        ("210 V", "altitude_m = 210 V is in V, not in m. Give it in m."),
        ("8,2 % O2", "is not a number"),
        ("1.200 m", "can be read in two ways"),
        ("1 200 m", "is not a number"),
        ("210 furlong", "is not a number"),
        ("m", "is not a number"),
        ("99999 ft", "altitude_m = 30479.6952 m is above"),
    ],
)
def test_a_unit_that_a_column_cannot_have_is_refused_in_words(cell: str, told: str, tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, f"o2_dry_pct;location;altitude_m\n8,2 %;outdoors;{cell}\n".encode())
    assert done.counts.refused == 1
    assert told in done.findings[0]


@pytest.mark.parametrize("above", ["Werkstatt Fellarch\r\n", "Buch;;;vorher;;;;;Messung;;Messung\r\n;;\r\n\r\n"])
def test_rows_above_the_headings_of_a_map_are_passed_over_and_told(
    above: str, foreign: tuple[str, str], tmp_path: Path
) -> None:
    """The map says which headings there are, so nothing is guessed; without a map they are refused and told."""
    plain, _ = visits_of_table(foreign[0], mapping=foreign[1])
    Path(foreign[0]).write_bytes(("\ufeff" + above + GERMAN.removeprefix("\ufeff")).encode())
    news, table = visits_of_table(foreign[0], mapping=foreign[1])
    row = 1 + above.count("\n")
    assert news == plain
    assert table.notes[0] == f"The headings of the map stand in row {row}: nothing above it is read."
    Path(foreign[0]).write_bytes(Path(foreign[0]).read_bytes().replace(b"4,84 %", b"484 %"))
    assert [line for line, _ in visits_of_table(foreign[0], mapping=foreign[1])[1].refused] == [row + 3]
    both = ["--map", foreign[1], "--map", foreign[1]]
    assert "1 taken, 2 refused" in call("log", "add", str(tmp_path / "b.book"), foreign[0], *both).out
    Path(foreign[0]).write_text("Fellarch\n\no2_dry_pct;co_dry_ppm\n8,2;45\n", encoding="utf-8")
    with pytest.raises(CombustError, match=r"row 3. Take rows 1 and 2 out, or name a map of the headings"):
        visits_of_table(foreign[0])


@pytest.mark.parametrize(("unit", "height"), [("m", 210.0), ("ft", 210.0 * 0.3048)])
def test_a_column_of_one_unit_is_read_at_once_and_as_cell_by_cell(
    unit: str, height: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A million such cells must not be read one by one; a faulty one among them is told by itself."""
    (tmp_path / "in.csv").write_text(f"o2_dry_pct;altitude_m\n8,2 %;210 {unit}\n;\n8 %;210 {unit}\n", encoding="utf-8")
    (tmp_path / "odd.csv").write_text(f"o2_dry_pct;altitude_m\n8,2 %;210 {unit}\n8 %;abc\n", encoding="utf-8")
    odd, refused = read_visits(tmp_path / "odd.csv")
    assert [(line, "abc is not a number" in why) for line, why in refused.refused] == [(3, True)]
    monkeypatch.setattr("combust.edge.tables.convert._odd_numbers", None)
    found = [*odd, *read_visits(tmp_path / "in.csv")[0]]
    assert [one.o2_dry_pct for one in found] == [8.2, 8.2, 8.0]
    assert [one.altitude_m for one in found] == pytest.approx([height] * 3)


def test_co_over_the_range_with_its_unit_is_a_stop(tmp_path: Path) -> None:
    """0.2 % are 2000 ppm; the stop of the exhaust CO is 1000 ppm."""
    for cell in ("> 0.2 %", "0.2 %", ">2000 ppm", "2000ppm"):
        done = interpret_bytes(tmp_path, f"o2_dry_pct,location,co_dry_ppm\n8.2,outdoors,{cell}\n".encode())
        assert "exhaust_co_high" in done.findings[0], cell


def test_a_word_that_no_map_names_is_refused_with_what_to_write(foreign: tuple[str, str], tmp_path: Path) -> None:
    (tmp_path / "no.toml").write_text(MAP.replace('"vor Reparatur"', '"davor"'), encoding="utf-8")
    _, table = visits_of_table(foreign[0], mapping=str(tmp_path / "no.toml"))
    assert [line for line, _ in table.refused] == [4, 7]
    assert 'with one of those words for the ?: [words.phase] "vor Reparatur" = "?".' in table.refused[0][1]
    done = interpret_file(foreign[0], tmp_path / "o.csv", mapping=str(tmp_path / "no.toml"))
    assert done.refused == 2
    (tmp_path / "fuel.toml").write_text(MAP.replace('"Gasöl" =', '"Petrol" ='), encoding="utf-8")
    assert interpret_file(foreign[0], tmp_path / "o.csv", mapping=str(tmp_path / "fuel.toml")).refused == 2
    assert '[words.fuel] "Gasöl" = "?"' in read_csv(tmp_path / "o.csv")[0]["findings"]
    assert "gasoline" not in read_csv(tmp_path / "o.csv")[0]["findings"]  # "Gasöl" is diesel


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ('"before"', '"befor"', r'\[words.phase\] "vor Reparatur" = befor is none of before, after'),
        ("[words.phase]", "[words.phsae]", r"\[words.phsae\] = phsae is no key that combust knows. Did you mean phase"),
        ("[words.phase]", "[words.o2_dry_pct]", r"holds numbers, not words. .* a mark: \[marks.o2_dry_pct\]"),
        ('= "high"', "= 5", "is no map of a table"),
    ],
)
def test_a_map_with_words_that_are_none_is_refused(
    was: str, now: str, told: str, foreign: tuple[str, str], tmp_path: Path
) -> None:
    Path(foreign[1]).write_text(MAP.replace(was, now), encoding="utf-8")
    for read in (visits_of_table, read_visits):
        with pytest.raises(CombustError, match=told):
            read(foreign[0], mapping=foreign[1])


def test_words_count_in_the_table_of_a_fleet_that_has_their_column(tmp_path: Path) -> None:
    from combust.edge.tables.fleet import read_fleet_table
    from tests.application.fleet import worked

    cars = worked.vehicles().assign(compensation="keine")
    how = TableMap(words={"compensation": {"Keine": "none"}, "altitude_reference": {"x": "y"}})
    with pytest.raises(CombustError, match=r"\[words.altitude_reference\]"):
        read_fleet_table("vehicles", cars, how)
    how = TableMap(words={"compensation": {"Keine": "none"}})
    assert set(read_fleet_table("vehicles", cars, how, [worked.sites()]).frame["compensation"]) == {"none"}
    assert not read_fleet_table("sites", worked.sites(), how, [cars]).faults


def test_a_map_that_is_saved_holds_its_words(foreign: tuple[str, str], tmp_path: Path) -> None:
    first = TableMap.load(foreign[1])
    first.save(tmp_path / "again.toml")
    assert TableMap.load(tmp_path / "again.toml").words == first.words


FRENCH = """\
"Chauffage";"Relevé le";"O2 (%)";"Fumées";"Lieu"
"h1";"12.01.2026 9:05";"8,2";"330 °C";"dehors"
"""
FRENCH_HEADINGS = ("Chauffage", "Relevé le", "O2 (%)", "Fumées", "Lieu", "Phase")
FRENCH_MAP = """\
[headings]
"Chauffage" = "heater_id"
"Relevé le" = "taken_at"
"O2 (%)" = "o2_dry_pct"
"Fumées" = "flue_temp_c"
"Lieu" = "location"
[words.location]
"dehors" = "outdoors"
"""


def test_of_two_maps_each_table_takes_its_own(foreign: tuple[str, str], tmp_path: Path) -> None:
    """One workshop, two analysers: both maps are named with every table, and the headings tell which one counts."""
    (tmp_path / "cahier.csv").write_bytes(FRENCH.encode("cp1252"))
    (tmp_path / "french.toml").write_text(FRENCH_MAP, encoding="utf-8")
    both = ["--map", foreign[1], "--map", str(tmp_path / "french.toml")]
    for number, table in enumerate((str(tmp_path / "cahier.csv"), foreign[0])):
        for turn in (both, both[2:] + both[:2]):
            done = call("log", "add", str(tmp_path / f"{number}{turn == both}.book"), table, *turn)
            assert "0 refused" in done.out, done.err
            assert "is not of this table, which has no heading " in done.err
    how = TableMap.from_options(both[1::2])
    assert how.for_table(FRENCH_HEADINGS)[0].headings == TableMap.load(both[3]).headings, "its own before any other"
    assert how.for_table(["Name"], {*how.either[0].headings})[0].headings == how.either[0].headings
    (tmp_path / "other.csv").write_text("Lieu;Sauerstoff\ndehors;8,2\n", encoding="utf-8")
    neither = call("log", "add", str(tmp_path / "n.book"), str(tmp_path / "other.csv"), *both)
    assert neither.code == 3
    assert "--map = Besuch is no heading of the table" in neither.err
    kept = call("readings", foreign[0], "--out", str(tmp_path / "o.csv"), *both, "--save-map", str(tmp_path / "s.toml"))
    assert kept.code == 3
    assert "keeps one map" in kept.err


def test_a_word_that_is_none_of_ours_is_never_turned_round_by_the_line_that_is_shown(foreign: tuple[str, str]) -> None:
    """Found by a person who read it first: indoors stood beside outdoors, petrol beside diesel."""
    Path(foreign[1]).write_text(MAP.replace('"DRAUSSEN" = "outdoors"', ""), encoding="utf-8")
    told = " ".join(visits_of_table(foreign[0], mapping=foreign[1])[1].told())
    assert '[words.location] "draußen" = "?"' in told
    assert '= "outdoors"' not in told


def test_a_fuel_that_is_not_known_is_told_when_it_is_taken_into_a_book(foreign: tuple[str, str]) -> None:
    """Kept, as nothing read at a heater is thrown away: but a lambda waits for the fuel."""
    Path(foreign[1]).write_text(MAP.replace('"Gasöl" = "diesel_b7"', ""), encoding="utf-8")
    news, table = visits_of_table(foreign[0], mapping=foreign[1])
    assert len(news) == 2
    (told,) = [one for one in table.notes if "without lambda" in one]
    assert "2 readings" in told
    assert '[words.fuel] "Gasöl" = "?"' in told


@pytest.mark.regression
def test_rows_that_are_refused_for_one_reason_are_told_in_one_line(tmp_path):
    table = tmp_path / "winter.csv"
    words = ["kinked", "kinked", "zu viel", "geknickt", "fuel_over", "kinked"]
    rows = [f"heater-0107,2024-11-{day:02}T09:00,8.3,45,{word}" for day, word in enumerate(words, 1)]
    lines = ["heater_id,taken_at,o2_dry_pct,co_dry_ppm,found", *rows, "heater-0107,2024-12-01T09:00,88,45,fuel_over"]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    added = call("log", "add", str(tmp_path / "w.book"), str(table))
    refused = [line for line in added.err.splitlines() if line.startswith("note: row")]
    assert [line[: line.index(" is ")] for line in refused] == [
        "note: rows 2, 3, 4, 5, 7 refused: found = kinked, zu viel, geknickt",
        "note: row 8 refused: o2_dry_pct = 88 vol %",
    ]
    assert "7 rows: 1 taken, 6 refused." in added.out


OLD = """heater_id,taken_at,phase,stage,location,fuel,o2_dry_pct,co_dry_ppm
heater-0312,2023-11-05T09:00,before,high,outdoors,diesel_b7,4.2,1530
heater-0312,2023-11-05T11:00,after,high,outdoors,diesel_b7,8.2,45
heater-0107,2024-11-06T09:00,before,high,outdoors,diesel_b7,4.2,1730
heater-0107,2024-11-06T10:00,after,high,outdoors,diesel_b7,8.3,45
"""
REFUSED = "heater-0107,2022-11-06T10:00,before,high,outdoors,diesel_b7,88,1830\n"


@pytest.mark.regression
@pytest.mark.parametrize(
    ("rows", "head"),
    [
        (OLD, "STOP. visit heater-0107 2024-11-06, before the work: CO in the exhaust (1730"),
        (OLD + REFUSED, "STOP. row 6, heater-0107, 2022-11-06, before the work: CO in the exhaust (1830 ppm)"),
    ],
)
def test_an_old_alarm_is_told_with_heater_day_and_phase(tmp_path, rows, head):
    table = tmp_path / "old.csv"
    table.write_text(rows, encoding="utf-8")
    added = call("log", "add", str(tmp_path / "w.book"), str(table))
    assert added.out.startswith(head)
    told = call("history", str(table), "--fleet")
    assert "heater-0312: STOP. visit heater-0312 2023-11-05, before the work: " in told.out
    assert "2022-11-06" not in told.out  # CO was read again in 2024
    assert ("Row 6 was refused: stop: exhaust_co_high." in told.err) == (REFUSED in rows)
