"""`combust mystery` from deal to score, the trainer's key and its accounts, the class sheet, results without names."""

from __future__ import annotations

import csv
import json
import re
import shlex
from dataclasses import replace
from pathlib import Path

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.mystery import Dealer, Play, Statement
from combust.application.mystery import score as score_of
from combust.application.mystery.rules import answers
from combust.edge.cli import mystery as mystery_module
from combust.edge.mystery_files import KeyFile, LearnerFile
from combust.edge.reports.class_sheets import class_pages, results_csv
from tests.application.mystery_study import SALT, dealt
from tests.edge.mystery_case import files_in
from tests.edge.runs import run

FAULTS = shipped_priors().faults


@pytest.fixture
def salt_file(tmp_path):
    path = tmp_path / "salt.txt"
    path.write_text(SALT + "\n", encoding="utf-8")
    return path


@pytest.fixture
def files(tmp_path):
    return files_in(tmp_path)


def test_deal_play_and_score_round_trip(capsys, tmp_path, salt_file):
    file, key, table = tmp_path / "anna.json", tmp_path / "key.json", tmp_path / "results.csv"
    code, out, err = run(
        capsys, "mystery", "deal", "--seed", 2, "--level", "hard", "--salt-file", salt_file, "--out", file, "--key", key
    )
    assert code == 0
    assert "First reading" in out
    assert "Healthy baseline" in out
    assert "caution:" in err
    known = dealt(2)
    assert LearnerFile.read(str(file)).case == known.case
    assert not any(name in file.read_text() + out for name in FAULTS)
    steps = known.steps
    code, out, err = run(capsys, "mystery", "play", file, "--take", steps[0], "--key", key, "--json")
    assert code == 0
    told = json.loads(out)
    assert told["results"][steps[0]] == known.result(steps[0])
    assert told["readings"][0]["o2_dry_pct"] == known.case.first["o2_dry_pct"]
    takes = [word for step in steps[1:] for word in ("--take", step)]
    said = ("--say", f"{known.text}=0.9", "--record", "found=it is plain to see")
    code, out, _ = run(capsys, "mystery", "play", file, *takes, *(["--key", key] if takes else []), *said)
    assert code == 0
    assert "can be done now" in out
    code, out, _ = run(capsys, "mystery", "play", file, "--exclude", "not_steady", "--keep-off", "--json")
    assert json.loads(out)["statement"] == {
        "probabilities": {known.text: 0.9},
        "excluded": ["not_steady"],
        "handed_back": False,
        "record": {"found": "it is plain to see"},
    }
    code, out, _ = run(capsys, "mystery", "score", file, "--key", key, "--csv", table, "--json")
    assert code == 0
    one = json.loads(out)["scores"][0]
    assert one["score"]["right"] == known.text
    statement = Statement.of({known.text: 0.9}, ["not_steady"], False, {"found": "it is plain to see"})
    assert one["score"]["total"] == score_of(Play(known, steps), statement).total
    assert [row["step"] for row in one["steps"]] == ["first reading", *steps]
    rows = list(csv.DictReader(table.open()))
    assert len(rows) == 1
    assert rows[0]["learner"] == KeyFile.read(str(key)).learner_id("anna")
    assert "anna" not in table.read_text()
    run(capsys, "mystery", "score", file, "--key", key, "--csv", table, "--names")
    assert "anna" in table.read_text()


def test_the_same_seed_and_salt_write_the_same_file(capsys, tmp_path, salt_file, monkeypatch):
    monkeypatch.setenv("COMBUST_MYSTERY_SALT", SALT)
    run(
        capsys,
        "mystery",
        "deal",
        "--seed",
        2,
        "--level",
        "hard",
        "--salt-file",
        salt_file,
        "--out",
        tmp_path / "a.json",
    )
    run(capsys, "mystery", "deal", "--seed", 2, "--level", "hard", "--out", tmp_path / "b.json")
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert (tmp_path / "a_key.json").read_bytes() == (tmp_path / "b_key.json").read_bytes()


def test_a_key_of_another_case_is_refused(capsys, tmp_path, files):
    file, key = files(0)
    held = json.loads(key.read_text())
    held["cases"] = {"OTHER": next(iter(held["cases"].values()))}
    key.write_text(json.dumps(held))
    code, _, err = run(capsys, "mystery", "score", file, "--key", key)
    assert (code, "is not in this key" in err) == (3, True)
    for text in ("{}", "[]", '{"format": 2, "ids": "x", "cases": {"A": {}}, "handed_out": {}}'):
        key.write_text(text)
        code, _, err = run(capsys, "mystery", "score", file, "--key", key)
        assert (code, "Traceback" in err) == (3, False)


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["--take", "look_everywhere"], "no check"),
        (["--say", "fuel_over"], "has no ="),
        (["--say", "fuel_over=80"], "not per cent"),
        (["--exclude", "gremlins"], "is none of"),
        (["--record", "poem=x"], "is none of"),
    ],
)
def test_what_the_learner_types_wrong_is_told_and_kept_out(capsys, files, arguments, why):
    file, key = files(0)
    if arguments[0] == "--take":
        arguments = [*arguments, "--key", key]
    before = file.read_text()
    code, out, err = run(capsys, "mystery", "play", file, *arguments)
    assert (code, out) == (3, "")
    assert why in err
    assert json.loads(file.read_text()) == json.loads(before)


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"null", b'{"case": 1}', b"[" * 5000, b'"\xed\xa0\x80"'])
def test_a_file_that_is_no_case_is_refused_without_a_traceback(capsys, tmp_path, content):
    file = tmp_path / "broken.json"
    file.write_bytes(content)
    code, out, err = run(capsys, "mystery", "play", file)
    assert (code, out) == (3, "")
    assert "Traceback" not in err


def test_a_missing_file_and_a_weak_salt_are_refused(capsys, tmp_path):
    assert run(capsys, "mystery", "play", tmp_path / "nothing.json")[0] == 3
    weak = tmp_path / "weak.txt"
    for text in ("abc", "class of 2026", "heater heater heater heater"):
        weak.write_text(text)
        code, _, err = run(capsys, "mystery", "deal", "--seed", 1, "--salt-file", weak, "--out", tmp_path / "x.json")
        assert (code, "too plain" in err) == (3, True)


def test_a_broken_safety_rule_is_said_and_gives_no_result(capsys, files):
    file, key = files(0)
    code, out, err = run(capsys, "mystery", "play", file, "--take", "exhaust_duct_off", "--key", key)
    assert code == 0
    assert "SAFETY" in err
    assert "not made, costs nothing" in out


def test_indoors_nothing_with_the_heater_running_is_offered(capsys, files):
    file, _ = files(0, place="indoors")
    _, out, err = run(capsys, "mystery", "play", file)
    assert "STOP" in err
    offered = re.findall(r"^(\w+) +(on or off|burning|off and cold)", out, re.MULTILINE)
    assert offered
    assert not [name for name, heater in offered if heater == "burning" or name in ("fuel_sample", "pump_delivery")]


def test_a_class_is_ordered_and_the_sheet_shows_no_answer(capsys, tmp_path, salt_file):
    hostile = '<script>alert("x")</script> & co'
    code, out, _ = run(
        capsys, "mystery", "sheet", "--seed", 30, "--topic", "sample_wet=1", "--topic", "heating_air_restricted=1",
        "--level", "easy", "--salt-file", salt_file, "--title", hostile, "--out", tmp_path, "--json",
    )  # fmt: skip
    assert code == 0
    written = json.loads(out)["files"]
    sheet, key = (Path(written[name]).read_text(encoding="utf-8") for name in ("sheet", "key"))
    keys = KeyFile.read(written["key_file"])
    assert [sorted(one.causes) for one in keys.cases.values()] == [["sample_wet"], ["heating_air_restricted"]]
    for page in (sheet, key):
        assert "<script" not in page
        assert page.count("&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt; &amp; co") == 2  # title and heading
        assert all(case_id in page for case_id in keys.cases)
        assert "http" not in page.replace("http-equiv", "")
    for case_id, one in keys.cases.items():
        assert f"Answer: {one.text}." in key
        assert f"Answer: {one.text}." not in sheet
        assert f"{one.result('supply_voltage')['supply_v']:g} V" in key
        assert f"{one.result('supply_voltage')['supply_v']:g} V" not in sheet.replace(_baselines(sheet), "")
        assert LearnerFile.read(written[case_id]).case == one.case
    # Every learner reads what it can be, in words.
    assert all(label.replace("'", "&#39;") in sheet for label in answers().values())


def _baselines(sheet):
    return "".join(re.findall(r"<h3>Healthy baseline.*?</table>", sheet, re.DOTALL))


@pytest.mark.parametrize(
    "order", ["restriction=0", "restriction=61", "restriction=x", "restriction", "restriction=1.5"]
)
def test_an_order_that_cannot_be_is_refused(capsys, tmp_path, salt_file, order):
    code, out, _ = run(
        capsys, "mystery", "sheet", "--seed", 1, "--topic", order, "--salt-file", salt_file, "--out", tmp_path
    )
    assert (code, out) == (3, "")


def test_a_stop_stands_before_the_case_on_the_sheet():
    key = dealt(0)
    key = replace(key, case=replace(key.case, context={**key.case.context, "location": "indoors"}))
    sheet, _ = class_pages([key])
    assert 0 < sheet.index("STOP. The heater is said to stand indoors") < sheet.index("First reading")


def test_the_results_of_a_class(capsys, tmp_path, files):
    for name, said in (("anna", "fuel_under=0,9"), ("ben", "burner_fouled=0.9"), ("=cmd()", "burner_fouled=0.6")):
        file, key = files(0, name)
        run(capsys, "mystery", "play", file, "--say", said)
    every = [tmp_path / f"{name}.json" for name in ("anna", "ben", "=cmd()")]
    code, out, _ = run(capsys, "mystery", "score", *every, "--key", key, "--csv", tmp_path / "r.csv", "--names")
    assert code == 0
    assert "3 played cases, 1 right" in out
    assert "burner_fouled (2)" in out
    assert "sure 80 to 95 %" in out
    rows = list(csv.DictReader((tmp_path / "r.csv").read_text().splitlines()))
    assert [row["learner"] for row in rows] == ["'=cmd()", "anna", "ben"]  # a spreadsheet must not run a name
    found = json.loads(run(capsys, "mystery", "score", *every, "--key", key, "--json")[1])
    assert [row["learner"] for row in found["scores"]] != ["anna", "ben", "=cmd()"]
    assert found["class"]["count"] == 3


def test_results_stand_under_ids_that_the_key_alone_explains():
    one = score_of(Play(dealt(0)), Statement())
    keys = KeyFile({}, Dealer(SALT).learners_secret, {})
    text = results_csv([(keys.learner_id(name), one) for name in ("Zoë", "=cmd()")], ["", ""])
    rows = list(csv.DictReader(text.splitlines()))
    assert [row["learner"] for row in rows] == sorted(keys.learner_id(name) for name in ("Zoë", "=cmd()"))
    assert keys.learner_id("Zoë") == keys.learner_id(" zoë ") != KeyFile({}, "other", {}).learner_id("Zoë")
    assert all(re.fullmatch(r"[0-9a-f]{8}", row["learner"]) for row in rows)
    assert "Zo" not in text
    assert "cmd" not in text


def test_the_examples_of_every_help_text_run(capsys, tmp_path, files, salt_file, monkeypatch):
    monkeypatch.chdir(tmp_path)
    case = dealt(0).case  # each under a name of its own

    def deal(self, seed, level="medium", **order):
        return replace(dealt(0), case=replace(case, case_id=case.case_id if seed == 7 else f"{seed:06d}"))

    monkeypatch.setattr(Dealer, "deal", deal)
    for name in ("anna", "ben"):
        files(0, name)
    group = mystery_module.command
    texts = [group.help, *(group.commands[name].help for name in ("deal", "play", "score", "sheet"))]
    lines = [line.strip() for text in texts for line in text.splitlines() if line.strip().startswith("combust mystery")]
    assert len(lines) == 8
    for line in lines:
        if "--take" in line:  # a step is made once
            (tmp_path / "key.json").unlink()
            files(0)
        code, _, err = run(capsys, *shlex.split(line)[1:])
        assert code == 0, (line, err)


@pytest.mark.regression
@pytest.mark.parametrize("wrong", [("--take", "nonsense"), ("--say", "nonsense=2"), ("--say", "fuel_over=x")])
def test_a_list_that_is_refused_is_not_made_in_part(capsys, files, wrong):
    file, key = files(0, place="indoors")
    before = file.read_text(), key.read_text()
    code, out, err = run(capsys, "mystery", "play", file, "--take", "move_outdoors", *wrong, "--key", key)
    assert (code, out) == (3, "")
    assert "Not accepted, nothing was computed" in err
    assert (file.read_text(), key.read_text()) == before


@pytest.mark.regression
def test_what_is_refused_for_a_stop_costs_nothing_and_can_be_made_outdoors(capsys, files):
    file, key = files(0, place="indoors")
    held = json.loads(key.read_text())
    for one in held["cases"].values():
        one["case"]["context"]["location"] = "indoors"
    key.write_text(json.dumps(held))
    code, out, err = run(capsys, "mystery", "play", file, "--take", "port_pressures", "--key", key)
    assert (code, "not made, costs nothing" in out, "It was not made and costs nothing." in err) == (0, True, True)
    assert "Used: 0 min" in out
    code, _, err = run(capsys, "mystery", "play", file, "--take", "port_pressures", "--key", key)
    assert (code, "still stands" in err) == (3, True)
    takes = ("--take", "move_outdoors", "--take", "port_pressures")
    code, out, _ = run(capsys, "mystery", "play", file, *takes, "--key", key, "--json")
    told = json.loads(out)
    assert told["results"]["port_pressures"] == dealt(0).result("port_pressures")
    assert told["steps"] == ["port_pressures", "move_outdoors", "port_pressures"]
    assert told["breaches"] == ["running_indoors"]
