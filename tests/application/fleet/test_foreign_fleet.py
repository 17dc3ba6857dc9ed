"""300 invented vehicles at 12 stations, and many smaller fleets: every decision is one the documents allow."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.application.fleet.decisions import DECISIONS, KEEP_OFF, RUNS
from combust.application.fleet.plan import FleetPlan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import foreign
from tests.long import LONG

HEATERS = foreign.heaters()
PRICES = {"price_compensation_kit": 700.0, "price_fuel_per_l": 2.0}


def planned(cars: pd.DataFrame, sites: pd.DataFrame, **more: Any) -> FleetPlan:
    return plan_fleet(cars, sites, heaters=HEATERS, policy=PRICES, with_assignment=False, **more)


@pytest.fixture(scope="module")
def plan() -> FleetPlan:
    return planned(foreign.vehicles(), foreign.sites())


# The documents decide, as the types of this fleet state them (common practice, no source: the document comes first).
@pytest.mark.practice
def test_a_kit_is_advised_only_where_its_document_allows_it(plan: FleetPlan) -> None:
    frame = plan.vehicles
    own, kit = (frame["heater"].map({name: one[place] for name, one in foreign.TYPES.items()}) for place in (5, 6))
    above = frame["altitude_m"] > own
    advised = frame["decision"] == "compensate"
    assert advised.sum() > 10
    assert (above & (frame["altitude_m"] <= kit) & (frame["compensation"] == "none"))[advised].all()
    assert not (advised & (frame["heater"] == "fell")).any()  # its document allows none
    rill = above & (frame["heater"] == "rill") & (frame["battery"] != "wrong_voltage")
    assert set(frame.loc[rill, "decision"]) == {"check_document"}
    listed = plan.remedies[plan.remedies["remedy"] == "compensation"]["vehicle_id"]
    allowed = frame.set_index("vehicle_id")
    assert (allowed.loc[listed, "altitude_m"] <= allowed.loc[listed, "compensation_limit_m"]).all()
    assert plan.totals["compensation_kits"] == advised.sum()
    assert plan.totals["kits_not_known"] == (rill & (frame["compensation"] == "none")).sum() > 0


@pytest.mark.practice
def test_a_heater_that_is_off_burns_nothing_and_heats_nothing(plan: FleetPlan) -> None:
    frame = plan.vehicles
    off = frame["decision"].isin(KEEP_OFF)
    assert ((frame["cab"] == "off") == off).all()
    assert (off == (frame["safety"] == "heater_off")).all()
    never = off & (frame["decision"] != "compensate")
    assert never.sum() > 50
    assert (frame.loc[never, ["fuel_l_per_night", "fuel_l_per_season"]] == 0.0).all(axis=None)
    helped = plan.remedies[plan.remedies["vehicle_id"].isin(frame.loc[never, "vehicle_id"])]
    assert set(helped["remedy"]) == {"other_site"}
    assert plan.totals["fuel_l_per_season"] == pytest.approx(
        frame.loc[~off & (frame["cab"] != "unknown"), "fuel_l_per_season"].sum()
    )


@pytest.mark.practice
def test_runs_as_it_is_only_where_cab_fuel_and_battery_are_in_order(plan: FleetPlan) -> None:
    frame = plan.vehicles
    fine = frame[frame["decision"].isin(["as_is", "compensated"])]
    assert set(fine["cab"]) == {"warm"}
    assert set(fine["battery"]) == {"enough"}
    assert set(fine["fuel_grade"]) <= {"fits", "no_plugging_point"}
    but = frame[frame["decision"] == "runs_but"]
    wrong = (but["cab"] == "cold") | but["fuel_grade"].isin(["below", "marginal"]) | (but["battery"] == "too_small")
    assert len(but) > 20
    assert wrong.all()
    unknown = frame[frame["decision"] == "not_all_known"]
    assert len(unknown) > 3
    assert unknown["reason"].str.contains("not entered").all()
    assert not frame[(frame["heater"] == "rill")]["fuel_grade"].isin(["below", "marginal", "fits", "unknown"]).any()


@pytest.mark.practice
def test_a_blower_that_lacks_speed_holds_no_lambda(plan: FleetPlan) -> None:
    """Air follows speed (fan laws, textbook): 15 % more speed is 15 % more air, and no more."""
    frame = plan.vehicles
    blown = frame[(frame["compensation"] == "blower") & frame["decision"].isin([*RUNS, "trim_first"])]
    free = blown[["air_ratio_full", "air_ratio_full_season_lowest"]].min(axis=1)
    reach = 1.0 + blown["blower_trim_limit_pct"] / 100.0
    lowest = np.minimum(free * reach, blown["base_air_ratio"])
    known = reach.notna()
    assert (known & (free * reach < 1.3)).any()
    assert ((lowest < 1.3) == (blown["decision"] == "trim_first"))[known].all()
    unknown = ~known & (free < 1.3)
    assert unknown.any()
    assert set(blown.loc[unknown, "decision"]) <= {"runs_but", "not_all_known"}
    assert set(blown.loc[unknown, "sureness"]) == {"unknown"}


@pytest.mark.practice
def test_battery_and_heater_of_different_voltage_stay_off(plan: FleetPlan) -> None:
    frame = plan.vehicles
    plate = frame["heater"].map({name: one[7] for name, one in foreign.TYPES.items()})
    differs = frame["battery_v"].notna() & (frame["battery_v"] != plate)
    assert differs.sum() > 5
    assert ((frame["decision"] == "wrong_voltage") == differs).all()
    assert frame.loc[differs, "reason"].str.contains(r"battery of (?:12|24) V, heater of (?:12|24) V").all()


@pytest.mark.hand
def test_litres_of_a_night_never_exceed_what_the_stage_burns(plan: FleetPlan) -> None:
    frame = plan.vehicles
    hours = frame["site_id"].map(foreign.sites().set_index("site_id")["hours_per_night"])
    most = hours * frame["heater"].map({name: one[3] for name, one in foreign.TYPES.items()})
    assert (frame["fuel_l_per_night"] <= most * (1.0 + 1e-9)).all()
    assert (frame["fuel_l_per_night"] > most * 0.999).any()
    nights = frame["site_id"].map(foreign.sites().set_index("site_id")["nights_per_season"])
    assert (frame["fuel_l_per_season"] <= nights * frame["fuel_l_per_night"] * (1.0 + 1e-9)).all()


@pytest.mark.practice
def test_every_driver_is_named_and_low_heat_is_told_with_its_cab(plan: FleetPlan) -> None:
    for card in plan.cards:
        here = plan.vehicles[plan.vehicles["site_id"] == card["site_id"]]
        text = "\n".join(card["lines"])
        off = [line for line in card["lines"] if line.startswith("HEATER OFF")]
        for row in here.itertuples():
            assert row.vehicle_id in text
            assert any(row.vehicle_id in line for line in off) == (row.safety == "heater_off")
        assert ("on low heat: " in text) == ("the cab then" in text)
    capped = plan.vehicles[plan.vehicles["cap_at_low_stage"]]
    assert capped["reason"].str.contains("the cab then reaches about").all()


@pytest.mark.practice
def test_how_sure_a_decision_is(plan: FleetPlan) -> None:
    frame = plan.vehicles
    assert set(frame["sureness"]) == {"sure", "likely", "open", "unknown"}
    near = (frame["margin_m"].abs() <= 30.0) & ~frame["decision"].isin(["limit_missing", "look_up", "check_document"])
    near &= frame["decision"] != "wrong_voltage"
    assert set(frame.loc[near, "sureness"]) <= {"open", "unknown"}
    runs = frame["decision"].isin([*RUNS, "trim_first"])
    narrow = runs & (frame["margin_air_ratio"].abs() <= 2.0 * frame["margin_air_ratio_u"])
    assert narrow.any()
    assert set(frame.loc[narrow, "sureness"]) == {"open"}
    turned = plan.sensitivity[plan.sensitivity["decision"] == "may run"]
    assert not (frame.set_index("vehicle_id").loc[turned["vehicle_id"], "sureness"] == "sure").any()


# Totals follow from the rows, in any fleet; slips among the names are refused and counted.
@pytest.mark.hand
@settings(max_examples=40 if LONG else 12, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10**6), size=st.integers(1, 60), slips=st.integers(0, 5), most=st.none() | st.integers(0, 6))
def test_totals_reconcile(seed: int, size: int, slips: int, most: int | None) -> None:
    cars = foreign.vehicles(seed, size + slips)
    cars.loc[size:, "site_id"] = "nowhere"
    plan = planned(cars, foreign.sites(seed), max_kits=most)
    frame, totals = plan.vehicles, plan.totals
    counts = frame["decision"].value_counts()
    assert set(counts.index) <= set(DECISIONS)
    assert counts.sum() + totals["refused"] == size + slips == plan.rows["vehicles"]["read"]
    assert totals["refused"] == slips
    assert sum(totals[key] for key in ("heat_short", "cab_warm", "cab_off", "cab_unknown")) == len(frame)
    shown = dict(plan.lines())
    for code, count in counts.items():
        assert shown[DECISIONS[code]] == str(count)
    may = ~frame["decision"].isin(KEEP_OFF)
    for key, column, value in (
        ("battery_unknown", "battery", "unknown"),
        ("battery_too_small", "battery", "too_small"),
        ("fuel_grade_unknown", "fuel_grade", "unknown"),
        ("fuel_grade_below", "fuel_grade", "below"),
    ):
        assert totals[key] == ((frame[column] == value) & may).sum()
    kits = (frame["decision"] == "compensate").sum()
    assert totals["cost_kits"] == pytest.approx(700.0 * (kits + totals["spare_kits"]))
    assert 10 * totals["spare_kits"] >= kits > 10 * (totals["spare_kits"] - 1) or kits == 0
    litres = frame.groupby("fuel_when")["fuel_l_per_season"].sum()
    assert totals["fuel_l_per_season"] == pytest.approx(litres.get("now", 0.0))
    assert totals["fuel_l_per_season_with_kit"] == pytest.approx(litres.get("with_kit", 0.0))
    assert litres.get("off", 0.0) == 0.0
    assert totals["cost_fuel"] == pytest.approx(2.0 * litres.get("now", 0.0))
    assert totals["cost"] == pytest.approx(sum(totals[f"cost_{key}"] for key in ("kits", "fuel", "fuel_with_kit")))
    named = "\n".join("\n".join(card["lines"]) for card in plan.cards)
    assert all(name in named for name in cars["vehicle_id"])  # the refused ones too
    assert plan.refused["vehicle_id"].tolist() == cars["vehicle_id"][size:].tolist()
    assert most is None or kits <= most
    needed = kits + (frame["decision"] == "no_kit_left").sum()
    assert (len(plan.kits), plan.kits["given"].sum()) == (needed, kits)
    assert totals["off"] == (~may).sum() == totals["off_with_kits"] + kits
    # One line a site adds up to the same, and so does what is to be bought.
    sites = plan.sites
    for column, key in (("off", "off"), ("kits", "compensation_kits"), ("fuel_l_per_season", "fuel_l_per_season")):
        assert sites[column].sum() == pytest.approx(totals[key])
    assert sites["cost"].sum() + 700.0 * totals["spare_kits"] == pytest.approx(totals["cost"])
    parts = plan.parts.groupby("part")["count"].sum()
    assert parts.get("compensation kit", 0) == kits + totals["spare_kits"]
    assert parts.get("battery", 0) == totals["battery_too_small"]
    assert parts.get("winter fuel", 0) == totals["fuel_grade_below"]
    assert parts.get("fuel grade to ask for", 0) == totals["fuel_grade_unknown"]
