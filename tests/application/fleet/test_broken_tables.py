"""Broken tables: every fault listed with row and remedy, the valid rows planned, the counts add up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from combust.application.fleet.plan import FleetPlan
from combust.data.errors import CombustError
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked
from tests.long import LONG

pytestmark = pytest.mark.hand


def planned(cars: pd.DataFrame, sites: pd.DataFrame | None = None, routes: pd.DataFrame | None = None) -> FleetPlan:
    plan = plan_fleet(cars, worked.sites() if sites is None else sites, routes, heaters=worked.HEATERS)
    for row in plan.rows.values():
        assert row["read"] == row["planned"] + row["refused"]
    assert plan.rows["vehicles"]["planned"] == len(plan.vehicles)
    assert (plan.faults["text"].str.len() > 20).all()
    return plan


def faults_of(plan: FleetPlan, table: str = "vehicles") -> dict[int, set[str]]:
    """Return row of the frame, counted from 1 -> codes; the fault tells the line in a spreadsheet, one further down."""
    rows = plan.faults[plan.faults["table"] == table]
    return {int(row) - 1: set(part["code"]) for row, part in rows.groupby("row")}


def test_every_kind_of_fault_in_one_table() -> None:
    cars = worked.vehicles().iloc[:8].astype(object)
    cars.loc[0, "site_id"] = "nowhere"
    cars.loc[1, "vehicle_id"] = cars.loc[2, "vehicle_id"]
    cars.loc[3, "heater_id"] = "unheard_of"
    cars.loc[4, "cab_ua_w_per_k"] = np.nan
    cars.loc[5, "cab_ua_w_per_k"] = "fifty"
    cars.loc[6, "cab_ua_w_per_k"] = -3
    cars["compensation"] = ["none"] * 7 + ["turbo"]
    plan = planned(cars)
    assert faults_of(plan) == {
        1: {"unknown_site"},
        3: {"duplicate"},
        4: {"missing"},
        5: {"missing"},
        6: {"not_a_number"},
        7: {"out_of_band"},
        8: {"unknown_name"},
    }
    assert plan.vehicles["vehicle_id"].tolist() == ["V1-03", "V1-05"]  # what was not measured is planned and told
    told = " ".join(plan.faults["text"])
    for piece in ("nowhere", "stands in row 3 already", "unheard_of", "profile", "not measured", "fifty", "automatic"):
        assert piece in told


def test_all_faults_of_one_row_are_told() -> None:
    cars = worked.vehicles().iloc[:2].astype(object)
    cars.loc[0, ["site_id", "heater_id", "cab_ua_w_per_k"]] = ["nowhere", "unheard_of", "x"]
    plan = planned(cars)
    assert faults_of(plan) == {1: {"unknown_site", "missing", "not_a_number"}}
    assert len(plan.vehicles) == 1


def test_feet_written_as_metres() -> None:
    sites = worked.sites()
    sites["altitude_m"] = (sites["altitude_m"] / 0.3048).round()
    cars = worked.vehicles()
    plan = planned(cars, sites)
    codes = faults_of(plan, "sites")
    # 1850, 2600, 3300 and 4100 m are 6070 … 13451 ft: refused; 400 m = 1312 ft: warned because of its neighbours
    assert codes == {row: {"suspect_feet"} for row in (1, 2, 3, 4, 5)}
    severity = plan.faults[plan.faults["table"] == "sites"].set_index("row")["severity"]
    assert severity.to_dict() == {2: "refused", 3: "refused", 4: "refused", 5: "refused", 6: "warned"}
    assert set(plan.vehicles["group"]) == {"V5"}
    text = plan.faults[plan.faults["code"] == "suspect_feet"]["text"].iloc[0]
    assert "altitude_ft" in text
    assert "1850 m" in text
    mended = planned(cars, sites.rename(columns={"altitude_m": "altitude_ft"}))
    assert len(mended.faults) == 0
    assert mended.vehicles["altitude_m"].max() == pytest.approx(4100, abs=0.2)


def test_feet_found_by_the_pressure_beside_them() -> None:
    sites = worked.sites().assign(pressure_hpa=[810.0, 738.0, 675.0, 609.0, 966.0])
    sites.loc[4, "altitude_m"] = 1312  # 400 m in feet: 966 hPa belongs to 400 m, 865 hPa to 1312 m
    plan = planned(worked.vehicles(), sites)
    assert faults_of(plan, "sites")[5] == {"suspect_feet"}
    sea_level = worked.sites().assign(pressure_hpa=1013.0)
    with pytest.raises(CombustError, match="not reduced to sea level"):
        planned(worked.vehicles().iloc[:5], sea_level)


def test_nan_and_infinity_and_words_are_never_numbers() -> None:
    sites = worked.sites().astype(object)
    sites.loc[0, "altitude_m"] = np.inf
    sites.loc[1, "design_temp_c"] = "nan"
    sites.loc[2, "hours_per_night"] = None
    sites.loc[3, "altitude_m"] = True
    plan = planned(worked.vehicles(), sites)
    assert set(faults_of(plan, "sites")) >= {1, 2, 3}
    assert "V5" in set(plan.vehicles["group"])
    refused = plan.faults[(plan.faults["table"] == "vehicles")]
    assert refused["text"].str.contains("was refused itself").all()


def test_swapped_temperatures_duplicate_sites_and_bad_nights() -> None:
    sites = worked.sites(night_temps_c="").astype(object)
    sites.loc[0, "design_temp_c"] = 20
    sites.loc[1, "site_id"] = "S3"
    sites.loc[4, "night_temps_c"] = "-5;cold;3"
    sites.loc[3, "night_temps_c"] = "-15;-4;-1;3"
    plan = planned(worked.vehicles(), sites)
    codes = faults_of(plan, "sites")
    assert codes == {1: {"conflict"}, 3: {"duplicate"}, 5: {"format"}}
    assert set(plan.vehicles["group"]) == {"V3", "V4"}
    assert plan.vehicles[plan.vehicles["group"] == "V3"]["altitude_m"].iloc[0] == 2600  # the first row of that name


@pytest.mark.parametrize("name", ["vehicles", "sites", "routes"])
def test_empty_tables_are_refused_with_their_columns(name: str) -> None:
    routes = pd.DataFrame({"route_id": ["a"], "altitude_m": [500], "minutes": [10]})
    tables = {"vehicles": worked.vehicles(), "sites": worked.sites(), "routes": routes}
    tables[name] = tables[name].iloc[:0]
    with pytest.raises(CombustError, match="empty"):
        plan_fleet(tables["vehicles"], tables["sites"], tables["routes"], heaters=worked.HEATERS)


def test_missing_columns_are_named_all_at_once() -> None:
    with pytest.raises(CombustError) as caught:
        planned(worked.vehicles().drop(columns=["site_id", "cab_ua_w_per_k", "heater_id"]))
    told = {fault.quantity for fault in caught.value.faults}
    assert told == {"vehicles.site_id", "vehicles.cab_ua_w_per_k", "vehicles.profile"}
    with pytest.raises(CombustError, match="holds altitude_m as altitude_m does"):
        plan_fleet(
            worked.vehicles(),
            worked.sites().assign(height=1000),
            heaters=worked.HEATERS,
            mapping={"height": "altitude_m"},
        )


def test_no_valid_row_left_tells_why() -> None:
    with pytest.raises(CombustError, match="nowhere"):
        planned(worked.vehicles().iloc[:3].assign(site_id="nowhere"))


def test_bad_route_points_and_unknown_routes() -> None:
    routes = pd.DataFrame(
        {"route_id": ["r", "r", "r", ""], "altitude_m": [500, "high", 900, 700], "minutes": [10, 10, -1, 5]}
    )
    cars = worked.vehicles(route_id="r")
    cars.loc[0, "route_id"] = "lost"
    plan = planned(cars, None, routes)
    assert faults_of(plan, "routes") == {2: {"not_a_number"}, 3: {"out_of_band"}, 4: {"missing"}}
    assert plan.rows["routes"] == {"read": 4, "planned": 1, "refused": 3}
    lost = plan.faults[plan.faults["code"] == "unknown_route"]
    assert lost["severity"].tolist() == ["warned"]
    assert len(plan.vehicles) == 51


def test_a_profile_that_cannot_serve_is_told_once_a_row() -> None:
    cars = worked.vehicles().iloc[:2]
    bare = worked.heater(1400.0)
    table = {"limit_1400": bare, "limit_2400": bare}
    empty = plan_fleet(cars, worked.sites(), heaters=table)
    assert len(empty.vehicles) == 2
    with pytest.raises(CombustError, match="useful_heat_kw"):
        plan_fleet(
            cars,
            worked.sites(),
            heaters={"limit_1400": worked.heater(1400.0, stages={"high": {"air_ratio_band": [1.5, 1.7]}})},
        )


def test_many_rows_with_one_in_a_hundred_bad() -> None:
    """A million in the long form."""
    size = 1_000_000 if LONG else 50_000
    bad = size // 100
    random = np.random.default_rng(2)
    site = random.choice(["S1", "S2", "S3", "S4", "S5"], size=size).astype(object)
    loss = np.full(size, 50.0)
    rows = random.choice(size, size=bad, replace=False)
    site[rows[: bad // 2]] = "nowhere"
    loss[rows[bad // 2 :]] = -3.0
    cars = pd.DataFrame({"vehicle_id": np.arange(size).astype(str), "heater_id": "limit_1400", "site_id": site}).assign(
        cab_ua_w_per_k=loss
    )
    plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, with_assignment=False, with_sensitivity=False)
    assert plan.rows["vehicles"] == {"read": size, "planned": size - bad, "refused": bad}
    assert len(plan.vehicles) == size - bad
    # Half of them name one site that is not there: one fault, told at the first of them. The others tell each row.
    assert len(plan.faults) == bad // 2 + 1
    assert sorted(plan.faults["row"] - 2) == sorted([min(rows[: bad // 2]), *rows[bad // 2 :].tolist()])
    assert f"It concerns {bad // 2} vehicles" in " ".join(plan.faults["text"])


def test_near_names_of_sites_and_routes_are_told() -> None:
    cars = worked.vehicles().astype(object)
    cars.loc[0, "site_id"] = "S11"
    routes = pd.DataFrame({"route_id": ["coast_round"] * 3, "altitude_m": [500, 600, 900], "minutes": [10, 10, 5]})
    cars["route_id"] = ["coast_round", "coast_rund", *["coast_round"] * (len(cars) - 2)]
    plan = planned(cars, None, routes)
    text = dict(zip(plan.faults["code"], plan.faults["text"], strict=True))
    assert "Did you mean S1" in text["unknown_site"]
    assert "Did you mean coast_round?" in text["unknown_route"]


@pytest.mark.parametrize("name", ["x" * 400, "../../etc/x", "/etc/x", "a\0b", "CON", "a\nb", "..", "."])
def test_a_profile_name_that_no_file_can_have_refuses_its_row_alone(name: str, tmp_path: Path) -> None:
    cars = worked.vehicles().astype(object).assign(profile="")
    cars.loc[0, "profile"] = name
    (tmp_path / "profiles").mkdir()
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "x.toml").write_text("secret = 1\n", encoding="utf-8")
    plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, profiles=tmp_path / "profiles")
    assert faults_of(plan) == {1: {"missing"}}
    assert "not valid" not in " ".join(plan.faults["text"])  # a file outside the folder is not even opened
    assert all(text.isprintable() for text in plan.faults["text"])


def test_metres_under_a_heading_in_feet_are_found_where_a_pressure_stands_beside_them() -> None:
    """1850 m has 810 hPa (ISO 2533 to the nearest 1 hPa, from memory); 1850 ft has 947 hPa."""
    sites = worked.sites().assign(pressure_hpa=[810.0, 738.0, 675.0, 609.0, 966.0])
    sites = sites.rename(columns={"altitude_m": "altitude_ft"})
    plan = planned(worked.vehicles(), sites)
    told = plan.faults[plan.faults["table"] == "sites"]["text"].iloc[0]
    assert "if altitude_ft holds metres, name the column altitude_m" in told
    bare = planned(worked.vehicles(), sites.drop(columns="pressure_hpa"))
    assert len(bare.faults) == 0  # nothing in the table contradicts 1850 ft: nothing is claimed
