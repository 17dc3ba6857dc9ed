"""A workshop keeps its visits in one sheet that grows, and takes it into the book again and again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines
from combust.edge.logbook.visit_tables import visits_of_table
from combust.edge.tables.table_map import TableMap
from tests.edge.runs import DATA, Run, call
from tests.edge.spreadsheets import read_csv
from tests.edge.test_foreign_logbook import GERMAN, MAP

pytestmark = pytest.mark.hand  # what a book must hold is counted from the rows by hand

NEXT = "B3;heater-0107;20.01.2026;9:05;vor Reparatur;Voll;draußen;Gasöl;7,9 %;60 ppm;340 °C;12,2 V;210 m;;;\r\n"


def told(done: Run) -> str:
    """Return what was said on stdout, in one line."""
    return " ".join(done.out.split())


class Sheet:
    """A sheet of the workshop, its map, and the book that it goes into."""

    def __init__(self, folder: Path) -> None:
        self.path, self.map, self.book = folder / "buch.csv", folder / "map.toml", folder / "w.book"
        self.map.write_text(MAP, encoding="utf-8")
        self.rejects = folder / "rejects.csv"
        self.write(GERMAN)

    def write(self, text: str) -> None:
        self.path.write_bytes(text.encode())

    def add(self, *more: str, source: Path | None = None) -> Run:
        return call("log", "add", str(self.book), str(source or self.path), "--map", str(self.map), *more)

    def entries(self) -> list[str]:
        with Logbook(self.book, read_only=True) as book:
            return export_lines(book).splitlines()

    def readings(self, visit: str) -> list[str]:
        out = self.book.with_suffix(".out.csv")
        assert call("log", "export", str(self.book), "--out", str(out)).code == 0
        return [row["o2_dry_pct"] for row in read_csv(out) if row["visit_id"] == visit and row.get("o2_dry_pct")]


@pytest.fixture
def sheet(tmp_path: Path) -> Sheet:
    return Sheet(tmp_path)


def test_the_same_sheet_again_adds_nothing_and_says_so(sheet: Sheet) -> None:
    """Two rows of a visit that the sheet closes, one of a visit that stays open."""
    assert "3 rows: 3 taken, 0 refused." in sheet.add().out
    before = sheet.entries()
    again = sheet.add()
    assert again.code == 0, again.err
    assert "3 rows were in the book already." in again.out
    assert "0 taken, 0 refused" in again.out
    assert "Written" not in again.out
    assert sheet.entries() == before


def test_a_sheet_that_grew_adds_only_what_is_new(sheet: Sheet) -> None:
    sheet.add()
    later = GERMAN.splitlines(keepends=True)[-1].replace("9:05", "9:50").replace("8,3", "8,4")
    sheet.write(GERMAN + later + NEXT)
    grown = sheet.add()
    assert "5 rows: 2 taken, 0 refused. 3 rows were in the book already." in told(grown), grown.err
    assert sheet.readings("B2") == ["8.3", "8.4"]
    assert sheet.readings("B3") == ["7.9"]
    assert sheet.readings("B1") == ["4.84", "8.2"]
    found = sheet.add("--json").json
    assert (found["rows"], found["known"], found["refused"], found["written"]) == (5, 5, 0, [])


def test_a_closed_visit_refuses_what_is_new_or_differs_by_name_and_the_rest_goes_in(sheet: Sheet) -> None:
    sheet.add()
    added = GERMAN.splitlines(keepends=True)[4].replace("9:40", "9:55").replace("8,2 %", "8,5 %")
    sheet.write(GERMAN.replace("4,84 %", "4,9 %") + added + NEXT)
    done = sheet.add()
    assert done.code == 0, done.err
    assert "5 rows: 1 taken, 2 refused. 2 rows were in the book already." in told(done), done.out
    refused = [line for line in done.err.splitlines() if line.startswith("note: row")]
    assert len(refused) == 2
    assert "row 4 refused" in refused[0]
    assert "o2_dry_pct 4.84 in the book, 4.9 in the row" in refused[0]
    assert "row 8 refused" in refused[1]
    assert "is closed" in refused[1]
    again = f"combust visit reopen {sheet.book} --visit-id B1 --reason WHY"
    assert all(line.endswith(again) for line in refused)
    assert sheet.readings("B3") == ["7.9"]
    assert sheet.readings("B1") == ["4.84", "8.2"]
    # opened again, what is new goes in, what differs is corrected where it stands
    assert call("visit", "reopen", str(sheet.book), "--visit-id", "B1", "--reason", "one more").code == 0
    changed = sheet.add()
    assert "row 4 refused" in changed.err
    assert "combust visit correct " in changed.err
    assert sheet.readings("B1") == ["4.84", "8.2"], "whole or not at all"
    command = changed.err.split("combust visit correct ")[1].splitlines()[0].split()
    corrected = call("visit", "correct", *command[:-1], "misread")
    assert corrected.code == 0, corrected.err
    last = sheet.add()
    assert "5 rows: 1 taken, 0 refused. 4 rows were in the book already." in told(last), last.err
    assert sheet.readings("B1") == ["4.9", "8.2", "8.5"]
    assert "closed" in call("log", "show", str(sheet.book), "--visit-id", "B1").out


BARE = "visit_id,heater_id,taken_at,phase,location,o2_dry_pct,reading_id\n"


def rows(*cells: str) -> str:
    """Readings of one visit: (time, O2, name)."""
    made = [one.split() for one in cells]
    lines = [f"V1,h1,{time.strip('-')},before,outdoors,{o2},{(*more, '')[0]}" for time, o2, *more in made]
    return BARE + "".join(f"{line}\n" for line in lines)


@pytest.mark.parametrize(
    ("first", "second", "held"),
    [
        # the same values at another time, or by another name, are another reading
        (["2026-01-12T09:05 8.2"], ["2026-01-12T09:05 8.2", "2026-01-12T09:20 8.2"], 2),
        (["2026-01-12T09:05 8.2"], ["2026-01-12T09:20 8.2"], 2),
        (["- 8.2 one"], ["- 8.2 one", "- 8.2 two"], 2),
        (["- 8.2"], ["- 8.2 two"], 2),
        # with nothing to tell them apart they are counted: the sheet holds one more than the book
        (["- 8.2", "- 8.2"], ["- 8.2", "- 8.2", "- 8.2"], 3),
        (["- 8.2", "- 8.3"], ["- 8.3", "- 8.2"], 2),
        (["2026-01-12 8.2", "2026-01-12 8.3"], ["2026-01-12 8.2", "2026-01-12 8.3", "2026-01-12 8.2"], 3),
        # another way to write one moment, and one number
        (["2026-01-12T09:05 8.2"], ["2026-01-12T09:05:00 8.20"], 1),
    ],
)
def test_a_repeated_reading_is_never_lost_and_no_row_counts_twice(
    first: Sequence[str], second: Sequence[str], held: int, tmp_path: Path
) -> None:
    book, table = tmp_path / "w.book", tmp_path / "in.csv"
    for cells in (first, second, second):
        table.write_text(rows(*cells), encoding="utf-8")
        done = call("log", "add", str(book), str(table))
        assert done.code == 0, done.err
    shown = call("log", "show", str(book), "--visit-id", "V1", "--json").json
    assert len(shown["readings"]) == held
    assert ("counted" in done.err) == (not second[0].endswith(("two", "one")) and "T" not in second[0])


def test_what_was_corrected_or_withdrawn_in_the_book_stays_so(tmp_path: Path) -> None:
    """The sheet keeps the slip; the book was put right. Both spellings of the row are known."""
    book, table = str(tmp_path / "w.book"), tmp_path / "in.csv"
    table.write_text(rows("2026-01-12T09:05 8.2", "2026-01-12T09:20 8.3"), encoding="utf-8")
    assert call("log", "add", book, str(table)).code == 0
    assert call("visit", "correct", book, "2", "o2", "8.7", "because", "misread").code == 0
    assert call("visit", "correct", book, "3", "because", "no reading").code == 0
    for text in (table.read_text(), table.read_text().replace("8.2", "8.7")):
        table.write_text(text, encoding="utf-8")
        assert "2 rows were in the book already." in call("log", "add", book, str(table)).out


def test_what_a_book_exports_is_known_to_it(tmp_path: Path) -> None:
    """Typed at the heater, with parts, settings and work; out as a table and in again."""
    book, table = str(tmp_path / "w.book"), str(tmp_path / "out.csv")
    for line in ("open BOOK heater-0312 --visit-id V1 at 2026-01-12T09:10+01:00 outdoors fuel diesel_b7",
                 "enter BOOK high o2 4.84 flue 689 F", "enter BOOK co 120", "enter BOOK repair hose replaced",
                 "enter BOOK high o2 8.2 co 45"):  # fmt: skip
        assert call("visit", *line.replace("BOOK", book).split()).code == 0
    assert call("log", "export", book, "--out", table).code == 0
    done = call("log", "add", book, table)
    assert "2 rows were in the book already." in done.out, done.err + done.out


def test_a_visit_is_taken_whole_or_not_at_all_and_the_rejects_go_in_when_they_are_mended(sheet: Sheet) -> None:
    """O2 of 484 % cannot be: row 4 is refused, and row 5 of its visit waits with it. They are two of three rows."""
    sheet.write(GERMAN.replace("4,84 %", "484 %"))
    done = sheet.add("--rejects", str(sheet.rejects))
    assert done.code == 0
    assert f"3 rows: 1 taken, 2 refused (to {sheet.rejects})." in done.out, done.out
    assert "row 5 refused: visit_id = B1 is taken whole or not at all" in done.err
    assert "row 4" in done.err.split("row 5 refused")[1].splitlines()[0]
    assert sheet.readings("B2") == ["8.3"]
    assert sheet.readings("B1") == []
    kept = read_csv(sheet.rejects)
    assert [row["row"] for row in kept] == ["4", "5"]
    assert "484" in kept[0]["reasons"]
    text = sheet.rejects.read_text(encoding="utf-8-sig")
    assert "484 %" in text
    sheet.rejects.write_text(text.replace("484 %", "4,84 %", 1), encoding="utf-8")
    mended = sheet.add(source=sheet.rejects)
    assert "2 rows: 2 taken, 0 refused." in mended.out, mended.err
    assert sheet.readings("B1") == ["4.84", "8.2"]
    sheet.write(GERMAN)
    assert "3 rows were in the book already." in sheet.add().out


def test_one_visit_that_cannot_be_handed_back_keeps_no_other_out(sheet: Sheet) -> None:
    """2000 ppm is above the stop of the exhaust CO (1000 ppm), so the visit is not handed back."""
    words = GERMAN.replace("Fertig", "Zurück").replace("12.01.2026 10:00\r\n", "yes\r\n").replace("45 ppm", "2000 ppm")
    sheet.map.write_text(MAP.replace('"Fertig" = "closed_at"', '"Zurück" = "handed_back"'), encoding="utf-8")
    sheet.write(words)
    done = sheet.add("--rejects", str(sheet.rejects))
    assert done.code == 0
    assert done.out.startswith("STOP")
    assert "3 rows: 1 taken, 2 refused" in done.out, done.out + done.err
    assert "contradicts a stop condition" in done.err
    assert sheet.readings("B1") == []
    assert sheet.readings("B2") == ["8.3"]


def test_where_nothing_can_be_taken_it_is_refused_and_the_rejects_are_written(sheet: Sheet) -> None:
    sheet.write(GERMAN.replace("4,84 %", "484 %").replace("8,3", "83"))
    done = sheet.add("--rejects", str(sheet.rejects))
    assert done.code == 3
    assert "holds no row that can be taken" in done.err
    assert [row["row"] for row in read_csv(sheet.rejects)] == ["4", "5", "7"]
    assert not sheet.book.exists()


@pytest.mark.parametrize(
    ("cell", "order", "day"),
    [
        ("5.10.23", "day month year", "2023-10-05"),
        ("05/10/2023", "day month year", "2023-10-05"),
        ("05/10/2023", "month day year", "2023-05-10"),
        ("23-10-05", "year month day", "2023-10-05"),
        ("9. Okt. 23", "day month year", "2023-10-09"),
        # a month in words, and a year of four digits, need no order
        ("9. Okt. 2023", "", "2023-10-09"),
        ("2. März 2024", "", "2024-03-02"),
        ("Oct 9, 2023", "", "2023-10-09"),
        # without an order: two digits of a year, or two ways
        ("5.10.23", "", ""),
        ("05/10/2023", "", ""),
        ("9. Okt. 23", "", ""),
        # no such year, no such day
        ("12.01.1823", "", "from 1950 to 2100"),
        ("12.01.2203", "day month year", "from 1950 to 2100"),
        ("2203-01-12", "", "from 1950 to 2100"),
        ("31/11/2023", "day month year", "there is no such day"),
    ],
)
def test_the_map_tells_the_order_of_a_date(cell: str, order: str, day: str, sheet: Sheet) -> None:
    sheet.map.write_text(MAP + (f'[dates]\norder = "{order}"\n' if order else ""), encoding="utf-8")
    sheet.write(GERMAN.replace("13.01.2026;9:05", f'"{cell}";9:05'))
    visits, table = visits_of_table(sheet.path, mapping=str(sheet.map))
    taken = [body.get("taken_at") for _, _, body in visits[-1].entries]
    if day.startswith("2"):
        assert (taken, 7 in dict(table.refused)) == ([f"{day}T09:05:00"], False)
        return
    why = dict(table.refused)[7]
    assert (day or 'day month year, month day year, year month day for the ?: [dates] order = "?"') in why


def test_a_map_keeps_the_order_and_refuses_one_that_is_none(sheet: Sheet) -> None:
    sheet.map.write_text(MAP + '[dates]\norder = "day month year"\n', encoding="utf-8")
    TableMap.load(sheet.map).save(sheet.map)
    assert TableMap.load(sheet.map).order == "day month year"
    for wrong in ('order = "day year"', 'ordr = "day month year"', "order = 3"):
        sheet.map.write_text(f"[dates]\n{wrong}\n", encoding="utf-8")
        with pytest.raises(CombustError):
            TableMap.load(sheet.map)


def test_one_saved_map_serves_a_sheet_with_fewer_columns(sheet: Sheet) -> None:
    """What is missing is told. A column that nobody knows, where CO is missing, may be the CO: that is refused."""
    cells = [line.split(";") for line in GERMAN.splitlines()]
    sheet.write("".join(";".join([*row[:11], *row[12:]]) + "\r\n" for row in cells))
    done = sheet.add()
    assert "3 rows: 3 taken, 0 refused." in done.out, done.err
    assert "Columns of the map that this table does not have: Spannung (supply_v)." in done.err
    sheet.write(GERMAN.replace(";CO;", ";Giftgas;"))
    renamed = sheet.add()
    assert renamed.code == 3
    assert "CO is no heading of the table" in renamed.err
    assert '"Giftgas"' in renamed.err


def test_what_cannot_be_of_a_visit_is_refused_and_what_is_odd_is_told(sheet: Sheet) -> None:
    early = GERMAN.replace("12.01.2026 10:00", "12.01.2026 9:00").replace(
        "13.01.2026;9:05;vor Reparatur;Voll", "13.01.2099;9:05;vor Reparatur;Vol"
    )
    sheet.write(early)
    done = sheet.add()
    assert "3 rows: 1 taken, 2 refused." in done.out
    assert "closed_at = 2026-01-12T09:00:00 is before anything was read in visit B1 (2026-01-12T09:05:00)" in done.err
    assert "Later than tomorrow: B2 (2099-01-13). Are year and clock right?" in done.err
    assert "stage = Vol is neither high nor low (1 reading)" in done.err
    assert '[words.stage] "Vol" = "?"' in done.err


def test_a_heater_whose_rows_were_all_refused_was_visited(sheet: Sheet) -> None:
    sheet.write(GERMAN + NEXT.replace("7,9 %", "79 %"))
    heaters = str(DATA / "heaters")
    told = call(
        "history", str(sheet.path), "--map", str(sheet.map), "--fleet", "--heater", heaters, "--on", "2026-02-01"
    )
    assert told.code == 0, told.err
    assert "Every row refused: heater-0107." in told.out
    assert "Of heater-0107 1 row, and all refused." in told.err
    assert "heater-0107" not in told.out.partition("Never visited")[2].partition(".")[0]


HEATERS = "heater_id,taken_at,stage,phase,location,o2_dry_pct,co_dry_ppm,probe_leak_test,note\n"


def sheet_of(folder: Path, *lines: str) -> tuple[str, str]:
    """Return a book, and a sheet with those rows."""
    (folder / "in.csv").write_text(HEATERS + "".join(f"{line}\n" for line in lines), encoding="utf-8")
    return str(folder / "w.book"), str(folder / "in.csv")


def test_each_heater_has_its_own_line_of_a_stop(tmp_path: Path) -> None:
    """1000 ppm in the exhaust stops a heater: 4000 ppm of one must not hide 1450 ppm of another."""
    book, table = sheet_of(
        tmp_path,
        "HG-01,2026-10-03T10:10,high,before,outdoors,8.6,1450,pass,",
        "HG-02,2026-10-03T10:20,high,before,outdoors,8.6,3000,pass,",
        "HG-02,2026-10-03T10:30,high,before,outdoors,8.6,4000,pass,",
        "HG-03,2026-10-04T10:30,high,before,,8.6,40,pass,",
        "HG-04,2026-10-04T10:30,high,before,,8.6,40,pass,",
        "HG-05,2026-10-04T10:30,high,before,outdoors,86,1700,pass,",
    )
    done = call("log", "add", book, table)
    stops = [line for line in done.out.splitlines() if line.startswith("STOP")]
    of_co = [line for line in stops if "CO in the exhaust" in line]
    assert [[name in line for line in of_co] for name in ("row 7, HG-05", "HG-02", "HG-01")] == [
        [True, False, False],
        [False, True, False],
        [False, False, True],
    ], done.out
    assert "(4000 ppm)" in of_co[1]
    assert "and 1 reading more" in of_co[1]
    assert "1450 ppm" in of_co[2]
    assert "more" not in of_co[2]
    (place,) = [line for line in stops if line.startswith("STOP until it is stated: ")]
    assert "HG-03 2026-10-04" in place
    assert "HG-04 2026-10-04" in place
    assert "HG-01" not in place
    seen = call("history", table, "--fleet", "--on", "2026-11-01")
    told = [line for line in seen.out.splitlines() if "STOP" in line]
    assert all(any(name in line for line in told) for name in ("HG-01", "HG-02", "HG-05")), seen.out


def test_an_emptied_cell_proposes_nothing_that_withdraws_the_reading(tmp_path: Path) -> None:
    row = "HG-02,2026-10-03T10:10,high,before,outdoors,8.6,4000,pass,moved over there"
    book, table = sheet_of(tmp_path, row)
    assert call("log", "add", book, table).code == 0
    for changed, told in (
        (row.replace("moved over there", ""), "note"),
        (row.replace("4000", ""), "co_dry_ppm"),
    ):
        sheet_of(tmp_path, changed, "HG-03,2026-10-03T10:10,high,before,outdoors,8.6,40,pass,")
        done = call("log", "add", book, table)
        assert f"An empty cell takes nothing back: {told} stays in the book" in done.err
        assert "visit correct" not in done.err
    sheet_of(tmp_path, row.replace("4000", "").replace("8.6", "8.9"))
    done = call("log", "add", book, table)
    assert "An empty cell takes nothing back: co_dry_ppm" in done.err
    assert "2 o2_dry_pct 8.9 because WHY" in done.err
    sheet_of(tmp_path, row.replace("over there", "all over it"))
    assert "note 'moved all over it' because WHY" in call("log", "add", book, table).err


def test_a_stop_in_a_row_that_differs_is_told_first_and_in_its_refusal(tmp_path: Path) -> None:
    first = "HG-01,2026-10-03T10:10,high,before,outdoors,8.6,40,pass,"
    book, table = sheet_of(tmp_path, first)
    assert call("log", "add", book, table).code == 0
    other = "HG-02,2026-10-03T11:10,high,before,outdoors,8.6,4000,pass,"
    for more in ((), (other,)):
        sheet_of(tmp_path, first.replace(",40,", ",1450,"), *more)
        done = call("log", "add", book, table)
        whole = done.out + done.err
        assert "STOP. row 2, visit HG-01 2026-10-03" in whole.splitlines()[0], whole
        assert "1450 ppm" in whole.splitlines()[0]
        assert "row 2 refused: stop: exhaust_co_high. visit_id" in done.err


def test_a_row_that_stands_twice_is_taken_once_and_told(tmp_path: Path) -> None:
    """Of the same time of day and the same values; without a time of day such rows are counted."""
    row = "HG-01,2026-10-03T10:10,high,before,outdoors,8.6,40,pass,"
    day = row.replace("T10:10", "").replace("HG-01", "HG-02")
    book, table = sheet_of(tmp_path, row, row, row.replace("T10:10", "T10:20"), day, day)
    done = call("log", "add", book, table)
    assert "5 rows: 4 taken, 1 refused" in done.out, done.err
    assert "row 3 refused: taken_at = 2026-10-03T10:10" in done.err
    assert "stands in row 2 too, with the same values" in done.err
    again = call("log", "add", book, table)
    assert "4 rows were in the book already." in again.out
