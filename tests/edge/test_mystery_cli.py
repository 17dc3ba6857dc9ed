"""`combust mystery` from deal to score, the class sheet, and the results without names."""

from __future__ import annotations

import csv
import json
import re
import shlex
from pathlib import Path

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.mystery import Dealer, MysteryCase, Play, Statement
from combust.application.mystery import score as score_of
from combust.edge.cli import mystery as mystery_module
from combust.edge.reports.class_sheets import class_pages, results_csv
from tests.edge.runs import run

SALT = "lanterns along the Combe road"
FAULTS = shipped_priors().faults


@pytest.fixture
def salt_file(tmp_path):
    path = tmp_path / "salt.txt"
    path.write_text(SALT + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def dealer():
    return Dealer(SALT)


def test_deal_play_and_score_round_trip(capsys, tmp_path, salt_file, dealer):
    file, table = tmp_path / "anna.json", tmp_path / "results.csv"
    code, out, err = run(
        capsys, "mystery", "deal", "--seed", 2, "--level", "easy", "--salt-file", salt_file, "--out", file
    )
    assert code == 0
    assert "First reading" in out
    assert "caution:" in err
    case = MysteryCase.from_dict(json.loads(file.read_text())["case"])
    answer = dealer.open(case)
    assert not any(name in file.read_text() + out for name in FAULTS)
    steps = [*answer.steps[:1], *answer.steps[1:]]
    code, out, err = run(capsys, "mystery", "play", file, "--take", steps[0], "--json")
    assert code == 0
    told = json.loads(out)
    assert told["results"][steps[0]] == case.result(steps[0])
    assert told["readings"][0]["o2_dry_pct"] == case.first["o2_dry_pct"]
    takes = [word for step in steps[1:] for word in ("--take", step)]
    code, out, _ = run(
        capsys, "mystery", "play", file, *takes, "--say", f"{answer.text}=0.9", "--record", "found=it is plain to see"
    )
    assert code == 0
    assert "can be done now" in out
    code, out, _ = run(capsys, "mystery", "play", file, "--exclude", "not_steady", "--keep-off", "--json")
    assert json.loads(out)["statement"] == {
        "probabilities": {answer.text: 0.9},
        "excluded": ["not_steady"],
        "handed_back": False,
        "record": {"found": "it is plain to see"},
    }
    code, out, _ = run(capsys, "mystery", "score", file, "--salt-file", salt_file, "--csv", table, "--json")
    assert code == 0
    one = json.loads(out)["scores"][0]
    assert one["right"] == answer.text
    assert one["total"] == pytest.approx(sum(one["parts"].values()), abs=0.4)
    statement = Statement.of({answer.text: 0.9}, ["not_steady"], False, {"found": "it is plain to see"})
    assert one["total"] == score_of(dealer, Play(case, tuple(steps)), statement).total
    rows = list(csv.DictReader(table.open()))
    assert len(rows) == 1
    assert rows[0]["learner"] == dealer.learner_id("anna")
    assert "anna" not in table.read_text()
    assert answer.text not in table.read_text()


def test_the_same_seed_and_salt_write_the_same_file(capsys, tmp_path, salt_file):
    for name in ("a.json", "b.json"):
        run(capsys, "mystery", "deal", "--seed", 5, "--salt-file", salt_file, "--out", tmp_path / name)
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()


def test_the_salt_comes_from_the_environment_too(capsys, tmp_path, monkeypatch, dealer):
    monkeypatch.setenv("COMBUST_MYSTERY_SALT", SALT)
    code, _, _ = run(capsys, "mystery", "deal", "--seed", 1, "--level", "easy", "--out", tmp_path / "c.json")
    assert code == 0
    dealer.open(MysteryCase.from_dict(json.loads((tmp_path / "c.json").read_text())["case"]))


def test_another_salt_and_an_altered_file_are_refused(capsys, tmp_path, salt_file):
    file, other = tmp_path / "case.json", tmp_path / "other.txt"
    run(capsys, "mystery", "deal", "--seed", 3, "--level", "easy", "--salt-file", salt_file, "--out", file)
    other.write_text("a sentence of somebody else")
    run(capsys, "mystery", "play", file, "--keep-off")
    code, _, err = run(capsys, "mystery", "score", file, "--salt-file", other)
    assert (code, "another salt" in err) == (3, True)
    held = json.loads(file.read_text())
    held["case"]["first"]["co_dry_ppm"] += 1.0
    file.write_text(json.dumps(held))
    code, _, err = run(capsys, "mystery", "score", file, "--salt-file", salt_file)
    assert (code, "altered" in err) == (3, True)


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
def test_what_the_learner_types_wrong_is_told_and_kept_out(capsys, tmp_path, dealer, arguments, why):
    file = tmp_path / "case.json"
    file.write_text(json.dumps(Play(dealer.deal(3, "easy")).to_dict()))
    before = file.read_text()
    code, out, err = run(capsys, "mystery", "play", file, *arguments)
    assert (code, out) == (3, "")
    assert why in err
    assert json.loads(file.read_text()) == json.loads(before)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"case": 1}', "[" * 5000, "\ud800".encode("utf-8", "ignore").decode()]
)
def test_a_file_that_is_no_case_is_refused_without_a_traceback(capsys, tmp_path, text):
    file = tmp_path / "broken.json"
    file.write_text(text)
    code, out, err = run(capsys, "mystery", "play", file)
    assert (code, out) == (3, "")
    assert "Traceback" not in err


def test_a_missing_file_and_a_short_salt_are_refused(capsys, tmp_path):
    assert run(capsys, "mystery", "play", tmp_path / "nothing.json")[0] == 3
    short = tmp_path / "short.txt"
    short.write_text("abc")
    code, _, err = run(capsys, "mystery", "deal", "--seed", 1, "--salt-file", short, "--out", tmp_path / "x.json")
    assert (code, "too short" in err) == (3, True)


def test_a_broken_safety_rule_is_said_and_gives_no_result(capsys, tmp_path, dealer):
    file = tmp_path / "case.json"
    file.write_text(json.dumps(Play(dealer.deal(3, "easy")).to_dict()))
    code, out, err = run(capsys, "mystery", "play", file, "--take", "exhaust_duct_off")
    assert code == 0
    assert "SAFETY" in err
    assert "no columns" in out


def test_indoors_nothing_with_the_heater_running_is_offered(capsys, tmp_path, dealer):
    case = next(one for one in (dealer.deal(s, "easy") for s in range(60)) if one.context["location"] == "indoors")
    file = tmp_path / "case.json"
    file.write_text(json.dumps(Play(case).to_dict()))
    _, out, err = run(capsys, "mystery", "play", file)
    assert "STOP" in err
    offered = re.findall(r"^(\w+) +(any|running|off) ", out, re.MULTILINE)
    assert offered
    assert not [name for name, heater in offered if heater == "running" or name in ("fuel_sample", "pump_delivery")]


def test_the_sheet_shows_no_answer_and_the_key_does(capsys, tmp_path, salt_file, dealer):
    hostile = '<script>alert("x")</script> & co'
    code, out, _ = run(
        capsys, "mystery", "sheet", "--seed", 30, "--count", 2, "--level", "easy", "--salt-file", salt_file,
        "--title", hostile, "--out", tmp_path, "--json",
    )  # fmt: skip
    assert code == 0
    files = json.loads(out)["files"]
    sheet, key = (Path(files[name]).read_text(encoding="utf-8") for name in ("sheet", "key"))
    cases = [dealer.deal(30 + number, "easy") for number in range(2)]
    for page in (sheet, key):
        assert "<script" not in page
        assert page.count("&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt; &amp; co") == 2  # title and heading
        assert all(case.case_id in page for case in cases)
        assert "http" not in page
    assert not any(name in sheet for name in FAULTS)
    for case in cases:
        assert f"Answer: {dealer.open(case).text}." in key
        assert f"ambient_o2_pct {case.result('ambient_air')['ambient_o2_pct']:g} vol %" in key
        assert json.loads(Path(files[case.case_id]).read_text())["case"] == case.to_dict()
    assert {"sheet", "key", *(case.case_id for case in cases)} == set(files)


def test_a_stop_stands_before_the_case_on_the_sheet(dealer):
    case = next(one for one in (dealer.deal(s, "easy") for s in range(60)) if one.context["location"] == "indoors")
    sheet, _ = class_pages([case], dealer)
    assert 0 < sheet.index("STOP. The heater is said to stand indoors") < sheet.index("First reading")


def test_a_forged_case_file_never_reaches_a_page(dealer):
    case = dealer.deal(31, "easy")
    fields = {name: getattr(case, name) for name in case.__slots__}
    marked = MysteryCase(**{**fields, "site": "<img src=x onerror=alert(1)>"})
    # Another site does not open with the salt, so a forged file never reaches a page.
    with pytest.raises(ValueError, match="altered"):
        class_pages([marked], dealer)


def test_results_stand_under_ids_that_the_salt_alone_explains(dealer):
    case = dealer.deal(31, "easy")
    one = score_of(dealer, Play(case), Statement())
    text = results_csv([("Zoë", one), ("=cmd()", one)], dealer)
    rows = list(csv.DictReader(text.splitlines()))
    assert [row["learner"] for row in rows] == sorted(dealer.learner_id(name) for name in ("Zoë", "=cmd()"))
    assert dealer.learner_id("Zoë") == dealer.learner_id(" zoë ") != Dealer("some other sentence").learner_id("Zoë")
    assert all(re.fullmatch(r"[0-9a-f]{8}", row["learner"]) for row in rows)
    assert "Zo" not in text
    assert "cmd" not in text


def test_the_examples_of_every_help_text_run(capsys, tmp_path, salt_file, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("anna.json", "ben.json"):
        run(capsys, "mystery", "deal", "--seed", 7, "--level", "easy", "--salt-file", salt_file, "--out", name)
        run(capsys, "mystery", "play", name, "--keep-off")
    group = mystery_module.command
    texts = [group.help, *(group.commands[name].help for name in ("deal", "play", "score", "sheet"))]
    lines = [line.strip() for text in texts for line in text.splitlines() if line.strip().startswith("combust mystery")]
    assert len(lines) == 8
    for line in lines:
        if "--take" in line:
            run(
                capsys,
                "mystery",
                "deal",
                "--seed",
                7,
                "--level",
                "easy",
                "--salt-file",
                salt_file,
                "--out",
                "case.json",
            )
        code, _, err = run(capsys, *shlex.split(line)[1:])
        assert code == 0, (line, err)
