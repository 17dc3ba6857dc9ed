"""A written CSV holds nothing that a spreadsheet runs, and no number of it was changed."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.data.fields import as_number
from combust.edge.tables.formulas import harmless, harmless_column
from tests.edge.runs import ROOT, call
from tests.edge.spreadsheets import interpret_bytes, read_csv

# Invented attacks of the kinds that OWASP's page on CSV injection lists (from memory).
ATTACKS = ["=1+1", "=cmd|' /C calc'!A0", "+cmd", "-2+3+cmd|' /C calc'!A0", "@SUM(A1:A9)", "\t=1", '=HYPERLINK("x","y")']
SIGNED = ["-inf", "-nan", "-1e999", "-1", "+2"]
NUMBERS = ["-5", "+7", "-5.25", "-5,25", "+.5", "-1e-3", "- ", "-", "--", "-20;-12;-5", "0", "8.2"]


def runs_in_a_spreadsheet(cell: str) -> bool:
    """Say whether a cell starts as a formula does and is no number: another route than the library's pattern."""
    if not cell or cell[0] not in "=+-@\t\r" or not cell.strip("-"):
        return False
    return any(as_number(part.replace(",", ".")) is None for part in cell.split(";"))


@pytest.mark.parametrize("cell", ATTACKS)
def test_an_attack_gets_an_apostrophe_and_keeps_its_text(cell: str) -> None:
    assert harmless(cell) == f"'{cell}"
    assert harmless(harmless(cell)) == harmless(cell)


@pytest.mark.parametrize("cell", [number for number in NUMBERS if number != "- "])
def test_a_number_stays_as_it_stands(cell: str) -> None:
    assert harmless(cell) == cell


@given(
    st.lists(
        st.one_of(
            st.none(),
            st.text(alphabet="=+-@\t\r'1.,;eE aé", max_size=6),
            st.sampled_from([*ATTACKS, *SIGNED]),
        ),
        max_size=9,
    )
)
def test_columns_and_cells_are_treated_alike(cells: list[str | None]) -> None:
    column = pa.chunked_array([cells[:3], cells[3:]], pa.string())
    told = harmless_column(column).to_pylist()
    assert told == [None if cell is None else harmless(cell) for cell in cells]
    assert not any(runs_in_a_spreadsheet(cell) for cell in told if cell)
    assert harmless_column(column.slice(2)).to_pylist() == told[2:]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_tables_of_readings(tmp_path: Path, mark: str) -> None:
    attacks = [attack for attack in ATTACKS if mark not in attack and "\t" not in attack]
    rows = [f'-5{mark}8.2{mark}"{attack.replace(chr(34), chr(34) * 2)}"' for attack in attacks]
    data = "\n".join([mark.join(["intake_temp_c", "o2_dry_pct", '"=1+1"']), *rows, f"-5{mark}@x{mark}ok"])
    done = interpret_bytes(tmp_path, data.encode(), rejects=True)
    assert [row["'=1+1"] for row in done.rows] == [f"'{attack}" for attack in attacks]
    assert {row["intake_temp_c"] for row in done.rows} == {"-5"}
    assert done.rejected[0]["o2_dry_pct"] == "'@x"
    pq_out = tmp_path / "out.parquet"
    assert call("readings", str(tmp_path / "in.csv"), "--out", str(pq_out)).code == 0
    assert pq.read_table(pq_out).column("=1+1").to_pylist()[:1] == attacks[:1]  # Parquet holds what was given


def test_every_csv_of_a_fleet_and_of_a_logbook(tmp_path: Path) -> None:
    fleet = ROOT / "data" / "larkfell_fleet"
    cars = pd.read_csv(fleet / "vehicles.csv", dtype=str, keep_default_na=False).head(12)
    for number, attack in enumerate(ATTACKS):
        cars.loc[number, "vehicle_id"] = attack
    cars.loc[8, "site_id"], cars.loc[9, "group"] = "=1+1", "@x"
    cars.to_csv(tmp_path / "vehicles.csv", index=False)
    run = call("fleet", "--vehicles", str(tmp_path / "vehicles.csv"), "--sites", str(fleet / "sites.csv"),
               "--profiles", str(fleet / "profiles"), "--out", str(tmp_path / "plan"))  # fmt: skip
    assert run.code == 0, run.err
    typed = ("who", "@who", "o2", "8", "air", "-5", "note", "-2+3")
    assert call("visit", "open", str(tmp_path / "w.book"), "=h", "--visit-id", "=V1", *typed).code == 0
    assert call("log", "export", str(tmp_path / "w.book"), "--out", str(tmp_path / "plan" / "log.csv")).code == 0
    tables = sorted((tmp_path / "plan").glob("*.csv"))
    assert len(tables) >= 8
    for table in tables:
        with table.open(newline="", encoding="utf-8") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert not [cell for cell in cells if runs_in_a_spreadsheet(cell)], table.name
    (exported,) = read_csv(tmp_path / "plan" / "log.csv")
    assert (exported["visit_id"], exported["intake_temp_c"], exported["note"]) == ("'=V1", "-5", "'-2+3")
    kept = pd.read_parquet(tmp_path / "plan" / "vehicles.parquet")
    assert re.match(r"[=+@-]", kept["vehicle_id"].iloc[0])
