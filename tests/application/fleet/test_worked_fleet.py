"""The worked fleet V1 to V5 in every cell, and the decisions that the further terms flip."""

from __future__ import annotations

import pytest

from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked


@pytest.fixture(scope="module")
def plan() -> FleetPlan:
    return worked.plan()


@pytest.fixture(scope="module")
def unlimited() -> FleetPlan:
    """The same fleet with an own limit of 6000 m: the trims are told."""
    heaters = dict.fromkeys(worked.HEATERS, worked.heater(6000.0))
    return plan_fleet(worked.vehicles(), worked.sites(), heaters=heaters, with_assignment=False)


# group, sigma, lambda, limit exceeded, lambda < 1.3, trim %, demand, output, shortfall kW, cab °C, lambda at +15 °C
# Worked by hand, dry-air density alone; digits as printed there.
WORKED = [
    ("V1", 0.897, 1.44, True, False, -10.3, 1.60, 1.79, 0.0, 20.0, 1.30),
    ("V2", 0.836, 1.34, True, False, -16.4, 1.90, 1.67, 0.23, 15.5, 1.18),
    ("V3", 0.787, 1.26, True, True, -21.3, 2.25, 1.57, 0.68, 6.5, 1.08),
    ("V4", 0.682, 1.09, True, True, -31.8, 1.75, 1.36, 0.39, 12.3, 0.98),
    ("V5", 1.042, 1.67, False, False, 0.0, 1.25, 2.00, 0.0, 20.0, None),
]


@pytest.mark.independent
@pytest.mark.parametrize("row", WORKED, ids=[row[0] for row in WORKED])
def test_every_cell_of_the_worked_fleet(plan: FleetPlan, unlimited: FleetPlan, row: tuple[object, ...]) -> None:
    group, sigma, lam, exceeded, rich, trim, demand, output, shortfall, cab, mild = row
    part = plan.vehicles[plan.vehicles["group"] == group]
    assert len(part) == worked.GROUPS[str(group)][0]
    one = part.iloc[0]
    assert one["dry_air_density_ratio"] == pytest.approx(sigma, abs=5.5e-4)
    assert one["air_ratio"] == pytest.approx(lam, abs=5.5e-3)
    assert (one["needed_by_heater_limit"] == "yes") == exceeded
    assert (one["needed_by_design_night_dry_air"] == "yes") == rich
    allowed = unlimited.vehicles[unlimited.vehicles["group"] == group].iloc[0]
    assert allowed["fuel_trim_pct"] == pytest.approx(trim, abs=0.055)
    assert (one["fuel_trim_pct"] == one["fuel_trim_pct"]) == (not exceeded)  # no trim where the heater stays off
    assert one["heat_demand_kw"] == pytest.approx(demand, abs=5.5e-3)
    assert one["useful_heat_kw"] == pytest.approx(output, abs=5.5e-3)
    assert one["shortfall_kw"] == pytest.approx(shortfall, abs=5.5e-3)
    assert one["cab_temp_reached_c"] == pytest.approx(cab, abs=0.1)
    if mild is not None:
        assert one["air_ratio_mild"] == pytest.approx(mild, abs=5.5e-3)


# B2: 31 by the unit's own limit, 10 by lambda at the design night, 19 + 12 borderline at the mildest night.
@pytest.mark.independent
def test_three_counting_rules_side_by_side(plan: FleetPlan) -> None:
    counts = plan.counts.set_index(["rule", "air_ratio_by"])
    assert counts.loc[("heater_limit", "-"), "yes"] == 31
    assert counts.loc[("design_night", "dry_air"), ["yes", "borderline"]].tolist() == [10, 0]
    assert counts.loc[("mildest_night", "dry_air"), ["yes", "borderline"]].tolist() == [19, 12]
    assert (counts[["yes", "borderline", "no", "unknown"]].sum(axis=1) == 51).all()
    assert plan.totals["compensation_kits"] == 31


# The two further terms (worked by hand for V2 on the design night): fuel 38 K colder is 1.0317 denser (beta 8.3e-4,
# from +20 to -18 °C: (1 + 0.0274)/(1 - 0.00415)):
# lambda 1.338/1.0317 = 1.297 < 1.3; the hot-gas term lowers it further.
@pytest.mark.hand
def test_decisions_flip_with_the_further_terms(plan: FleetPlan) -> None:
    one = plan.vehicles.drop_duplicates("group").set_index("group")
    v2 = one.loc["V2"]
    dense = (1.0 + 8.3e-4 * 33.0) / (1.0 - 8.3e-4 * 5.0)
    assert v2["air_ratio_with_fuel_density"] == pytest.approx(v2["air_ratio"] / dense, rel=1e-9)
    assert v2["air_ratio_with_fuel_density"] < 1.3 < v2["air_ratio"]
    assert v2["air_ratio_full"] < v2["air_ratio_with_fuel_density"]
    # w_b 0.5, hot share 0.55, w_ex 0.34, tau about 1.2: R about 1.12, s about 1.25: R^(-1/3.25) = 0.966
    assert v2["air_ratio_full"] / v2["air_ratio_with_fuel_density"] == pytest.approx(0.966, abs=0.02)
    assert v2["flips_between_lambdas"] == "design_night"
    assert one.loc["V1", "flips_between_lambdas"] == "mildest_night"
    assert one.loc[["V3", "V4", "V5"], "flips_between_lambdas"].tolist() == ["", "", ""]
    counts = plan.counts.set_index(["rule", "air_ratio_by"])
    assert counts.loc[("design_night", "full"), "yes"] == 19
    assert counts.loc[("design_night", "with_fuel_density"), "borderline"] == 9


# B3: V2 passes on the cold night and fails on the mild one; the scan finds it.
@pytest.mark.independent
def test_the_mildest_night_is_the_worst_for_soot(plan: FleetPlan) -> None:
    v2 = plan.vehicles[plan.vehicles["group"] == "V2"].iloc[0]
    assert v2["air_ratio"] == pytest.approx(1.34, abs=5.5e-3)
    assert v2["air_ratio_mild"] == pytest.approx(1.18, abs=5.5e-3)
    assert v2["season_lowest_at_c"] == 15.0
    assert v2["air_ratio_full_season_lowest"] == pytest.approx(v2["air_ratio_full_mild"], abs=1e-12)


# B4: V3 with lambda kept reaches 6.5 °C, with an insulated curtain (UA -26 %) 17.5 °C.
@pytest.mark.independent
def test_insulation_before_a_larger_heater(unlimited: FleetPlan) -> None:
    rows = unlimited.remedies[unlimited.remedies["vehicle_id"] == "V3-01"].set_index("remedy")
    assert rows.loc["insulated_curtain", "cab_temp_reached_c"] == pytest.approx(17.5, abs=0.1)
    assert set(rows.index) >= {"curtain", "window_covers", "larger_heater", "trim_to_minimum"}
    assert rows["rank"].is_monotonic_increasing
    warm = rows[~rows["enough"].astype(bool)]["cab_temp_reached_full_c"].tolist()
    assert warm == sorted(warm, reverse=True)


# Where the heater is off nothing but its kit or another site helps; a kit that holds lambda with the blower holds 2 kW:
# -25 + 2000/50 = 15 °C at V3, more with the denser fuel.
@pytest.mark.hand
def test_a_heater_that_is_off_gets_its_kit_or_another_site(plan: FleetPlan) -> None:
    rows = plan.remedies[plan.remedies["vehicle_id"] == "V3-01"].set_index("remedy")
    assert set(rows.index) == {"compensation"}
    assert rows.loc["compensation", "cab_temp_reached_c"] == pytest.approx(15.0, abs=1e-6)
    low = plan.remedies[plan.remedies["vehicle_id"] == "V1-01"]
    assert set(low["remedy"]) == {"compensation", "other_site"}
    assert "S5 (400 m" in " ".join(low["text"])


# B7: 1.25 kW, 10 h, efficiency 0.8: 1.57 l; 120 such nights 189 l (diesel without FAME, 9.93 kWh/l there).
# Others: 1.6 kW 2.0 l, 1.9 kW 2.4 l; 2.25 kW would be 2.8 l, but the stage burns no more than its 2 kW: 2.52 l.
@pytest.mark.independent
def test_fuel_of_a_night_and_a_season(plan: FleetPlan) -> None:
    one = plan.vehicles.drop_duplicates("group").set_index("group")
    assert one.loc["V5", "fuel_l_per_night"] == pytest.approx(1.57, abs=0.006)
    assert one.loc["V5", "fuel_l_per_season_all_design"] == pytest.approx(189.0, abs=0.5)
    assert one.loc[["V1", "V2", "V3"], "fuel_l_per_night"].tolist() == pytest.approx([2.0, 2.4, 2.52], abs=0.05)
    assert (one["fuel_l_per_season"] < one["fuel_l_per_season_all_design"]).all()


# B10, worked: lambda follows pressure, so -3 % of pressure is -3 % of lambda (the hot gas moves it by less than 0.01).
# V1 has a full lambda of about 1.27 on the mildest night: with a minimum of 1.25 it runs, and 0.97 * 1.27 = 1.23 not.
@pytest.mark.hand
def test_sensitivity_names_the_decisions_that_flip(plan: FleetPlan) -> None:
    heaters = dict.fromkeys(worked.HEATERS, worked.heater(6000.0))
    rows = plan_fleet(worked.vehicles(), worked.sites(), heaters=heaters, policy={"air_ratio_min": 1.25}).sensitivity
    low = rows[(rows["swing"] == "pressure -3 %") & (rows["decision"] == "may run")]
    v1 = low[low["vehicle_id"].str.startswith("V1")]
    assert len(v1) == 12
    assert set(zip(v1["from_answer"], v1["to_answer"], strict=True)) == {("as_is", "trim_first")}
    assert (v1["to_value"] + 1.25).to_numpy() == pytest.approx(0.97 * (v1["from_value"] + 1.25).to_numpy(), abs=0.01)
    # The rule that decides: all four groups stand above their own limit by more than the height can be off.
    near = worked.sites().assign(altitude_m=[1420, 2600, 3300, 4100, 1380])
    turned = plan_fleet(worked.vehicles(), near, heaters=worked.HEATERS).sensitivity
    assert set(turned[turned["swing"] == "height of the site -30 m"]["vehicle_id"].str[:2]) == {"V1"}
    assert set(turned[turned["swing"] == "height of the site +30 m"]["vehicle_id"].str[:2]) == {"V5"}
    # UA +30 %: V5 wants 1.3 * 50 * 25 = 1.63 kW of its 2 kW and stays warm; the others' heaters are off, warm or cold.
    assert not len(plan.sensitivity)
    # V1 may run to 6000 m: it wants 1.3 * 50 * 32 = 2.08 kW, more than its 1.76 kW in full.
    cold = rows[(rows["swing"] == "cab heat loss +30 %") & (rows["decision"] == "cab")]
    assert set(cold["vehicle_id"].str[:2]) == {"V1"}


# B11: a reason with the margin for every vehicle, an origin for every number.
@pytest.mark.hand
def test_reasons_and_origins(plan: FleetPlan) -> None:
    for row in plan.vehicles.itertuples():
        assert f"{row.margin_air_ratio:+.2f}" in row.reason
        assert f"{abs(row.margin_m):.0f} m" in row.reason
    assert (plan.assumptions["origin"].astype(str).str.len() > 5).all()
    assert {"air_ratio_min", "steepness_unknown", "hot_share", "pressure_hpa"} <= set(plan.assumptions["quantity"])
    assert "never permission" not in str(plan)
    assert "safe" not in " ".join(plan.vehicles["reason"]).lower()


# B13: a card for each site, in plain words.
@pytest.mark.hand
def test_driver_cards(plan: FleetPlan) -> None:
    cards = {card["site_id"]: card for card in plan.cards}
    assert set(cards) == {"S1", "S2", "S3", "S4", "S5"}
    assert cards["S2"]["lines"][0].startswith("HEATER OFF here")
    assert cards["S2"]["title"] == "S2: 2600 m, -18 to 15 °C"
    assert not any(line.startswith("HEATER OFF") for line in cards["S5"]["lines"])
    for card in cards.values():
        assert "Carbon monoxide" in card["lines"][-3]
        text = " ".join(card["lines"]).lower()
        assert not any(word in text for word in ("lambda", "sigma", "density", "stoichio", "safe "))


@pytest.mark.hand
def test_nothing_lets_lambda_permit(plan: FleetPlan) -> None:
    """V1 passes both lambda rules by dry-air density, and still needs its unit: its own limit decides."""
    one = plan.vehicles[plan.vehicles["group"] == "V1"].iloc[0]
    assert one["needed_by_design_night_dry_air"] == "no"
    assert one["decision"] == "compensate"
