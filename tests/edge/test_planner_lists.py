"""What a planner stumbled over: a line for each of 32 rows, moves typed in by hand, kits for heaters that wait."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from combust.application.fleet.difference import plan_difference
from combust.data.errors import CombustError
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked
from tests.edge.runs import DATA, call, is_plain_refusal

FLEET = DATA / "larkfell_fleet"


def test_rows_refused_for_one_reason_are_told_at_once(tmp_path: Path) -> None:
    """32 of 40 rows: how many, the first five, one remedy; the table of the faults holds each of them."""
    cars = pd.read_csv(FLEET / "vehicles.csv", dtype=str, keep_default_na=False).head(40)
    cars.loc[4:35, "compensation"] = "kit"
    cars.to_csv(tmp_path / "cars.csv", index=False)
    tables = [f"--vehicles={tmp_path / 'cars.csv'}", f"--sites={FLEET / 'sites.csv'}"]
    run = call("fleet", *tables, f"--profiles={FLEET / 'profiles'}", f"--out={tmp_path / 'plan'}")
    told = [line for line in run.err.splitlines() if "compensation = kit" in line]
    assert len(told) == 1
    assert told[0].startswith("refused: vehicles rows 6, 7, 8, 9, 10 and 27 more: ")
    assert "is none of none, fuel, blower, automatic. Use one of these." in told[0]
    assert told[0].endswith(" (32 rows)")
    faults = pd.read_csv(tmp_path / "plan" / "faults.csv")
    assert len(faults.query("column == 'compensation'")) == 32
    page = (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
    assert page.count("compensation = kit is none of") == 1


def test_a_cab_that_was_not_measured_is_planned_by_the_policy_and_told() -> None:
    """75 W/K by default; 40 with a policy of one's own: 40 W/K from 20 to -12 °C are 1.28 kW (by hand)."""
    cars = worked.vehicles().iloc[:2].astype(object)
    cars.loc[0, "cab_ua_w_per_k"] = "?"
    plan = plan_fleet(
        cars, worked.sites(), heaters=worked.HEATERS, policy={"cab_ua_w_per_k": 40}, with_assignment=False
    )
    assert plan.vehicles["heat_demand_kw"].round(2).tolist() == [1.28, 1.60]
    assert plan.faults[["row", "column", "severity"]].to_numpy().tolist() == [[2, "cab_ua_w_per_k", "warned"]]
    assumed = plan.assumptions.set_index("quantity")
    assert assumed.loc["cab_ua_w_per_k"]["value"].tolist() == [40, "filled in for 1 row"]


def test_a_kit_goes_first_to_a_heater_that_runs_with_it() -> None:
    """All spend 120 nights; V1-01's battery is too small, V1-02's is not known: they come behind the other ten."""
    cars = worked.vehicles().query("group == 'V1'").reset_index(drop=True).astype({"battery_ah": float})
    cars.loc[0, "battery_ah"], cars.loc[1, "battery_ah"] = 20.0, float("nan")
    plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, max_kits=10, with_assignment=False)
    order = plan.kits["vehicle_id"].tolist()
    assert order[:2] == ["V1-03", "V1-04"]
    assert order[-2:] == ["V1-02", "V1-01"]
    assert plan.kits.query("given")["vehicle_id"].tolist() == order[:10]


def moves(*rows: tuple[str, str, str]) -> pd.DataFrame:
    """Return moves as a plan proposes them."""
    return pd.DataFrame(rows, columns=["vehicle_id", "from_site", "to_site"]).assign(to_route="")


def test_proposed_moves_are_planned_with_from_the_file(tmp_path: Path) -> None:
    """V2-01 goes from 2600 m to 400 m, below its own limit of 1400 m: it runs there."""
    path = tmp_path / "moves.csv"
    moves(("V2-01", "S2", "S5")).to_csv(path, index=False)
    how = {"heaters": worked.HEATERS, "with_assignment": False, "with_sensitivity": False}
    before = plan_fleet(worked.vehicles(), worked.sites(), **how)
    after = plan_fleet(worked.vehicles(), worked.sites(), changes=[f"moves {path}"], **how)
    row = after.vehicles.set_index("vehicle_id").loc["V2-01"]
    assert (row["site_id"], row["decision"]) == ("S5", "as_is")
    assert (
        plan_difference(before.vehicles, after.vehicles).opening()[0].startswith("Vehicles that differ: 1; 1 of them")
    )
    assert any(note.endswith(": 1 of 51 vehicles") for note in after.notes)
    for wrong, said in ((("V2-01", "S3", "S5"), "stands at S2"), (("nobody", "S2", "S5"), "is no vehicle")):
        moves(wrong).to_csv(path, index=False)
        with pytest.raises(CombustError, match=said):
            plan_fleet(worked.vehicles(), worked.sites(), changes=[f"moves {path}"], **how)
    is_plain_refusal(
        call("fleet", f"--vehicles={FLEET / 'vehicles.csv'}", f"--sites={FLEET / 'sites.csv'}",
             f"--change=moves {path}", f"--out={tmp_path}")
    )  # fmt: skip
    assert [one.name for one in tmp_path.iterdir()] == ["moves.csv"]


def test_plans_that_differ_in_moves_only_are_not_the_same() -> None:
    frame = worked.plan(with_assignment=False, with_sensitivity=False).vehicles
    sides = (moves(("V2-01", "S2", "S5"), ("V2-02", "S2", "S5")), moves(("V2-01", "S2", "S5"), ("V3-01", "S3", "S1")))
    found = plan_difference(frame, frame, moves=sides)
    assert found.opening() == ("The vehicles are the same; proposed moves that differ: 2",)
    assert found.lines() == [
        ("proposed move of V2-02", "S5 -> stays"), ("proposed move of V3-01", "stays -> S1"),
    ]  # fmt: skip
    assert plan_difference(frame, frame, moves=(sides[0], sides[0])).opening() == ("The two plans are the same",)


def test_the_price_of_a_heater_is_counted_where_heaters_are_exchanged() -> None:
    """The 9 small heaters at S2 for larger ones at 900 each: 8100 (by hand)."""
    how = {"heaters": worked.HEATERS, "with_assignment": False, "with_sensitivity": False}
    before = plan_fleet(worked.vehicles(), worked.sites(), **how)
    change = "type limit_1400 = limit_2400 where site_id = S2"
    after = plan_fleet(worked.vehicles(), worked.sites(), changes=[change], policy={"price_heater": 900}, **how)
    sums = plan_difference(before.vehicles, after.vehicles, ({}, {"price_heater": 900.0})).sums.set_index("what")
    assert sums.loc["heaters of another type to fit", "after"] == 9
    assert sums.loc["cost of these heaters, in the money of the policy", "after"] == 8100.0
    assert "heaters of type limit_2400" in sums.index
