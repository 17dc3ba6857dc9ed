"""What a planner reads first: names that are nearly alike, fuel grades on the cold side, kits within a limit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from combust.application.fleet.decisions import RUNS
from combust.application.fleet.nights import as_typed, colder
from combust.application.fleet.plan import FleetPlan
from combust.edge.reports.fleet_page import plan_page
from combust.edge.reports.html import unbroken
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked

pytestmark = pytest.mark.hand


def planned(cars: pd.DataFrame, sites: pd.DataFrame | None = None, **more: Any) -> FleetPlan:
    return plan_fleet(cars, worked.sites() if sites is None else sites, heaters=worked.HEATERS, **more)


def test_a_fuel_grade_is_never_rounded_to_the_warm_side() -> None:
    """-23.5 °C less 3 K is -26.5 °C; a fuel of -26 °C is not enough, -23.2 °C is no -23 °C."""
    assert [colder(one) for one in (-26.5, -26.04, -26.0, -0.04, 2.0)] == ["-26.5", "-26.1", "-26", "-0.1", "2"]
    assert [as_typed(one) for one in (-15.5, -15.0, -0.0)] == ["-15.5", "-15", "0"]
    cars = worked.vehicles().query("group == 'V5'")
    for point, said in ((-26.0, "marginal (-26 °C): better -26.5 °C or lower"), (-20.0, "buy -26.5 °C or lower")):
        plan = planned(cars, worked.sites(cold_filter_plugging_c=point).assign(design_temp_c=-23.5))
        assert said in plan.sites["fuel_grade"].iloc[0]
        assert plan.parts["detail"].str.contains("plugging point -26.5 °C or lower").any()
        assert "night -23.5 °C" in plan.vehicles["reason"].iloc[0]
        assert "-23.5 to 15 °C" in plan.cards[0]["title"]


def test_the_list_of_parts_names_sites_whose_fuel_grade_is_not_known() -> None:
    plan = planned(worked.vehicles().query("group == 'V5'"), worked.sites().drop(columns="cold_filter_plugging_c"))
    asked = plan.parts[plan.parts["part"] == "fuel grade to ask for"]
    assert asked["detail"].tolist() == ["S5: not known, needs a plugging point of -8 °C or lower (EN 590 class D)"]
    assert asked["count"].tolist() == [20]


@pytest.mark.parametrize("twin", ["V1 -01", "\uff361-01", "V1\u200b-01"])
def test_vehicles_whose_names_are_nearly_alike_are_told_everywhere(twin: str) -> None:
    """The one at 1850 m stays off (limit 1400 m), its twin at 400 m may run."""
    cars = worked.vehicles().query("vehicle_id in ['V1-01', 'V5-01']").replace({"vehicle_id": {"V5-01": twin}})
    plan = planned(cars)
    assert len(plan.vehicles) == 2
    fault = plan.faults.query("column == 'vehicle_id'").iloc[0]
    assert (fault["severity"], fault["row"]) == ("warned", 3)
    assert "V1-01 (row 2)" in fault["text"]
    assert fault["text"] in plan.warnings
    assert fault["text"] in plan.to_dict()["warnings"]
    assert all("V1-01 at S1 (HEATER OFF)" in " ".join(card["lines"]) for card in plan.cards)
    html = plan_page(plan, {}, title="t")
    assert html.index('<p class="warn">vehicle_id') < html.index("<h2>Sites")


def test_sites_and_routes_whose_names_are_nearly_alike_are_told() -> None:
    cars = worked.vehicles().query("group in ['V1', 'V5']").assign(route_id=["pass"] * 31 + ["pa ss"])
    sites = worked.sites().replace({"site_id": {"S5": "S 1"}})
    cars["site_id"] = cars["site_id"].replace({"S5": "S 1"})
    routes = pd.DataFrame({"route_id": ["pass"], "altitude_m": [900], "minutes": [10]})
    plan = plan_fleet(cars, sites, routes, heaters=worked.HEATERS)
    assert {"site_id", "route_id"} <= set(plan.faults.query("code == 'duplicate'")["column"])
    assert "another site of nearly this name: S 1" in plan.cards[0]["lines"][0]
    cars["site_id"] = cars["site_id"].replace({"S 1": "SITE  ONE"})
    sites["site_id"] = sites["site_id"].replace({"S 1": "site_one"})
    assert (
        planned(cars, sites.replace({"site_id": {"site_one": "site one"}}))
        .faults["text"]
        .str.contains("Did you mean site one")
        .any()
    )


def test_lambda_below_its_minimum_stands_beside_the_stop() -> None:
    cars = worked.vehicles().query("group in ['V1', 'V5']")
    plan = planned(cars, policy={"air_ratio_min": 1.55})
    low = int((plan.vehicles["safety"] == "outdoors_only").sum())
    assert low == 20  # lambda 1.60 at sea level is 1.52 and less by 400 m alone (sigma 0.95)
    assert list(plan.to_dict())[:2] == ["safety", "warnings"]
    assert "for 20 of 32 vehicles" in plan.to_dict()["warnings"][0]
    assert "untrimmed" in plan.warnings[0]
    html = plan_page(plan, {}, title="t")
    assert html.index("STOP.") < html.index("Lambda falls below its minimum for 20") < html.index("<h2>Sites")
    assert dict(plan.lines())["lambda below its minimum, of heaters that may run: not to be run untrimmed"] == "20"


def test_a_fault_names_its_vehicle() -> None:
    cars = worked.vehicles().iloc[:4].astype(object)
    cars.loc[0, "cab_ua_w_per_k"] = "fifty"
    cars.loc[[1, 2], "site_id"] = "nowhere"
    told = planned(cars).faults["text"].tolist()
    assert "V1-01" in told[0]
    assert "(rows 3: V1-02, 4: V1-03)" in told[1]


def test_the_reason_of_a_move_is_true_of_the_place_moved_to() -> None:
    """Each vehicle that was moved is planned anew where it goes."""
    data = Path(__file__).parents[3] / "data" / "larkfell_fleet"
    cars, files = pd.read_csv(data / "vehicles.csv"), {"profiles": data / "profiles", "policy": data / "policy.toml"}
    plan = plan_fleet(cars, data / "sites.csv", max_kits=3, max_moves=99, **files)
    moves = plan.assignment.moves.set_index("vehicle_id")
    moved = cars.assign(site_id=cars["vehicle_id"].map(moves["to_site"]).fillna(cars["site_id"]))
    there = plan_fleet(moved, data / "sites.csv", with_assignment=False, **files).vehicles.set_index("vehicle_id")
    here = plan.vehicles.set_index("vehicle_id")
    for name, reason in moves["reason"].items():
        decision = there.loc[name, "decision"]
        end = reason.split(": ", 1)[1]
        assert (end == "may run there") == (decision in RUNS)
        assert (end == "with a kit it may run there") <= (decision == "compensate")
        if "here a kit could have helped" in end:
            assert here.loc[name, "decision"] in ("compensate", "no_kit_left")
            assert decision == "barred"
    assert moves["reason"].str.contains("here a kit could have helped").any()


def test_a_name_does_not_break_at_its_hyphen_on_the_page() -> None:
    assert unbroken("car-1, <b>-x") == '<span class="id">car-1,</span> <span class="id">&lt;b&gt;-x</span>'
    html = plan_page(planned(worked.vehicles()), {}, title="t")
    assert '<span class="id">V1-01' in html
    assert ".id { white-space: nowrap; }" in html
