"""``combust readings`` from outside: counts, streams, exit codes, files."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from combust.domain.limits import cautions
from tests.edge.moments import PATIENCE
from tests.edge.runs import DATA, ROOT, call, is_plain_refusal, spawn

TABLE = (
    "reading_id,fuel,o2_dry_pct,co_dry_ppm,location,probe_leak_test\n"
    "a,diesel_b7,8.2,150,outdoors,pass\n"
    "b,diesel_b7,30,150,outdoors,pass\n"
    "c,diesel_b7,8.2,1500,outdoors,pass\n"
)
CLEAN = "o2_dry_pct,co_dry_ppm,location,probe_leak_test\n8.2,50,outdoors,pass\n"


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "in.csv"
    path.write_text(TABLE, encoding="utf-8")
    return path


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_counts_on_stdout_stops_and_cautions_on_stderr(table: Path, form: tuple[str, ...]) -> None:
    out = table.with_name("out.csv")
    run = spawn("readings", str(table), "--out", str(out), *form)
    assert run.code == 0, "some refused rows are no failure"
    assert run.err.startswith("STOP in 1 of 3 rows: exhaust_co_high")
    assert all(text in run.err for text in cautions())
    if form:
        told = run.json
        assert (told["rows"], told["interpreted"], told["refused"]) == (3, 2, 1)
        assert told["findings"]["exhaust_co_high"] == 1
        assert told["out"] == str(out)
        assert told["rejects"] is None
        assert told["version"]
    else:
        assert "3 rows: 2 interpreted, 1 refused (kept in place, results empty)." in run.out
        assert run.out.startswith("STOP in 1 of 3 rows: exhaust_co_high")
    rows = rows_of(out)
    assert [row["reading_id"] for row in rows] == ["a", "b", "c"]
    assert rows[1]["air_ratio"] == ""
    assert "o2_dry_pct = 30 vol % is above fresh air" in rows[1]["findings"]


def test_rejects_go_to_their_file_with_number_and_reasons(table: Path) -> None:
    out, rejects = table.with_name("out.csv"), table.with_name("new") / "rejects.csv"
    run = call("readings", str(table), "--out", str(out), "--rejects", str(rejects))
    assert run.code == 0
    assert f"1 refused (to {rejects})" in run.out
    assert [row["reading_id"] for row in rows_of(out)] == ["a", "c"]
    refused = rows_of(rejects)
    assert [(row["row"], row["reading_id"]) for row in refused] == [("3", "b")]
    assert "Zero the probe outdoors" in refused[0]["reasons"]


def test_nothing_refused_leaves_rejects_with_headings_only(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(CLEAN, encoding="utf-8")
    files = ("--out", str(tmp_path / "o.csv"), "--rejects", str(tmp_path / "r.csv"))
    run = call("readings", str(tmp_path / "in.csv"), *files)
    assert "1 row: 1 interpreted, none refused." in run.out
    assert (tmp_path / "r.csv").read_text(encoding="utf-8").count("\n") == 1


def test_strict(table: Path, tmp_path: Path) -> None:
    assert spawn("readings", str(table), "--out", str(tmp_path / "o.csv"), "--strict").code == 4
    assert (tmp_path / "o.csv").exists(), "strict tells, it does not take away"
    (tmp_path / "clean.csv").write_text(CLEAN, encoding="utf-8")
    assert call("readings", str(tmp_path / "clean.csv"), "--out", str(tmp_path / "o.csv"), "--strict").code == 0
    for row in ("30,50,outdoors,pass", "3,50,outdoors,pass", "8.2,50,,pass"):  # refused, warned, stopped
        (tmp_path / "one.csv").write_text(f"{CLEAN}{row}\n", encoding="utf-8")
        run = call("readings", str(tmp_path / "one.csv"), "--out", str(tmp_path / "o.csv"), "--strict")
        assert run.code == 4, row


def test_a_table_of_which_no_row_can_be_taken_is_refused_input(tmp_path: Path) -> None:
    path, out = tmp_path / "in.csv", tmp_path / "out.csv"
    path.write_text("o2_dry_pct,co_dry_ppm,location\nwet,1500,outdoors\n30,50,outdoors\n", encoding="utf-8")
    refused = call("readings", str(path), "--out", str(out))
    is_plain_refusal(refused)
    assert "no row that can be taken (2 refused)" in refused.err
    assert refused.err.startswith("STOP")  # what the good values of a refused row hold comes first
    assert all(row["findings"].startswith("refused: ") for row in rows_of(out))
    told = call("readings", str(path), "--out", str(out), "--json")
    assert (told.code, told.json["error"]) == (3, "input rejected")


def test_no_stop_sentence_only_when_no_row_has_one(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(CLEAN, encoding="utf-8")
    run = call("readings", str(tmp_path / "in.csv"), "--out", str(tmp_path / "o.csv"))
    assert run.err.startswith("No stop condition found in what was entered.")
    (tmp_path / "in.csv").write_text("o2_dry_pct,cab_co_in_ppm,location\n30,300,outdoors\n", encoding="utf-8")
    run = call("readings", str(tmp_path / "in.csv"), "--out", str(tmp_path / "o.csv"))
    assert "No stop condition" not in run.err
    assert "STOP in 1 of 1 row: cab_co_everyone_out" in run.err


def test_map_fuel_class_and_own_fuels(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text("O2;Fuel name;x=y\n8,2;mine;1\n8,2;;2\n", encoding="utf-8")
    (tmp_path / "fuels.toml").write_text('[fuel.mine]\nformula = "CH1.5"\n', encoding="utf-8")
    arguments = [
        "readings", str(tmp_path / "in.csv"), "--out", str(tmp_path / "out.parquet"), "--map", "O2=o2_dry_pct",
        "--map", "Fuel name=fuel", "--map", "x=y=", "--fuels", str(tmp_path / "fuels.toml"), "--fuel", "gasoline_e10",
        "--instrument-class", "garage_0", "--json",
    ]  # fmt: skip
    run = call(*arguments)
    assert run.code == 0, run.err
    rows = pq.read_table(tmp_path / "out.parquet").to_pylist()
    mine = call("reading", "--fuel", "CH1.5", "--o2-dry", "8.2", "--instrument-class", "garage_0", "--json").json
    other = call(
        "reading", "--fuel", "gasoline_e10", "--o2-dry", "8.2", "--instrument-class", "garage_0", "--json"
    ).json
    assert rows[0]["air_ratio"] == pytest.approx(mine["air_ratio"], abs=1e-5)
    assert rows[1]["air_ratio"] == pytest.approx(other["air_ratio"], abs=1e-5)
    assert rows[1]["air_ratio_u"] == pytest.approx(other["air_ratio_u"], abs=1e-5)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("gone.csv", "--out", "o.csv"), "cannot be read (No such file"),
        ((".", "--out", "o.csv"), "cannot be read"),
        (("in.csv", "--out", "in.csv"), "is the input"),
        (("in.csv", "--out", "o.csv", "--rejects", "in.csv"), "is the input"),
        (("in.csv", "--out", "o.csv", "--rejects", "o.csv"), "written twice"),
        (("in.csv", "--out", "o.csv", "--map", "O2"), "has no ="),
        (("in.csv", "--out", "o.csv", "--map", "gone=o2_dry_pct"), "is no heading"),
        (("in.csv", "--out", "o.csv", "--map", "reading_id=o2_dri"), "Did you mean o2_dry_pct"),
        (("in.csv", "--out", "o.csv", "--fuel", "deisel"), "Did you mean diesel"),
        (("in.csv", "--out", "o.csv", "--fuels", "gone.toml"), "cannot be read"),
        (("in.csv", "--out", "o.csv", "--instrument-class", "garage"), "Did you mean garage_0"),
        (("in.csv", "--out", ""), "folder"),
        (("in.csv", "--out", "o.csv", "--rejects", ""), "folder"),
        (("in.csv", "--out", "in.csv/o.csv"), "cannot be written"),
        (("near.csv", "--out", "o.csv"), '--map "CO ppm=co_dry_ppm"'),
    ],
)
def test_a_whole_refusal_ends_with_three_and_writes_nothing(
    table: Path, arguments: tuple[str, ...], told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(table.parent)
    Path("near.csv").write_text("o2_dry_pct,CO ppm\n8,1\n", encoding="utf-8")
    before = hashlib.sha256(table.read_bytes()).digest()
    run = call("readings", *arguments)
    is_plain_refusal(run)
    assert told in run.err
    assert run.out == ""
    assert hashlib.sha256(table.read_bytes()).digest() == before
    assert sorted(path.name for path in table.parent.iterdir()) == ["in.csv", "near.csv"]
    as_json = call("readings", *arguments, "--json")
    assert as_json.json["faults"], "also under --json exactly one object"


@pytest.mark.parametrize(
    "arguments", [(), ("in.csv",), ("a.csv", "b.csv", "--out", "c.csv"), ("in.csv", "--outt", "o")]
)
def test_usage_mistakes_end_with_two(arguments: tuple[str, ...]) -> None:
    run = call("readings", *arguments)
    assert run.code == 2
    assert "Usage" in run.err


def test_a_pipe_as_input_is_refused_in_words(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    run = call("readings", str(tmp_path / "pipe"), "--out", str(tmp_path / "o.csv"))
    is_plain_refusal(run)
    assert "Save it as a file first" in run.err


def test_the_larkfell_table_is_interpreted_whole(tmp_path: Path) -> None:
    source = DATA / "larkfell_readings.csv"
    run = call("readings", str(source), "--out", str(tmp_path / "o.csv"), "--json")
    written = list(csv.DictReader(source.open(encoding="utf-8", newline="")))
    rows = rows_of(tmp_path / "o.csv")
    assert run.json["rows"] == len(written) == len(rows)
    assert [{key: row[key] for key in written[0]} for row in rows] == written, "columns of the source as they stand"


def test_a_progress_bar_on_a_terminal_and_none_in_a_pipe(tmp_path: Path) -> None:
    lines = "8.2,a note that makes the table longer than one block\n" * 200_000
    (tmp_path / "in.csv").write_text("o2_dry_pct,note\n" + lines, encoding="utf-8")
    command = [sys.executable, "-m", "combust", "readings", "in.csv", "--out", "o.csv", "--json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm"}
    reader, writer = pty.openpty()
    process = subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=writer)
    os.close(writer)
    shown = b""
    while True:
        try:
            part = os.read(reader, 4096)
        except OSError:  # Linux ends a terminal so
            break
        if not part:
            break
        shown += part
    out, _ = process.communicate(timeout=PATIENCE)
    os.close(reader)
    assert b"Interpreting" in shown
    assert json.loads(out)["rows"] == 200_000
    assert "Interpreting" not in spawn("readings", "in.csv", "--out", "o.csv", cwd=tmp_path).err


@pytest.mark.parametrize(
    ("locale", "encoding"),
    [("C", "ascii"), ("tr_TR.UTF-8", "cp1252"), ("de_DE.UTF-8", "ascii"), ("nonsense", "cp1252")],
)
def test_no_locale_changes_a_table(table: Path, locale: str, encoding: str) -> None:
    table.write_text(TABLE.replace("a,", "Hütte ☃,", 1), encoding="utf-8")
    out = table.with_name("o.csv")
    run = spawn("readings", str(table), "--out", str(out), env={"LC_ALL": locale, "PYTHONIOENCODING": encoding})
    assert run.code == 0, run.err
    here = table.with_name("here.csv")
    call("readings", str(table), "--out", str(here))
    assert out.read_bytes() == here.read_bytes()


def test_no_line_of_a_map_of_commands_is_missing() -> None:
    text = call("--help").out
    for command in ("reading", "readings", "fuel", "demo"):
        assert f"  {command} " in text
    assert "Exit codes: 0 done, 2 the command line is not understood, 3 input not accepted" in " ".join(text.split())


@pytest.mark.parametrize("name", ["profile.toml", "key.json", "table.csv", "table.parquet"])
@pytest.mark.parametrize("option", ["reading --out", "readings --out", "readings --rejects", "readings --save-map"])
def test_nothing_that_another_wrote_is_replaced_but_ones_own_earlier_output_is(
    tmp_path: Path, name: str, option: str
) -> None:
    target, table = tmp_path / name, tmp_path / "mine.csv"
    table.write_text("fuel,o2_dry_pct,location\ndiesel,8.2,outdoors\ndiesel,82,outdoors\n")
    if name.endswith(".parquet"):
        pq.write_table(pa.table({"fuel": ["diesel"], "o2_dry_pct": [8.2]}), target)
    elif name.endswith(".toml"):
        shutil.copy(ROOT / "data/heaters/heater-0312.toml", target)
    else:
        target.write_text('{"format": 2, "cases": {}}\n' if name == "key.json" else "fuel;o2_dry_pct\ndiesel;7\n")
    before = target.read_bytes()
    command, flag = option.split()
    line = {"reading": ("--fuel", "diesel", "--o2-dry", "8.2", "--location", "outdoors"), "readings": (str(table),)}
    more = ("--out", str(tmp_path / "o.csv")) if flag != "--out" else ()
    run = call(command, *line[command], *more, flag, str(target))
    assert run.code == 3, run.out
    assert "- file = " in run.err
    assert target.read_bytes() == before
    mine = tmp_path / {"reading --out": "own.json", "readings --save-map": "own.toml"}.get(option, "own.csv")
    mapped = ("--set", "stage=high") if flag == "--save-map" else ()
    for _ in range(2):
        assert call(command, *line[command], *more, *mapped, flag, str(mine)).code == 0
    assert mine.exists()
