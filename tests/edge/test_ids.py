"""One id under several spellings: capitals, blanks around it, two forms of one letter."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pandas as pd
import pytest

from combust.data.near import folded_id, one_spelling
from combust.edge.logbook.history import read_log
from combust.edge.tables.fleet import plan_fleet
from combust.edge.tables.visits import read_visits
from tests.application.fleet import worked
from tests.edge.runs import DATA, call

WINTERS = DATA / "larkfell_winters.csv"


@pytest.mark.parametrize("other", [" Hütte-7", "HÜTTE-7 ", unicodedata.normalize("NFD", "hütte-7")])
def test_one_id_has_many_spellings(other: str) -> None:
    """Unicode's own forms (UAX 15): u with two dots as one sign, and as two."""
    assert folded_id(other) == folded_id("Hütte-7")
    assert one_spelling([other, "quay"], ["Hütte-7"]) == ["Hütte-7", "quay"]
    assert folded_id(other) != folded_id("Hutte-7")


def test_a_fleet_whose_tables_spell_differently_is_planned_as_if_they_did_not() -> None:
    cars, sites = worked.vehicles(), worked.sites()
    plain = plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False)
    cars.loc[0:20, "site_id"] = cars.loc[0:20, "site_id"].str.lower() + " "
    cars.loc[5:30, "heater_id"] = cars.loc[5:30, "heater_id"].str.upper()
    spelled = plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False)
    pd.testing.assert_frame_equal(plain.vehicles, spelled.vehicles)
    assert spelled.faults.empty
    cars.loc[1, "vehicle_id"] = cars.loc[0, "vehicle_id"].lower()
    assert plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False).faults["code"].tolist() == [
        "duplicate"
    ]


def test_points_of_a_route_are_found_under_any_spelling() -> None:
    routes = pd.DataFrame(
        {"route_id": ["Coast", "coast ", "COAST"], "altitude_m": [500, 600, 900], "minutes": [10, 10, 5]}
    )
    cars = worked.vehicles().assign(route_id="coast")
    plan = plan_fleet(cars, worked.sites(), routes, heaters=worked.HEATERS, with_assignment=False)
    assert set(plan.routes["points"]) == {3}
    assert plan.routes["highest_m"].max() == 900


def test_a_heater_is_followed_under_any_spelling(tmp_path: Path) -> None:
    """The second half of its winters says the same name otherwise: one heater, as many readings as before."""
    table = pd.read_csv(WINTERS, dtype=str, keep_default_na=False)
    own = table["heater_id"] == "heater-0107"
    count = len(read_log(table).rows)
    half = own & (own.cumsum() > own.sum() // 2)
    table.loc[half, "heater_id"] = " HEATER-0107"
    found = read_log(table)
    assert len(found.rows) == count
    assert sum(folded_id(row.get("heater_id")) == "heater-0107" for row in found.rows) == sum(
        row.get("heater_id") == "heater-0107" for row in found.rows
    )
    table.to_csv(tmp_path / "winters.csv", index=False)
    profile = str(DATA / "heaters" / "heater-0107.toml")
    plain, spelled = (
        call("history", str(one), "--heater", profile, "--on", "2026-01-15")
        for one in (WINTERS, tmp_path / "winters.csv")
    )
    assert spelled.code == 0
    assert spelled.out == plain.out


def test_a_visit_and_its_heater_are_found_under_any_spelling(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    opened = call("visit", "open", "w.book", " HEATER-0312 ", "--heaters", str(DATA / "heaters"), "--visit-id", "Ü1")
    assert opened.code == 0, opened.err
    shown = call("log", "show", "w.book", "--visit-id", unicodedata.normalize("NFD", " ü1 "))
    assert shown.code == 0, shown.err
    assert call("log", "show", "w.book", "--heater-id", "Heater-0312", "--json").json["count"] == 1
    readings, _ = read_visits(DATA / "larkfell_visits.csv", heater_id="heater-0312")
    assert len(read_visits(DATA / "larkfell_visits.csv", heater_id="HEATER-0312 ")[0]) == len(readings)
