"""What a planner stumbled over: tables as spreadsheets save them, names by hand, one question asked in two ways."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from combust.application.fleet.difference import plan_difference
from combust.edge.reports.difference_page import prices_of, write_difference
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked
from tests.edge.runs import DATA, run

pytestmark = pytest.mark.hand
FLEET = DATA / "larkfell_fleet"


def as_saved(frame: pd.DataFrame, path: Path) -> Path:
    """Write a table as a spreadsheet of a country with decimal commas saves it: mark of order, semicolons, CR LF."""
    text = frame.to_csv(index=False, sep=";", decimal=",", lineterminator="\r\n")
    path.write_bytes(text.encode("utf-8-sig"))
    return path


def test_names_in_other_capitals_are_taken_and_those_nearly_right_proposed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cars = pd.read_csv(FLEET / "vehicles.csv").head(6)
    cars.loc[0, "site_id"] = cars.loc[0, "site_id"].upper()
    cars.loc[1, "heater_id"] = "SMALL"
    cars.loc[2, "route_id"] = "COAST_ROUND"
    tables = ("--vehicles", as_saved(cars, tmp_path / "cars.csv"), "--sites", FLEET / "sites.csv", "--routes",
              FLEET / "routes.csv", "--profiles", FLEET / "profiles")  # fmt: skip
    code, _, err = run(capsys, "fleet", *tables, "--out", tmp_path / "plan")
    assert code == 0
    assert "Did you mean" not in err  # a name is case-blind
    change = "battery_ah = 200 where site_id = hut_glimerwick"
    code, _, err = run(capsys, "fleet", *tables, "--change", change, "--out", tmp_path / "plan")
    assert code == 3
    assert "Did you mean hut_glimmerwick?" in err


def test_a_question_mark_is_not_known_and_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Battery, its voltage, ventilation and what is fitted: the row is planned; of W/K by the policy, told."""
    cars = pd.read_csv(FLEET / "vehicles.csv").head(4).astype(object)
    cars.loc[0, "battery_ah"], cars.loc[1, "battery_v"], cars.loc[2, "compensation"] = "?", " ? ", "?"
    cars.loc[3, "cab_ua_w_per_k"] = "?"
    sites = pd.read_csv(FLEET / "sites.csv").astype(object)
    sites.loc[0, ["median_temp_c", "cold_filter_plugging_c"]] = "?"
    tables = ("--vehicles", as_saved(cars, tmp_path / "c.csv"), "--sites", as_saved(sites, tmp_path / "s.csv"))
    code, out, err = run(
        capsys, "fleet", *tables, "--profiles", FLEET / "profiles", "--out", tmp_path / "plan", "--json"
    )
    told = json.loads(out)
    assert code == 0
    assert told["rows"]["vehicles"] == {"read": 4, "planned": 4, "refused": 0}
    by_name = {row["vehicle_id"]: row for row in told["vehicles"]}
    names = cars["vehicle_id"].tolist()
    assert [by_name[name]["battery"] for name in names[:2]] == ["unknown", "unknown"]
    assert "not entered: the plugging point of the fuel, battery charge or voltage" in by_name[names[0]]["reason"]
    assert by_name[names[2]]["compensation"] == "none"
    assert "cab_ua_w_per_k was not measured: planned with 75 W/K of the policy" in err
    assert names[3] in err


def test_every_way_to_ask_for_another_heater_gives_one_answer() -> None:
    cars = worked.vehicles().assign(profile="")
    cars.loc[::2, "profile"] = cars.loc[::2, "heater_id"]  # some name it in one column, some in the other
    where = "where altitude_m >= 2000 and heater_id = limit_1400"
    told = [
        plan_fleet(
            cars, worked.sites(), heaters=worked.HEATERS, changes=changes, with_sensitivity=False, with_assignment=False
        ).vehicles
        for changes in (
            ["type limit_1400 = limit_2400 where altitude_m >= 2000"],
            [f"heater_id = limit_2400 {where}"],
            [f"profile = limit_2400 {where}"],
            [],
        )
    ]
    assert plan_difference(told[0], told[1]).cells.empty
    assert plan_difference(told[0], told[2]).cells.empty
    assert not plan_difference(told[0], told[3]).cells.empty


def test_the_fleet_that_demo_copies_runs_from_anywhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, _ = run(capsys, "demo", "--out", "mine")
    assert code == 0
    command = re.search(r"start from: combust fleet (.*)", out)
    assert command is not None
    assert all(Path(word).exists() for word in command[1].split() if word.endswith((".csv", ".toml")))
    elsewhere = tmp_path / "far away"
    shutil.copytree(tmp_path / "mine" / "fleet", elsewhere)
    monkeypatch.chdir(elsewhere)
    files = [part for name in ("vehicles", "sites", "routes") for part in (f"--{name}", f"{name}.csv")]
    code, second, _ = run(capsys, "fleet", *files, "--policy", "policy.toml", "--out", "plan")
    assert code == 0
    assert "48 of 48 vehicles planned" in second


def test_a_difference_is_written_as_csv_too(tmp_path: Path) -> None:
    tables = {"vehicles": FLEET / "vehicles.csv", "sites": FLEET / "sites.csv", "profiles": FLEET / "profiles"}
    two, five = (plan_fleet(**tables, max_kits=kits, with_assignment=False).vehicles for kits in (2, 5))
    write_difference(plan_difference(two, five), tmp_path)
    for name in ("cells", "decisions", "sums"):
        table = pd.read_csv(tmp_path / f"difference_{name}.csv")
        assert len(table) == len(pd.read_parquet(tmp_path / f"difference_{name}.parquet"))
    decisions = pd.read_csv(tmp_path / "difference_decisions.csv")
    assert decisions["count"].sum() == 3  # three kits more
    assert set(decisions["after"]) == {"OFF: needs kit"}
    sums = pd.read_csv(tmp_path / "difference_sums.csv").set_index("what")
    assert sums.loc["compensation kits to fit", "change"] == 3


def test_the_money_of_a_difference_is_the_money_of_the_plans() -> None:
    """31 kits and 4 spares (a tenth, rounded up) against 15 and 2: 18 * 700 less, by hand; fuel has no price."""
    prices = {"price_compensation_kit": 700}
    free, fifteen = (worked.plan(policy=prices, max_kits=kits) for kits in (None, 15))
    told = plan_difference(
        free.vehicles, fifteen.vehicles, (prices_of(free.assumptions), prices_of(fifteen.assumptions))
    ).sums.set_index("what")
    row = told.loc["grand total of kits, spares and fuel, in the money of the policy"]
    assert (free.totals["cost"], fifteen.totals["cost"]) == (35 * 700, 17 * 700)
    assert (row["before"], row["after"], row["change"]) == (35 * 700, 17 * 700, -18 * 700)


def test_a_difference_tells_grades_that_are_not_known_and_heaters_that_no_sum_holds() -> None:
    """A waxing fuel that is changed for one of unknown grade is no gain; 9 of the 41 small heaters stand at S2."""
    tables = (worked.vehicles(), worked.sites(cold_filter_plugging_c=-4))
    changes = ((), ("fuel = paraffinic",), ("type limit_1400 = limit_2400 where site_id = S2",))
    plain, fuel, swapped = (
        plan_fleet(*tables, heaters=worked.HEATERS, changes=change, with_assignment=False).vehicles
        for change in changes
    )
    sums = plan_difference(plain, fuel).sums.set_index("what")["change"]
    assert sums["fuel grade below the coldest night, of heaters that may run"] == -20
    assert sums["fuel grade not known, of heaters that may run"] == 20
    assert not sums.index.str.startswith("heaters of type").any()  # the same heaters on another fuel
    sums = plan_difference(plain, swapped).sums.set_index("what")["change"]
    told = {name: change for name, change in sums.items() if str(name).startswith("heaters of type")}
    assert told == {
        "heaters of type limit_1400; what they cost is in no sum (price_heater in the policy)": -9,
        "heaters of type limit_2400; what they cost is in no sum (price_heater in the policy)": 9,
    }


def test_what_a_kit_alone_does_not_mend_is_said_and_bought() -> None:
    """A kit for a heater whose fuel waxes and whose battery is too small gives no warm night by itself."""
    cars, sites = worked.vehicles(), worked.sites()
    cars.loc[cars["vehicle_id"] == "V1-03", "battery_ah"] = 20
    sites.loc[sites["site_id"] == "S2", "cold_filter_plugging_c"] = -10  # its night is -18 °C
    sites["cold_filter_plugging_c"] = sites["cold_filter_plugging_c"].mask(sites["site_id"] == "S3")
    plan = plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False)
    text = plan.kits.set_index("vehicle_id")["text"]
    assert text["V1-01"].startswith("one heater more runs: 120 nights")
    assert text["V1-03"].startswith("not by the kit alone, the battery is too small; then one heater more runs")
    assert text["V2-01"].startswith("not by the kit alone, the fuel waxes; then")
    assert text["V3-01"].startswith("not by the kit alone, the plugging point of the fuel is not known; then")
    parts = plan.parts.set_index("part")
    assert parts.loc["battery, with the kit", "who"] == "V1-03"
    assert parts.loc["winter fuel, with the kit", "count"] == 9  # everybody at S2
    assert parts.loc["fuel grade to ask for, with the kit", "count"] == 6  # everybody at S3
    grades = plan.sites.set_index("site_id")["fuel_grade"]
    assert grades["S2"].startswith("no heater runs; with the kits: WAXES (-10 °C): buy ")
    assert grades["S3"].startswith("no heater runs; with the kits: not known")


def test_a_driver_whose_heater_stays_off_is_told_of_the_night_without_heat() -> None:
    plan = plan_fleet(worked.vehicles(), worked.sites(), heaters=worked.HEATERS, with_assignment=False)
    lines = {card["site_id"]: " ".join(card["lines"]) for card in plan.cards}
    for site, cold in (("S1", -12), ("S2", -18), ("S3", -25), ("S4", -15)):
        assert (
            f"A cab whose heater is off has no heat, {cold} °C on the coldest night: agree where to sleep"
            in lines[site]
        )
    assert "has no heat" not in lines["S5"]  # all of them run


def test_another_fuel_says_that_no_gasoline_heater_gets_diesel() -> None:
    changes = ["fuel = 0.8 diesel_b7 + 0.2 kerosene by volume"]
    plan = plan_fleet(worked.vehicles(), worked.sites(), heaters=worked.HEATERS, with_assignment=False, changes=changes)
    note = next(note for note in plan.notes if note.startswith("changed: fuel"))
    assert "a heater made for gasoline where this is diesel, or the other way, keeps its own" in note
