"""The logbook from the command line: a visit typed from first to last, what is refused, the examples of every part."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from combust.data.errors import CombustError
from combust.edge.cli.log import command
from combust.edge.cli.visit import command as visit_command
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import read_visit, read_visits
from tests.edge.test_logbook import BEFORE, CAB


def run(*arguments):
    return CliRunner().invoke(command, [str(argument) for argument in arguments])


def at_heater(*arguments):
    return CliRunner().invoke(visit_command, [str(argument) for argument in arguments])


def test_headings_in_the_third_row_are_said_once(tmp_path):
    table = tmp_path / "winter.csv"
    rows = "312,10.11.2023,8.2,45\n" * 20
    table.write_text(f"Werkstatt Larkfell,,,\n,,flue gas,\nHeater,Date,O2 %,CO ppm\n{rows}", encoding="utf-8")
    refused = run("add", tmp_path / "w.book", table)
    assert "they seem to stand in row 3. Take rows 1 and 2 out, or name a map" in str(refused.exception)
    assert "visit_id" not in str(refused.exception) + refused.stderr
    assert not (tmp_path / "w.book").exists()


def test_commands_from_first_to_last(tmp_path):
    """A visit typed, refused while incomplete, closed, opened again; what goes wrong on the way."""
    path = tmp_path / "winter.book"
    about = ("who", "T. Larkwood", "place", "Fellarch depot", "alarm", "works", "fuel", "diesel_b7", "outdoors")
    first = at_heater("open", path, "heater-0312", "--visit-id", "V017", *about)
    assert first.exit_code == 0, first.exception
    assert at_heater("enter", path, "stage", "high", "o2", 8.2, "co", 54).exit_code == 0
    assert at_heater("enter", path, "note", "<b>hostile</b>\x1b[31m").exit_code == 0
    checked = at_heater("enter", path, "check", "probe_leak", "pass")
    assert "No stop condition found in what was entered." in checked.stderr
    refused = at_heater("close", path, "--visit-id", "V017")
    assert isinstance(refused.exception, CombustError)
    assert re.search(r"is incomplete: [^.]*water trap", str(refused.exception))
    assert "leak test" not in str(refused.exception), "what the check showed is in the record"
    rest = {
        k: v for k, v in (BEFORE | CAB).items() if k not in ("fuel", "stage", "location", "o2_dry_pct", "co_dry_ppm")
    }
    rest.pop("taken_at")
    for key, value in rest.items():
        assert at_heater("enter", path, key, value).exit_code == 0, key
    assert at_heater("enter", path, "unchecked", "exchanger").exit_code == 0
    assert at_heater("enter", path, "handed_back", "yes").exit_code == 0
    closed = at_heater("close", path)
    assert "closed, complete" in closed.stdout
    again = at_heater("reopen", path, "--visit-id", "V017", "--reason", "forgot the hours")
    assert "revision 1 stays readable" in again.stderr
    assert at_heater("enter", path, "hours_run", "1412").exit_code == 0
    shown = run("show", path, "--visit-id", "V017")
    assert "forgot the hours" in shown.stdout
    assert "\x1b" not in shown.stdout
    facts = json.loads(run("show", path, "--visit-id", "V017", "--revision", 1, "--json").stdout)
    assert (facts["status"], facts["broken"]) == ("closed, complete", None)
    assert len(json.loads(run("show", path, "--json").stdout)["visits"]) == 1
    assert "V017" in run("show", path).stdout
    out = tmp_path / "readings.csv"
    assert json.loads(run("export", path, "--out", out, "--json").stdout)["rows"] == 1


def test_a_table_hands_no_heater_back_under_a_stop(tmp_path):
    """As typing: the one visit that says so is named, its stop comes first, and nothing of it is written."""
    rows = ["visit_id,location,o2_dry_pct,co_dry_ppm,handed_back", "V1,outdoors,8.2,54,yes", "V2,outdoors,8.2,1500,yes"]
    (tmp_path / "in.csv").write_text("\n".join(rows), encoding="utf-8")
    done = run("add", tmp_path / "w.book", tmp_path / "in.csv")
    assert done.stdout.startswith("STOP. row 3, visit V2: CO in the exhaust (1500 ppm)")
    assert "row 3 refused: stop: exhaust_co_high." in done.stderr
    assert "V2: handed_back = yes contradicts a stop condition" in done.stderr
    with Logbook(tmp_path / "w.book") as opened:
        assert [record.visit_id for record in read_visits(opened)] == ["V1"]
    at_heater("open", tmp_path / "w.book", "h", "--visit-id", "V2", "outdoors")
    typed = at_heater("enter", tmp_path / "w.book", "--visit-id", "V2", "o2", 8.2, "co", 1500, "handed_back", "yes")
    assert "contradicts a stop condition" in str(typed.exception)
    with Logbook(tmp_path / "w.book") as opened:
        assert read_visit(opened, "V2").readings == []
    (tmp_path / "in.csv").write_text("\n".join(rows).replace("1500,yes", "1500,no"), encoding="utf-8")
    assert run("add", tmp_path / "w.book", tmp_path / "in.csv").exit_code == 0


@pytest.mark.parametrize("co", [">4000", "900000"])
def test_co_over_the_range_stops_when_typed_and_from_a_table(tmp_path, co):
    """No number that was not read is kept; what it means is told. Typed, ``>4000`` stays as the instrument said it."""
    text = f"visit_id,location,o2_dry_pct,co_dry_ppm\nV1,outdoors,8.2,{co}\nV2,outdoors,8.2,54\n"
    (tmp_path / "in.csv").write_text(text, encoding="utf-8")
    at_heater("open", tmp_path / "w.book", "h", "--visit-id", "V3", "outdoors")
    typed = at_heater("enter", tmp_path / "w.book", "--visit-id", "V3", "o2", 8.2, "co", co)
    if co == ">4000":
        assert "STOP" in typed.stdout.splitlines()[0]
    else:
        assert "exhaust_co_high" in [stop.code for stop in typed.exception.safety.stops]
    done = run("add", tmp_path / "w.book", tmp_path / "in.csv", "--json")
    kept = co == ">4000"  # as the instrument said it; what cannot be is refused
    assert ("row 2 refused: stop: exhaust_co_high." in done.stderr) is not kept
    assert "exhaust_co_high" in [stop["code"] for stop in json.loads(done.stdout)["safety"]["stops"]]
    with Logbook(tmp_path / "w.book") as opened:
        assert [record.visit_id for record in read_visits(opened)] == ["V3", *["V1"][:kept], "V2"]
        for name in ["V3", *["V1"][:kept]]:
            shown = [reading.get("co_dry_ppm") for reading in read_visit(opened, name).readings]
            assert set(shown) <= {">4000", None}
        assert not kept or "exhaust_co_high" in [stop.code for stop in read_visit(opened, "V1").safety.stops]


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (["check", "smell", "yes"], "check = smell is none of"),
        (["check", "probe_leak"], "has no words behind it"),
        (["event", "flood"], "is none of repair"),
        (["o2", "820"], "fresh air"),
        (["o2"], "has no value behind it"),
        (["oxigen", "8"], "Did you mean oxygen"),
        (["o2", "8", "o2", "9"], "stands twice"),
        (["flue", "300", "at", "yesterday"], "is no date with a time"),
        (["plug", "12 Pa"], "is in Pa, not in V. Give it in V."),
        (["xyzzy"], "is no word"),
        (["flue", "over", "600"], "is only a lower bound"),
        (["pass"], "can mean several things"),
    ],
)
def test_refused_and_nothing_written(tmp_path, typed, told):
    path = tmp_path / "winter.book"
    at_heater("open", path, "heater-0312", "--visit-id", "V1")
    before = path.read_bytes()
    done = at_heater("enter", path, *typed)
    assert isinstance(done.exception, CombustError)
    assert told in str(done.exception)
    assert path.read_bytes() == before


def test_procedure_and_series_commands(tmp_path):
    assert "CO alarm in the cab" in run("procedure").stdout
    rows = ["time_s,o2_dry_pct,fuel,location"] + [
        f"{t},{8.2 + 0.002 * t:.2f},diesel_b7,outdoors" for t in range(0, 250, 10)
    ]
    (tmp_path / "log.csv").write_text("\n".join(rows))
    judged = run("series", tmp_path / "log.csv", "--strict")
    assert judged.exit_code == 4
    assert "no lambda" in judged.stdout
    assert json.loads(run("series", tmp_path / "log.csv", "--json").stdout)["reading"] is None
    at_heater("open", tmp_path / "w.book", "heater-0312", "--visit-id", "V1")
    kept = run("series", tmp_path / "log.csv", "--into", tmp_path / "w.book")
    assert kept.exception.code == "not_steady"
    rows = rows[:1] + [f"{t},8.2,diesel_b7,outdoors" for t in range(0, 250, 10)]
    (tmp_path / "log.csv").write_text("\n".join(rows))
    facts = json.loads(run("series", tmp_path / "log.csv", "--json").stdout)
    assert facts["reading"]["air_ratio"] == pytest.approx(1.60, abs=0.01)
    assert run("series", tmp_path / "log.csv", "--into", tmp_path / "w.book").exit_code == 0
    with Logbook(tmp_path / "w.book") as opened:
        assert [reading["o2_dry_pct"] for reading in read_visit(opened, "V1").readings] == [pytest.approx(8.2)]


@pytest.mark.parametrize(("name", "group"), [("log", command), ("visit", visit_command)])
def test_the_examples_of_every_part_run_in_order(tmp_path, monkeypatch, name, group):
    """The examples in the help of a group and of its parts, typed one after the other in an empty folder."""
    (tmp_path / "data").symlink_to(Path(__file__).parents[2] / "data")
    monkeypatch.chdir(tmp_path)
    seen = []
    for help_text in (group.help, *(part.help for part in group.commands.values())):
        for line in re.sub(r"\\\n\s*", "", help_text).splitlines():
            if line.strip().startswith(f"combust {name} "):
                typed = shlex.split(line.strip())[2:]
                done = CliRunner().invoke(group, typed)
                assert done.exit_code == 0, (typed, done.stderr, done.exception)
                seen.append(typed[0])
    assert set(seen) == set(group.commands)
