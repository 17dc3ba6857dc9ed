"""Tables in blocks: the borders change nothing, the scalar path gives the same numbers, a killed run leaves nothing."""

from __future__ import annotations

import math
import os
import random
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import combust
from combust.application.reading.columns import columns_of_readings
from combust.application.reading.interpret import RESULT_KEYS, interpret_columns
from combust.application.reading.result import ReadingResult
from combust.data.errors import CombustError
from combust.data.vocabulary import quantities
from combust.domain.instrument import instrument_class
from combust.edge.tables import source
from combust.edge.tables.dialect import Dialect
from combust.edge.tables.readings import RESULT_NAMES, interpret_file
from combust.edge.tables.rows import last_row_end, split_rows
from tests.edge.moments import PATIENCE, begin, hold, interrupt
from tests.edge.runs import DATA, ROOT
from tests.edge.spreadsheets import interpret_bytes
from tests.long import LONG

# Every kind of trouble in one small table; the marks are ASCII so that a border can fall on any byte.
TROUBLED = (
    'o2_dry_pct,co_dry_ppm,note\n8.2,150,"two\nlines"\n\n,,\n8.2,,"a ""quoted"", one"\r\n23,5,x\n8.2\n8.2,1,x,y\n'
    '9.1,"12",5" pipe\n8.2,3,"open\n7.0,n/a,H\u00fctte\n"",""," "\n10.0,4,"last\r\n\n\nlines"\n8.2,2000,"ends"'
).encode()


@pytest.mark.parametrize("rejects", [False, True])
@pytest.mark.parametrize("size", [*range(1, 40), 64, 100, 150, 200, 250])
def test_a_block_border_anywhere_changes_nothing(
    tmp_path: Path, size: int, rejects: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = interpret_bytes(tmp_path, TROUBLED, rejects=rejects)
    monkeypatch.setattr(source, "BLOCK_BYTES", size)
    parts = interpret_bytes(tmp_path, TROUBLED, rejects=rejects)
    assert parts.counts == whole.counts
    assert parts.rows == whole.rows
    assert parts.rejected == whole.rejected


@pytest.mark.independent
@pytest.mark.parametrize("seed", range(40))
def test_a_block_with_ragged_rows_is_what_its_rows_are_one_by_one(seed: int) -> None:
    shuffle, width = random.Random(seed), 1 + seed % 4
    cells = ("", "a", " ", "-1.5", '"x;y"', '"two\nlines"', '"a ""b"""', "H\u00fctte", '"\r\nz"')
    rows = [";".join(shuffle.choices(cells, k=max(0, width + shuffle.choice((0, 0, 0, -1, 1))))) for _ in range(60)]
    raw = shuffle.choice(("\n", "\r\n")).join(rows).encode()
    dialect = Dialect(";", ".", "utf-8", tuple("abcd"[:width]), 0)
    ours, slow = source._parse(raw, dialect), source._parse_slowly(raw, dialect)
    assert slow.ragged
    assert ours.table.to_pydict() == slow.table.to_pydict()
    assert (ours.ragged, ours.blank, ours.lines.tolist()) == (slow.ragged, slow.blank, slow.lines.tolist())


@pytest.mark.independent
def test_rows_of_several_fuels_are_what_they_are_with_each_fuel_alone() -> None:
    shuffle, names = random.Random(2), ("diesel_b7", "paraffinic", "gasoline_e10")
    values = [
        {
            "o2_dry_pct": shuffle.uniform(0.0, 20.9),
            "co2_dry_pct": shuffle.choice((None, shuffle.uniform(1.0, 16.0))),
            "co2_origin": "measured",
            "co_dry_ppm": shuffle.choice((None, shuffle.uniform(0.0, 9000.0))),
            "flue_temp_c": shuffle.uniform(20.0, 500.0),
            "humidity_pct": shuffle.uniform(0.0, 100.0),
            "intake_temp_c": shuffle.uniform(-40.0, 40.0),
        }
        for _ in range(500)
    ]
    index = np.array([shuffle.randrange(3) for _ in values])
    fuels, device = [combust.get_fuel(name) for name in names], instrument_class(None)
    mixed = interpret_columns(columns_of_readings(values, fuels, index), device)
    for place, fuel in enumerate(fuels):
        alone, here = interpret_columns(columns_of_readings(values, [fuel]), device), index == place
        assert (alone.mask[here] == mixed.mask[here]).all()
        for key in RESULT_KEYS:
            np.testing.assert_array_equal(alone.values[key][here], mixed.values[key][here], key)


@pytest.mark.hand
def test_the_troubled_table_is_what_it_is_said_to_be(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, TROUBLED)
    # Interpreted: 8.2, 8.2, 9.1, 7.0, 10.0, 8.2. Refused: 23, the short row, the long row, the open quote.
    assert (done.counts.rows, done.counts.interpreted, done.counts.refused, done.counts.blank) == (10, 6, 4, 3)
    assert [row["air_ratio"] != "" for row in done.rows] == [
        True,
        True,
        False,
        False,
        False,
        True,
        False,
        True,
        True,
        True,
    ]
    assert done.rows[0]["note"] == "two\nlines"
    assert done.rows[1]["note"] == 'a "quoted", one'
    assert done.rows[5]["note"] == '5" pipe'
    assert done.rows[7]["note"] == "Hütte"
    assert done.rows[8]["note"] == "last\r\n\n\nlines"


def test_a_limit_on_open_quotes_keeps_memory_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "BLOCK_BYTES", 64)
    monkeypatch.setattr(source, "MAX_ROW_BYTES", 200)
    data = b'o2_dry_pct,note\n8.2,"open\n' + b"8.2,plain\n" * 500
    done = interpret_bytes(tmp_path, data)
    assert (done.counts.rows, done.counts.refused) == (501, 1)
    longest = max(len(raw) for raw in source._whole_rows(tmp_path / "in.csv", source.read_dialect(tmp_path / "in.csv")))
    assert longest <= 200 + 2 * 64


@pytest.mark.parametrize("seed", range(40))
def test_where_rows_end_is_the_same_cut_or_whole(seed: int) -> None:
    shuffle = random.Random(seed)
    text = "".join(shuffle.choices(['"', '""', ",", "\n", "\r\n", "a", "bc", " "], k=60))
    rows = list(split_rows(text, ","))
    assert rows[-1][2] == len(text)
    assert text.count("\n") >= len(rows) - 1
    ends = {0, *(end for _, _, end in rows)}
    for length in range(len(text)):
        cut = last_row_end(text[:length].encode(), ",")
        assert cut in ends, "a block ends where a row of the whole text ends"


@pytest.mark.parametrize("rows", [1, 2, 3, 7])
def test_parquet_row_groups_change_nothing(tmp_path: Path, rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = pd.read_csv(DATA / "larkfell_readings.csv", dtype=str)
    frame.to_parquet(tmp_path / "in.parquet")
    answers = []
    for size in (1_000_000, rows):
        monkeypatch.setattr(source, "BLOCK_ROWS", size)
        counts = interpret_file(tmp_path / "in.parquet", tmp_path / f"out{size}.parquet")
        answers.append((counts, pq.read_table(tmp_path / f"out{size}.parquet").to_pylist()))
    assert answers[0] == answers[1]


FUELS = ("diesel_b7", "diesel_b0", "biodiesel_b100", "gasoline_e10", "kerosene", "CH1.86O0.007", "ethanol")


def random_reading(shuffle: random.Random) -> dict[str, Any]:
    """Return a reading of any kind that may stand: dry or wet, measured or not, complete or not."""
    wet = shuffle.random() < 0.2
    kind = "wet" if wet else "dry"
    reading: dict[str, Any] = {
        "fuel": shuffle.choice(FUELS),
        f"o2_{kind}_pct": round(shuffle.uniform(0, 21.4), 2),
        f"co2_{kind}_pct": round(shuffle.uniform(0, 16), 2),
        "co2_origin": shuffle.choice(["measured", "calculated"]),
        f"co_{kind}_ppm": round(10 ** shuffle.uniform(0, 5)),
        f"hc_{kind}_ppm": round(10 ** shuffle.uniform(0, 4)),
        f"no_{kind}_ppm": round(shuffle.uniform(0, 400)),
        "flue_temp_c": round(shuffle.uniform(-10, 700), 1),
        "intake_temp_c": round(shuffle.uniform(-40, 45), 1),
        "altitude_m": round(shuffle.uniform(-100, 5200)),
        "pressure_hpa": round(shuffle.uniform(510, 1050), 1),
        "humidity_pct": round(shuffle.uniform(0, 100)),
        "probe_leak_test": shuffle.choice(["pass", "fail"]),
        "location": shuffle.choice(["outdoors", "indoors"]),
        "sample_line": shuffle.choice(["dry", "wet"]),
        "fuel_sample": shuffle.choice(["as_stated", "gasoline"]),
        "cab_co_in_ppm": round(shuffle.uniform(0, 60)),
        "cab_co_out_ppm": round(shuffle.uniform(0, 20)),
        "smoke_number": shuffle.randint(0, 9),
        "repeats": shuffle.randint(2, 5),
        "o2_repeat_sd_pct": round(shuffle.uniform(0, 0.4), 2),
        "intake_co2_pct": round(shuffle.uniform(0, 0.3), 2),
    }
    return {key: value for key, value in reading.items() if shuffle.random() < 0.75}


def told_by(result: ReadingResult, key: str) -> float | None:
    """Return what a single result says for a column of a table."""
    plain = result.to_dict()
    if key.startswith("air_ratio_by_"):
        return result.air_ratio_by[key.removeprefix("air_ratio_by_")]
    if key == "agreement_z":
        return result.agreement["z"]
    if key in ("fuel_factor", "fuel_factor_of_fuel"):
        return result.agreement[key]
    if key == "pressure_hpa_used":
        return result.site["pressure_hpa"]
    return plain[key] if key in plain else result.site[key]


def answer_or_refusal(reading: dict[str, Any]) -> tuple[str, ReadingResult | None]:
    """Return (why it was refused, None) or ("", result)."""
    try:
        return "", combust.interpret(reading)
    except CombustError as error:
        return str(error), None


def check_row(row: dict[str, Any], reading: dict[str, Any]) -> None:
    """Fail unless a table's row says what the single reading says, number for number and finding for finding."""
    refused, result = answer_or_refusal(reading)
    if result is None:
        assert str(row["findings"]).startswith("refused: "), (reading, refused)
        return
    for key in RESULT_KEYS:
        ours, single = row[RESULT_NAMES.get(key, key)], told_by(result, key)
        absent = ours is None or ours == "" or (isinstance(ours, float) and math.isnan(ours))
        if absent or single is None:
            assert absent, (key, ours, single, reading)
            assert single is None, (key, ours, single, reading)
            continue
        decimals = quantities()[key].decimals if key in quantities() else 5
        assert float(ours) == pytest.approx(single, rel=1e-12, abs=0.5000001 * 10**-decimals), (key, reading)
    assert row["agreement"] == result.agreement["verdict"]
    codes = "; ".join(f"{found.severity}: {found.code}" for found in result.findings)
    assert row["findings"] == codes


def test_table_and_single_reading_say_the_same(tmp_path: Path) -> None:
    shuffle = random.Random(20260204)
    readings = [random_reading(shuffle) for _ in range(250 if LONG else 100)]
    keys = sorted({key for reading in readings for key in reading})
    lines = [",".join(keys), *(",".join(str(reading.get(key, "")) for key in keys) for reading in readings)]
    done = interpret_bytes(tmp_path, ("\n".join(lines) + "\n,,\n").encode())
    assert len(done.rows) == len([reading for reading in readings if reading])
    for row, reading in zip(done.rows, [reading for reading in readings if reading], strict=True):
        check_row(row, reading)
    frame = combust.interpret_table(pd.DataFrame(readings))
    for (_, row), reading in zip(frame.iterrows(), readings, strict=True):
        check_row(row.to_dict(), reading)


def test_a_row_says_the_same_alone_and_among_others(tmp_path: Path) -> None:
    rows = (DATA / "larkfell_readings.csv").read_text(encoding="utf-8").splitlines()
    together = interpret_bytes(tmp_path, "\n".join(rows).encode()).rows
    for line, row in zip(rows[1:], together, strict=True):
        assert interpret_bytes(tmp_path, f"{rows[0]}\n{line}\n".encode()).rows == [row]


def test_order_is_kept_over_many_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "BLOCK_BYTES", 10_000)
    monkeypatch.setattr("combust.application.reading.interpret.BLOCK", 100)
    lines = [f"{i},{8 + i % 7 * 0.5},{'x' if i % 11 == 0 else i % 300}" for i in range(20_000)]
    data = ("reading_id,o2_dry_pct,co_dry_ppm\n" + "\n".join(lines)).encode()
    done = interpret_bytes(tmp_path, data)
    assert [int(row["reading_id"]) for row in done.rows] == list(range(20_000))
    assert done.counts.refused == len(range(0, 20_000, 11))
    split = interpret_bytes(tmp_path, data, rejects=True)
    assert [int(row["row"]) - 2 for row in split.rejected] == list(range(0, 20_000, 11))
    assert [int(row["reading_id"]) for row in split.rejected] == list(range(0, 20_000, 11))
    assert [row for row in done.rows if row["air_ratio"]] == split.rows


@pytest.fixture(scope="module")
def long_table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a table that is written for some tenths of a second."""
    path = tmp_path_factory.mktemp("long") / "in.csv"
    line = b"8.2,150,outdoors,a note of some length to make the file grow\n"
    path.write_bytes(b"o2_dry_pct,co_dry_ppm,location,note\n" + line * 200_000)
    return path


def has_written(folder: Path, size: int) -> bool:
    """Return True when a partial file in a folder has reached a size."""
    return any(path.stat().st_size >= size for path in folder.glob(".*.partial"))


@pytest.mark.parametrize("megabytes", [0, 5, 15] if LONG else [0, 15])
def test_a_killed_run_leaves_nothing_under_the_final_name(long_table: Path, tmp_path: Path, megabytes: int) -> None:
    before = "safety\nwhat an earlier run wrote\n"
    (tmp_path / "old.csv").write_text(before)
    process = begin("readings", str(long_table), "--out=old.csv", "--rejects=new.csv", cwd=tmp_path)
    assert hold(process, lambda: has_written(tmp_path, megabytes * 1_000_000)), "it was never seen while it wrote"
    interrupt(process, signal.SIGKILL)
    assert (tmp_path / "old.csv").read_text() == before
    assert not (tmp_path / "new.csv").exists()
    assert list(tmp_path.glob(".*.partial")), "it was killed while it wrote"


@pytest.mark.parametrize("megabytes", [0, 5, 15] if LONG else [5])
def test_a_run_stopped_by_hand_tidies_up(long_table: Path, tmp_path: Path, megabytes: int) -> None:
    process = begin("readings", str(long_table), "--out=out.csv", "--rejects=new.csv", cwd=tmp_path)
    assert hold(process, lambda: has_written(tmp_path, megabytes * 1_000_000)), "it was never seen while it wrote"
    assert interrupt(process) == (130, "Stopped by the user.\n")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_may_not_be_written_to_is_refused_in_words(tmp_path: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "in.csv").write_bytes(b"o2_dry_pct\n8.2\n")
        (folder / "in.csv").chmod(0o644)
        folder.chmod(0o555)
        code = (
            "import os, sys\n"
            "import combust.edge.cli.readings\n"
            "from combust.edge.cli.main import main\n"
            "from combust.edge.tables.readings import interpret_file\n"
            "interpret_file(sys.argv[2], sys.argv.pop())  # loads all that is loaded late, while it may be read\n"
            "if os.geteuid() == 0:  # the superuser may write anywhere\n    os.setgid(65534)\n    os.setuid(65534)\n"
            "main(sys.argv[1:])\n"
        )
        done = subprocess.run(
            [
                sys.executable,
                "-c",
                code,
                "readings",
                str(folder / "in.csv"),
                "--out",
                str(folder / "out.csv"),
                str(tmp_path / "warm.csv"),
            ],
            cwd="/",
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            timeout=PATIENCE,
            check=False,
        )
        folder.chmod(0o755)
        assert done.returncode == 3, done.stderr
        assert "cannot be written (Permission denied)" in done.stderr
        assert "Choose a folder you may write to." in done.stderr
        assert [path.name for path in folder.iterdir()] == ["in.csv"]


def test_a_failure_in_the_middle_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "BLOCK_BYTES", 16)
    monkeypatch.setattr(source, "MAX_ROW_BYTES", 64)
    (tmp_path / "out.csv").write_text("before")
    with pytest.raises(CombustError, match="line longer than"):
        interpret_bytes(tmp_path, b"o2_dry_pct,note\n8.2,a\n8.2,b\n8.2," + b"x" * 500)
    assert (tmp_path / "out.csv").read_text() == "before"
    assert not list(tmp_path.glob(".*"))


def test_a_broken_parquet_page_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    table = pa.table({"o2_dry_pct": [8.0 + i * 1e-6 for i in range(200_000)]})
    pq.write_table(table, tmp_path / "in.parquet", row_group_size=50_000)
    data = bytearray((tmp_path / "in.parquet").read_bytes())
    middle = len(data) // 2
    data[middle : middle + 4000] = b"\xff" * 4000
    (tmp_path / "in.parquet").write_bytes(bytes(data))
    with pytest.raises(CombustError, match="no readable Parquet"):
        interpret_file(tmp_path / "in.parquet", tmp_path / "out.parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["in.parquet"]
