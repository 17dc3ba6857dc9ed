"""The commands profile and duct as a user meets them: examples, exit codes, streams, JSON, refusals."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.edge.cli import duct as duct_module
from combust.edge.cli import profile as profile_module
from tests.edge.runs import run

ROOT = Path(__file__).parents[2]
PROFILE = str(ROOT / "data/heaters/heater-0312.toml")


def examples_of(command):
    """Return the example lines of a command's help; indented lines continue the one before."""
    block = re.split(r"Examples?:\n", command.help)[1].split("\n\n")[0]
    examples = []
    for line in block.splitlines():
        if line.strip().startswith("combust"):
            examples.append(line.strip())
        else:
            examples[-1] = examples[-1].rstrip("\\") + line.strip()
    return examples


COMMANDS = [
    profile_module.command,
    profile_module.command.commands["new"],
    profile_module.command.commands["check"],
    duct_module.command,
]
EXAMPLES = [line for command in COMMANDS for line in examples_of(command)]


@pytest.mark.parametrize("line", EXAMPLES)
def test_every_example_of_the_help_runs(line, capsys, tmp_path, monkeypatch):
    (tmp_path / "data").symlink_to(ROOT / "data")
    monkeypatch.chdir(tmp_path)
    assert line.startswith("combust ")
    code, out, _ = run(capsys, *line.split()[1:])
    assert code == 0
    assert out


def test_there_are_examples():
    assert len(EXAMPLES) == 9


def test_new_writes_a_file_once_and_never_over_another(capsys, tmp_path):
    path = tmp_path / "heater.toml"
    code, out, _ = run(capsys, "profile", "new", "--fuel", "diesel_b7", "--out", path)
    assert code == 0
    assert "profile check" in out
    before = path.read_text(encoding="utf-8")
    code, out, err = run(capsys, "profile", "new", "--out", path)
    assert (code, out) == (3, "")
    assert "exists already" in err
    assert path.read_text(encoding="utf-8") == before
    # not filled in yet: refused, with lines
    code, out, err = run(capsys, "profile", "check", path)
    assert (code, out) == (3, "")
    assert re.search(r"line \d+: baseline\[1\]\.o2_dry_pct = \? is still the placeholder", err)


def test_new_as_json_holds_the_text_it_would_print(capsys):
    plain = run(capsys, "profile", "new", "--fuel", "diesel_b7")[1]
    found = json.loads(run(capsys, "profile", "new", "--fuel", "diesel_b7", "--json")[1])
    assert found["profile"] == plain
    assert found["out"] is None


def test_check_prints_one_json_object_and_findings_beside_it(capsys):
    code, out, err = run(capsys, "profile", "check", PROFILE, "--json")
    found = json.loads(out)
    assert code == 0
    assert found["accepted"] is True
    assert found["heater_id"] == "heater-0312"
    assert found["stages"][0]["efficiency_net_pct"] == pytest.approx(79.5, abs=0.05)
    assert "caution:" in err


def test_check_refuses_with_every_fault_and_its_line(capsys, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        'fule = "diesel_b7"\n[stages.high]\nfuel_l_per_h = 43\nair_ratio_band = [1.8, 1.3]\n', encoding="utf-8"
    )
    code, out, err = run(capsys, "profile", "check", path, "--json")
    assert code == 3
    assert len(json.loads(out)["faults"]) >= 3
    for line in (1, 3, 4):
        assert f"- line {line}: " in err
    assert "Did you mean fuel?" in err


def test_strict_ends_with_four_when_there_is_a_warning(capsys, tmp_path):
    path = tmp_path / "warn.toml"
    path.write_text(
        'fuel = "diesel_b7"\n[stages.high]\n[[baseline]]\nstage = "high"\no2_dry_pct = 8.2\n', encoding="utf-8"
    )
    code, out, err = run(capsys, "profile", "check", path, "--strict")
    assert code == 4
    assert "accepted" in out
    assert "warn: The healthy reading of stage high has no CO" in err
    assert run(capsys, "profile", "check", path)[0] == 0
    assert run(capsys, "profile", "check", PROFILE, "--strict")[0] == 0


def test_usage_mistakes_end_with_two_and_a_near_match(capsys):
    code, _, err = run(capsys, "profile", "chekc", PROFILE)
    assert code == 2
    assert "combust profile check" in err
    code, _, err = run(capsys, "duct", "--wall", "rough")
    assert code == 2
    assert "corrugated" in err


DUCT = [
    "duct",
    "--fuel",
    "diesel_b7",
    "--fuel-l-per-h",
    "0.495",
    "--air-ratio",
    "1.6",
    "--flue-temp",
    "380",
    "--length",
    "1",
]
DUCT += ["--bore", "24", "--bends-90", "0", "--wall", "corrugated"]


@pytest.mark.practice
def test_duct_acceptance_from_the_command_line(capsys):
    # common practice, no source: 4 kW high, 24 mm corrugated exhaust about 113 Pa/m +- 40 %; 24 to 18 mm x4.2
    code, out, err = run(capsys, *DUCT, "--crushed-to", "18", "--json")
    found = json.loads(out)
    assert code == 0
    assert found["now"]["per_metre_pa"] == pytest.approx(113, rel=0.05)
    assert 2 * found["now"]["per_metre_u_share"] == pytest.approx(0.40, abs=0.005)
    assert found["multiplier_of_bore_alone"] == pytest.approx(4.2, abs=0.05)
    assert found["multiplier"]["low"] < 4.2 < found["multiplier"]["high"]
    assert "lambda could fall" in err


@pytest.mark.hand
def test_two_more_metres_from_a_profile(capsys):
    code, out, _ = run(capsys, "duct", "--heater", PROFILE, "--stage", "high", "--add-length", "2", "--json")
    found = json.loads(out)
    assert code == 0
    assert found["shape"]["length_m"] == 0.8
    assert found["changed_shape"]["length_m"] == pytest.approx(2.8, rel=1e-12)
    added = found["changed"]["loss_pa"] - found["now"]["loss_pa"]
    assert added == pytest.approx(2 * found["now"]["per_metre_pa"], rel=1e-9)
    assert found["assumed"]["flue_temp_c"] == {"value": 330.0, "unit": "°C", "origin": "healthy reading"}
    assert found["multiplier_of_bore_alone"] is None


@pytest.mark.hand
def test_other_units_of_the_duct_command(capsys):
    plain = json.loads(run(capsys, *DUCT, "--altitude", "304.8", "--json")[1])
    feet = json.loads(run(capsys, *DUCT, "--altitude-ft", "1000", "--json")[1])
    assert feet["pressure_hpa"] == pytest.approx(plain["pressure_hpa"], rel=1e-12)


def test_refusals_of_the_duct_command_are_told_at_once(capsys):
    code, out, err = run(capsys, "duct", "--fuel", "dieesl")
    assert (code, out) == (3, "")
    assert "fuel_l_per_h is needed" in err
    assert "air_ratio is needed" in err
    assert "Did you mean diesel" in err
    code, _, err = run(capsys, *DUCT, "--bore", "24 kg", "--share", "0.1", "x")
    assert code == 3
    assert "bore_mm = 24 kg is not a number. Give a plain number in mm" in err
    assert "share = x" in err
    code, _, err = run(capsys, "duct", "--heater", PROFILE)
    assert code == 3
    assert "--stage, one of high, low" in err
    code, _, err = run(capsys, *DUCT, "--crushed-length", "0.1")
    assert code == 3
    assert "--crushed-to" in err
    assert run(capsys, "duct", "--heater", PROFILE, "--stage", "hgih")[0] == 3


def test_strict_duct_and_the_words_that_are_never_said(capsys):
    code, out, err = run(capsys, *DUCT, "--crushed-to", "18", "--strict")
    assert code == 4
    assert not re.search(r"\bsafe\b", out + err, re.IGNORECASE)
    assert "Not judged yet: this is a calculation." in err
    assert "No stop condition" not in out + err


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=200))
@settings(max_examples=60, suppress_health_check=list(HealthCheck), deadline=None)
def test_any_text_as_a_profile_ends_in_words(capsys, tmp_path, text):
    path = tmp_path / "any.toml"
    path.write_text(text, encoding="utf-8")
    code, out, err = run(capsys, "profile", "check", path)
    assert code in (0, 3)
    assert (code == 0) == bool(out)
    assert err


NUMBER_TEXTS = st.one_of(
    st.floats().map(str), st.integers().map(str), st.text(max_size=6).filter(lambda x: "\0" not in x)
)


@given(NUMBER_TEXTS, NUMBER_TEXTS, NUMBER_TEXTS, NUMBER_TEXTS, NUMBER_TEXTS)
@settings(max_examples=80, suppress_health_check=list(HealthCheck), deadline=None)
def test_any_numbers_for_a_duct_end_in_words(capsys, flow, ratio, temp, bore, part):
    options = {"--fuel-l-per-h": flow, "--air-ratio": ratio, "--flue-temp": temp, "--bore": bore, "--crushed-to": "15"}
    options |= {"--length": "1", "--crushed-length": part, "--fuel": "diesel_b7", "--bends-90": "1"}
    code, out, _ = run(capsys, "duct", "--json", *(f"{key}={value}" for key, value in options.items()))
    assert code in (0, 2, 3)
    if code == 0:
        json.loads(out)
