"""What newcomers stumbled over on the first walk, kept from coming back."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from combust.application.causes.catalogue import shipped_priors
from tests.edge.runs import DATA, call

pytestmark = pytest.mark.regression

HEATER_0312 = str(DATA / "heaters" / "heater-0312.toml")
READ = ("cause", "--heater", HEATER_0312, "--o2-dry", "4.84", "--stage", "high", "--location", "outdoors", "--no-pairs")


def test_a_fleet_history_without_profiles_says_why_there_is_no_risk() -> None:
    run = call("history", str(DATA / "larkfell_winters.csv"), "--fleet")
    assert "no band" not in run.out
    assert re.search(
        r"No risk of heater-\d+.*: the lowest lambda stands in the profile\. Give it.*--heater FILE", run.err
    )


def test_a_check_that_is_half_done_asks_for_the_other_half_only() -> None:
    whole = " ".join(call(*READ).out.split())
    half = " ".join(call(*READ, "--intake-static-pa", "-140", "--probe-leak-test", "pass").out.split())
    assert "Measure the static pressure at the intake and the exhaust port." in whole
    check = shipped_priors().checks["port_pressures"]
    assert "at the exhaust port too" in check.left({"intake_static_pa"})
    assert "at the intake port too" in check.left({"exhaust_static_pa"})
    assert check.left(set()) == check.sentence
    assert "at the intake and the exhaust port" not in half
    assert "Cap the tip" not in half


def test_no_line_of_the_checks_is_wider_than_a_terminal() -> None:
    checks = [line for line in call(*READ).out.splitlines() if line.startswith("  ")]
    assert max(map(len, checks)) <= 110


def test_an_order_that_is_not_known_names_the_options_to_add() -> None:
    run = call("supply", "--battery", "12.2", "--length", "5", "--area", "1.5", "--disconnect", "11.5")
    assert "not known yet" in run.err
    assert "Add --cutout V with --run-current A." in run.err


def test_a_conflict_and_a_failed_start_are_told_as_what_would_be() -> None:
    given = ("--battery", "12.2", "--length", "5", "--area", "1.5", "--run-current", "2.5", "--cutout", "10.5")
    assert "it would cut a burning heater" in call("supply", *given, "--disconnect", "11.5").err
    assert "1 failed start(s) put" not in call("start", "--heater", str(DATA / "heaters" / "heater-0107.toml")).err


def test_site_and_reading_state_the_same_kind_of_uncertainty() -> None:
    arguments = ("site", "--altitude", "2000", "--intake-temp", "0", "--heater", HEATER_0312)
    page, told = call(*arguments), call(*arguments, "--json").json
    spread = re.search(r"in full, with hot gas +([\d.]+) ± ([\d.]+) \(95 %\)", page.out)
    assert spread
    assert float(spread[2]) == pytest.approx(2.0 * told["air_ratio_full_u"], abs=0.006)
    assert all("95 %" in line for line in page.out.splitlines() if re.search(r"[\d.] ± [\d.]", line))


def test_what_cannot_be_told_stands_in_one_line() -> None:
    pair = ("--o2-dry", "7.54", "--co2-dry", "8.53", "--co2-origin", "measured", "--location", "outdoors")
    out = call("reading", "--fuel", "diesel", *pair).out
    assert out.count("cannot be told") == 2
    assert out.startswith("lambda (air ratio)")


def test_the_plan_calls_a_kit_a_kit_and_the_heater_the_unit(tmp_path: Path) -> None:
    tables = DATA / "larkfell_fleet"
    files = ("--vehicles", str(tables / "vehicles.csv"), "--sites", str(tables / "sites.csv"))
    run = call("fleet", *files, "--out", str(tmp_path))
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    for text in (run.out, page):
        assert "compensation kit" in text
        assert not re.search(r"compensation units?\b|[Uu]nits (now|needed)|needs a unit", text)


@pytest.mark.parametrize(
    "words",
    [
        ("reading", "--o2-dry", "4,8", "--flue-temp-f", "626,5", "--location", "outdoors"),
        ("supply", "--battery", "11,4", "--plug-glow", "9,9", "--glow-current", "8,5"),
        ("start", "--heater", HEATER_0312, "--supply-glow", "9,9", "--start-event", "never_lit", "--cut-at", "10,5"),
        ("site", "--altitude", "210,5", "--intake-temp", "-4,5", "--heater", HEATER_0312),
    ],
)
def test_a_decimal_comma_is_read_in_an_option_as_in_a_line_of_a_visit(words) -> None:
    comma, point = call(*words, "--json"), call(*(word.replace(",", ".") for word in words), "--json")
    assert comma.code == 0, comma.err
    assert comma.json == point.json


def test_a_comma_that_can_be_a_thousands_mark_is_not_guessed_at() -> None:
    refused = call("reading", "--o2-dry", "8", "--co-dry", "1,200")
    assert refused.code == 3
    assert "co_dry_ppm" in refused.err
    assert call("reading", "--o2-dry", "8.200", "--location", "outdoors").code == 0
