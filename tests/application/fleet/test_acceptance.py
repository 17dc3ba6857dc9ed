"""Worked examples of a plan, and airports of known height through the whole chain."""

from __future__ import annotations

import airportsdata
import ambiance
import numpy as np
import pandas as pd
import pytest

from combust.application.causes.rank import rank_causes
from combust.application.fleet.policy import Policy
from combust.application.heater.profile_check import check_heater
from combust.application.site.effect import site_effect
from combust.data.errors import CombustError
from combust.domain.site import Site
from combust.edge.tables.fleet import plan_fleet
from combust.kernel import cab, wiring
from tests.application.fleet import worked


# B6: a profile peaking at 2500 m for 40 min, night at 900 m: heater off for 40 min, no unit for the night.
@pytest.mark.hand
def test_a_pass_is_no_reason_for_a_unit() -> None:
    points = [(0, 900, 30), (16, 1300, 25), (27, 2500, 40), (48, 1200, 20), (60, 900, 0)]
    routes = pd.DataFrame([("larkpass", *row, -5.0) for row in points])
    routes.columns = ["route_id", "distance_km", "altitude_m", "minutes", "temp_c"]
    sites = worked.sites().iloc[:1].assign(site_id="valley", altitude_m=900)
    cars = pd.DataFrame(
        [
            {
                "vehicle_id": "V",
                "heater_id": "limit_1400",
                "site_id": "valley",
                "route_id": "larkpass",
                "cab_ua_w_per_k": 50,
                "battery_ah": 200,
                "battery_v": 12,
            }
        ]
    )
    plan = plan_fleet(cars, sites, routes, heaters=worked.HEATERS)
    row = plan.routes.iloc[0]
    assert row["minutes_above_limit"] == 40.0
    assert row["minutes"] == 115.0
    assert row["highest_m"] == 2500.0
    assert "heater off" in row["text"]
    assert plan.vehicles["decision"].tolist() == ["as_is"]
    assert plan.totals["compensation_kits"] == 0


# B8: 15 W, 10 h, 2 starts with the demo durations: 160 Wh, 13.4 Ah at 12 V, 22 % of what 100 Ah hold at -20 °C;
# 35 W: 360 Wh, 30 Ah, 50 %. Usable 60 % at -20 °C is from memory.
@pytest.mark.independent
@pytest.mark.memory
@pytest.mark.parametrize(("power", "energy", "charge", "share"), [(15, 160, 13.4, 0.22), (35, 360, 30.0, 0.50)])
def test_battery_of_a_night(power: float, energy: float, charge: float, share: float) -> None:
    told = wiring.night_energy(power, 10.0, starts=2.0, glow_w=110.0, glow_s=125.0, run_on_w=25.0, run_on_s=200.0)
    assert told == pytest.approx(energy, abs=0.6)
    sites = worked.sites().iloc[:1].assign(design_temp_c=-20)
    heaters = {"limit_1400": worked.heater(1400.0, power_run_w=power, nominal_v=12)}
    cars = worked.vehicles(battery_ah=100, battery_v=12).iloc[:1]
    row = plan_fleet(cars, sites, heaters=heaters).vehicles.iloc[0]
    assert row["battery_wh_per_night"] == pytest.approx(energy, abs=0.6)
    assert row["battery_ah_per_night"] == pytest.approx(charge, abs=0.05)
    assert row["battery_share_of_usable"] == pytest.approx(share, abs=0.005)
    assert row["battery"] == ("too_small" if power == 35 else "enough")  # 30.03 Ah of 60: a hair over half


# B9: site -25 °C, class F (-20): below; arctic 1 (-26): marginal; arctic 2 (-32) fits.
@pytest.mark.practice
def test_cold_filter_plugging() -> None:
    told = {}
    for plugging in (-20, -26, -32):
        sites = worked.sites(cold_filter_plugging_c=plugging)
        frame = plan_fleet(worked.vehicles(), sites, heaters=worked.HEATERS).vehicles
        told[plugging] = frame[frame["site_id"] == "S3"]["fuel_grade"].iloc[0]
    assert told == {-20: "below", -26: "marginal", -32: "fits"}


# The minimum lambda counts too, in a test of its own: here it lies so low that the own limit alone decides.
BY_LIMIT = {
    f"limit_{limit}": worked.heater(
        limit, limits={"altitude_m": limit, "compensation_altitude_m": 4500, "air_ratio_min": 0.8}
    )
    for limit in (1400, 2400)
}


def mixed(group: str = "crew") -> tuple[pd.DataFrame, pd.DataFrame]:
    """Four units with a high limit stand low, four with a low limit stand high."""
    sites = worked.sites().iloc[:2].assign(site_id=["high", "low"], altitude_m=[2200, 500], design_temp_c=[-10, -10])
    rows = [("high", "limit_1400")] * 4 + [("low", "limit_2400")] * 4 + [("low", "limit_1400")] * 2
    cars = pd.DataFrame(rows, columns=["site_id", "heater_id"]).assign(cab_ua_w_per_k=30, group=group)
    cars["vehicle_id"] = [f"V{number}" for number in range(len(cars))]
    return cars, sites


# B12: exchanging four vehicles each way saves four units; checked by trying every assignment of the low-limit units.
@pytest.mark.independent
def test_exchange_saves_units() -> None:
    cars, sites = mixed()
    change = plan_fleet(cars, sites, heaters=BY_LIMIT, max_moves=99).assignment
    assert (change.kits_before, change.kits_after) == (4, 0)
    assert len(change.moves) == 8
    assert sorted(change.moves["vehicle_id"]) == [f"V{number}" for number in range(8)]
    moved = cars.set_index("vehicle_id")
    moved.loc[change.moves["vehicle_id"], "site_id"] = change.moves["to_site"].to_numpy()
    assert moved["site_id"].value_counts().to_dict() == cars["site_id"].value_counts().to_dict()
    after = plan_fleet(moved.reset_index(), sites, heaters=BY_LIMIT)
    assert after.totals["compensation_kits"] == 0


@pytest.mark.hand
def test_exchange_stays_within_groups_and_moves_nobody_for_nothing() -> None:
    cars, sites = mixed()
    cars["group"] = ["a"] * 4 + ["b"] * 6
    change = plan_fleet(cars, sites, heaters=BY_LIMIT, max_moves=99).assignment
    assert change.kits_after == change.kits_before == 4
    assert len(change.moves) == 0
    settled = plan_fleet(worked.vehicles(), worked.sites(), heaters=worked.HEATERS, max_moves=99).assignment
    assert len(settled.moves) == 0


@pytest.mark.independent
def test_exchange_against_enumeration() -> None:
    """A random small fleet: the optimiser's count of units equals the best of a full search over exchanges."""
    from itertools import permutations

    random = np.random.default_rng(11)
    for _ in range(4):
        heights = random.choice([600, 1600, 2100, 2900], size=5)
        sites = pd.DataFrame({"site_id": [f"P{n}" for n in range(5)], "altitude_m": heights}).assign(
            design_temp_c=-5, mildest_use_temp_c=10, nights_per_season=50, hours_per_night=8
        )
        limits = random.choice([1400, 2400], size=5)
        cars = pd.DataFrame(
            {"vehicle_id": [f"V{n}" for n in range(5)], "heater_id": [f"limit_{one}" for one in limits],
             "site_id": sites["site_id"]}
        ).assign(cab_ua_w_per_k=20)  # fmt: skip
        change = plan_fleet(cars, sites, heaters=BY_LIMIT, max_moves=99).assignment
        best = min(int(np.sum(heights[list(order)] > limits)) for order in permutations(range(5)))
        assert change.kits_after == best


@pytest.mark.hand
def test_compensation_and_its_own_limit() -> None:
    cars = worked.vehicles().groupby("group").head(1).iloc[[1, 1, 1, 1]].copy()
    cars["vehicle_id"] = ["a", "b", "c", "d"]
    cars["compensation"] = ["none", "automatic", "automatic", "fuel"]
    cars["compensation_limit_m"] = [3000, 3000, 2500, np.nan]
    heaters = {"limit_1400": worked.heater(1400.0, limits={"altitude_m": 1400})}
    frame = plan_fleet(cars, worked.sites(), heaters=heaters).vehicles
    assert frame["decision"].tolist() == ["compensate", "compensated", "barred", "check_document"]
    # Automatic holds lambda and the 2 kW: V2 wants 1.90 kW. A fuel trim does not.
    assert frame["useful_heat_kw"].tolist() == pytest.approx([1.67, 2.0, 2.0, 1.67], abs=5.5e-3)
    assert frame["cab_temp_reached_c"].iloc[1] == 20.0
    unknown = plan_fleet(worked.vehicles().iloc[:1], worked.sites(), heaters={"limit_1400": worked.heater(None)})
    assert unknown.vehicles["decision"].tolist() == ["limit_missing"]


@pytest.mark.hand
def test_blower_trim_of_limited_reach() -> None:
    cars = worked.vehicles(compensation="blower", compensation_limit_m=3000.0, blower_trim_max_pct=10.0)
    one = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS).vehicles
    v2 = one[one["group"] == "V2"].iloc[0]
    # needed 1/0.836 = 1.196; reached 1.10/1.196 = 0.92 of 2 kW with the rest trimmed off the fuel
    assert v2["useful_heat_kw"] == pytest.approx(2.0 * 1.10 * 0.836, abs=2e-3)
    assert v2["blower_trim_possible"] == "no"


@pytest.mark.hand
def test_low_stage_on_mild_nights() -> None:
    """Within the unit's limit, too rich on mild nights at full heat: the leaner low stage is what remains."""
    stages = {
        "high": {"useful_heat_kw": 2.0, "fuel_l_per_h": 0.25},
        "low": {"useful_heat_kw": 0.9, "fuel_l_per_h": 0.11, "air_ratio_band": [1.8, 2.2]},
    }
    heaters = {"limit_1400": worked.heater(3000.0, stages=stages)}
    plan = plan_fleet(worked.vehicles().iloc[[12]], worked.sites(), heaters=heaters)
    row = plan.vehicles.iloc[0]
    assert row["decision"] == "trim_first"
    # 2.0 (middle of the band) falls by the same share as the full stage's 1.6
    assert row["air_ratio_low_stage_lowest"] == pytest.approx(2.0 / 1.6 * row["air_ratio_full_season_lowest"], rel=1e-6)
    assert row["cap_at_low_stage"]
    assert "low stage" in row["reason"]
    assert any(line.startswith("Until the fuel is trimmed keep V2-01 on low heat") for line in plan.cards[0]["lines"])


@pytest.mark.hand
def test_ventilation_counts_at_the_site_s_density() -> None:
    # 20 m³/h at 1.2041 kg/m³ and 1006 J/(kg K): 6.73 W/K, "about 7 W/K" in round numbers
    assert cab.heat_loss_coefficient(50.0, 20.0, 1.2041) == pytest.approx(56.73, abs=0.01)


@pytest.mark.independent
def test_airports_through_the_whole_chain() -> None:
    """Real places with heights in feet (registry package), pressure by an independent standard atmosphere."""
    places = [row for row in airportsdata.load("ICAO").values() if 0 < row["elevation"] < 14500]
    picked = places[:: max(len(places) // 100, 1)]
    known = {"SLLP", "LSZS", "LOWI", "ZULS"}
    picked += [row for row in places if row["icao"] in known and row not in picked]
    sites = pd.DataFrame(
        {"site_id": [row["icao"] for row in picked], "altitude_ft": [row["elevation"] for row in picked]}
    ).assign(design_temp_f=5, mildest_use_temp_f=59, nights_per_season=10, hours_per_night=8)
    cars = pd.DataFrame(
        {"vehicle_id": sites["site_id"], "site_id": sites["site_id"], "heater_id": "limit_1400"}
    ).assign(cab_ua_w_per_k=50)
    frame = plan_fleet(cars, sites, heaters=worked.HEATERS, with_sensitivity=False, with_assignment=False).vehicles
    assert len(frame) == len(picked)
    metres = 0.3048 * sites["altitude_ft"].to_numpy(dtype=float)
    pressure = ambiance.Atmosphere(metres).pressure / 101325.0
    sigma = pressure * 293.15 / 258.15  # 5 °F is -15 °C
    assert frame["dry_air_density_ratio"].to_numpy() == pytest.approx(sigma, rel=2e-6)
    assert frame["air_ratio_mild"].to_numpy() == pytest.approx(1.6 * pressure * 293.15 / 288.15, rel=2e-6)
    above = metres > 1400.0
    assert (frame["decision"].to_numpy()[above] == "compensate").all()
    assert not (frame["decision"].to_numpy()[~above] == "compensate").any()
    # La Paz and Lhasa lie at 4070.6 and 4003.9 m
    heights = frame.set_index("site_id")["altitude_m"]
    assert heights["SLLP"] == pytest.approx(4070.6, abs=0.1)
    assert heights["ZULS"] == pytest.approx(4003.9, abs=0.1)


@pytest.mark.hand
def test_policy_tells_every_fault_and_keeps_origins() -> None:
    with pytest.raises(CombustError) as caught:
        Policy.of({"air_ratio_mim": 1.2, "air_ratio_min": 9.0, "efficiency": "much"})
    assert len(caught.value.faults) == 3
    policy = Policy.of({"price_fuel_per_l": {"value": 2.0, "origin": "invented"}})
    assert policy.given("price_compensation_kit") is None
    plan = worked.plan(policy=policy)
    assert plan.totals["cost_kits"] is None
    assert plan.totals["cost_fuel"] == pytest.approx(2.0 * plan.totals["fuel_l_per_season"])
    row = plan.assumptions[plan.assumptions["quantity"] == "price_fuel_per_l"].iloc[0]
    assert row["origin"] == "invented"


# Common practice, no source: with less air than the fuel needs (lambda below 1) a burner makes CO and soot.
@pytest.mark.practice
def test_a_lambda_below_one_is_no_permission_and_no_expected_o2() -> None:
    sites = worked.sites().iloc[:1].assign(altitude_m=4800, design_temp_c=-20)
    plan = plan_fleet(
        worked.vehicles().iloc[:15], sites.assign(site_id="S1"), heaters={"limit_1400": worked.heater(6000)}
    )
    row, card = plan.vehicles.iloc[0], plan.cards[0]["lines"]
    # Standard atmosphere at 4800 m: about 555 hPa (tables, from memory); 1.60 falls to 1.01, the denser fuel takes 3 %.
    assert row["air_ratio"] == pytest.approx(1.60 * 555.0 / 1013.25 * 293.15 / 253.15, abs=0.01)
    assert row["air_ratio_full"] < 1.0
    assert (row["decision"], row["safety"]) == ("trim_first", "outdoors_only")
    assert "more fuel than the air can burn" in row["reason"]
    assert card[0].startswith("Do not run untrimmed here: V1-01, ")
    assert "more fuel than the air can burn" in card[1]
    assert not any("allowed here" in line or "belongs to the height" in line for line in card)


@pytest.mark.practice
def test_no_exchange_takes_a_vehicle_to_a_lambda_below_its_minimum() -> None:
    """Both units may go up by their document; the exchange would save a kit, and run one of them below its minimum."""
    cars, sites = mixed()
    low = worked.heater(1400.0, limits={"altitude_m": 1400, "compensation_altitude_m": 6000})
    heaters = {"limit_1400": low, "limit_2400": worked.heater(6000.0)}
    change = plan_fleet(cars, sites.assign(altitude_m=[4800, 500]), heaters=heaters, max_moves=99).assignment
    assert (change.kits_before, change.kits_after) == (4, 4)
    assert len(change.moves) == 0


@pytest.mark.practice
def test_a_card_names_every_vehicle_and_tells_a_limit_that_was_not_entered() -> None:
    cars = worked.vehicles().assign(site_id="S2", vehicle_id=[f"car-{number:03d}" for number in range(51)])
    heaters = worked.HEATERS | {"limit_2400": worked.heater(None)}
    plan = plan_fleet(cars, worked.sites(), heaters=heaters)
    off = [line for line in plan.cards[0]["lines"] if line.startswith("HEATER OFF")]
    assert all(any(name in line for line in off) for name in cars["vehicle_id"])
    unknown = next(line for line in off if "No altitude limit was entered" in line)
    assert unknown.count("car-") == 10
    assert "does not cover" not in unknown


@pytest.mark.practice
def test_vehicles_begin_with_safety_and_hold_no_trim_where_the_heater_stays_off() -> None:
    frame = worked.plan().vehicles
    assert frame.columns[0] == "safety"
    off = frame["safety"] == "heater_off"
    assert off.sum() == 31
    for name in ("fuel_trim_pct", "fuel_trim_full_pct", "blower_trim_pct", "blower_trim_full_pct"):
        assert frame.loc[off, name].isna().all()
        assert frame.loc[~off, name].notna().all()


@pytest.mark.practice
@pytest.mark.parametrize(
    ("height", "decision", "state"), [(900, "look_up", "not_judged"), (1850, "limit_missing", "heater_off")]
)
def test_a_limit_that_was_not_entered_is_judged_alike_by_all(height: float, decision: str, state: str) -> None:
    """A document that nobody looked up permits nothing: fleet, site, causes and the check of the profile say so."""
    unlimited = worked.heater(None)
    sites = worked.sites().iloc[:1].assign(altitude_m=height)
    row = plan_fleet(worked.vehicles().iloc[:1], sites, heaters={"limit_1400": unlimited}).vehicles.iloc[0]
    assert (row["decision"], row["safety"]) == (decision, state)
    assert "nan" not in row["reason"]
    assert site_effect(unlimited, Site(height, None, -12.0)).safety.state == state
    seen = {"o2_dry_pct": 8.2, "co2_dry_pct": 9.2, "co_dry_ppm": 40, "altitude_m": height, "location": "outdoors"}
    assert rank_causes(unlimited, seen).safety.state == state
    assert "heater_limit_unknown" in {one.code for one in check_heater(unlimited).findings}
