"""The pages for a site and for a plan hold what the commands tell."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import pytest

from combust.application.fleet.decisions import KEEP_OFF
from combust.edge.tables.plan_files import load_plan, write_plan_files
from combust.edge.web.settings import Settings
from combust.edge.web.texts import texts
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


def test_a_plan_names_everyone_whose_heater_is_off(settings: Settings, planned: Path) -> None:
    phone = Phone(replace(settings, plan=planned))
    answer = phone.get("/plan")
    plan = load_plan(planned).to_dict()
    assert banner_of(answer.text) == plan["safety"]["text"]
    main = answer.text.partition("<main")[2]
    for one in plan["vehicles"]:
        assert one["vehicle_id"] in main
    off = {one["vehicle_id"] for one in plan["vehicles"] if one["decision"] in KEEP_OFF}
    first = main.partition(texts()["plan"]["sites"])[0]
    assert f"Heater off: {len(off)}" in first
    assert set(re.findall(r"<summary>(\S+) <strong", first)) == off
    for site in plan["sites"]:
        assert f"HEATER OFF: {site['off']} of {site['vehicles']}." in main or not site["off"]
    whole = phone.get("/plan/whole")
    assert whole.content == (planned / "plan.html").read_bytes()
    assert whole.headers["content-disposition"].startswith("attachment")


def test_a_plan_is_searched_by_vehicle_site_and_need(settings: Settings, planned: Path) -> None:
    """What is found is what the rows of the plan say; capitals count for nothing, hostile text finds nothing."""
    phone = Phone(replace(settings, plan=planned))
    vehicles = load_plan(planned).to_dict()["vehicles"]

    def found(query: str) -> list[str]:
        page = phone.get(f"/plan?{query}").text
        check_page(page)
        return re.findall(r"<summary>(\S+) <strong", page)

    some = vehicles[len(vehicles) // 2]
    assert some["vehicle_id"] in found(f"find={some['vehicle_id'].upper()}")
    at_site = {one["vehicle_id"] for one in vehicles if one["site_id"] == some["site_id"]}
    assert set(found(f"find={quote(some['site_id'])}")) >= at_site
    off = [one["vehicle_id"] for one in vehicles if one["decision"] in KEEP_OFF]
    every = found("find=-")
    assert sorted(found("who=off")) == sorted(off)
    assert sorted(every[: len(off)]) == sorted(off), "who is off stands first"
    kits = {one["vehicle_id"] for one in vehicles if one["decision"] == "compensate"}
    assert set(found("who=kit")) == kits
    waxes = {one["vehicle_id"] for one in vehicles if one["fuel_grade"] in ("below", "marginal", "unknown")}
    assert set(found("who=fuel")) == waxes - set(off)
    weak = {one["vehicle_id"] for one in vehicles if one["battery"] in ("too_small", "unknown")}
    assert set(found("who=battery")) == weak - set(off)
    assert found("who=nonsense") == found("")
    for text in HOSTILE:
        assert found(f"find={quote(text)}") == []


def test_a_plan_written_anew_is_read_anew(settings: Settings, planned: Path, tmp_path: Path) -> None:
    copy = tmp_path / "plan"
    shutil.copytree(planned, copy)
    phone = Phone(replace(settings, plan=copy))
    assert "Heater off: 0" not in phone.get("/plan").text
    plan = load_plan(copy)
    write_plan_files(replace(plan, vehicles=plan.vehicles.assign(decision="as_is")), copy)
    os.utime(copy / "plan.jsonl", (1, 1))
    assert "Heater off: 0" in phone.get("/plan").text


def test_no_plan_is_told(phone: Phone, settings: Settings, tmp_path: Path) -> None:
    assert "combust page --plan" in phone.get("/plan").text
    for text in ("", "[]", '{"safety": 1}', "\x00"):
        (tmp_path / "plan.jsonl").write_text(text)
        answer = Phone(replace(settings, plan=tmp_path)).get("/plan")
        assert answer.status_code == 422
        assert "holds no plan" in answer.text
