"""Tables in and out: what spreadsheets write, what they break, and that every row is accounted for."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

import pytest

from combust.data.errors import CombustError
from combust.edge.tables import source
from combust.edge.tables.readings import interpret_file
from combust.edge.tables.rows import last_row_end
from tests.edge.runs import says_all
from tests.edge.spreadsheets import Done, interpret_bytes

TWO = b"o2_dry_pct,co_dry_ppm,note\n8.2,150,first\n11.0,60,second\n"


def ratios(done: Done) -> list[float | None]:
    return [float(row["air_ratio"].replace(",", ".")) if row["air_ratio"] else None for row in done.rows]


def expected(tmp_path: Path) -> list[float | None]:
    """Return lambda of O2 8.2 with CO 150, and of O2 11.0 with CO 60, from the plainest table."""
    found = ratios(interpret_bytes(tmp_path, TWO))
    assert found[0] == pytest.approx(1.60, abs=0.005)  # independent: an element balance done apart from combust
    return found


SPREADSHEETS = {
    "semicolons and decimal commas": b"o2_dry_pct;co_dry_ppm;note\n8,2;150;first\n11,0;60;second\n",
    "byte order mark": b"\xef\xbb\xbf" + TWO,
    "carriage returns": TWO.replace(b"\n", b"\r\n"),
    "returns only": TWO.replace(b"\n", b"\r"),
    "tabs": TWO.replace(b",", b"\t"),
    "tabs and decimal commas": b"o2_dry_pct\tco_dry_ppm\tnote\n8,2\t150\tfirst\n11,0\t60\tsecond\n",
    "bars": TWO.replace(b",", b"|"),
    "no line break at the end": TWO.rstrip(b"\n"),
    "blank lines": b"\n\n" + TWO.replace(b"\n", b"\n\n\n") + b"\n",
    "lines of delimiters": b",,\n" + TWO.replace(b"\n", b"\n,,\n"),
    "lines of delimiters and carriage returns": TWO.replace(b"\n", b"\r\n,,\r\n"),
    "lines of spaces": TWO.replace(b"\n", b"\n   \n"),
    "everything quoted": b'"o2_dry_pct","co_dry_ppm","note"\n"8.2","150","first"\n"11.0","60","second"\n',
    "quoted with empty quoted lines": b'"o2_dry_pct","co_dry_ppm","z"\n"8.2","150","a"\n"","",""\n"11.0","60",""\n',
    "spaces around": b" o2_dry_pct , co_dry_ppm ,note\n 8.2 , 150 ,first\n11.0,60,second\n",
    "signs and exponents": b"o2_dry_pct,co_dry_ppm,note\n+8.2,1.5e2,first\n1.1E1,+60.,second\n",
    "a spare column without heading": b"o2_dry_pct,co_dry_ppm,note,,\n8.2,150,first,,\n11.0,60,second,,\n",
    "a title that is no heading is not there": TWO,
    "a heading with a comma in it": b'o2_dry_pct;co_dry_ppm;"note, of the hut"\n8,2;150;first\n11,0;60;second\n',
    "an unquoted comma in a heading": b"o2_dry_pct;co_dry_ppm;note, hut, pass\n8,2;150;first\n11,0;60;second\n",
    "Windows code page": TWO.replace(b"first", b"H\xfctte \x80"),
    "Windows code page, undefined byte": TWO.replace(b"first", b"H\xfc \x81"),
}


@pytest.mark.parametrize("kind", SPREADSHEETS)
def test_every_spreadsheet_is_read_alike(tmp_path: Path, kind: str) -> None:
    done = interpret_bytes(tmp_path, SPREADSHEETS[kind])
    assert ratios(done) == expected(tmp_path)
    assert (done.counts.rows, done.counts.refused) == (2, 0)


@pytest.mark.hand
@pytest.mark.parametrize(
    ("kind", "blank"),
    # Two after the heading, two after the first row, two after the second and one more; what stands before the heading
    # is not counted.
    [("blank lines", 7), ("lines of delimiters", 3), ("lines of spaces", 3), ("quoted with empty quoted lines", 1)],
)
def test_blank_lines_are_counted(tmp_path: Path, kind: str, blank: int) -> None:
    assert interpret_bytes(tmp_path, SPREADSHEETS[kind]).counts.blank == blank


def test_the_output_speaks_the_dialect_of_the_input(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, b"\xef\xbb\xbf" + SPREADSHEETS["semicolons and decimal commas"])
    assert done.raw.startswith(b"\xef\xbb\xbf")
    assert ";" in done.raw.decode().splitlines()[0]
    assert done.rows[0]["o2_dry_pct"] == "8,2"
    assert done.rows[0]["air_ratio"].startswith("1,")
    again = interpret_bytes(tmp_path, done.raw)
    assert ratios(again) == expected(tmp_path)


def test_a_table_in_the_code_page_comes_back_with_its_letters_and_a_mark(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, SPREADSHEETS["Windows code page"])
    assert done.rows[0]["note"] == "Hütte €"
    assert done.raw.startswith(b"\xef\xbb\xbf")


def test_a_code_page_letter_far_behind_the_first_bytes_is_kept(tmp_path: Path) -> None:
    rows = b"8.2,150,plain text\n" * 20_000
    done = interpret_bytes(tmp_path, b"o2_dry_pct,co_dry_ppm,note\n" + rows + b"8.2,150,H\xfctte\n8.2,1,H\xc3\xbctte\n")
    assert [row["note"] for row in done.rows[-2:]] == ["Hütte", "Hütte"]
    assert done.counts.interpreted == 20_002


def test_columns_of_the_source_come_back_as_they_stand(tmp_path: Path) -> None:
    data = b'reading_id,o2_dry_pct,strange\n007, 8.20 ,"a, ""b""\nc"\nx,8.2,=1+1\n,8.2,\n'
    rows = interpret_bytes(tmp_path, data).rows
    assert [row["reading_id"] for row in rows] == ["007", "x", ""]
    assert rows[0]["o2_dry_pct"] == " 8.20 "
    assert [row["strange"] for row in rows] == ['a, "b"\nc', "'=1+1", ""]  # no spreadsheet runs it


def test_a_column_named_like_a_result_is_carried_and_not_lost(tmp_path: Path) -> None:
    data = b"o2_dry_pct,findings,air_ratio\n8.2,crack seen,9.9\n"
    rows = interpret_bytes(tmp_path, data).rows
    assert rows[0]["input_findings"] == "crack seen"
    assert rows[0]["input_air_ratio"] == "9.9"
    assert float(rows[0]["air_ratio"]) == pytest.approx(1.6, abs=0.01)
    (tmp_path / "again.csv").write_bytes((tmp_path / "out.csv").read_bytes())
    again = interpret_bytes(tmp_path, (tmp_path / "again.csv").read_bytes()).rows
    assert again[0]["input_findings"] == "crack seen"
    assert again[0]["input_input_findings"] == rows[0]["findings"]


def test_the_rejects_can_be_mended_and_read_again(tmp_path: Path) -> None:
    first = interpret_bytes(tmp_path, b"o2_dry_pct,note\n8.2,a\n23,b\nx,c\n", rejects=True)
    assert [row["row"] for row in first.rejected] == ["3", "4"]  # the line in the spreadsheet: the heading is line 1
    mended = (tmp_path / "rejects.csv").read_bytes().replace(b'"23"', b'"2.3"')
    second = interpret_bytes(tmp_path, mended, rejects=True)
    assert (second.counts.interpreted, second.counts.refused) == (1, 1)
    assert second.rejected[0]["input_row"] == "4"
    assert second.rejected[0]["row"] == "3"


NEAR = [
    ("O2", "o2_dry_pct"),
    ("O2 [%]", "o2_dry_pct"),
    ("Oxygen", "o2_dry_pct"),
    ("CO ppm", "co_dry_ppm"),
    ("CO (ppm)", "co_dry_ppm"),
    ("co_dry", "co_dry_ppm"),
    ("o2 dry pct", "o2_dry_pct"),
    ("o2_dry_pc", "o2_dry_pct"),
    ("CO2 (%)", "co2_dry_pct"),
    ("flue temp", "flue_temp_c"),
    ("Altitude", "altitude_m"),
    ("locaton", "location"),
]


@pytest.mark.parametrize(("heading", "key"), NEAR)
def test_a_near_miss_says_which_key_is_meant_and_how_to_say_so(tmp_path: Path, heading: str, key: str) -> None:
    other = "smoke_number"
    data = f"{heading},{other}\n8.2,1\n".encode()
    with pytest.raises(CombustError, match=key) as refused:
        interpret_bytes(tmp_path, data)
    assert f'--map "{heading}={key}"' in str(refused.value)
    says_all(str(refused.value).splitlines()[0])
    assert not (tmp_path / "out.csv").exists()


def test_a_heading_is_mapped_or_left_out(tmp_path: Path) -> None:
    data = b"O2,CO ppm,altitude\n8.2,150,12\n"
    done = interpret_bytes(tmp_path, data, mapping={"O2": "o2_dry_pct", "CO ppm": "co_dry_ppm", "altitude": ""})
    assert done.rows[0]["O2"] == "8.2"
    assert ratios(done) == expected(tmp_path)[:1]


@pytest.mark.parametrize(
    ("data", "mapping", "told"),
    [
        (b"o2_dry_pct,o2_dry_pct\n8,8\n", {}, "twice.*phase .before, after. and stage"),
        (b"Larkfell,,\n,before,after\nDate,O2 %,O2 %\n1.2.2023,8,9\n", {}, "row 3. Take rows 1 and 2 out"),
        (b"Larkfell\n\no2_dry_pct;co_dry_ppm\n8,2;45\n", {}, "row 3. Take rows 1 and 2 out"),
        (b"gas,gas\no2_dry_pct,co_dry_ppm\n8,45\n", {}, "row 2. Take row 1 out"),
        (b"o2_dry_pct,altitude_m,x\n8,100,328\n", {"x": "altitude_m"}, "holds altitude_m as altitude_m does"),
        (b"o2_dry_pct,x\n8,8\n", {"x": "o2_dry_pct"}, "holds o2_dry_pct"),
        (b"o2_dry_pct,x\n8,8\n", {"y": "co_dry_ppm"}, "is no heading of the table"),
        (b"o2_dry_pct,x\n8,8\n", {"x": "co_dri_ppm"}, "Did you mean co_dry_ppm"),
        (b"o2_dry_pct,x\n8,8\n", {"x": "air_ratio"}, "is no key"),
        (b"name,colour\na,b\n", {}, "no gas"),
        (b"o2_dry_pct,co_dry_ppm\n", {}, "no rows"),
        (b"o2_dry_pct,co_dry_ppm\n\n\n,\n", {}, "no rows"),
        (b"", {}, "is empty"),
        (b"\n\n\n", {}, "is empty"),
        (b"\xef\xbb\xbf", {}, "is empty"),
        (b";;;\n;;\n", {}, "is empty"),
        ("o2_dry_pct\n8\n".encode("utf-32"), {}, "not plain text"),
        ("o2_dry_pct\n8\n".encode("utf-16-le"), {}, "not plain text"),
        (b"PK\x03\x04\x14\x00\x06\x00", {}, "not plain text"),
        (b"PAR1 but not really", {}, "Parquet"),
        (b'"o2_dry_pct,co\n8.2,1\n8.2,1\n', {}, "quote"),
        (b"o2_dry_pct" + b",c" * 1001 + b"\n", {}, "1000 columns"),
        (b"o2_dry_pct," + b"x" * 300_000 + b"\n8,1\n", {}, "first line"),
        (b"o2_dry_pct,note\n8.2," + b"x" * 17_000_000, {}, "16 MB"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_whole(
    tmp_path: Path, data: bytes, mapping: dict[str, str], told: str
) -> None:
    with pytest.raises(CombustError, match=told) as refused:
        interpret_bytes(tmp_path, data, mapping=mapping)
    for line in str(refused.value).splitlines():
        says_all(line)
    assert not list(tmp_path.glob("*out*")), "nothing is written"
    assert not list(tmp_path.glob(".*"))


def test_a_thousand_columns_are_read(tmp_path: Path) -> None:
    names = ",".join(f"x{i}" for i in range(998))
    done = interpret_bytes(tmp_path, f"o2_dry_pct,{names},co_dry_ppm\n8.2,{',' * 997},150\n".encode())
    assert ratios(done) == expected(tmp_path)[:1]


# One cell, and whether it counts as not measured ("") or is refused with words that hold the text.
ODD_CELLS = {
    "": "", " ": "", "n/a": "", "N/A": "", "NaN": "", "null": "", "None": "", "-": "", "--": "", '""': "",
    "150 V": "150 V is in V, not in ppm", "1 50 ppm": "1 50 ppm", "160 ppm": None, "0.016 %": None, ".": ".", "+": "+",
    "150%": "entered as co_dry_pct = 150", "1 50": "1 50", "1,5": "1,5", "~150": "~150", ">1000": ">1000",
    "0x10": "0x10", "1_0": "1_0", "inf": "inf", "-inf": "-inf", "1e999": "above", "-1": "below zero", "250000": "above",
    "true": "true", "OVER": "OVER", "150\x00": "150", "١٥٠": None, "1.2.3": "1.2.3", "=150": "=150", "1e": "1e",
}  # fmt: skip


@pytest.mark.parametrize("cell", ODD_CELLS)
def test_a_cell_is_a_number_or_missing_or_refused_in_words(tmp_path: Path, cell: str) -> None:
    quoted = f'"{cell}"' if "," in cell else cell
    padding = "8.2,1,x\n" * 40_000 if "\0" in cell else ""  # so that the byte stands behind the first look
    done = interpret_bytes(tmp_path, f"o2_dry_pct,co_dry_ppm,note\n{padding}8.2,{quoted},x\n".encode())
    row, told = done.rows[-1], ODD_CELLS[cell]
    if told == "":
        assert row["co_air_free_ppm"] == "", "not measured is never 0"
        assert "co_not_entered" in row["findings"]
    elif told is None:
        assert float(row["co_air_free_ppm"]) > 150, "digits of any script are digits, as for a single reading"
    else:
        assert row["findings"].startswith("refused: "), row
        assert told in row["findings"]
        assert "co_dry_ppm" in row["findings"]
        says_all(row["findings"].removeprefix("refused: "))
        assert row["air_ratio"] == row["air_ratio_u"] == row["agreement"] == row["density_ratio"] == ""


WHOLE = {"8.2": 8.2, "0.150": 0.15, "1200": 1200.0, "1200,5": 1200.5}
POINTS = dict.fromkeys(("1.200", "12.000.000", "1.200,5")) | WHOLE


@pytest.mark.parametrize(("cell", "ppm"), POINTS.items())
def test_a_point_among_decimal_commas_is_never_guessed(tmp_path: Path, cell: str, ppm: float | None) -> None:
    done = interpret_bytes(tmp_path, f"o2_dry_pct;co_dry_ppm;location\n8,2;{cell};outdoors\n".encode())
    if ppm is None:
        stop = "stop: exhaust_co_high." in done.findings[0]  # 1.200 ppm may be 1200: a stop condition
        assert (done.findings[0][:8], stop) == ("refused:", "," not in cell)
    else:
        assert float(done.rows[0]["co_mg_per_m3"].replace(",", ".")) == pytest.approx(ppm * 1.25, rel=0.05, abs=0.06)
        assert ("exhaust_co_high" in done.findings[0]) == (ppm > 1000)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (b"8.2,150", "it is cut short"),
        (b"8.2", "it is cut short"),
        (b"8.2,150,x,y,z", "cells have slipped (beyond the heading: y | z)"),
        (b'8.2,150,"open', "holds a quote that is not closed"),
        (b'8.2,150,"open" and more', "holds a quote that is not closed"),
        (b'8.2,"15"0,x', "holds a quote that is not closed"),
    ],
)
def test_a_row_of_the_wrong_shape_is_refused_and_no_other(tmp_path: Path, row: bytes, told: str) -> None:
    data = b"o2_dry_pct,co_dry_ppm,note\n8.2,150,first\n" + row + b"\n11.0,60,second\n"
    done = interpret_bytes(tmp_path, data)
    plain = expected(tmp_path)
    assert ratios(done) == [plain[0], None, plain[1]]
    assert told in done.findings[1].lower()


def test_cells_beyond_the_heading_that_are_empty_do_no_harm(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, TWO.replace(b"first", b"first,,,"))
    assert ratios(done) == expected(tmp_path)


def test_an_open_quote_swallows_nothing(tmp_path: Path) -> None:
    # Were the quote believed, the rows up to the next quote would vanish into one note, a stop condition among them.
    data = b'note,o2_dry_pct,co_dry_ppm\n"open,8.2,10\nx,8.2,9000\ny,8.2,11\n"well closed",11.0,60\nz,8.2,12\n'
    done = interpret_bytes(tmp_path, data)
    assert done.counts.rows == 5
    assert done.counts.refused == 1
    assert "exhaust_co_high" in done.findings[1]
    assert ratios(done)[3] == pytest.approx(expected(tmp_path)[1])


def test_a_quote_inside_a_cell_is_a_letter(tmp_path: Path) -> None:
    data = b'note,o2_dry_pct,co_dry_ppm\n5" pipe,8.2,150\n"two\nlines, and a "" mark",11.0,60\n'
    done = interpret_bytes(tmp_path, data)
    assert [row["note"] for row in done.rows] == ['5" pipe', 'two\nlines, and a " mark']
    assert ratios(done) == expected(tmp_path)


def test_a_huge_cell_is_carried(tmp_path: Path) -> None:
    note = "x" * 400_000
    done = interpret_bytes(tmp_path, f"note,o2_dry_pct\n{note},8.2\nshort,8.2\ncut\n".encode())
    assert done.rows[0]["note"] == note
    assert done.counts.refused == 1


def test_an_open_quote_before_a_long_table_is_not_looked_through_again_and_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search for the end of a row never goes over more than a few times the bytes of the file."""
    looked: list[int] = []

    def counted(data: bytes, delimiter: str) -> int:
        looked.append(len(data))
        return last_row_end(data, delimiter)

    monkeypatch.setattr(source, "last_row_end", counted)
    rows = (b"8.2,150," + b"a longer note " * 10 + b"\n") * 60_000  # 9 MB: more than a block
    (tmp_path / "in.csv").write_bytes(b'o2_dry_pct,co_dry_ppm,note\n8.2,150,"open\n' + rows)
    counts = interpret_file(tmp_path / "in.csv", tmp_path / "out.csv")
    assert (counts.rows, counts.refused) == (60_001, 1)
    assert 0 < sum(looked) < 4 * len(rows), "the work grows with the square of the block"


def test_rows_of_several_fuels_unknown_ones_and_formulas(tmp_path: Path) -> None:
    fuels = ("diesel", "gasoline_e10", "CH1.86O0.007", "", "deisel", "H2O", "CO2", "CH9")
    data = ("fuel,o2_dry_pct\n" + "".join(f"{name},8.2\n" for name in fuels)).encode()
    done = interpret_bytes(tmp_path, data)
    assert [row["air_ratio"] != "" for row in done.rows] == [True, True, True, True, False, False, False, False]
    assert done.rows[0]["air_ratio"] == done.rows[3]["air_ratio"]
    assert done.rows[0]["air_ratio"] != done.rows[1]["air_ratio"]
    assert "Did you mean diesel" in done.findings[4]
    for text in done.findings[4:]:
        assert text.startswith("refused: fuel = ")
        says_all(text.removeprefix("refused: "))


def test_a_column_of_nonsense_fuels_looks_for_few_near_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = "".join(f"serial {i},8.2\n" for i in range(20_000))
    searches: list[str] = []
    search = difflib.get_close_matches

    def counted(word: str, *more: Any, **options: Any) -> list[str]:
        searches.append(word)
        return search(word, *more, **options)

    monkeypatch.setattr(difflib, "get_close_matches", counted)
    done = interpret_bytes(tmp_path, f"fuel,o2_dry_pct\n{rows}".encode())
    assert done.counts.refused == 20_000
    assert len(searches) < 1000


def test_all_faults_of_a_row_are_told_at_once(tmp_path: Path) -> None:
    data = b"o2_dry_pct,co2_dry_pct,location,fuel,altitude_ft\n23,-1,outdors,deisel,99999\n"
    text = interpret_bytes(tmp_path, data).findings[0]
    told = (
        "o2_dry_pct = 23",
        "co2_dry_pct = -1",
        "Did you mean outdoors",
        "Did you mean diesel",
        "altitude_ft = 99999",
    )
    for part in told:
        assert part in text


def test_stops_of_refused_rows_are_told_first_and_counted(tmp_path: Path) -> None:
    data = b"o2_dry_pct,co_dry_ppm,cab_co_in_ppm,location\n30,5000,250,outdoors\n8,20,1,outdoors\n"
    for rejects in (False, True):
        done = interpret_bytes(tmp_path, data, rejects=rejects)
        text = done.rejected[0]["reasons"] if rejects else done.findings[0].removeprefix("refused: ")
        assert text.startswith("stop: "), text
        assert "cab_co_everyone_out" in text
        assert done.counts.findings["exhaust_co_high"] == 1
        assert done.counts.findings["cab_co_everyone_out"] == 1


def test_a_row_without_a_gas_is_refused_with_the_remedy(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, b"o2_dry_pct,flue_temp_c,smoke_number\n,300,\n,300,7\n")
    assert "o2_dry_pct is missing" in done.findings[0]
    assert "smoke_warn" in done.findings[1]


def test_one_gas_wet_and_dry_in_one_row_is_a_fault(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, b"o2_dry_pct,o2_wet_pct\n8.2,\n,7.4\n8.2,7.4\n")
    assert [text.startswith("refused") for text in done.findings] == [False, False, True]


@pytest.mark.parametrize("order", ["little", "big"])
def test_the_unicode_text_of_a_spreadsheet_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, order: str) -> None:
    """Tabs, decimal commas, a sign of four bytes, UTF-16 in either order of its bytes, wherever a block ends."""
    text = "o2_dry_pct\tlocation\tnote\r\n" + "8,2\toutdoors\tHütte 🏔 am Paß\r\nabc\toutdoors\t\r\n" * 9
    plain = interpret_bytes(tmp_path, text.encode("utf-8-sig"), rejects=True)
    assert (plain.counts.rows, plain.counts.refused, plain.rows[0]["note"]) == (18, 9, "Hütte 🏔 am Paß")
    data = (b"\xff\xfe" if order == "little" else b"\xfe\xff") + text.encode(f"utf-16-{order[0]}e")
    for size in (*range(1, 12), source.BLOCK_BYTES):
        monkeypatch.setattr(source, "BLOCK_BYTES", size)
        found = interpret_bytes(tmp_path, data, rejects=True)
        assert (found.raw, found.rejected, found.counts) == (plain.raw, plain.rejected, plain.counts)
