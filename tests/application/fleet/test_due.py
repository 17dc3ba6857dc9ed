"""A fleet's plan with the winters of its heaters: who is due, who stays off, whatever the names and sites are."""

from __future__ import annotations

import csv
import datetime
from pathlib import Path

import pytest

from combust.edge.logbook.history import heater_log
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked
from tests.edge.runs import DATA, call

pytestmark = pytest.mark.practice

DAY = "2026-11-10"
HEADINGS = ("heater_id", "taken_at", "fuel", "stage", "location", "altitude_m", "intake_temp_c", "o2_dry_pct",
            "co_dry_ppm")  # fmt: skip


def winters(name, *, co=40.0, last="2026-03-05", o2=8.4):
    """Five visits, the last one on a day with a CO of its own."""
    days = [*(f"{year}-11-05" for year in range(2021, 2025)), last]
    fixed = {"heater_id": name, "fuel": "diesel_b0", "stage": "high", "location": "outdoors", "altitude_m": 150}
    rows = [{**fixed, "taken_at": day, "intake_temp_c": 10, "o2_dry_pct": o2, "co_dry_ppm": 40.0} for day in days]
    return [*rows[:-1], rows[-1] | {"co_dry_ppm": co}]


def planned(rows, names, **more):
    """The 20 vehicles at 400 m, each with a heater of its own name where one is given."""
    cars = worked.vehicles(profile="")
    cars = cars[cars["group"] == "V5"].astype(object).reset_index(drop=True)
    for place, name in enumerate(names):
        cars.loc[place, ["heater_id", "profile"]] = name, cars["heater_id"].iloc[place]
    return plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, log=heater_log(rows, on=DAY), **more)


def test_due_this_season_and_not_yet():
    rows = [*winters("A"), *winters("B", last="2026-11-01"), *winters("C", last="2024-11-20")]
    plan = planned(rows, ["A", "B", "C", "D"])
    due = {one.heater_id: one for one in plan.history.due}
    assert set(due) == {"A", "C", "D"}
    assert due["A"].date == datetime.date(2027, 3, 5)  # a year after the last visit: once before each winter
    assert due["C"].date == datetime.date(2026, 11, 10)
    assert (due["D"].date, due["D"].last_visit) == (datetime.date(2026, 11, 10), None)
    assert due["D"].reason == "no visit of it in the log"
    assert ("visits due this season", "3") in plan.lines()
    assert "16 vehicles without a heater of the log" in " ".join(plan.notes)
    assert plan.to_dict()["history"]["due"][0]["date"] == "2026-11-10"


@pytest.mark.parametrize("name", ["A", "a "])
def test_a_heater_whose_last_visit_holds_a_stop_is_off_and_never_only_due(name):
    plan = planned(winters(name, co=4000.0), ["A", "B"])
    cars = plan.vehicles.set_index("vehicle_id")
    one = cars.loc["V5-01"]
    assert (one["decision"], one["safety"], one["cab"], one["fuel_l_per_season"]) == ("stopped", "heater_off", "off", 0)
    assert "STOP" in one["reason"]
    assert [(due.heater_id, due.stopped, due.date) for due in plan.history.due[:1]] == [(name.strip(), True, None)]
    assert plan.safety.stops[0].code == "history_stopped"
    assert f"V5-01 ({name.strip()})" in plan.safety.stops[0].text
    assert plan.sites.set_index("site_id").loc["S5", "off"] == 1
    assert any("HEATER OFF here: V5-01. A stop condition stands in its history" in line for card in plan.cards
               for line in card["lines"])  # fmt: skip
    assert ("heaters that stay off by their last visit", "1") in plan.lines()
    assert "V5-01" not in set(plan.remedies["vehicle_id"])


def test_a_stopped_heater_is_neither_moved_nor_given_a_kit():
    """At 1850 m all twelve need a kit; the one that its last visit stops gets none and stays where it is."""
    cars = worked.vehicles(profile="").astype(object)
    cars.loc[0, ["heater_id", "profile"]] = "A", "limit_1400"
    log = heater_log(winters("A", co=4000.0), on=DAY)
    plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, log=log, max_moves=5)
    before = worked.plan(max_moves=5)
    assert plan.totals["compensation_kits"] == before.totals["compensation_kits"] - 1
    assert "V1-01" not in set(plan.assignment.kits["vehicle_id"]) | set(plan.assignment.moves["vehicle_id"])


def test_a_stop_that_no_vehicle_bears_is_told_with_the_plan():
    plan = planned(winters("Z", co=4000.0), ["B"])
    assert any(one.text.startswith("Z: STOP") for one in plan.safety.stops)
    assert any("in the log and in no vehicle: Z" in note for note in plan.notes)


def test_a_stop_of_the_height_it_was_read_at_is_left_to_the_plan():
    rows = [{**one, "altitude_m": 2900, "o2_dry_pct": 5.0} for one in winters("A")]
    plan = planned(rows, ["A"])
    assert plan.vehicles.set_index("vehicle_id").loc["V5-01", "decision"] != "stopped"
    assert plan.history.due[0].reason == "stopped where it stood then: read it again here"


def test_one_heater_in_two_vehicles_is_told():
    plan = planned(winters("A", co=4000.0), ["A", "A"])
    assert (plan.vehicles["decision"] == "stopped").sum() == 2
    assert any("more than one vehicle" in note for note in plan.notes)


def test_the_command_writes_what_is_due(tmp_path: Path) -> None:
    with (DATA / "larkfell_fleet" / "vehicles.csv").open(newline="", encoding="utf-8") as file:
        cars = list(csv.DictReader(file))
    for car in cars:
        car["profile"] = car["heater_id"]
    cars[0]["heater_id"], cars[1]["heater_id"] = "heater-0107", "heater-0203"
    for place, car in enumerate(cars[2:], start=2):
        car["heater_id"] = f"fresh-{place}"
    cars[-1]["heater_id"] = "heater-0312"
    with (tmp_path / "cars.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, list(cars[0]))
        table.writeheader()
        table.writerows(cars)
    fleet = DATA / "larkfell_fleet"
    run = call("fleet", "--vehicles", str(tmp_path / "cars.csv"), "--sites", str(fleet / "sites.csv"),
               "--profiles", str(fleet / "profiles"), "--history", str(DATA / "larkfell_winters.csv"), "--on", DAY,
               "--out", str(tmp_path / "plan"))  # fmt: skip
    assert run.code == 0
    told = run.out[run.out.index("Due for a visit this season") :]
    assert "fresh-2" in told
    with (tmp_path / "plan" / "due.csv").open(newline="", encoding="utf-8") as file:
        due = list(csv.DictReader(file))
    assert len(due) == len(cars)
    assert {one["date"] for one in due if one["heater_id"] == "heater-0107"} == {"2027-03-22"}
    page = (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
    assert 'id="due"' in page
    assert "visits due this season" in page


def test_the_calendar_holds_what_the_history_makes_due():
    """A is due in March by its last visit, B in the month of its own entry, C is stopped and never only due."""
    rows = [*winters("A"), *winters("C", co=4000.0)]
    cars = worked.vehicles(profile="", service_due_month=float("nan"))
    cars = cars[cars["group"] == "V5"].astype(object).reset_index(drop=True)
    for place, name in ((0, "A"), (2, "C")):
        cars.loc[place, ["heater_id", "profile"]] = name, "limit_1400"
    cars.loc[[1, 2], "service_due_month"] = 9
    plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, log=heater_log(rows, on=DAY))
    due = plan.calendar[plan.calendar["what"] == "heaters due"].set_index("month")["who"].to_dict()
    assert due == {0: "V5-03", 3: "V5-01", 9: "V5-02"}
    lacking = plan.calendar[plan.calendar["detail"].str.startswith("the month in which a heater is due")]
    assert lacking["count"].tolist() == [17]
