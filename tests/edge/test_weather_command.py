"""Hourly series from the command line and on the page of the plan."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from combust import load_plan
from tests.edge.runs import DATA as DEMO
from tests.edge.runs import run

pytestmark = pytest.mark.independent
DATA = DEMO / "larkfell_fleet"


def test_weather_example_of_the_help(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The invented winter of the demo: counted beside the plan, colder nights told, its warts told, on the page."""
    tables = ["--vehicles", str(DATA / "vehicles.csv"), "--sites", str(DATA / "sites.csv")]
    more = ["--weather", str(DATA / "weather"), "--season", "12-01:02-28", "--out", str(tmp_path)]
    code, out, err = run(capsys, "fleet", *tables, *more)
    assert code == 0
    # the lowest of the file, 10 h a night: seen by pandas without combust
    frame = pd.read_csv(DATA / "weather" / "snow_base_varrowmantle.csv", parse_dates=["taken_at"])
    frame = frame.drop_duplicates()
    clock = frame["taken_at"].dt.hour
    evening = (frame["taken_at"] - pd.Timedelta(hours=8, minutes=1)).dt.normalize()
    night = frame[
        clock.isin([22, 23, *range(9)]) & evening.between("2024-12-01", "2025-02-28")
    ]  # 11 h, as the site has
    colder = night["temp_c"] < -19.0
    hours, nights = int(colder.sum()), night.loc[colder].groupby(evening).ngroups
    assert "Decisions stand on the design night alone; no series relaxes it." in out
    assert "snow_base_varrowmantle  trim_first" in out
    assert f"colder than the design night of -19 °C on {nights}.0 nights a season" in err
    assert f"down to {night['temp_c'].min():g} °C" in err
    assert "not filled: 7." in err
    assert "counted once: 1." in err
    page = (tmp_path / "plan.html").read_text("utf-8")
    assert "<h2>Weather as it is: hours and nights a season below each margin</h2>" in page
    assert f"{hours} h on {nights} nights" in page
    assert "0 here takes nothing back" in page
    assert len(pd.read_csv(tmp_path / "weather_vehicles.csv")) == 6
    assert load_plan(tmp_path).weather.sites["missing"][0] == 7


def test_a_pressure_of_sea_level_from_the_command_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Refused when none of what was asked for can be counted, as a table of which no row can be; reduced on demand."""
    at = pd.date_range("2024-11-30 12:00", "2025-01-01 12:00", freq="h").strftime("%Y-%m-%dT%H:%M")
    series = pd.DataFrame({"time": at, "T": 14.0, "p": 30.1})  # °F and inHg: -10 °C, 1019 hPa
    (tmp_path / "series").mkdir()
    series.to_csv(tmp_path / "series" / "pass_house_hallowick.csv", index=False)
    few = pd.read_csv(DATA / "vehicles.csv").query("site_id == 'pass_house_hallowick'")
    few.to_csv(tmp_path / "few.csv", index=False)
    tables = ["--vehicles", str(tmp_path / "few.csv"), "--sites", str(DATA / "sites.csv"), "--max-moves", "0"]
    tables += ["--profiles", str(DATA / "profiles")]
    how = ["--map", "T=temp_f", "--map", "p=pressure_inhg", "--season", "12-01:12-31", "--out", str(tmp_path / "plan")]
    asked = ["fleet", *tables, "--weather", str(tmp_path / "series"), *how]
    code, _, err = run(capsys, *asked)
    assert code == 3
    assert "weather = pass_house_hallowick is refused" in err
    assert not (tmp_path / "plan").exists()
    assert "--sea-level-pressure reduce" in err
    code, out, err = run(capsys, *asked, "--sea-level-pressure", "reduce")
    assert code == 0
    assert "REFUSED" not in err
    assert "hypsometric" in err
    assert "pass_house_hallowick  " in out.split("Weather as it is")[1]
