"""Who cheats with a learner's file: a copy, a changed case, a fresh file after the answer, results of another."""

from __future__ import annotations

import csv
import json
import re

import pytest

from tests.application.mystery_study import dealt
from tests.edge.mystery_case import files_in
from tests.edge.runs import run


@pytest.fixture
def files(tmp_path):
    return files_in(tmp_path)


def test_no_result_lies_in_the_learners_file_and_none_comes_without_the_key(capsys, files):
    file, key = files(0)
    code, out, err = run(capsys, "mystery", "play", file, "--take", "heating_air")
    assert (code, out) == (3, "")
    assert "The trainer hands it out" in err
    hidden = dealt(0).results["heating_air"]["air_out_temp_c"]
    assert str(hidden) not in file.read_text()
    assert str(hidden) in key.read_text()


def test_a_copy_buys_nothing_and_is_seen(capsys, tmp_path, files):
    # A learner who plays a copy to look behind every check and hands in the first file: the account knows.
    file, key = files(0, "anna")
    copy = tmp_path / "anna2.json"
    copy.write_text(file.read_text())
    run(capsys, "mystery", "play", copy, "--take", "heating_air", "--take", "port_pressures", "--key", key)
    code, out, _ = run(capsys, "mystery", "score", file, "--key", key)
    assert code == 0
    assert "Also handed out: anna2 (2 of case" in out
    # What is taken out of the learner's own file afterwards is paid all the same.
    before = file.read_text()
    run(capsys, "mystery", "play", file, "--take", "span_gas", "--key", key)
    file.write_text(before)
    _, out, _ = run(capsys, "mystery", "score", file, "--key", key, "--json")
    assert json.loads(out)["scores"][0]["score"]["parts"]["cost"] == -3.4  # 10 min + 12 / 0.5, a tenth of a point each
    code, _, err = run(capsys, "mystery", "play", file, "--take", "span_gas", "--key", key)
    assert (code, "made already" in err) == (3, True)
    assert "lacks what was handed out: span_gas. Is it a fresh copy, or the file of another learner?" in err
    code, _, err = run(capsys, "mystery", "score", file, key, "--key", key)
    assert (code, "stands among what is only read too. Leave it out there" in err) == (3, True)
    named, _ = files(0, f"case_{dealt(0).case.case_id}")  # as the sheet wrote it, for everybody
    assert "like anna.json" in run(capsys, "mystery", "play", named, "--take", "ambient_air", "--key", key)[2]


def test_a_result_that_was_written_into_the_file_is_no_evidence(capsys, files):
    file, key = files(0)
    held = json.loads(file.read_text())
    held["shown"] = [{"step": "heating_air", "result": {"air_out_temp_c": 140.0, "air_in_temp_c": 5.0}}]
    file.write_text(json.dumps(held))
    _, out, _ = run(capsys, "mystery", "score", file, "--key", key, "--json")
    assert [row["step"] for row in json.loads(out)["scores"][0]["steps"]] == ["first reading"]


@pytest.mark.regression
def test_a_case_that_was_changed_in_the_file_is_told_and_the_key_counts(capsys, tmp_path, files):
    file, key = files(0, "anna")
    held = json.loads(file.read_text())
    held["case"] |= {"budget": 500.0, "site": "the pub"}
    held["case"]["first"]["o2_dry_pct"] += 1.0
    file.write_text(json.dumps(held))
    _, out, err = run(capsys, "mystery", "play", file, "--take", "ambient_air", "--key", key, "--json")
    assert "anna: the file says budget_min 500: 150 was dealt, and counts." in err
    assert json.loads(out)["budget_min"] == 150.0
    code, out, _ = run(capsys, "mystery", "score", file, "--key", key, "--csv", tmp_path / "r.csv")
    assert code == 0
    told = re.findall(r"^To look at: anna: the file says (\w+)", out, re.MULTILINE)
    assert told == ["budget_min", "o2_dry_pct", "site"]
    (row,) = csv.DictReader((tmp_path / "r.csv").open())
    assert "says budget_min 500" in row["to_look_at"]


@pytest.mark.regression
def test_a_file_that_is_handed_in_fresh_after_the_answer_was_told_is_told(capsys, tmp_path, files):
    file, key = files(0, "anna")
    fresh, right = file.read_text(), dealt(0).text
    looked = lambda *names: json.loads(  # noqa: E731
        run(capsys, "mystery", "score", *(tmp_path / f"{name}.json" for name in names), "--key", key, "--json")[1]
    )["scores"]
    run(capsys, "mystery", "play", file, "--take", "span_gas", "--take", "supply_voltage", "--key", key)
    run(capsys, "mystery", "play", file, "--say", "burner_fouled=0.9")
    first = looked("anna")
    assert first[0]["to_look_at"] == []
    assert looked("anna") == first, "the same file scored again is as it was"
    file.unlink()
    (tmp_path / "Anna.json").write_text(fresh)
    run(capsys, "mystery", "play", tmp_path / "Anna.json", "--say", f"{right}=0.99")
    again = looked("Anna")[0]
    assert again["to_look_at"] == [
        "lacks what was handed out: span_gas, supply_voltage",
        "was scored before with another statement (burner_fouled 0.9)",
    ]
    assert again["score"]["parts"]["cost"] == first[0]["score"]["parts"]["cost"], "capitals are no other learner"
    run(capsys, "mystery", "play", tmp_path / "Anna.json", "--take", "cab_co", "--key", key)
    assert "got 1 step after its answer was told" in looked("Anna")[0]["to_look_at"]
    # Of a copy under another name the key knows who was told before, and that the first try is missing; no more.
    (tmp_path / "ben.json").write_text(fresh)
    _, _, err = run(capsys, "mystery", "play", tmp_path / "ben.json", "--take", "ambient_air", "--key", key)
    assert "was told before, with the score of anna: ben may know it." in err
    _, out, _ = run(capsys, "mystery", "score", tmp_path / "ben.json", "--key", key)
    assert "was told before, with the score of anna: ben may know it." in out
    assert "Also handed out: anna (3 of case" in out
    assert "hand-outs are counted" in " ".join(run(capsys, "mystery", "score", "--help")[1].split()).lower()
    account = json.loads(key.read_text())
    for row in account["scored"][dealt(0).case.case_id].values():
        row["statement"] = {}  # what was said is gone from the account
    key.write_text(json.dumps(account))
    assert "was scored before with another statement (none)" in looked("Anna")[0]["to_look_at"]


@pytest.mark.regression
def test_results_of_another_are_told(capsys, tmp_path, files):
    file, key = files(0, "anna")
    run(capsys, "mystery", "play", file, "--take", "supply_voltage", "--key", key)
    (tmp_path / "ben.json").write_text(file.read_text())
    held = json.loads(file.read_text())
    held["shown"][0]["result"]["supply_v"] += 1.0
    file.write_text(json.dumps(held))
    found = run(capsys, "mystery", "score", file, tmp_path / "ben.json", "--key", key, "--json")[1]
    assert [one["to_look_at"] for one in json.loads(found)["scores"]] == [
        ["shows another result than was handed out: supply_voltage"],
        ["shows what was never handed out: supply_voltage"],
    ]
