"""Files that are not what they should be: huge, deep, binary, in odd encodings, with names that lead elsewhere."""

from __future__ import annotations

import codecs
import os
import subprocess
import sys
from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.edge.tables.readings import interpret_file
from combust.edge.tables.source import open_table
from tests.edge.moments import PATIENCE
from tests.edge.runs import DATA, ROOT, Run, call, is_plain_refusal
from tests.long import LONG

HEAD = b"o2_dry_pct,co_dry_ppm,location,note\n"
GOOD = b"8.2,150,outdoors,a\n"
COMMANDS = {  # every command that reads a table, with FILE in the place of it
    "readings": ("readings", "FILE", "--out", "out.csv"),
    "vehicles": ("fleet", "--vehicles", "FILE", "--sites", str(DATA / "larkfell_fleet" / "sites.csv"), "--out", "plan"),
    "sites": ("fleet", "--sites", "FILE", "--vehicles", str(DATA / "larkfell_fleet" / "vehicles.csv"), "--out", "plan"),
    "cause": ("cause", "FILE", "--heater", str(DATA / "heaters" / "heater-0312.toml")),
    "history": ("history", "FILE"),
    "series": ("log", "series", "FILE"),
    "log add": ("log", "add", "w.book", "FILE"),
    "log show": ("log", "show", "FILE"),
    "print": ("visit", "print", "FILE", "--visit-id", "V1", "--out", "r.html"),
    "profile": ("profile", "check", "FILE"),
    "policy": ("fleet", "--vehicles", str(DATA / "larkfell_fleet" / "vehicles.csv"), "--policy", "FILE",
               "--sites", str(DATA / "larkfell_fleet" / "sites.csv"), "--out", "plan"),
    "fuels": ("fuel", "--fuels", "FILE"),
    "instrument": ("reading", "--o2-dry", "8", "--instrument-class", "FILE"),
    "causes": ("cause", "--heater", str(DATA / "heaters" / "heater-0312.toml"), "--o2-dry", "8", "--causes", "FILE"),
    "procedure": ("log", "procedure", "--file", "FILE"),
    "interlocks": ("start", "--checklist", "--interlocks", "FILE"),
    "case": ("mystery", "play", "FILE"),
    "salt": ("mystery", "deal", "--seed", "1", "--salt-file", "FILE", "--out", "case.json"),
}  # fmt: skip
FILES = {
    "empty": b"",
    "nul": b"\0" * 5000,
    "binary": bytes(range(256)) * 40,
    "png": b"\x89PNG\r\n\x1a\n" + bytes(3000),
    "utf16": "o2_dry_pct,location\n8.2,outdoors\n".encode("utf-16"),
    "utf32": "o2_dry_pct,location\n8.2,outdoors\n".encode("utf-32"),
    "bom": codecs.BOM_UTF8,
    "surrogates": b"\xed\xa0\x80,\xed\xbf\xbf\n\xed\xa0\x80,8\n",
    "deep": b"x = " + b"[" * 100_000,
    "deep_table": b"[" + b"a." * 50_000 + b"a]\nx = 1\n",
    "deep_json": b'{"a":' * 50_000,
    "one_line": b"x" * 3_000_000,
    "quotes": b'"' * 50_001,
    "columns": b",".join(b"h%d" % number for number in range(100_000)) + b"\n1\n",
    "digits": b"x = " + b"9" * 100_000,
    "digits_json": b"9" * 100_000,
}


def run_on(name: str, data: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command on a file with that content, in an empty folder."""
    monkeypatch.chdir(tmp_path)
    ending = ".toml" if name == "instrument" else ".dat"
    (tmp_path / f"hostile{ending}").write_bytes(data)
    return call(*(f"hostile{ending}" if piece == "FILE" else piece for piece in COMMANDS[name]))


@pytest.mark.parametrize("kind", FILES)
def test_every_command_refuses_it_in_words_and_writes_nothing(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, name in enumerate(COMMANDS):
        folder = tmp_path / str(number)
        folder.mkdir()
        run = run_on(name, FILES[kind], folder, monkeypatch)
        assert run.code in (0, 3), (name, run.err[-500:])
        assert "Traceback" not in run.err
        assert len(run.err) < 20_000, f"{name} floods the terminal on {kind}"
        if run.code == 3:
            assert "- " in run.err or "Error" in run.err, (name, run.err)
            left = {path.name for path in folder.rglob("*")} - {"hostile.dat", "hostile.toml"}
            assert not left, f"{name} left {left}"


def test_a_field_of_ten_megabytes_and_a_row_of_a_hundred_thousand_fields(tmp_path: Path) -> None:
    field = b"8.2,150,outdoors," + b"x" * 10_000_000 + b"\n"
    wide = b",".join([b"1"] * 100_000) + b"\n"
    (tmp_path / "in.csv").write_bytes(HEAD + GOOD + field + wide + GOOD)
    counts = interpret_file(tmp_path / "in.csv", tmp_path / "out.csv", rejects=tmp_path / "rejects.csv")
    assert (counts.rows, counts.interpreted, counts.refused) == (4, 3, 1)
    assert (tmp_path / "rejects.csv").stat().st_size < 5000, "the refusal repeats the row"


def test_a_heading_of_a_hundred_thousand_columns_is_refused_at_once(tmp_path: Path) -> None:
    """One fault in all: no name is looked for among the others, which would take a square of their number."""
    (tmp_path / "in.csv").write_bytes(b",".join([b"x"] * 100_000) + b"\n1\n")
    with pytest.raises(CombustError, match="columns") as caught:
        open_table(tmp_path / "in.csv")
    assert len(caught.value.faults) == 1


def test_a_million_bad_rows_in_bounded_memory(tmp_path: Path) -> None:
    """Each row has a reason of 100 letters: a million of them at once would take more than a gigabyte.

    The short form has 400 000 rows, all of which would take more than 400 MB.
    """
    size, most = (1_000_000, 500) if LONG else (400_000, 350)
    (tmp_path / "in.csv").write_bytes(b"o2_dry_pct\n" + b"abc\n" * size)
    code = f"""
import pathlib, re
import combust.edge.tables.readings as tables
def peak():
    return int(re.search("VmHWM:\\\\s+(\\\\d+)", pathlib.Path("/proc/self/status").read_text())[1])
before = peak()
counts = tables.interpret_file({str(tmp_path / "in.csv")!r}, {str(tmp_path / "out.csv")!r})
print(counts.rows, counts.refused, (peak() - before) // 1024)
"""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True, timeout=PATIENCE
    )
    rows, refused, megabytes = map(int, done.stdout.split())
    assert (rows, refused) == (size, size)
    assert 20 < megabytes < most


NAMES = ["../../etc/x", "/abs/x", "CON", "nul.csv", "x" * 300, "a\nb", "..", ".", "~root", "-rf", "a b;c", "é\u202e"]


@pytest.mark.parametrize("name", NAMES)
def test_an_id_never_becomes_a_path(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ids of visits, heaters, vehicles and sites are text in files: no file is made or read by their name."""
    home = tmp_path / "a" / "b" / "c"
    home.mkdir(parents=True)
    monkeypatch.chdir(home)
    typed = ("reading_id", name, "o2", "8.2", "outdoors")
    assert call("visit", "open", f"--visit-id={name}", "w.book", name, *typed).code in (0, 3)
    call("log", "export", "w.book", "--out", "e.csv", f"--heater-id={name}")
    call("visit", "print", "w.book", f"--visit-id={name}", "--out", "r.html")
    call("profile", "new", f"--heater-id={name}", "--out", "h.toml")
    call("history", "w.book", "--fleet")
    made = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert made <= {f"a/b/c/{one}" for one in ("w.book", "e.csv", "r.html", "h.toml")}, made


@pytest.mark.parametrize("name", ["../../x", "/abs/x", "CON", "a\nb", "x" * 300])
def test_ids_of_a_fleet_never_become_a_path(tmp_path: Path, name: str) -> None:
    fleet = DATA / "larkfell_fleet"
    lines = (fleet / "vehicles.csv").read_text(encoding="utf-8").splitlines()[:4]
    keys = lines[0].split(",")
    rows = [dict(zip(keys, line.split(","), strict=True)) for line in lines[1:]]
    rows[0]["vehicle_id"] = rows[1]["group"] = rows[2]["profile"] = f'"{name}"'
    text = "\n".join([lines[0], *(",".join(row.values()) for row in rows)])
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "vehicles.csv").write_text(text, encoding="utf-8")
    sites = (fleet / "sites.csv").read_text(encoding="utf-8").replace("depot_fennowgate", f'"{name}"')
    (tmp_path / "in" / "sites.csv").write_text(sites, encoding="utf-8")
    out = tmp_path / "a" / "b" / "plan"
    tables = [f"--{key}={tmp_path / 'in' / key}.csv" for key in ("vehicles", "sites")]
    run = call("fleet", *tables, "--profiles", str(fleet / "profiles"), "--out", str(out))
    assert run.code in (0, 3), run.err
    made = {path.parent for path in tmp_path.rglob("*") if path.is_file()}
    assert made <= {tmp_path / "in", out}
    assert "Traceback" not in run.err


def test_a_link_where_a_file_is_written_is_replaced_and_its_target_untouched(tmp_path: Path) -> None:
    precious = tmp_path / "precious.txt"
    precious.write_text("keep me", encoding="utf-8")
    for name in ("out.csv", "reading.json", "plane.svg"):
        (tmp_path / name).symlink_to(precious)
    table = tmp_path / "in.csv"
    table.write_bytes(HEAD + GOOD)
    assert call("readings", str(table), "--out", str(tmp_path / "out.csv")).code == 0
    for asked in (("--out", "reading.json"), ("--figure", "plane.svg")):
        name = str(tmp_path / asked[1])
        assert call("reading", "--o2-dry", "8.2", "--location", "outdoors", asked[0], name).code == 0
    assert precious.read_text(encoding="utf-8") == "keep me"
    assert not any((tmp_path / name).is_symlink() for name in ("out.csv", "reading.json", "plane.svg"))


def test_a_link_to_the_input_is_still_the_input(tmp_path: Path) -> None:
    table = tmp_path / "in.csv"
    table.write_bytes(HEAD + GOOD)
    (tmp_path / "out.csv").symlink_to(table)
    is_plain_refusal(call("readings", str(table), "--out", str(tmp_path / "out.csv")))
    assert table.read_bytes() == HEAD + GOOD
