"""The command cause as a user meets it: the example, exit codes, streams, JSON, tables, figure, refusals."""

import json
import shlex
from pathlib import Path

import pytest

from combust.application.causes.rank import rank_causes
from combust.domain.heater import Heater
from combust.edge.cli import cause as cause_module
from combust.edge.figures.causes import draw_steps, evidence_in_steps
from tests.edge.runs import run

ROOT = Path(__file__).parents[2]
PROFILE = str(ROOT / "data/heaters/heater-0312.toml")
RICH = ["--o2-dry", "4.84", "--stage", "high", "--location", "outdoors"]


EXAMPLES = [row.strip() for row in cause_module.command.help.splitlines() if row.strip().startswith("combust cause")]


@pytest.mark.parametrize("line", EXAMPLES)
def test_examples_of_the_help_run(capsys, monkeypatch, line):
    monkeypatch.chdir(ROOT)
    code, out, err = run(capsys, *shlex.split(line)[1:])
    assert code == 0
    assert "not told apart yet" in out
    assert "checks to make next" in out
    assert "No stop condition" not in out + err  # lambda lies in the soot range; two visits have blocked terminals
    assert "Carbon monoxide kills" in err


def test_json_is_one_object_and_agrees_with_the_library(capsys):
    code, out, err = run(capsys, "cause", "--heater", PROFILE, *RICH, "--json")
    assert code == 0
    table = json.loads(out)
    reading = {"o2_dry_pct": 4.84, "stage": "high", "location": "outdoors"}
    found = rank_causes(Heater.load(PROFILE), reading).to_dict()
    assert table["visits"] == json.loads(json.dumps(found["visits"]))
    assert "caution" in err


def test_unknown_location_stops_and_proposes_nothing_that_runs(capsys):
    code, out, err = run(capsys, "cause", "--heater", PROFILE, "--o2-dry", 4.84, "--stage", "high", "--json")
    assert code == 0
    visit = json.loads(out)["visits"][0]
    assert [stop["code"] for stop in visit["stop"]] == ["location_unknown"]
    assert not {"supply_voltage", "port_pressures", "fuel_sample"} & {row["check"] for row in visit["next_checks"]}
    assert "STOP" in err
    strict = run(capsys, "cause", "--heater", PROFILE, "--o2-dry", 4.84, "--stage", "high", "--strict")
    assert strict[0] == 4


def test_a_pressure_that_is_probably_in_another_unit_is_told(capsys):
    code, out, err = run(capsys, "cause", "--heater", PROFILE, *RICH, "--intake-static=-1.4")
    assert code == 0
    assert "intake_static_pa = -1.4 Pa" in out + err


def test_table_of_visits_with_rows_of_other_heaters_and_a_bad_one(capsys, tmp_path):
    table = tmp_path / "visits.csv"
    table.write_text(
        "visit_id;heater_id;stage;location;o2_dry_pct;altitude_ft\n"
        "V1;heater-0312;high;outdoors;4,8;600\n"
        "V1;heater-0312;low;outdoors;9,0;600\n"
        "V2;heater-0107;high;outdoors;8,2;600\n"
        "V3;heater-0312;high;outdoors;43;600\n"
        "V4;heater-0312;high;outdoors;8,2;600\n",
        encoding="utf-8",
    )
    out_file = tmp_path / "out.json"
    code, out, err = run(capsys, "cause", "--heater", PROFILE, table, "--json", "--no-pairs", "--out", out_file)
    assert code == 0
    found = json.loads(out)
    assert [visit["visit_id"] for visit in found["visits"]] == ["V1", "V4"]
    assert len(found["refused"]) == 2
    assert "1 row of other heaters passed over." in err
    assert "row 5" in err
    assert json.loads(out_file.read_text(encoding="utf-8")) == found


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--heater", PROFILE], "VISITS"),
        (["--heater", PROFILE, "--o2-dry", "44"], "o2_dry_pct"),
        (["--heater", PROFILE, "--o2-dry", "5", "--stage", "turbo"], "stage"),
        (["--heater", "no-such.toml", "--o2-dry", "5"], "no-such.toml"),
    ],
)
def test_refusals_say_what_and_end_with_three(capsys, arguments, word):
    code, out, err = run(capsys, "cause", *arguments)
    assert code == 3
    assert word in err
    assert out == ""


def test_figure_shows_each_check(capsys, tmp_path):
    picture = tmp_path / "steps.svg"
    evidence = ["--flue-temp", "365", "--supply-v", "12.5", "--ambient-o2", "20.9"]
    code, _, _ = run(capsys, "cause", "--heater", PROFILE, *RICH, *evidence, "--figure", picture)
    assert code == 0
    assert picture.stat().st_size > 2_000
    rows = [{"stage": "high", "location": "outdoors", "o2_dry_pct": 4.84, "supply_v": 12.5, "ambient_o2_pct": 20.9}]
    rows.append({**rows[0], "arrangement": "intake_duct_off", "o2_dry_pct": 7.8})
    steps = evidence_in_steps(rows)
    assert [name for name, _ in steps] == ["first reading", "ambient_air", "supply_voltage", "intake_duct_off"]
    assert "supply_v" not in steps[1][1][0]
    figure = draw_steps(Heater.load(PROFILE), rows, pairs=False)
    assert "At the end: " in figure.get_label()
    assert figure.axes[0].get_xlabel() == "probability (%)"
    named = draw_steps(Heater.load(PROFILE), rows, pairs=False, name="V017").axes[0].get_title(loc="left")
    assert named.startswith("Visit V017: ")
    assert "no stop condition found in what was entered" in named
