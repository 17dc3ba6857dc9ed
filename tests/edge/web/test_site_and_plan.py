"""The pages for a site and for a plan hold what the commands tell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from combust.edge.tables.plan_files import load_plan
from combust.edge.web.settings import Settings
from tests.edge.runs import ROOT, call
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone, banner_of

pytestmark = pytest.mark.regression
AIR = {"heater": "heater-0312", "altitude_m": "2000", "intake_temp_c": "0"}


def test_a_site_tells_what_the_command_tells(phone: Phone) -> None:
    answer = phone.post("/site", AIR)
    heater = ROOT / "data" / "heaters" / "heater-0312.toml"
    told = call("site", "--altitude", "2000", "--intake-temp", "0", "--heater", str(heater), "--json")
    assert answer.status_code == 200
    assert f">{told.json['air_ratio_full']:.2f}<" in answer.text
    # above the heater's own limit of 1350 m: the stop comes first, and lambda is not the largest thing
    assert banner_of(answer.text).startswith("STOP")
    assert answer.text.index("STOP") < answer.text.index("lambda there")
    assert 'class="number"' not in answer.text
    assert "withheld" in answer.text


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"altitude_m": ""}, "Type the height of the site."),
        ({"intake_temp_c": ""}, "Type the air at the intake"),
        ({"heater": ""}, "Choose one"),
        ({"heater": "heater-0313"}, "heater-0312"),
        ({"altitude_m": "99999"}, "altitude_m"),
    ],
)
def test_what_is_missing_or_wrong_is_told_at_its_field(phone: Phone, typed: dict[str, str], said: str) -> None:
    answer = phone.post("/site", AIR | typed)
    assert answer.status_code == 422
    assert said in answer.text
    assert 'aria-invalid="true"' in answer.text


def test_feet_and_fahrenheit(phone: Phone) -> None:
    phone.post("/units", {"units": "us"}, page="/")
    # 6562 ft = 2000.1 m (1 ft = 0.3048 m exactly, NIST SP 811), 32 °F = 0 °C
    answer = phone.post("/site", {"heater": "heater-0312", "altitude_ft": "6562", "intake_temp_f": "32"})
    assert answer.status_code == 200
    assert "2000 m is above" in banner_of(answer.text)


@pytest.mark.parametrize("text", HOSTILE)
def test_no_text_becomes_markup(phone: Phone, text: str) -> None:
    answer = phone.post("/site", dict.fromkeys(AIR, text))
    assert answer.status_code == 422
    check_page(answer.text)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out, demo = tmp_path_factory.mktemp("plan"), ROOT / "data" / "larkfell_fleet"
    tables = ["--vehicles", demo / "vehicles.csv", "--sites", demo / "sites.csv", "--policy", demo / "policy.toml"]
    assert call("fleet", *map(str, tables), "--out", str(out)).code == 0
    return out


def test_a_plan_names_everyone_whose_heater_is_off(settings: Settings, planned: Path) -> None:
    phone = Phone(replace(settings, plan=planned))
    answer = phone.get("/plan")
    plan = load_plan(planned)
    assert banner_of(answer.text) == plan.safety.lines()[0]
    main = answer.text.partition("<main")[2]
    for vehicle in plan.vehicles["vehicle_id"]:
        assert vehicle in main
    for site in plan.sites.itertuples():
        assert f"HEATER OFF: {site.off} of {site.vehicles}." in main or not site.off
    whole = phone.get("/plan/whole")
    assert whole.content == (planned / "plan.html").read_bytes()
    assert whole.headers["content-disposition"].startswith("attachment")


def test_no_plan_is_told(phone: Phone, settings: Settings, tmp_path: Path) -> None:
    assert "combust page --plan" in phone.get("/plan").text
    for text in ("", "[]", '{"safety": 1}', "\x00"):
        (tmp_path / "plan.jsonl").write_text(text)
        answer = Phone(replace(settings, plan=tmp_path)).get("/plan")
        assert answer.status_code == 422
        assert "holds no plan" in answer.text
