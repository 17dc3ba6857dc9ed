"""What a planner reads first: names that are nearly alike, fuel grades on the cold side, kits within a limit."""

from __future__ import annotations

import pandas as pd
import pytest

from combust.application.fleet.nights import as_typed, colder
from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked

pytestmark = pytest.mark.hand


def planned(cars: pd.DataFrame, sites: pd.DataFrame | None = None, **more: object) -> FleetPlan:
    return plan_fleet(cars, worked.sites() if sites is None else sites, heaters=worked.HEATERS, **more)  # type: ignore[arg-type]


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
    assert asked["detail"].tolist() == ["S5: not known, needs a plugging point of -8 °C or lower"]  # -5 less 3
    assert asked["count"].tolist() == [20]
