"""Typed tables: Parquet in and out, and pandas frames through ``interpret_table``."""

from __future__ import annotations

import datetime
import decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import combust
from combust.data.errors import CombustError
from combust.edge.tables.readings import interpret_file
from tests.edge.runs import says_all
from tests.edge.spreadsheets import read_csv


def run_parquet(folder: Path, table: pa.Table, out: str = "out.parquet") -> list[dict[str, Any]]:
    """Interpret an Arrow table through Parquet and return the rows."""
    pq.write_table(table, folder / "in.parquet")
    before = (folder / "in.parquet").read_bytes()
    counts = interpret_file(folder / "in.parquet", folder / out)
    assert (folder / "in.parquet").read_bytes() == before
    assert counts.rows == counts.interpreted + counts.refused == table.num_rows
    if out.endswith(".parquet"):
        rows: list[dict[str, Any]] = pq.read_table(folder / out).to_pylist()
        return rows
    return [dict(row) for row in read_csv(folder / out)]


O2 = [8.2, 11.0, None, 23.0]
KINDS = {
    "float64": pa.array(O2, pa.float64()),
    "float32": pa.array([8.2, 11.0, None, 23.0], pa.float32()),
    "string": pa.array(["8.2", "11.0", None, "23"]),
    "large string": pa.array(["8.2", " 11.0 ", "n/a", "23"], pa.large_string()),
    "string view": pa.array(["8.2", "11", "", "23"], pa.string_view()),
    "dictionary": pa.array(["8.2", "11.0", None, "23"]).dictionary_encode(),
    "dictionary of long strings": pa.array(["8.2", "11.0", None, "23"], pa.large_string()).dictionary_encode(),
    "decimal": pa.array([decimal.Decimal(text) if text else None for text in ("8.2", "11.0", None, "23.0")]),
}


@pytest.mark.parametrize("out", ["out.parquet", "out.csv"])
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_column_is_read(tmp_path: Path, kind: str, out: str) -> None:
    co = pa.array([150, 60, 10, None], pa.int32())
    rows = run_parquet(tmp_path, pa.table({"o2_dry_pct": KINDS[kind], "co_dry_ppm": co}), out)
    assert float(rows[0]["air_ratio"]) == pytest.approx(1.60, abs=0.005)
    assert rows[2]["air_ratio"] in (None, "")
    assert "no_gas" in rows[2]["findings"]
    assert rows[3]["findings"].startswith("refused: o2_dry_pct = 23")
    assert rows[3]["density_ratio"] in (None, "")


def test_integers_nan_and_infinity(tmp_path: Path) -> None:
    table = pa.table({"o2_dry_pct": pa.array([8, 8, 8]), "flue_temp_c": [300.0, float("nan"), float("inf")],
                      "co_dry_ppm": pa.array([2**60, 1, 2], pa.int64())})  # fmt: skip
    rows = run_parquet(tmp_path, table)
    assert rows[0]["findings"].startswith("refused: stop: exhaust_co_high.")  # too much CO still stops
    assert "co_dry_ppm = " in rows[0]["findings"]
    assert rows[1]["stack_loss_pct"] is None
    assert rows[2]["findings"].startswith("refused: flue_temp_c")


def test_a_quantity_without_a_band_refuses_infinity_too(tmp_path: Path) -> None:
    rows = run_parquet(tmp_path, pa.table({"o2_dry_pct": [8.0], "minutes_since_ignition": [float("inf")]}))
    assert rows[0]["findings"].startswith("refused: minutes_since_ignition")


def test_columns_of_any_kind_are_carried_to_parquet_with_their_types(tmp_path: Path) -> None:
    table = pa.table(
        {
            "o2_dry_pct": [8.2],
            "when": [datetime.datetime(2026, 2, 4, 10, 35)],
            "flag": [True],
            "list": [[1, 2]],
            "record": [{"a": 1}],
            "raw": [b"\xff"],
            "nothing": pa.nulls(1),
            "word": pa.array(["x"]).dictionary_encode(),
        }
    )
    run_parquet(tmp_path, table)
    back = pq.read_table(tmp_path / "out.parquet")
    assert back.schema.names[:9] == ["safety", *table.schema.names]
    assert [back.schema.field(name).type for name in table.schema.names] == [field.type for field in table.schema]
    assert back.select(table.schema.names).to_pylist() == table.to_pylist()


def test_what_csv_cannot_hold_is_refused_with_the_way_out(tmp_path: Path) -> None:
    for column in ([[1, 2]], [{"a": 1}], [b"\xff"]):
        with pytest.raises(CombustError, match=r"\.parquet"):
            run_parquet(tmp_path, pa.table({"o2_dry_pct": [8.2], "x": column}), "out.csv")
        assert not (tmp_path / "out.csv").exists()
    word, when = pa.array(['a,"b"'], pa.large_string()), [datetime.date(2026, 2, 4)]
    simple = pa.table({"o2_dry_pct": [8.2], "flag": [True], "nothing": pa.nulls(1), "when": when, "word": word})
    row = run_parquet(tmp_path, simple, "out.csv")[0]
    assert (row["flag"], row["nothing"], row["when"], row["word"]) == ("true", "", "2026-02-04", 'a,"b"')


@pytest.mark.parametrize("column", [[[8.2]], [{"a": 8.2}], [b"8.2"]])
def test_a_quantity_in_a_column_of_lists_is_refused(tmp_path: Path, column: list[Any]) -> None:
    with pytest.raises(CombustError, match="o2_dry_pct") as refused:
        run_parquet(tmp_path, pa.table({"o2_dry_pct": column, "co_dry_ppm": [1]}))
    says_all(str(refused.value))


def test_booleans_and_dates_are_no_numbers(tmp_path: Path) -> None:
    table = pa.table({"o2_dry_pct": [8.2], "co_dry_ppm": [True], "flue_temp_c": [datetime.date(2026, 2, 4)]})
    text = run_parquet(tmp_path, table)[0]["findings"]
    assert "co_dry_ppm = true is not a number" in text
    assert "flue_temp_c = 2026-02-04 is not a number" in text


def test_an_empty_parquet_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CombustError, match="no rows"):
        run_parquet(tmp_path, pa.table({"o2_dry_pct": pa.array([], pa.float64())}))
    assert not (tmp_path / "out.parquet").exists()


def test_two_parquet_columns_of_one_name(tmp_path: Path) -> None:
    columns = [pa.array([8.2]), pa.array([8.3])]
    with pytest.raises(CombustError, match="o2_dry_pct"):
        run_parquet(tmp_path, pa.Table.from_arrays(columns, names=["o2_dry_pct", "o2_dry_pct"]))


def test_csv_to_parquet_and_rejects(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text("o2_dry_pct,note\n8.2,a\n30,b\n", encoding="utf-8")
    counts = interpret_file(tmp_path / "in.csv", tmp_path / "out.pq", rejects=tmp_path / "r.parquet")
    assert (counts.interpreted, counts.refused) == (1, 1)
    assert pq.read_table(tmp_path / "out.pq").column("note").to_pylist() == ["a"]
    rejected = pq.read_table(tmp_path / "r.parquet").to_pylist()
    assert rejected[0]["row"] == 3
    assert rejected[0]["o2_dry_pct"] == "30"


def test_a_frame_keeps_index_columns_and_kinds() -> None:
    frame = pd.DataFrame(
        {"o2_dry_pct": [8.2, 30.0, np.nan], "co_dry_ppm": [150, 1, 5], "kind": pd.Categorical(["a", "b", "a"])},
        index=pd.Index([7, 7, 3], name="visit"),
    )
    kept = frame.copy(deep=True)
    result = combust.interpret_table(frame)
    pd.testing.assert_frame_equal(frame, kept)
    pd.testing.assert_frame_equal(result[list(frame.columns)], frame)
    pd.testing.assert_index_equal(result.index, frame.index)
    assert result["air_ratio"].iloc[0] == pytest.approx(1.60, abs=0.005)
    assert np.isnan(result["air_ratio"].iloc[1])
    assert result["findings"].iloc[1].startswith("refused: o2_dry_pct = 30")
    assert result["air_ratio"].dtype == float


def test_a_frame_of_mixed_cells_is_read_cell_by_cell() -> None:
    frame = pd.DataFrame({"o2_dry_pct": [8.2, "11.0", None, "x"], "altitude_ft": [5000, 5000.0, "5000", "high"]})
    result = combust.interpret_table(frame)
    assert result["air_ratio"].notna().tolist() == [True, True, False, False]
    assert "altitude_ft = high" in result["findings"].iloc[3]
    assert result["o2_dry_pct"].tolist() == [8.2, "11.0", None, "x"]


def test_a_frame_column_named_like_a_result_is_carried() -> None:
    result = combust.interpret_table(pd.DataFrame({"o2_dry_pct": [8.2], "agreement": ["mine"]}))
    assert result["input_agreement"].tolist() == ["mine"]
    assert result["agreement"].tolist() == ["cannot_check"]


def test_an_empty_frame_gives_an_empty_frame_with_all_columns() -> None:
    result = combust.interpret_table(pd.DataFrame({"o2_dry_pct": pd.Series([], dtype=float)}))
    assert len(result) == 0
    assert {"air_ratio", "findings"} <= set(result.columns)


@pytest.mark.parametrize("index", [[], ["a", "b"]])
def test_a_frame_without_columns_has_the_rows_that_it_has(index: list[str]) -> None:
    result = combust.interpret_table(pd.DataFrame(index=index))
    assert result.index.tolist() == index
    assert result["safety"].tolist() == ["not_judged"] * len(index)
    assert all(text.startswith("refused: o2_dry_pct is missing") for text in result["findings"])


@pytest.mark.parametrize("frame", [None, 5, [1, 2], {"o2_dry_pct": [8.2]}])
def test_what_is_no_frame_is_refused(frame: object) -> None:
    with pytest.raises(CombustError, match="DataFrame"):
        combust.interpret_table(frame)


def test_frame_headings_are_matched_like_those_of_files() -> None:
    with pytest.raises(CombustError, match="co_dry_ppm"):
        combust.interpret_table(pd.DataFrame({"o2_dry_pct": [8.2], "CO ppm": [150]}))
    frame = pd.DataFrame({"o2_dry_pct": [8.2], "CO ppm": [150]})
    mapped = combust.interpret_table(frame, mapping={"CO ppm": "co_dry_ppm"})
    assert mapped["co_air_free_ppm"].notna().all()


def test_what_stood_in_is_told_in_each_row_as_of_a_single_reading() -> None:
    """A row without a fuel counts as diesel and says so, as one reading does; where the caller named one, none does."""
    rows = [{"o2_dry_pct": 8.2, "fuel": fuel, "location": "outdoors"} for fuel in ("kerosene", None, "")]
    told = combust.interpret_table(pd.DataFrame(rows))["assumed"].tolist()
    assert ["fuel = diesel_b7" in text for text in told] == [False, True, True]
    unnamed = pd.DataFrame(rows).drop(columns="fuel")
    assert all(text.startswith("fuel = diesel_b7; ") for text in combust.interpret_table(unnamed)["assumed"])
    said = combust.interpret_table(unnamed, default_fuel=combust.get_fuel("kerosene"))["assumed"]
    assert not any("fuel" in text for text in said)
    for row, text in zip(rows, told, strict=True):
        keys = [one.quantity for one in combust.interpret({**row, "fuel": row["fuel"] or None}).assumed]
        assert [part.partition(" = ")[0] for part in text.split("; ")] == keys
    assert combust.interpret({"o2_dry_pct": 8.2}).assumed[0].origin == "no fuel entered: diesel"
