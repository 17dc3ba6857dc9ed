"""What-if, and the difference of two plans: empty for equal ones, the same both ways, enough to make the other plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.application.fleet.decisions import KEEP_OFF
from combust.application.fleet.difference import plan_difference
from combust.application.fleet.plan import FleetPlan
from combust.data.errors import CombustError
from combust.edge.reports.difference_page import read_difference, write_difference
from combust.edge.reports.fleet_page import write_plan
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import foreign, worked
from tests.long import LONG

HEATERS = foreign.heaters()
CHANGES = (
    "design_temp_c lowered by 8",
    "altitude_m raised by 150 where altitude_m < 3000",
    "type moss = crag where altitude_m >= 2000 and group = north",
    "cab_ua_w_per_k = 30 where design_temp_c <= -10",
    "battery_ah = 250 where battery_ah < 100",
    "fuel = paraffinic",
    "compensation = none",
    "nights_per_season lowered by 5",
)


def planned(cars: pd.DataFrame, sites: pd.DataFrame, *changes: str, **more: Any) -> FleetPlan:
    return plan_fleet(cars, sites, heaters=HEATERS, with_assignment=False, changes=changes, **more)


def in_order(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.sort_values("vehicle_id", ignore_index=True)


def apply_difference(before: pd.DataFrame, cells: pd.DataFrame) -> pd.DataFrame:
    """Return the vehicles of the later plan from those of the earlier one and the cells that differ."""
    frame = before.set_index("vehicle_id")
    removed = cells.loc[cells["kind"] == "removed", "vehicle_id"].unique()
    out = frame.drop(index=removed).astype(object)
    for column, part in cells[cells["kind"] == "changed"].groupby("column"):
        out.loc[part["vehicle_id"].to_numpy(), column] = part["after"].to_numpy()
    added = cells[cells["kind"] == "added"]
    if len(added):
        wide = added.pivot(index="vehicle_id", columns="column", values="after")
        out = pd.concat([out, wide.reindex(added["vehicle_id"].unique())[out.columns]])
    out = out.astype(frame.dtypes.to_dict())
    return out.rename_axis("vehicle_id").reset_index()[list(before.columns)]


@pytest.mark.hand
@settings(max_examples=40 if LONG else 3, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    seed=st.integers(0, 10**6),
    size=st.integers(4, 40),
    changes=st.lists(st.sampled_from(CHANGES), max_size=3),
    gone=st.integers(0, 3),
)
def test_a_difference_is_empty_antisymmetric_and_complete(seed: int, size: int, changes: list[str], gone: int) -> None:
    cars, sites = foreign.vehicles(seed, size), foreign.sites(seed)
    held = cars.iloc[: size - gone]
    if not ((held["heater_id"] == "moss").any() and (held["group"] == "north").any()):  # names that no row holds
        changes = [change for change in changes if not change.startswith("type")]
    one, other = planned(cars.iloc[gone:], sites).vehicles, planned(cars.iloc[: size - gone], sites, *changes).vehicles
    for frame in (one, other):
        assert plan_difference(frame, frame.copy()).cells.empty
        assert (plan_difference(frame, frame.copy()).sums["change"].fillna(0.0) == 0.0).all()
    there, back = plan_difference(one, other), plan_difference(other, one)
    turned = back.cells.rename(columns={"before": "after", "after": "before"})
    turned["kind"] = turned["kind"].replace({"added": "removed", "removed": "added"})
    keys = ["vehicle_id", "column"]
    pd.testing.assert_frame_equal(
        there.cells.sort_values(keys, ignore_index=True),
        turned.sort_values(keys, ignore_index=True)[there.cells.columns],
        check_dtype=False,
    )
    assert there.sums["change"].to_numpy() == pytest.approx(-back.sums["change"].to_numpy(), nan_ok=True)
    pd.testing.assert_frame_equal(in_order(apply_difference(one, there.cells)), in_order(other))
    pd.testing.assert_frame_equal(in_order(apply_difference(other, back.cells)), in_order(one))
    both = set(one["vehicle_id"]) & set(other["vehicle_id"])
    decided = [frame.set_index("vehicle_id")["decision"] for frame in (one, other)]
    named = [name for who in there.decisions["who"] for name in who.split(", ")]
    differs = {name for name in both if decided[0][name] != decided[1][name]}
    assert sorted(named) == sorted(differs | (set(one["vehicle_id"]) ^ set(other["vehicle_id"])))


# Changes against the same changes made to the tables by hand: several at once that touch different cells, so that the
# one that is wrong is named by its column.
@pytest.mark.hand
@pytest.mark.parametrize("some", [(0, 1, 2, 7), (3, 4, 5, 6)], ids=["sites and type", "vehicles and fuel"])
def test_a_change_is_the_table_with_other_cells(some: tuple[int, ...]) -> None:
    cars, sites = foreign.vehicles(8, 120), foreign.sites()
    if 0 in some:
        sites["design_temp_c"] -= 8
        sites["altitude_m"] += np.where(sites["altitude_m"] < 3000, 150, 0)
        height = cars["site_id"].map(sites.set_index("site_id")["altitude_m"])
        rows = (cars["heater_id"] == "moss") & (height >= 2000) & (cars["group"] == "north")
        cars.loc[rows, ["heater_id", "compensation"]] = ["crag", "none"]
        cars.loc[rows, ["compensation_limit_m", "blower_trim_max_pct"]] = np.nan
        assert rows.any()
        sites["nights_per_season"] -= 5
    else:
        cold = cars["site_id"].map(sites.set_index("site_id")["design_temp_c"])
        cars.loc[cold <= -10, "cab_ua_w_per_k"] = 30
        cars.loc[cars["battery_ah"] < 100, "battery_ah"] = 250
        sites = sites.assign(fuel="paraffinic", cold_filter_plugging_c=np.nan)
        cars["compensation"] = "none"
    changes = [CHANGES[number] for number in some]
    told = planned(foreign.vehicles(8, 120), foreign.sites(), *changes)
    for change in changes:
        assert any(note.startswith(f"changed: {change}: ") for note in told.notes)
    assert plan_difference(told.vehicles, planned(cars, sites).vehicles).cells.empty


@pytest.mark.hand
def test_another_fuel_changes_lambda_by_the_pump_s_volume() -> None:
    """The pump meters volume: lambda follows density times air need.

    Diesel without FAME 835 kg/m3, CH1.86 needs (1 + 1.86/4)/0.20946 * 28.965/(12.011 + 1.86 * 1.008) = 14.59 kg/kg;
    paraffinic 780 kg/m3, CH2.125: (1 + 2.125/4)/0.20946 * 28.965/(12.011 + 2.125 * 1.008) = 14.96 kg/kg. The pump's
    835 * 14.59 against 780 * 14.96: lambda 1.044 times. Heat: 780 * 44.1 over 835 * 42.78 is 0.963.
    """
    plans = [
        plan_fleet(worked.vehicles(), worked.sites(), heaters=worked.HEATERS, with_assignment=False, changes=changes)
        for changes in ((), ("fuel = paraffinic",))
    ]
    before, after = (plan.vehicles for plan in plans)
    assert (after["base_air_ratio"] / before["base_air_ratio"]).to_numpy() == pytest.approx(1.044, abs=2e-3)
    assert (after["nominal_heat_kw"] / before["nominal_heat_kw"]).to_numpy() == pytest.approx(0.963, abs=1e-3)
    assert set(after["fuel_grade"]) == {"unknown"}  # the grade that was entered is that of another fuel
    assert set(after["heater"]) == {"limit_1400 on paraffinic", "limit_2400 on paraffinic"}


@pytest.mark.practice
def test_gasoline_and_diesel_are_never_exchanged() -> None:
    """Common practice, no source: a heater burns the kind of fuel that it is made for."""
    cars = foreign.vehicles(3, 200).assign(fuel="")
    plan = planned(cars, foreign.sites(), "fuel = paraffinic")
    assert set(plan.vehicles.loc[cars["heater_id"] == "rill", "heater"]) == {"rill"}
    cars.loc[cars["heater_id"] == "rill", "fuel"] = "diesel_b7"
    refused = planned(cars, foreign.sites())
    assert refused.rows["vehicles"]["refused"] == (cars["heater_id"] == "rill").sum()
    assert "no fuel for a heater made for gasoline_e5" in " ".join(refused.faults["text"])


@pytest.mark.hand
@pytest.mark.parametrize(
    ("change", "piece"),
    [
        ("desing_temp_c lowered by 8", "Did you mean design_temp_c"),
        ("design_temp_c lowered by much", "design_temp_c"),
        ("altitude_m raised by 99999", "altitude_m"),
        ("compensation = turbo", "automatic"),
        ("design_temp_c lowered by 8 degF", "has the unit degF"),
        ("battery_ah = 90 V", "Write the number in Ah, or alone"),
        ("warmer, please", "is no change"),
        ("altitude_m = 500 where group = north", "belongs to a site"),
        ("site_id lowered by 5", "is no number that can be raised"),
        ("battery_ah = 90 where battery_ah is small", "is no condition"),
        ("battery_ah = 90 where battery_ah < few", "Compare it with a number"),
    ],
)
def test_a_change_that_cannot_be_made_is_told(change: str, piece: str) -> None:
    with pytest.raises(CombustError) as caught:
        planned(foreign.vehicles(1, 5), foreign.sites(), "fuel = kerosene", change, "no change at all")
    told = " ".join(str(fault) for fault in caught.value.faults)
    assert piece in told
    assert "99999" in change or "no change at all" in told  # every fault at once; a band only where it is left


@pytest.mark.hand
def test_the_unit_of_the_column_may_stand_behind_a_number() -> None:
    cars, sites = foreign.vehicles(1, 5), foreign.sites()
    colder = planned(cars, sites.assign(design_temp_c=sites["design_temp_c"] - 8)).vehicles
    for typed in ("8 degC", "8degC", "8 °C", "8 K", "8"):
        told = planned(cars, sites, f"design_temp_c lowered by {typed}")
        assert plan_difference(told.vehicles, colder).cells.empty, typed


@pytest.mark.hand
@pytest.mark.parametrize(
    ("change", "near"),
    [("type msos = crag", "moss"), ("type moss = carg", "crag"), ("battery_ah = 90 where group = nroth", "north")],
)
def test_a_name_that_no_row_holds_is_refused(change: str, near: str) -> None:
    with pytest.raises(CombustError, match=f"Did you mean {near}"):
        planned(foreign.vehicles(8, 120), foreign.sites(), change)


@pytest.mark.hand
def test_plans_are_read_back_from_their_folders_and_the_page_says_what_changes(tmp_path: Path) -> None:
    """Worked fleet, everything 1000 m lower: V1 falls from 1850 to 850 m, within its 1400 m, and needs no kit."""
    prices = {"price_compensation_kit": 500, "price_fuel_per_l": 2}
    for name, changes in (("a", ()), ("b", ("altitude_m lowered by 1000 where site_id = S1",))):
        plan = plan_fleet(worked.vehicles(), worked.sites(), heaters=worked.HEATERS, policy=prices, changes=changes,
                          with_assignment=False)  # fmt: skip
        write_plan(plan, tmp_path / name)
    told = read_difference(tmp_path / "a", tmp_path / "b")
    turned = told.decisions[["before", "after", "count"]].to_numpy().tolist()
    assert turned == [["OFF: needs kit", "runs as it is", 12]]  # 1.6 * 0.90 on the mild night, and a warm cab
    sums = told.sums.set_index("what")
    assert sums.loc["compensation kits to fit"].tolist() == [31, 19, -12]
    assert sums.loc["heaters off"].tolist() == [31, 19, -12]
    # 12 kits of 500 are saved, and 2 spares (4 of 31, 2 of 19); the litres are the same hours and cabs, a little denser
    # air through nothing.
    total = "grand total of kits, spares and fuel, in the money of the policy"
    assert sums.loc[total, "change"] == pytest.approx(-7000, abs=1.0)
    write_difference(told, tmp_path / "d")
    page = (tmp_path / "d" / "difference.html").read_text(encoding="utf-8")
    assert "V1-01" in page
    assert "OFF: needs kit" in page
    assert "<script" not in page
    cells = pd.read_parquet(tmp_path / "d" / "difference_cells.parquet")
    assert len(cells) == len(told.cells)
    with pytest.raises(CombustError, match="holds no plan"):
        read_difference(tmp_path / "a", tmp_path / "nowhere")
    assert set(KEEP_OFF) >= set(told.cells.loc[told.cells["column"] == "decision", "before"])
