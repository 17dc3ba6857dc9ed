"""The demo visits: the generator writes the shipped file, the faults put in are the causes found; figure of a trim."""

import csv
import json
import runpy

import click
import pytest

from combust.application.causes.rank import rank_causes
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.edge import demo_data as place
from combust.edge.cli.main import COMMANDS, cli
from combust.edge.figures.trim import draw_trim
from combust.edge.tables.visits import read_visits
from tests.edge.runs import DATA, ROOT, call

VISITS = DATA / "larkfell_visits.csv"
# (visit, phase): the fault that the generator put in, as the note in the file says.
PUT_IN = {
    ("W301", "before"): "healthy",
    ("W302", "before"): "intake_restricted",
    ("W302", "after"): "healthy",
    ("W304", "before"): "fuel_over",
    ("W305", "before"): "supply_low",
    ("W306", "before"): "sample_wet",
}


def ranked():
    for name in ("heater-0107", "heater-0312"):
        heater = Heater.load(DATA / f"heaters/{name}.toml")
        readings, _ = read_visits(VISITS, heater_id=name)
        yield from rank_causes(heater, readings, next_checks=False)


def test_generator_writes_the_shipped_file(capsys):
    runpy.run_path(str(ROOT / "tools/make_larkfell_visits.py"), run_name="__main__")
    assert capsys.readouterr().out == VISITS.read_text(encoding="utf-8")


def test_faults_put_in_are_the_causes_found():
    found = {(visit.visit_id, visit.phase): visit for visit in ranked()}
    assert {key: found[key].top.cause for key in PUT_IN} == PUT_IN
    assert all(found[key].top.probability > 0.8 for key in PUT_IN)
    assert {"intake_restricted", "exhaust_restricted", "fuel_over"} <= set(found["W303", "before"].cannot_separate[0])
    stopped = {key: [one.code for one in visit.stop] for key, visit in found.items() if visit.stop}
    # W301 stands at 1380 m, above the 1350 m of its profile; snow lies in the intake of W302; a headache in W307.
    assert stopped["W301", "before"] == ["above_heater_limit"]
    assert stopped["W302", "before"] == ["terminals_blocked"]
    own = {key for key, codes in stopped.items() if codes != ["stopped_elsewhere"]}
    assert own == {("W301", "before"), ("W302", "before"), ("W307", "before")}
    # What W307 found keeps its heater off, so that nothing runs it in the other visits of the same table either.
    assert set(stopped) - own == {("W305", "before"), ("W306", "before")}
    assert [key for key, visit in found.items() if visit.adjust] == [("W304", "before")]


def test_demo_ranks_every_visit_and_draws_one(tmp_path):
    run = call("demo", "--out", str(tmp_path))
    assert run.code == 0
    with VISITS.open(encoding="utf-8") as file:
        names = {row["visit_id"] for row in csv.DictReader(file)}
    for name in names:
        assert f"\n{name}  " in run.out
        assert (tmp_path / f"causes_{name}_before.txt").is_file()
    assert "Visit W307: STOP" in run.err
    assert "STOP comes first" in run.out
    assert (tmp_path / "causes_W302.png").stat().st_size > 5_000


def test_demo_says_it_all_as_one_object(tmp_path):
    run = call("demo", "--out", str(tmp_path), "--json")
    told = json.loads(run.out)
    assert told["readings"]["rows"] == told["readings"]["interpreted"] + told["readings"]["refused"]
    by_visit = {(visit["visit_id"], visit["phase"]): visit for visit in told["visits"]}
    assert {key: by_visit[key]["causes"][0]["cause"] for key in PUT_IN} == PUT_IN
    assert by_visit["W307", "before"]["stop"]
    assert "Visit W307: STOP" in run.err
    assert run.err.rstrip().splitlines()[-1].startswith("caution:")


def test_every_command_that_answers_has_json():
    """What serves a page or prints lines for a shell answers nothing."""
    for name in set(COMMANDS) - {"page", "completion"}:
        command = cli.get_command(click.Context(cli), name)
        for one in command.commands.values() if isinstance(command, click.Group) else [command]:
            assert any("--json" in option.opts for option in one.params), f"{name} {one.name}"


def test_trim_figure_says_where_each_stage_lands():
    """1.37 / 0.87 = 1.575 and 1.70 / 0.87 = 1.954 (hand); 0.7 of the fuel takes high to 1.957, over its 1.80."""
    heater = Heater.load(DATA / "heaters/heater-0312.toml")
    read = {"high": 1.37, "low": 1.70}
    assert "high 1.57, inside" in draw_trim(heater, read, fuel_trim_pct=-13.0).get_label()
    figure = draw_trim(heater, read, fuel_trim_pct=-30.0, air_ratio_u=0.02)
    assert "high 1.96, OUTSIDE its band 1.35 to 1.80" in figure.get_label()
    assert figure.axes[0].get_xlabel() == "change of the fuel (%)"


def test_demo_data_is_found_from_below_and_refused_in_words(tmp_path, monkeypatch):
    monkeypatch.chdir(ROOT / "notebooks")
    assert place.demo_data() == DATA
    monkeypatch.chdir(tmp_path)
    assert (place.demo_data() / "heaters").is_dir()
    monkeypatch.setattr(place, "__file__", str(tmp_path / "a/b/c.py"))
    with pytest.raises(CombustError, match="clone"):
        place.demo_data()
