"""A plan written and read back is the plan; what is none, or of two plans, is refused; a large one stays small."""

from __future__ import annotations

import datetime
import hashlib
import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from combust import CombustError, load_plan
from combust.application.fleet.due import Due, DueList
from combust.application.fleet.overview import FEW, LARGE
from combust.application.fleet.plan import FleetPlan
from combust.application.fleet.weather import Weather
from combust.domain.limits import Finding
from combust.edge.reports.difference_page import PRICES, prices_of
from combust.edge.reports.fleet_page import plan_page
from combust.edge.tables.fleet import plan_fleet
from combust.edge.tables.plan_files import (
    OF_ASSIGNMENT,
    OF_PLAN,
    VEHICLES_SCHEMA,
    significant,
    write_head,
    write_plan_files,
)
from tests.application.fleet import foreign, worked

DEMO = Path(__file__).parents[2] / "data" / "larkfell_fleet"


@pytest.fixture(scope="module")
def demo() -> FleetPlan:
    tables = [DEMO / f"{name}.csv" for name in ("vehicles", "sites", "routes")]
    return plan_fleet(*tables, profiles=DEMO / "profiles", policy=DEMO / "policy.toml", max_kits=3, max_moves=20)


def frames(plan: FleetPlan) -> dict[str, pd.DataFrame]:
    return {name: getattr(plan, name) for name in OF_PLAN} | {
        name: getattr(plan.assignment, key) for name, key in OF_ASSIGNMENT.items()
    }


@pytest.mark.independent
def test_what_is_written_is_read_back(demo: FleetPlan, tmp_path: Path) -> None:
    """Every table cell by cell, by pandas; head and cards as the plan tells them."""
    write_plan_files(demo, tmp_path)
    back = load_plan(tmp_path)
    for name, table in frames(demo).items():
        pd.testing.assert_frame_equal(frames(back)[name], table, check_dtype=False, check_exact=True, obj=name)
    assert back.to_dict() == demo.to_dict()
    assert str(back) == str(demo)
    head, *cards = (json.loads(line) for line in (tmp_path / "plan.jsonl").read_text("utf-8").splitlines())
    assert next(iter(head)) == "safety"
    assert [line["card"] for line in cards] == demo.cards
    assert head["totals"] == demo.to_dict()["totals"]
    assert {path.name for path in tmp_path.iterdir()} == {
        "plan.jsonl", *(f"{name}.{end}" for name in (*frames(demo), "assumptions") for end in ("csv", "parquet"))
    }  # fmt: skip


@pytest.mark.regression
def test_the_schema_of_the_vehicles_is_fixed(tmp_path: Path) -> None:
    """One vehicle of which little is known has the columns and types of any fleet; its empty tables too."""
    import pyarrow.parquet as pq

    plan = plan_fleet(worked.vehicles().iloc[:1], worked.sites(), heaters={"limit_1400": worked.heater(None)})
    write_plan_files(plan, tmp_path)
    assert pq.read_schema(tmp_path / "vehicles.parquet") == VEHICLES_SCHEMA
    assert list(plan.vehicles.columns) == VEHICLES_SCHEMA.names
    for name, table in frames(load_plan(tmp_path)).items():
        assert list(table.columns) == list(frames(plan)[name].columns)


@pytest.mark.hand
def test_folders_that_hold_no_plan(demo: FleetPlan, tmp_path: Path) -> None:
    write_plan_files(demo, tmp_path)
    kept = (tmp_path / "plan.jsonl").read_bytes()

    def refused(words: str) -> None:
        with pytest.raises(CombustError, match=words):
            load_plan(tmp_path)

    for text in (b"", b"[]", b"\x00", b'{"safety": 1}', kept[: len(kept) // 3], kept.replace(b'"card"', b'"other"')):
        (tmp_path / "plan.jsonl").write_bytes(text)
        refused("holds no plan that can be read")
    (tmp_path / "plan.jsonl").write_bytes(kept)
    sites = (tmp_path / "sites.parquet").read_bytes()
    (tmp_path / "sites.parquet").unlink()
    refused("lacks sites.parquet")
    (tmp_path / "sites.parquet").write_bytes(sites[: len(sites) // 2])
    refused("has another sites.parquet than plan.jsonl tells")
    demo.sites.iloc[:-1].to_parquet(tmp_path / "sites.parquet", index=False)
    refused("has another sites.parquet than plan.jsonl tells")
    (tmp_path / "sites.parquet").write_bytes(sites)
    demo.vehicles.drop(columns="reason").to_parquet(tmp_path / "vehicles.parquet", index=False)
    refused("has another vehicles.parquet")
    head = {key: value for key, value in json.loads(kept.splitlines()[0]).items() if key != "sha256"}

    def sealed_again(name: str) -> None:
        head["files"][name] = hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()
        write_head(tmp_path, head, demo.cards)

    sealed_again("vehicles.parquet")
    refused("another version")
    demo.vehicles.to_parquet(tmp_path / "vehicles.parquet", index=False, schema=VEHICLES_SCHEMA)
    (tmp_path / "sites.parquet").write_bytes(sites.replace(b"site_id", b"site_i\xe2"))  # found by damage: no UTF-8
    sealed_again("vehicles.parquet")
    sealed_again("sites.parquet")
    refused("lacks sites.parquet")
    (tmp_path / "plan.jsonl").write_bytes(kept.replace(b'"sha256"', b'"x"'))
    refused("another version")
    (tmp_path / "plan.jsonl").unlink()
    refused("holds no plan that can be read")
    (tmp_path / "plan.json").write_text("{}")
    refused("plan.json of an earlier version.*Plan again")


@pytest.mark.independent
def test_numbers_of_a_csv_have_six_digits() -> None:
    """Python's own %.6g, over 24 decades, both signs, halves and what is no number."""
    random = np.random.default_rng(3)
    numbers = np.concatenate(
        [random.normal(size=20_000) * 10.0 ** random.integers(-12, 12, 20_000), [0.0, -0.0, 999999.5, 1234567.0, 0.1]]
    )
    assert significant(numbers).tolist() == [float(f"{one:.6g}") for one in numbers.tolist()]
    assert np.isnan(significant(np.array([np.nan]))).all()


@pytest.mark.independent
def test_the_rows_of_a_fleet_are_those_of_each_vehicle_alone() -> None:
    """What is worked once for vehicles alike is right for each: every row against a plan of that vehicle alone."""
    cars = foreign.vehicles().iloc[::75]
    fleet = plan_fleet(cars, foreign.sites(), heaters=foreign.heaters(), with_assignment=False).vehicles
    alone = [
        plan_fleet(cars.iloc[[row]], foreign.sites(), heaters=foreign.heaters(), with_assignment=False).vehicles
        for row in range(len(cars))
    ]
    expected = pd.concat(alone, ignore_index=True)
    expected = expected[expected["vehicle_id"].isin(fleet["vehicle_id"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(fleet, expected, check_dtype=False, rtol=1e-12)


@pytest.mark.hand
def test_the_page_of_a_large_fleet_is_bounded(tmp_path: Path) -> None:
    """Twice the vehicles at the same sites make hardly a longer page; each stands in its table and on its card."""
    one = worked.vehicles()
    sizes = {}
    for count in (LARGE + 1, 2 * LARGE):
        cars = pd.concat([one] * -(-count // len(one)), ignore_index=True).iloc[:count]
        cars["vehicle_id"] = [f"V{number:05d}" for number in range(count)]
        plan = plan_fleet(cars, worked.sites(), heaters=worked.HEATERS, with_assignment=False, with_sensitivity=False)
        html = plan_page(plan, {}, title="t")
        sizes[count] = len(html)
    assert max(sizes.values()) < 1.02 * min(sizes.values())
    write_plan_files(plan, tmp_path)
    off = plan.vehicles.loc[plan.vehicles["safety"] == "heater_off", "vehicle_id"]
    assert len(off) > FEW
    cards = " ".join(line for card in plan.cards for line in card["lines"])
    assert f"HEATER OFF for {len(off)} of {count} vehicles" in html
    assert "more" in plan.sites["off_named"].iloc[0]
    assert "driver_cards.txt" in html
    assert all(name in cards for name in off)
    assert pd.read_csv(tmp_path / "vehicles.csv")["vehicle_id"].tolist() == cars["vehicle_id"].tolist()


@pytest.mark.regression
def test_what_the_winters_and_the_hours_say_is_read_back_too(demo: FleetPlan, tmp_path: Path) -> None:
    """A stop of the log keeps its vehicle off in the plan that is read back, and its state is that of the plan."""
    day = datetime.date(2026, 12, 1)
    stop = Finding("co_stop", "stop", "CO above the limit.")
    due = (Due("V1", "heater-0001", True, None, "CO above the limit", None), Due("V2", "h-2", False, day, "due", day))
    hours = pd.DataFrame({"site_id": ["S1"], "colder_hours": [3.5]})
    weather = Weather("December", hours, hours, hours, ("refused",), ("a note",), 1)
    plan = replace(demo, history=DueList(due, (stop,), ("one note",)), weather=weather)
    write_plan_files(plan, tmp_path)
    back = load_plan(tmp_path)
    assert back.history == plan.history
    assert back.safety == plan.safety
    assert plan.safety != demo.safety
    pd.testing.assert_frame_equal(back.weather.classes, hours, check_dtype=False)
    assert (back.weather.season, back.weather.warnings, back.weather.refused) == ("December", ("refused",), 1)
    assert str(back) == str(plan)


@pytest.mark.regression
def test_a_head_that_was_changed_is_told_in_words(demo: FleetPlan, tmp_path: Path) -> None:
    """Each of its parts gone, of another kind, or with a key that nobody wrote: refused, never a traceback."""
    write_plan_files(demo, tmp_path)
    first, *cards = (tmp_path / "plan.jsonl").read_text("utf-8").splitlines()
    (tmp_path / "plan.jsonl").write_text("\n".join([first, *cards]).replace("150 m", "151 m", 1), "utf-8")
    with pytest.raises(CombustError, match="was changed"):
        load_plan(tmp_path)
    refused, head = [], {key: value for key, value in json.loads(first).items() if key != "sha256"}
    for part in ("assignment", "assumed", "notes", "not_covered", "weather", "history", "tables", "files"):
        for other in (None, 3, "x", [1], {"a": 1}):
            write_head(tmp_path, {**head, part: other}, demo.cards)  # sealed again: as if combust had written it
            with suppress(CombustError):  # a list of notes is taken
                load_plan(tmp_path)
                continue
            refused.append(part)
    assert {*refused} == {"assignment", "assumed", "notes", "not_covered", "weather", "history", "tables", "files"}
    dear = demo.assumptions.assign(value=["x" if key in PRICES else 0 for key in demo.assumptions["quantity"]])
    with pytest.raises(CombustError, match="no number"):
        prices_of(dear)
