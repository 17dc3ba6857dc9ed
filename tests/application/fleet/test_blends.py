"""Blends of fuels in a plan: lambda by the pump's volume, a plugging point that is never worked out from the parts."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from combust.application.fleet.overview import grade_to_buy
from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import foreign, worked

BLEND = "0.8 diesel_b0 + 0.2 biodiesel_b100 by volume"


def planned(fuel: str = "", sold: str = "", **site: Any) -> FleetPlan:
    cars = worked.vehicles().assign(fuel=fuel)
    return plan_fleet(cars, worked.sites(**site).assign(fuel=sold), heaters=worked.HEATERS)


# The pump meters volume. Air per litre: diesel without FAME 835 kg/m3 * 14.59 = 12183; methyl ester 880 kg/m3 *
# (1 + 1.857/4 - 0.1072/2)/0.20946 * 28.965/(12.011 + 1.857 * 1.008 + 0.1072 * 15.999) = 880 * 12.506 = 11005; four to
# one 11947: lambda 12183/11947 = 1.020 times. Heat: (0.8 * 835 * 42.78 + 0.2 * 880 * 37.52)/(835 * 42.78) = 0.985.
@pytest.mark.hand
@pytest.mark.parametrize("where", ["tank", "site"])
def test_a_blend_moves_lambda_and_heat_by_the_pump_s_volume(where: str) -> None:
    before = planned().vehicles
    after = (planned(fuel=BLEND) if where == "tank" else planned(sold=BLEND)).vehicles
    assert (after["base_air_ratio"] / before["base_air_ratio"]).to_numpy() == pytest.approx(1.020, abs=1e-3)
    assert (after["nominal_heat_kw"] / before["nominal_heat_kw"]).to_numpy() == pytest.approx(0.985, abs=1e-3)
    assert after["heater"].str.endswith(f"on {BLEND}").all()
    typed = planned(fuel="80 % diesel_b0 + 20 % biodiesel_b100").vehicles
    assert typed["base_air_ratio"].tolist() == after["base_air_ratio"].tolist()


# Common practice, no source: waxes of one part can plug a filter that either part would pass.
@pytest.mark.practice
def test_a_plugging_point_of_a_blend_is_never_worked_out_from_its_parts() -> None:
    sold = {"cold_filter_plugging_c": -44}  # the coldest class there is, and still nothing is known of the blend
    plan = planned(fuel="0.8 diesel_b7 + 0.2 kerosene", **sold)
    assert set(plan.vehicles["fuel_grade"]) == {"unknown"}
    told = " ".join(plan.parts.loc[plan.parts["part"] == "fuel grade to ask for", "detail"])
    assert "each part of the blend" in told
    assert "does not follow from those of its parts" in told
    assert set(planned(**sold).vehicles["fuel_grade"]) == {"fits"}
    # What was entered for the blend as it is sold counts as entered.
    assert set(planned(sold=BLEND, cold_filter_plugging_c=5).vehicles["fuel_grade"]) == {"below"}


@pytest.mark.practice
@pytest.mark.parametrize("blend", ["0.9 diesel_b7 + 0.1 gasoline_e5", "0.5 gasoline_e5 + 0.5 kerosene by mass"])
def test_gasoline_is_in_no_blend_of_a_diesel_heater(blend: str) -> None:
    """Common practice, no source: neither heater gets such a mixture, whoever brought it."""
    cars = foreign.vehicles(3, 60)
    for given in ({"cars": cars.assign(fuel=blend)}, {"sold": blend}):
        frame = cars if "sold" in given else given["cars"]
        sites = foreign.sites().assign(fuel=given.get("sold", ""))
        with pytest.raises(Exception, match="no fuel for a heater made for"):
            plan_fleet(frame, sites, heaters=foreign.heaters())


@pytest.mark.hand
def test_a_blend_of_gasolines_is_for_gasoline_heaters_and_the_others_get_theirs_elsewhere() -> None:
    sold = "0.5 gasoline_e0 + 0.5 gasoline_e10"
    plan = plan_fleet(foreign.vehicles(3, 60), foreign.sites().assign(fuel=sold), heaters=foreign.heaters())
    on_it = plan.vehicles["heater"].str.contains(" on ")
    assert set(plan.vehicles.loc[on_it, "heater"]) == {f"rill on {sold} by volume"}
    assert on_it.equals(plan.vehicles["heater"].str.startswith("rill"))
    assert set(plan.vehicles.loc[on_it, "fuel_grade"]) == {"no_plugging_point"}


@pytest.mark.hand
def test_a_blend_that_cannot_be_is_told_with_its_vehicle() -> None:
    cars = worked.vehicles().assign(fuel="")
    cars.loc[0, "fuel"], cars.loc[1, "fuel"] = "0.8 diesel_b7 + 0.3 kerosene", "diesel_b7 + kerosene"
    told = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS).faults["text"].tolist()
    assert "is the sum of the shares, not 1" in told[0]
    assert cars["vehicle_id"][0] in told[0]
    assert "0.8 diesel_b7 + 0.2 kerosene by volume" in told[1]


# EN 590 (from memory): class E plugs at -15, F at -20, the arctic ones at -26, -32, -38 and -44 °C.
@pytest.mark.memory
@pytest.mark.published
@pytest.mark.parametrize(
    ("needed", "grade"),
    [(-15.0, "class E"), (-15.1, "class F"), (-20.0, "class F"), (-22.3, "arctic class 1"), (-44.0, "arctic class 4"),
     (-44.1, "no class")],
)  # fmt: skip
def test_the_grade_to_buy_has_its_class(needed: float, grade: str) -> None:
    assert grade in grade_to_buy(needed)


@pytest.mark.hand
def test_a_site_tells_the_worst_of_its_fuels_first() -> None:
    """One vehicle brought a fuel of its own: it is not known, the others wax."""
    cars = worked.vehicles().assign(fuel="")
    at = cars.index[cars["site_id"] == "S3"]
    cars.loc[at[0], "fuel"] = "kerosene"
    sites = worked.sites(cold_filter_plugging_c=-5).assign(design_temp_c=-20)
    heaters = {
        name: worked.heater(4800.0, limits={"altitude_m": 4800, "air_ratio_min": 0.8}) for name in worked.HEATERS
    }
    row = plan_fleet(cars, sites, heaters=heaters).sites.set_index("site_id").loc["S3"]
    assert row["fuel_grade"].startswith(f"{len(at) - 1} of {len(at)}: WAXES (-5 °C)")
    assert "1 of " in row["fuel_grade"].partition("; ")[2]
    assert isinstance(row, pd.Series)
