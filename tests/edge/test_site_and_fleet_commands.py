"""``combust site`` and ``combust fleet`` from the command line, their files, figures and page."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from combust.application.heater.baseline import healthy_stage
from combust.domain.site import Site
from combust.edge.cli.main import main
from combust.edge.figures.altitude import draw_nights
from combust.edge.reports.fleet_page import plan_page
from tests.application.fleet import worked
from tests.edge.runs import run

pytestmark = pytest.mark.hand
DATA = Path(__file__).parents[2] / "data" / "larkfell_fleet"
SITE = ["site", "--altitude", "2000", "--intake-temp", "0", "--fuel", "diesel", "--air-ratio", "1.6"]


@pytest.mark.independent
def test_site_example_of_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *SITE, "--reference-temp", "20", "--json")
    table = json.loads(out)
    assert code == 0
    # worked apart by element balance: lambda 1.35, O2 5.7, CO2 11.2
    assert table["air_ratio"] == pytest.approx(1.35, abs=0.005)
    assert table["o2_dry_pct"] == pytest.approx(5.7, abs=0.05)
    assert table["co2_dry_pct"] == pytest.approx(11.2, abs=0.05)
    assert "Carbon monoxide" in err
    # without --reference-temp the reference is 15 °C, and that is said: 795.0/1013.25 * 288.15/273.15 = 0.8277
    code, out, _ = run(capsys, *SITE, "--json")
    table = json.loads(out)
    assert table["dry_air_density_ratio"] == pytest.approx(0.8277, abs=1e-4)
    assert "reference" in table["assumed"]


def test_a_profile_with_another_fuel_in_its_tank(capsys: pytest.CaptureFixture[str]) -> None:
    """The pump meters volume: fuel mass = volume x density, lambda = air / (fuel mass x air need); densities at 15 °C.

    Air need: (1 + h/4 - o/2) / 0.20946 x 28.965 kg for 12.011 + 1.008 h + 15.999 o kg of fuel: CH1.86O0.007 14.438,
    CH1.93 14.689 kg/kg. Lambda: 832.5 x 14.438 / (800 x 14.689) = 1.0228 times; the healthy band of the low stage,
    1.8 to 2.4, has its middle at 2.148. Heat: 800 x 43.07 / (832.5 x 42.653) = 0.9704 times 1.9 kW = 1.844 kW.
    """
    home = ["site", "--altitude", "150", "--intake-temp", "15", "--heater", str(DATA / "profiles" / "small.toml")]

    def told(*more: str) -> dict[str, Any]:
        code, out, _ = run(capsys, *home, *more, "--json")
        assert code == 0
        found: dict[str, Any] = json.loads(out)
        return found

    before, after = (told("--stage", "high", *fuel) for fuel in ((), ("--fuel", "kerosene")))
    for key in ("base_air_ratio", "air_ratio", "air_ratio_full"):
        assert after[key] / before[key] == pytest.approx(1.0228, abs=1e-4), key
    assert (before["useful_heat_untrimmed_kw"], after["useful_heat_untrimmed_kw"]) == pytest.approx(
        (1.9, 1.844), abs=5e-4
    )
    assert after["fuel"]["name"] == "kerosene"
    assert "fuel other than at the baseline" in after["assumed"]
    assert told("--stage", "low", "--fuel", "kerosene")["base_air_ratio"] == pytest.approx(2.148, abs=5e-4)


def test_site_for_people_in_feet_with_a_reading(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["site", "--altitude-ft", "6561.68", "--intake-temp-f", "32", "--fuel", "diesel", "--air-ratio", "1.6",
                 "--reference-temp", "20", "--o2-dry", "5.7", "--location", "outdoors"]  # fmt: skip
    code, out, err = run(capsys, *arguments)
    assert code == 0
    assert "The site explains this reading" in out
    assert "1.35" in out
    assert "ONLY OUTDOORS" in out  # lambda 1.28 is below the watch-point of 1.3
    assert "ONLY OUTDOORS" in err
    code, out, err = run(capsys, *arguments, "--co-dry", "1200", "--strict")
    assert code == 4
    assert err.startswith("STOP.")
    assert "withheld" in out


def test_a_stop_is_told_even_when_the_rest_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, _, err = run(capsys, *SITE, "--o2-dry", "wet", "--co-dry", "1500", "--location", "outdoors")
    assert code == 3
    assert err.startswith("STOP.")
    code, out, err = run(capsys, *SITE, "--cab-co-in", "250", "--location", "outdoors")
    assert code == 0
    assert err.startswith("STOP.")
    assert "withheld" in out
    code, _, err = run(capsys, *SITE, "--figure", str(tmp_path / "map.gif"))
    assert code == 3
    assert ".png" in err


def test_repeats_count_as_their_mean(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = [*SITE, "--reference-temp", "20", "--location", "outdoors", "--json"]
    single = json.loads(run(capsys, *arguments, "--o2-dry", "5.7")[1])["reading"]
    three = [value for text in ("5.6", "5.7", "5.8") for value in ("--o2-dry", text)]
    repeated = json.loads(run(capsys, *arguments, *three)[1])["reading"]
    assert repeated["air_ratio"] == pytest.approx(single["air_ratio"], rel=1e-9)


def test_site_mistakes_are_told_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "site", "--altitude", "high", "--air-ratio", "rich")
    assert code == 3
    assert not out
    for piece in ("altitude_m = high", "air_ratio = rich", "--heater PROFILE.toml"):
        assert piece in err
    assert run(capsys, "site", "--altitude", "2000", "--fuel", "diesel", "--air-ratio", "1.6")[0] == 3
    assert run(capsys, *SITE, "--heater", "x.toml")[0] == 3


def test_site_writes_table_figures_and_points(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profile = str(DATA / "profiles" / "small.toml")
    written = {"--table": "t.csv", "--figure": "map.svg", "--ceiling-figure": "c.png", "--out": "s.json"}
    arguments = ["site", "--altitude", "1850", "--intake-temp", "-12", "--heater", profile]
    for option, name in written.items():
        arguments += [option, str(tmp_path / name)]
    code, _, err = run(capsys, *arguments)
    assert code == 0
    assert "above the heater's own limit of 1350 m" in err
    assert len(pd.read_csv(tmp_path / "t.csv")) == 19 * 7
    assert (tmp_path / "map.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert json.loads((tmp_path / "s.json").read_text(encoding="utf-8"))["heater_id"] == "small"
    pd.DataFrame({"altitude_m": [0.0, 1850.0], "temp_c": [15.0, -12.0]}).to_parquet(tmp_path / "p.parquet")
    points = ("--points", tmp_path / "p.parquet", "--points-out", tmp_path / "q.parquet")
    code, out, _ = run(capsys, "site", "--heater", profile, *points)
    assert code == 0
    assert out.startswith("STOP. HEATER OFF at 1 of 2 points")
    assert "2 points: 2 with lambda" in out
    derated = pd.read_parquet(tmp_path / "q.parquet")
    assert derated["air_ratio"].is_monotonic_decreasing
    assert derated.columns[0] == "safety"
    assert derated["safety"].tolist() == ["not_judged", "heater_off"]  # its own limit: 1350 m
    code, out, _ = run(capsys, "site", "--heater", profile, *points, "--strict", "--json")
    assert (code, next(iter(json.loads(out)))) == (4, "safety")
    table = pd.read_csv(tmp_path / "t.csv")
    assert table.columns[0] == "safety"
    above = table["altitude_m"] > 1350
    assert (table["safety"] == "heater_off").equals(above)
    assert table.loc[above, ["fuel_trim_pct", "blower_trim_full_pct"]].isna().all(axis=None)
    assert table.loc[~above, "fuel_trim_pct"].notna().all()


def test_what_a_profile_holds_does_not_stand_beside_it(capsys: pytest.CaptureFixture[str]) -> None:
    profile = ("--heater", str(DATA / "profiles" / "small.toml"))
    at = ("site", "--altitude", "500", "--intake-temp", "0")
    assert run(capsys, *at, *profile)[0] == 0
    beside = {"air_ratio": "1.6", "air_ratio_u": "0.1", "useful_heat": "2", "reference_temp": "20"}
    for key, value in beside.items():
        code, out, err = run(capsys, *at, *profile, f"--{key.replace('_', '-')}", value)
        assert (code, out) == (3, "")
        assert "stands beside --heater" in err


def test_a_row_of_the_table_that_stops_counts_as_strict(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    low = ("site", "--altitude", "500", "--intake-temp", "0", "--strict", "--heater")
    small = (*low, str(DATA / "profiles" / "small.toml"))  # its own limit: 1350 m; the table goes up to 4500 m
    assert run(capsys, *small)[0] == 0
    code, _, err = run(capsys, *small, "--table", tmp_path / "t.csv")
    rows = pd.read_csv(tmp_path / "t.csv")
    assert code == 4
    # heights every 250 m: 1500 to 4500 m is 13 of them, at 7 temperatures each
    assert f"HEATER OFF in {13 * 7} of {len(rows)} rows" in err
    code, _, err = run(capsys, *low[:-1], "--fuel", "diesel", "--air-ratio", "1.6", "--table", tmp_path / "u.csv")
    assert (code, "HEATER OFF in" in err) == (0, False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("fleet")
    arguments = ["fleet", "--out", str(out), "--policy", str(DATA / "policy.toml")]
    for name in ("vehicles", "sites", "routes"):
        arguments += [f"--{name}", str(DATA / f"{name}.csv")]
    main(arguments)
    return out


def test_larkfell_is_as_large_as_promised() -> None:
    cars, sites, routes = (pd.read_csv(DATA / f"{name}.csv") for name in ("vehicles", "sites", "routes"))
    assert len(cars) >= 40
    assert len(sites) >= 12
    assert sites["altitude_m"].min() == 150
    assert sites["altitude_m"].max() == 4300
    assert routes["route_id"].nunique() >= 5
    assert set(cars["site_id"]) <= set(sites["site_id"])
    assert set(cars["route_id"]) <= set(routes["route_id"])


def test_generator_writes_the_shipped_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import runpy

    monkeypatch.setattr("sys.argv", ["make", str(tmp_path)])
    runpy.run_path(str(DATA.parents[1] / "tools" / "make_larkfell_fleet.py"), run_name="__main__")
    for made in tmp_path.rglob("*.*"):
        if made.is_file():
            shipped = DATA / made.relative_to(tmp_path)
            assert made.read_text(encoding="utf-8") == shipped.read_text(encoding="utf-8")


def test_fleet_folder_holds_everything(folder: Path) -> None:
    for name in (
        "vehicles",
        "counts",
        "sites",
        "parts",
        "remedies",
        "routes",
        "sensitivity",
        "moves",
        "faults",
        "assumptions",
    ):
        table, twin = pd.read_csv(folder / f"{name}.csv"), pd.read_parquet(folder / f"{name}.parquet")
        assert len(table) == len(twin)
        assert list(table.columns) == list(twin.columns)
    plan = json.loads((folder / "plan.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert plan["rows"]["vehicles"] == {"read": 48, "planned": 48, "refused": 0}
    assert plan["tables"]["moves"] == 0  # nobody asked for moves
    assert not list(folder.glob(".*"))


def test_the_page_needs_nothing_else_and_says_what_matters_first(folder: Path) -> None:
    html = (folder / "plan.html").read_text(encoding="utf-8")
    for piece in ("http://", "https://", 'src="/', "<script src"):
        assert piece not in html
    assert html.count("<script") == 1  # it filters and sorts what the page holds
    assert html.count("data:image/svg+xml;base64,") == 2 + 14 + 7  # two figures, a picture for each site and route
    assert (
        html.index("HEATER OFF for")
        < html.index("<h2>Sites")
        < html.index("<h2>HEATER OFF: who")
        < html.index("Vehicles, worst")
    )
    for piece in (
        "Three counting rules",
        "Every assumption and where it comes from",
        "Not covered",
        "Cards for drivers",
    ):
        assert piece in html
    assert "is safe" not in html.lower()


def test_hostile_names_cannot_write_html() -> None:
    cars = worked.vehicles().iloc[:1].assign(vehicle_id="<script>alert(1)</script>")
    from combust.edge.tables.fleet import plan_fleet

    html = plan_page(plan_fleet(cars, worked.sites(), heaters=worked.HEATERS), {}, title="<b>t</b>")
    assert html.count("<script>") == 1
    assert "<script>alert" not in html
    assert "&lt;script&gt;alert" in html
    assert "<b>t</b>" not in html


def test_fleet_command_lists_faults_and_plans_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cars = pd.read_csv(DATA / "vehicles.csv", dtype=str)
    cars.loc[0, "site_id"] = "nowhere"
    text = cars.to_csv(index=False, sep=";").replace(".", ",")
    (tmp_path / "cars.csv").write_text("﻿" + text, encoding="utf-8")
    arguments = ["fleet", "--vehicles", str(tmp_path / "cars.csv"), "--sites", str(DATA / "sites.csv"), "--profiles",
                 str(DATA / "profiles"), "--out", str(tmp_path / "out"), "--json", "--strict"]  # fmt: skip
    code, out, err = run(capsys, *arguments)
    assert code == 4
    assert json.loads(out)["rows"]["vehicles"] == {"read": 48, "planned": 47, "refused": 1}
    assert "vehicles row 2: site_id = nowhere" in err
    assert err.startswith("STOP. HEATER OFF for")


def test_fleet_command_streams_parquet_routes(tmp_path: Path, capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    pd.read_csv(DATA / "routes.csv").to_parquet(tmp_path / "routes.parquet", index=False)
    arguments = ["fleet", "--vehicles", str(DATA / "vehicles.csv"), "--sites", str(DATA / "sites.csv"), "--routes",
                 str(tmp_path / "routes.parquet"), "--out", str(tmp_path / "out")]  # fmt: skip
    assert run(capsys, *arguments)[0] == 0
    assert (tmp_path / "out" / "routes.csv").read_text() == (folder / "routes.csv").read_text()


def test_a_change_and_the_difference_of_two_plans(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    """Higher than 1800 m stand 7 heaters of type small, all of them off; the other type may run to 3300 m."""
    tables = ("--vehicles", DATA / "vehicles.csv", "--sites", DATA / "sites.csv", "--policy", DATA / "policy.toml")
    change = ("--change", "type small = large_high where altitude_m >= 1800", "--max-moves", "0")
    code, out, err = run(capsys, "fleet", *tables, *change, "--out", tmp_path / "b")
    assert code == 0
    assert "heaters off" in out.partition("The page")[0]
    assert "changed: type small = large_high where altitude_m >= 1800: 7 of 48 vehicles" in err
    assert "Nobody is moved" in out
    code, out, _ = run(capsys, "fleet", "diff", folder, tmp_path / "b", "--out", tmp_path / "d", "--json")
    told = json.loads(out)
    assert (code, next(iter(told))) == (0, "safety")
    small = sum(row["count"] for row in told["decisions"])
    assert small == len({row["vehicle_id"] for row in told["cells"] if row["column"] == "decision"}) == 7
    assert (tmp_path / "d" / "difference.html").read_text("utf-8").count("OFF: ") > 1
    assert run(capsys, "fleet", "diff", folder, "--out", tmp_path / "d")[0] == 2
    assert run(capsys, "fleet", "--sites", DATA / "sites.csv", "--out", tmp_path / "d")[0] == 2


def test_fleet_refusals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty.csv").write_text("vehicle_id,heater_id,site_id,cab_ua_w_per_k\n")
    arguments = [
        "fleet",
        "--vehicles",
        str(tmp_path / "empty.csv"),
        "--sites",
        str(DATA / "sites.csv"),
        "--out",
        str(tmp_path),
    ]
    code, _, err = run(capsys, *arguments)
    assert code == 3
    assert "empty" in err
    assert run(capsys, *arguments[:2], "no_such.csv", *arguments[3:])[0] == 3


# Worked apart: lambda 1.6 at sea level and 20 °C; sigma at 2000 m is .909 at -20 °C and .785 at +20 °C.
@pytest.mark.independent
def test_nights_of_a_season_are_drawn_where_lambda_is() -> None:
    base = healthy_stage("diesel", air_ratio=1.6, reference=Site(0, None, 20.0))
    figure = draw_nights(base, altitude_m=2000, minimum=1.3, nights_c=[-20, 20], name="unit")
    line = figure.axes[0].lines[0]
    for temp, sigma in ((-20.0, 0.909), (20.0, 0.785)):
        lam = float(np.interp(temp, line.get_xdata(), line.get_ydata()))
        assert lam == pytest.approx(1.6 * sigma, abs=1.6 * 5.5e-4)
    # +20 °C: 1.26 by density alone, fuel and intake as at the baseline; cold fuel and hot gas leave -20 °C above 1.3.
    assert "below 1.3 in 1 of 2 nights" in figure.get_label()
    assert "nights" not in draw_nights(base, altitude_m=2000, minimum=1.3).get_label()
