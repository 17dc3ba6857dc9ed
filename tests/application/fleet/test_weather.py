"""Hours and nights below each margin: against plain counts in pandas, against the plan's own night, and what stays."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.application.fleet.decisions import KEEP_OFF
from combust.application.fleet.hours import Season, SiteHours
from combust.application.fleet.plan import FleetPlan
from combust.application.fleet.weather import MARGINS, Counted, count_below, counted_hours
from combust.application.heater.baseline import healthy_stage
from combust.data.errors import CombustError
from combust.edge.tables.fleet import plan_fleet
from combust.kernel.air import pressure_from_altitude
from tests.application.fleet import worked
from tests.long import LONG

EVENINGS = pd.Timedelta(hours=8)  # of 10 h before 8 o'clock, that hour counted: 23, 0 ... 8


def shipped(name: str) -> Path:
    """Return a typical year that pvlib ships inside its package."""
    found = importlib.util.find_spec("pvlib")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "data" / name


def plain_hours(path: Path) -> pd.DataFrame:
    """Return the hours of the season's nights of a TMY3 file, read and cut without combust or pvlib.

    The nights of 1 October to 30 April by the evening, ten stamps each: 23:00 to 08:00; 24:00 is the next day's 0:00.
    """
    raw = pd.read_csv(path, skiprows=1, usecols=[0, 1, 31, 37, 40], names=["day", "clock", "t", "rh", "p"], header=0)
    month_day = pd.to_datetime("2001/" + raw["day"].str[:5], format="%Y/%m/%d")
    at = month_day + pd.to_timedelta(raw["clock"].str[:2].astype(int), unit="h")
    evening = (at - EVENINGS - pd.Timedelta(minutes=1)).dt.normalize()
    evening = evening.map(lambda day: day.replace(year=2001))  # the morning of 1 January ends the year's last night
    inside = at.dt.hour.isin([23, *range(9)]) & evening.dt.month.isin([10, 11, 12, 1, 2, 3, 4])
    return raw.assign(at=at, evening=evening)[inside]


def below(frame: pd.DataFrame, where: Any) -> tuple[float, float]:
    """Return (hours, nights) of a plain count."""
    return float(where.sum()), float(frame.loc[where, "evening"].nunique())


def one_car(heater: Any, folder: Path, site: dict[str, Any], car: dict[str, Any] | None = None) -> FleetPlan:
    """Return the plan of one vehicle at the site "alaska"."""
    fixed = {"site_id": "alaska", "mildest_use_temp_c": 15, "nights_per_season": 120, "hours_per_night": 10}
    cars = {"vehicle_id": "V", "heater_id": "h", "site_id": "alaska", "cab_ua_w_per_k": 70, "cab_target_c": 20}
    sites, vehicles = pd.DataFrame([fixed | site]), pd.DataFrame([cars | (car or {})])
    return plan_fleet(vehicles, sites, heaters={"h": heater}, weather=folder)


@pytest.fixture(scope="module")
def alaska(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that holds the year of Sand Point (AK) as the file of the site."""
    folder = tmp_path_factory.mktemp("weather")
    (folder / "alaska.tmy3").write_bytes(shipped("703165TY.csv").read_bytes())
    return folder


@pytest.mark.independent
def test_an_alaskan_year_against_plain_counts(alaska: Path) -> None:
    """Every margin of the year that pvlib ships, counted again in pandas from the raw columns.

    fuel: below -5 and -2 °C. battery: of 36 Ah 0.6 + 0.4 (T + 20)/40 are there and half of that may be taken, so it
    is short where 36 (0.6 + 0.01 (T + 20)) / 2 is less than the Ah of a night. cab: 2 kW times the density of the fuel
    over that at 20 °C (cold air is denser there than at the baseline: nothing is trimmed) against 70 W/K and
    20 - 0.5 °C. lambda: the working point solved hour by hour, no surface.
    """
    plain = plain_hours(shipped("703165TY.csv"))
    assert len(plain) == 212 * 10
    minimum = 1.72
    heater = worked.heater(1400.0, limits={"altitude_m": 1400, "air_ratio_min": minimum})
    site = {"altitude_m": 7, "design_temp_c": -11, "cold_filter_plugging_c": -5}
    plan = one_car(heater, alaska, site, {"battery_v": 12, "battery_ah": 36})
    row, car = plan.weather.vehicles.iloc[0], plan.vehicles.iloc[0]

    def told(margin: str) -> tuple[float, float]:
        return float(row[f"hours_{margin}"]), float(row[f"nights_{margin}"])

    temp = plain["t"]
    assert told("fuel") == pytest.approx(below(plain, temp < -5.0))
    assert told("fuel_margin") == pytest.approx(below(plain, temp < -2.0))
    charge = 36.0 * (0.6 + 0.01 * (temp + 20.0)) / 2.0
    assert told("battery") == pytest.approx(below(plain, charge < car["battery_ah_per_night"]))
    base = healthy_stage(heater)
    beta = base.expansion_per_k
    heat = 2.0 * (1.0 - beta * (temp - 15.0)) / (1.0 - beta * 5.0)
    assert told("cab") == pytest.approx(below(plain, temp + 1000.0 * heat / 70.0 < 19.5))
    air, where = np.unique(plain[["t", "rh"]].to_numpy(dtype=float), axis=0, return_inverse=True)
    exact = base.lambda_at(base.air_at(np.full(len(air), 1012.0), air[:, 0], humidity_pct=air[:, 1])).air_ratio_full
    edge = np.abs(exact - minimum) < 1e-3  # what the surface may be off
    counted = [below(plain, exact[where.ravel()] < minimum + shift) for shift in (-1e-3, 1e-3)]
    assert edge.mean() < 0.1
    for number, least, most in zip(told("air_ratio"), *counted, strict=True):
        assert least <= number <= most
    assert all(0.0 < told(margin)[0] < len(plain) for margin in MARGINS), "a margin that nothing or all is below"
    assert plan.weather.sites.iloc[0]["nights_counted"] == 212
    assert plan.weather.sites.iloc[0]["pressure_from"] == "series"
    assert "averaged out" in " ".join(plan.weather.notes)


@pytest.mark.independent
def test_the_design_night_all_season_is_the_plan(tmp_path: Path) -> None:
    """Hours as cold as the design night, dry and at the plan's pressure, tell what the plan tells of that night."""
    at = pd.date_range("2024-11-30 12:00", "2025-01-01 12:00", freq="h").strftime("%Y-%m-%dT%H:%M")
    for name, (_, height, cold, _) in worked.GROUPS.items():
        pressure = float(pressure_from_altitude(height))
        frame = pd.DataFrame({"taken_at": at, "temp_c": cold, "pressure_hpa": pressure})
        frame.to_csv(tmp_path / f"S{name[1]}.csv", index=False)
    cars = pd.DataFrame(
        [
            {"vehicle_id": f"{name}-{fitted}-{loss:g}", "site_id": f"S{name[1]}", "compensation": fitted}
            | {"cab_ua_w_per_k": loss, "ventilation_m3_per_h": venting}
            for name in worked.GROUPS
            for fitted in ("none", "fuel", "blower", "automatic")
            for loss, venting in zip(np.linspace(35.0, 75.0, 11), [0.0, 12.0] * 6, strict=False)
        ]
    )
    fixed = {
        "heater_id": "h",
        "battery_v": 12,
        "battery_ah": 45,
        "compensation_limit_m": 4500,
        "blower_trim_max_pct": 8,
    }
    sites = worked.sites(cold_filter_plugging_c=-14)
    heater = worked.heater(None, limits={"altitude_m": 4500, "compensation_altitude_m": 4600, "air_ratio_min": 1.33})
    plan = plan_fleet(cars.assign(**fixed), sites, heaters={"h": heater}, weather=tmp_path, season="12-01:12-31")
    seen = plan.weather.vehicles.set_index("vehicle_id").loc[plan.vehicles["vehicle_id"]].reset_index()
    told = plan.vehicles
    assert not told["decision"].isin(KEEP_OFF).any()
    free, kit = told["air_ratio_full"], told["compensation"]
    lowest = np.where(
        kit.isin(["fuel", "automatic"]), 1.6, np.where(kit == "blower", np.minimum(free * 1.08, 1.6), free)
    )
    relative = np.where(
        kit.isin(["fuel", "automatic"]), told["base_air_ratio_u"] / 1.6, told["air_ratio_full_u"] / free
    )
    sure = np.abs(told["cab_temp_reached_full_c"] - 19.5) > 0.02  # farther than a hair of the surface
    assert sure.mean() > 0.95
    for margin, where, known in (
        ("air_ratio", lowest < 1.33, True),
        ("air_ratio_least", lowest * (1.0 + 2.0 * relative) < 1.33, True),
        ("air_ratio_most", lowest * (1.0 - 2.0 * relative) < 1.33, True),
        ("cab", told["cab_temp_reached_full_c"] < 19.5, sure),
        ("fuel", told["fuel_grade"] == "below", True),
        ("fuel_margin", told["fuel_grade"].isin(["below", "marginal"]), True),
        ("battery", told["battery"] == "too_small", True),
    ):
        assert 0 < np.sum(where) < len(told), margin
        assert np.where(known, seen[f"nights_{margin}"], 0) == pytest.approx(np.where(where & known, 31.0, 0.0)), margin
        assert np.where(known, seen[f"hours_{margin}"], 0) == pytest.approx(np.where(where & known, 310.0, 0.0)), margin


@cache
def alone() -> FleetPlan:
    """Return the worked fleet without any series."""
    return worked.plan(with_assignment=False)


@settings(max_examples=40 if LONG else 3, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    middle=st.floats(-35, 25),
    swing=st.floats(0, 15),
    wet=st.floats(0, 100),
    off=st.floats(-40, 40),
    seed=st.integers(0, 9),
)
def test_no_series_relaxes_the_design_night(
    tmp_path: Path, middle: float, swing: float, wet: float, off: float, seed: int
) -> None:
    """Whatever weather is beside it: decisions, margins, totals and the safety state stay as they were."""
    chance = np.random.default_rng(seed)
    at = pd.date_range("2024-12-01 12:00", "2025-01-05 12:00", freq="h").strftime("%Y-%m-%dT%H:%M")
    for name, (_, height, _, _) in worked.GROUPS.items():
        temp = np.clip(chance.normal(middle, swing, len(at)), -60.0, 60.0)
        pressure = np.clip(chance.normal(float(pressure_from_altitude(height)) + off, 5.0, len(at)), 300.0, 1100.0)
        frame = pd.DataFrame({"taken_at": at, "temp_c": temp, "humidity_pct": wet, "pressure_hpa": pressure})
        frame.to_csv(tmp_path / f"S{name[1]}.csv", index=False)
    with_series = worked.plan(weather=tmp_path, season="12-01:12-31", with_assignment=False)
    pd.testing.assert_frame_equal(with_series.vehicles, alone().vehicles)
    pd.testing.assert_frame_equal(with_series.parts, alone().parts)
    assert with_series.totals == alone().totals
    assert with_series.safety == alone().safety
    assert len(with_series.weather.sites) + with_series.weather.refused == len(worked.GROUPS)


@pytest.mark.hand
def test_a_month_counts_by_its_own_nights() -> None:
    """Half of January is missing: 16 of 31 nights were seen, each below. December is whole and mild."""
    at = pd.date_range("2024-12-01 12:00", "2025-01-17 11:00", freq="h")
    hour = ((at - pd.Timestamp("1970-01-01")) // pd.Timedelta(hours=1)).to_numpy()
    temp = np.where(at >= pd.Timestamp("2025-01-01 12:00"), -9.0, 3.0)
    nothing = np.full(len(at), np.nan)
    counted = counted_hours(SiteHours(hour, temp, nothing, nothing), Season.of("12-01:01-31"), 10.0, 8.0)
    hours, nights = count_below(counted, counted.temp_c, np.array([-5.0, -20.0, 10.0, np.nan]))
    assert nights.tolist() == pytest.approx([31.0, 0.0, 62.0, np.nan], nan_ok=True)
    assert hours.tolist() == pytest.approx([310.0, 0.0, 620.0, np.nan], nan_ok=True)
    # a month of which nothing was seen leaves the season untold
    longer = counted_hours(SiteHours(hour, temp, nothing, nothing), Season.of("12-01:02-28"), 10.0, 8.0)
    assert np.isnan(count_below(longer, longer.temp_c, np.array([-5.0]))[0]).all()


@pytest.mark.hand
def test_thirty_winters_are_one_season() -> None:
    """Each winter has one hour of -30 °C at 3 o'clock on 10 January: one hour on one night a season."""
    at = pd.date_range("1991-01-01 00:00", "2020-12-31 23:00", freq="h")
    hour = ((at - pd.Timestamp("1970-01-01")) // pd.Timedelta(hours=1)).to_numpy()
    temp = np.where((at.month == 1) & (at.day == 10) & (at.hour == 3), -30.0, -1.0)
    nothing = np.full(len(at), np.nan)
    counted = counted_hours(SiteHours(hour, temp, nothing, nothing), Season(), 10.0, 8.0)
    hours, nights = count_below(counted, counted.temp_c, np.array([-20.0]))
    assert (hours[0], nights[0]) == pytest.approx(
        (1.0, 1.0), rel=0.002
    )  # the morning of 1 January 1991 is half a night


@pytest.mark.hand
@pytest.mark.parametrize(("text", "nights"), [("04-01:10-31", 214), ("12-24:01-02", 10), ("01-01:12-31", 365)])
def test_seasons_of_both_halves_of_the_world(text: str, nights: int) -> None:
    assert Season.of(text).nights == nights
    assert f"{nights} nights" in str(Season.of(text))


@pytest.mark.hand
@pytest.mark.parametrize("text", ["10-01", "13-01:04-30", "02-30:04-01", "1 Oct to 30 Apr", "", "10-01:04-30:05-01"])
def test_what_is_no_season_is_refused(text: str) -> None:
    with pytest.raises(CombustError, match="10-01:04-30"):
        Season.of(text)


@pytest.mark.hand
def test_nothing_of_the_season_in_the_series(tmp_path: Path) -> None:
    at = pd.date_range("2024-06-01", periods=48, freq="h").strftime("%Y-%m-%dT%H:%M")
    pd.DataFrame({"taken_at": at, "temp_c": 4.0}).to_csv(tmp_path / "S1.csv", index=False)
    seen = worked.plan(weather=tmp_path, with_assignment=False).weather
    assert len(seen.vehicles) == 0
    assert "no hour of the nights of the season" in " ".join(seen.notes)
    assert np.isnan(seen.sites["coldest_c"]).all()


@pytest.mark.hand
def test_a_refused_series_leaves_the_others_and_the_plan(tmp_path: Path) -> None:
    """S3 lies at 3300 m and gives 1015 hPa; S1 is colder than its design night of -12 °C; V9 is nobody's."""
    at = pd.date_range("2024-12-01 12:00", periods=24 * 40, freq="h").strftime("%Y-%m-%dT%H:%M")
    for name, temp, pressure in (("S3", -20.0, 1015.0), ("S1", -13.0, 812.0), ("S2-", -10.0, 735.0)):
        frame = pd.DataFrame({"taken_at": at, "temp_c": temp, "pressure_hpa": pressure})
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    plan = worked.plan(weather=tmp_path, season="12-01:12-31", with_assignment=False)
    seen = plan.weather
    assert seen.refused == 1
    assert seen.sites["site_id"].tolist() == ["S1"]
    said = " ".join(plan.warnings)
    assert "Weather of S3 REFUSED" in said
    assert "Weather of S1: colder than the design night of -12 °C on 31.0 nights a season, down to -13 °C" in said
    assert "S2-.csv is named like no planned site: not used. Did you mean S2?" in " ".join(plan.notes)
    assert plan.rows["vehicles"]["planned"] == 51
    assert seen.classes["vehicles"].sum() == 12


@pytest.mark.hand
def test_a_blower_of_unknown_reach_is_not_told() -> None:
    """Where lambda with nothing fitted is too low and nobody knows how far the blower reaches, the count is NaN."""
    counted = Counted(*(np.zeros(3) for _ in range(3)), np.full(3, 12), np.array([0]), np.ones(13), np.ones(13))
    assert np.isnan(count_below(counted, np.array([1.0, 2.0, 3.0]), np.array([np.nan]))).all()


@pytest.mark.hand
def test_the_season_of_a_site_counts_where_none_is_asked_for(tmp_path: Path) -> None:
    """S1 uses its heaters from November to February, S2 does not say; a season that is asked for wins."""
    at = pd.date_range("2024-09-30 12:00", "2025-05-01 12:00", freq="h").strftime("%Y-%m-%dT%H:%M")
    for name in ("S1", "S2"):
        pd.DataFrame({"taken_at": at, "temp_c": -5.0}).to_csv(tmp_path / f"{name}.csv", index=False)
    sites = worked.sites(season_first_month=np.nan, season_last_month=np.nan)
    sites.loc[sites["site_id"] == "S1", ["season_first_month", "season_last_month"]] = (11, 2)
    asked = {"heaters": worked.HEATERS, "weather": tmp_path, "with_assignment": False}
    seen = plan_fleet(worked.vehicles(), sites, **asked).weather
    assert seen.sites["nights_counted"].tolist() == [30 + 31 + 31 + 28, 212]
    assert "of each site" in seen.season
    alike = plan_fleet(worked.vehicles(), sites, season="12-24:01-02", **asked).weather
    assert alike.sites["nights_counted"].tolist() == [10, 10]
    assert alike.season.startswith("24 December to 2 January, 10 nights")
